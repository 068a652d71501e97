"""What the engine has to do later, in order.

Deadlines are worked off by (instant, rank, key), never by when they were entered, so that a restored engine and one
that never stopped do the same things in the same order. Entries are never taken back: whoever handles one looks at
the present state and finds that there is nothing to do any more.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum
from heapq import heapify, heappop, heappush


class Due(IntEnum):
    """Kinds of deadline, in the order in which those of one instant are worked off."""

    CLOSE = 0
    """A sample period is over and settled."""
    REVISE = 1
    """Late readings of a closed period are settled."""
    BOUND = 2
    """An on-delay may be over."""
    SILENCE = 3
    """A sensor may have been silent too long."""
    CALIBRATION = 4
    """A calibration falls due."""
    DEAD_LETTERS = 5
    """The last undecodable message may be long enough ago."""
    CASCADE = 6
    """An on-delay of a step of the pressure cascade may be over."""
    UNSHELVE = 20
    """A shelving is over."""
    RE_ALARM = 21
    """An acknowledged alarm may still be active after its re-alarm time."""
    OCCUPANCY = 22
    """A room's schedule changes its occupancy state, on which a suppression depends."""
    TRIAL_CONFIRM = 40
    """The time to confirm a test call is over. Before `TRIAL`, which lets the next one take its place."""
    TRIAL = 41
    """The weekly test calls are to be made."""
    ROTA = 50
    """Who is on call in a rota changes. Before the steps of the same instant, which ask who is."""
    CALL_STEP = 51
    """A step of an escalation."""
    CALL_REPEAT = 52
    """Everyone who was called is called again."""
    CALL_NOBODY = 53
    """The time to answer after the last step is over."""
    QUIET_OVER = 54
    """A person's quiet hours end."""
    CALL_FLUSH = 60
    """What was gathered for a person is told: after all that may add to it at this instant."""
    TELL_NOBODY = 61
    """Everybody is told that nobody was reached."""


Deadline = tuple[int, int, str]
"""(instant in microseconds, rank, key)"""


@dataclass(slots=True)
class Agenda:
    """A heap of deadlines without repeats."""

    _heap: list[Deadline] = field(default_factory=list)
    _entered: set[Deadline] = field(default_factory=set)

    def enter(self, at_us: int, due: Due, key: str) -> None:
        """Enter a deadline; the same one twice is one."""
        deadline = (at_us, int(due), key)
        if deadline not in self._entered:
            self._entered.add(deadline)
            heappush(self._heap, deadline)

    @property
    def next_us(self) -> int | None:
        """Instant of the earliest deadline."""
        return self._heap[0][0] if self._heap else None

    def take(self, before_us: int) -> Deadline | None:
        """Remove and return the earliest deadline that lies before `before_us`, or None."""
        if not self._heap or self._heap[0][0] >= before_us:
            return None
        deadline = heappop(self._heap)
        self._entered.discard(deadline)
        return deadline

    def to_state(self) -> list[list[int | str]]:
        """Plain values for a snapshot, in order."""
        return [list(deadline) for deadline in sorted(self._heap)]

    @classmethod
    def from_state(cls, state: list[list[int | str]]) -> Agenda:
        """The agenda that `to_state` took apart."""
        heap = [(int(at), int(rank), str(key)) for at, rank, key in state]
        heapify(heap)
        return cls(heap, set(heap))
