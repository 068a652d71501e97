"""People and machines of a scenario, each as it is at this moment. When that changes is told by `sources`."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from motewatch.site.schedule import WeeklyWindows
from motewatch_simulator import scenario as s
from motewatch_simulator.people import GOWNING_LEVEL, Person
from motewatch_simulator.shifts import Doing, Hours
from motewatch_simulator.spectra import Array
from motewatch_simulator.timeline import micros_of


@dataclass(slots=True)
class Worker:
    """A person of the scenario: where they are, and what they wear there."""

    number: int
    person: Person
    group: s.People
    room: int
    gowning_room: int | None
    doing: Doing = Doing.WORKING
    days: Iterator[tuple[int, Doing]] = field(default_factory=lambda: iter(()))

    def place(self) -> int | None:
        """The room they are in, if any."""
        if self.doing is Doing.WORKING:
            return self.room
        return self.gowning_room if self.doing is Doing.GOWNING else None

    def sheds(self, *, mean: bool) -> tuple[s.Garment, float]:
        """Garment and share of vigorous dispersion."""
        if self.doing is Doing.GOWNING:
            return self.group.gowning_garment, GOWNING_LEVEL * self.person.habit
        return self.group.garment, self.person.mean_strength() if mean else self.person.strength


@dataclass(slots=True)
class Tool:
    """A machine: whether it is in a running stretch, and within its hours."""

    machine: s.Machine
    column: int
    room: int
    bins: Array
    windows: WeeklyWindows | None
    turning: bool = True
    within: bool = True

    @property
    def running(self) -> bool:
        return self.turning and self.within


def hours_of(group: s.People, time_zone: str) -> Hours:
    """The working pattern of a group."""
    return Hours(
        WeeklyWindows.parse(group.hours, time_zone),
        WeeklyWindows.parse(group.breaks, time_zone),
        micros_of(group.arrival_spread_min * 60.0),
        0 if group.gowning_room is None else micros_of(group.gowning_min * 60.0),
    )
