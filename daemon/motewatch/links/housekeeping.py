"""Housekeeping by the clock: pruning, checkpoints, sums, heartbeats. It decides nothing about periods or alarms.

Rules: the jobs are handed in; each is short, may be late, and may be left out once without harm. A job that raises is
logged and counted and runs again at its next time. All times are UTC and all jobs run by interval, since a local time
of day comes twice or never on the days the clocks change. The scheduler goes by the host's wall clock: after a jump of
that clock all jobs begin their interval anew, since a clock that is set back must not silence a heartbeat until it has
caught up, and one set forward by years must not be made up for. Deadlines of the engine do not belong here: they are
worked off by `advance`, at their nominal instants.
"""

from __future__ import annotations

import logging
import threading
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.base import BaseTrigger

from motewatch.journal.errors import JournalUnwritableError
from motewatch.links.clock import Clock, StepWatch

log = logging.getLogger(__name__)

LOOK_S: Final = 1.0
"""How often it is looked whether somebody set the clock."""


@dataclass(frozen=True, slots=True)
class Job:
    """Something to be done every `every_s` seconds, for the first time one interval after the start."""

    name: str
    every_s: float
    run: Callable[[], object]


class Every(BaseTrigger):
    """In step with the first time; what a stall or a jump has left out stays out, in one step and not one by one."""

    def __init__(self, every_s: float) -> None:
        self._every = timedelta(seconds=every_s)

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime:
        """The next time after `now`, in whole intervals from the previous one; from `now` where there was none."""
        if previous_fire_time is None:
            return now + self._every
        left_out = max(timedelta(0), now - previous_fire_time) // self._every
        return previous_fire_time + (left_out + 1) * self._every


class Housekeeping:
    """Runs the jobs in a small pool of threads between `start` and `stop`. `step_us`: see `StepWatch`."""

    def __init__(
        self,
        jobs: Iterable[Job],
        step_us: Callable[[], int | None] | None = None,
        look_s: float = LOOK_S,
        scheduler: BackgroundScheduler | None = None,
    ) -> None:
        self._step_us = step_us or StepWatch(Clock()).step_us
        self._look_s = look_s
        self._lock = threading.Lock()
        self._failures: Counter[str] = Counter()
        self._runs: Counter[str] = Counter()
        self._stopping = threading.Event()
        self._watch = threading.Thread(target=self._watch_clock, name="housekeeping-clock", daemon=True)
        self._scheduler = scheduler or BackgroundScheduler(timezone=UTC)  # type: ignore[no-untyped-call]
        # Two hands: a job that hangs must not silence the heartbeat.
        self._scheduler.add_executor(ThreadPoolExecutor(2))  # type: ignore[no-untyped-call]
        self._jobs = list(jobs)
        for job in self._jobs:
            self._scheduler.add_job(  # type: ignore[no-untyped-call]
                self._guarded,
                Every(job.every_s),
                args=(job,),
                id=job.name,
                # All three on purpose. The default grace of one second drops a run that comes later than that (a busy
                # minute would silence the heartbeat): None means better late than never. Coalesced, because after a
                # long stall one pruning is as good as four. One instance, because no job is made to meet itself.
                misfire_grace_time=None,
                coalesce=True,
                max_instances=1,
            )

    def start(self) -> None:
        """Begin."""
        self._scheduler.start()  # type: ignore[no-untyped-call]
        self._watch.start()

    def stop(self) -> None:
        """End; waits for jobs under way, which are short. Not started or stopped already: nothing happens."""
        self._stopping.set()
        if self._watch.ident is not None:
            self._watch.join()
        if self._scheduler.running:
            self._scheduler.shutdown(wait=True)  # type: ignore[no-untyped-call]

    def failures(self) -> dict[str, int]:
        """How often each job has raised."""
        with self._lock:
            return dict(self._failures)

    def runs(self) -> dict[str, int]:
        """How often each job has been run, failures included."""
        with self._lock:
            return dict(self._runs)

    def _watch_clock(self) -> None:
        while not self._stopping.wait(self._look_s):
            if self._step_us() is not None:
                for job in self._jobs:
                    self._scheduler.reschedule_job(job.name, trigger=Every(job.every_s))  # type: ignore[no-untyped-call]

    def _guarded(self, job: Job) -> None:
        try:
            job.run()
        except JournalUnwritableError as error:
            # The writer says what is to be said of a full or failing disk; here it is no defect.
            with self._lock:
                self._failures[job.name] += 1
            log.warning("housekeeping: '%s' was put off for %g s: %s", job.name, job.every_s, error)
        except Exception:
            with self._lock:
                self._failures[job.name] += 1
            log.exception("housekeeping: '%s' failed; it runs again in %g s", job.name, job.every_s)
        finally:
            with self._lock:
                self._runs[job.name] += 1
