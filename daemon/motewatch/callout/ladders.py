"""The escalations of a site, compiled: which alarm takes which, and when each of its steps is due.

Frozen, in microseconds, made once per configuration. Knows the site models; must not know time, state or messages.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from motewatch.site.models import Site
from motewatch.site.people import Escalation
from motewatch.site.schedule import WeeklyWindows
from motewatch.wire.records import MINUTE_US

_ROTA: Final = "rota:"


@dataclass(frozen=True, slots=True)
class Rung:
    """One step: so long after the opening of a case these are told."""

    after_us: int
    targets: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Ladder:
    """One escalation."""

    id: str
    priorities: frozenset[str]
    areas: frozenset[str]
    windows: WeeklyWindows | None
    rungs: tuple[Rung, ...]
    repeat_us: int | None

    def takes(self, priority: str, area: str | None, at_us: int) -> bool:
        """Is it meant for such an alarm at that instant?"""
        return (
            (not self.priorities or priority in self.priorities)
            and (not self.areas or area in self.areas)
            and (self.windows is None or self.windows.is_operational(at_us))
        )

    @property
    def rotas(self) -> frozenset[str]:
        """Ids of the rotas that it names."""
        named = (target for rung in self.rungs for target in rung.targets)
        return frozenset(target.removeprefix(_ROTA) for target in named if target.startswith(_ROTA))

    @property
    def targets(self) -> tuple[str, ...]:
        """All targets, in the order of the steps."""
        return tuple(target for rung in self.rungs for target in rung.targets)


@dataclass(frozen=True, slots=True)
class Ladders:
    """All escalations, in the order of the site file."""

    by_id: dict[str, Ladder]

    @classmethod
    def of(cls, site: Site) -> Ladders:
        """The escalations of a site that its checks found sound."""
        return cls({each.id: _ladder(each, site.site.time_zone) for each in site.escalations})

    def for_alarm(self, priority: str, area: str | None, at_us: int) -> Ladder | None:
        """The first that takes such an alarm at that instant, or None: nobody is called for it."""
        return next((ladder for ladder in self.by_id.values() if ladder.takes(priority, area, at_us)), None)

    @property
    def rotas(self) -> tuple[str, ...]:
        """Ids of the rotas that any of them names, in order."""
        return tuple(sorted({rota for ladder in self.by_id.values() for rota in ladder.rotas}))


def _ladder(escalation: Escalation, zone: str) -> Ladder:
    return Ladder(
        id=escalation.id,
        priorities=frozenset(escalation.priorities),
        areas=frozenset(escalation.areas),
        windows=WeeklyWindows.parse(escalation.during, zone) if escalation.during else None,
        rungs=tuple(Rung(round(step.after_min * MINUTE_US), step.tell) for step in escalation.steps),
        repeat_us=None if escalation.repeat_min is None else round(escalation.repeat_min * MINUTE_US),
    )
