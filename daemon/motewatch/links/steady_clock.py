"""The host's wall clock, but a jump of it is followed only when the sensors agree with it.

What for: a host clock that is set wrong, by an hour or by years, for a minute or until somebody notices, must neither
close a year of periods as missing nor refuse every reading as too old or as made in the future. Sensors have clocks of
their own, and each reading tells by its end what its sensor took the time to be.

Rules:
- A jump of up to `DOUBT_US` is followed at once. A larger one is doubted: the time goes on by a clock that nobody sets,
  as if there had been none, until the wall clock jumps back, or is agreed with.
- It is agreed with when more than two thirds of the sensors heard since say so: at least `QUORUM` of them, or any after
  `WAIT_S`. A reading counts for a clock within `NEAR_US` of which it ended; one that fits neither (an old buffer) is
  no vote.
- Where no sensor says anything for `PATIENCE_S`, a jump of up to a day is followed; a larger one never is. A restart
  begins with the wall clock as it is (but see `Service`, which refuses to start years off).
- Each jump is told once by `step_us`, followed or not.

From any thread. Must not know what the time is used for.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from typing import Final

from motewatch.links.clock import TimeSource
from motewatch.wire.records import DAY_US, MINUTE_US, SECOND_US

log = logging.getLogger(__name__)

STEP_US: Final = SECOND_US
"""What differs by more is a jump and no slow correction by a time service."""

DOUBT_US: Final = MINUTE_US
NEAR_US: Final = 30 * SECOND_US
QUORUM: Final = 3
WAIT_S: Final = 10.0
PATIENCE_S: Final = 600.0
TRIES: Final = 20
APART_S: Final = 0.01
"""Two clocks read further apart than this say nothing of each other: the program was held up between them."""


def elapsed_s() -> float:
    """Seconds on a clock that nobody sets, and that goes on while the machine sleeps, where there is one."""
    return time.clock_gettime(getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC))


class SteadyClock:
    """See the module. `elapsed` is a clock that nobody sets."""

    def __init__(self, clock: TimeSource, elapsed: Callable[[], float] = elapsed_s) -> None:
        self._clock = clock
        self._elapsed = elapsed
        self._lock = threading.Lock()
        self._ahead_us = 0
        """By how much the wall clock is ahead of ours: not 0 while it is doubted."""
        self._untold_us = 0
        self._since_s = 0.0
        self._votes: dict[str, bool] = {}
        """sensor -> does it agree with the wall clock?"""
        wall_us, at_s = self._read()
        self._apart_us = wall_us - round(at_s * SECOND_US)

    def now_us(self) -> int:
        """Microseconds UTC since 1970, as far as the host's clock is believed."""
        with self._lock:
            wall_us, at_s = self._read()
            self._look(wall_us, at_s)
            return wall_us - self._ahead_us

    def monotonic_s(self) -> float:
        """Seconds on the host's monotonic clock."""
        return self._clock.monotonic_s()

    def step_us(self) -> int | None:
        """Microseconds by which the wall clock jumped since this was asked last (negative: back), or None."""
        self.now_us()
        with self._lock:
            told_us, self._untold_us = self._untold_us, 0
        return told_us or None

    @property
    def doubted(self) -> bool:
        """Whether the wall clock is not followed just now. Cheap."""
        return self._ahead_us != 0

    def heard(self, sensor: str, end_us: int) -> None:
        """A reading came that ended then, says its sensor. To be called for each while `doubted`."""
        with self._lock:
            wall_us, at_s = self._read()
            self._look(wall_us, at_s)
            if not self._ahead_us:
                return
            near_us = min(NEAR_US, abs(self._ahead_us) // 2)
            if abs(wall_us - end_us) < near_us:
                self._votes[sensor] = True
            elif abs(wall_us - self._ahead_us - end_us) < near_us:
                self._votes[sensor] = False
            else:
                return
            agree, all_ = sum(self._votes.values()), len(self._votes)
            if 3 * agree > 2 * all_ and (all_ >= QUORUM or at_s - self._since_s >= WAIT_S):
                self._follow(f"{agree} of {all_} sensors agree with it")

    def _read(self) -> tuple[int, float]:
        """Both clocks at one moment."""
        closest: tuple[float, int, float] | None = None
        for _ in range(TRIES):
            before_s, wall_us, after_s = self._elapsed(), self._clock.now_us(), self._elapsed()
            if closest is None or after_s - before_s < closest[0]:
                closest = (after_s - before_s, wall_us, after_s)
            if closest[0] <= APART_S:
                break
        assert closest is not None
        return closest[1], closest[2]

    def _look(self, wall_us: int, at_s: float) -> None:
        apart_us = wall_us - round(at_s * SECOND_US)
        jump_us, self._apart_us = apart_us - self._apart_us, apart_us
        if abs(jump_us) > STEP_US:
            self._jumped(jump_us, at_s)
        elif 0 < abs(self._ahead_us) <= DAY_US and not self._votes and at_s - self._since_s >= PATIENCE_S:
            self._follow("no sensor says anything against it")

    def _jumped(self, jump_us: int, at_s: float) -> None:
        self._untold_us += jump_us
        ahead_us = self._ahead_us + jump_us
        self._votes.clear()
        self._since_s = at_s
        if abs(ahead_us) <= DOUBT_US:
            # At once, and also when it is nearly back: then the rest of it was set right meanwhile.
            self._ahead_us = 0
            log.warning("the host's clock jumped by %+.1f s; it is followed", jump_us / SECOND_US)
            return
        self._ahead_us = ahead_us
        log.warning(
            "the host's clock jumped by %+.1f s; time goes on as before until it is back, or the sensors agree with it",
            jump_us / SECOND_US,
        )

    def _follow(self, why: str) -> None:
        log.warning("the host's clock is followed again, %+.1f s: %s", self._ahead_us / SECOND_US, why)
        self._ahead_us = 0
        self._votes.clear()
