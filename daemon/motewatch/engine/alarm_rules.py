"""How the site treats its alarms, compiled: latching, re-alarm time, shelving, suppression, and who may do what.

Frozen; knows the site models and nothing of what stands at the moment.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from motewatch.engine.subject import Subject
from motewatch.site.models import Site
from motewatch.wire.records import HOUR_US, MINUTE_US

_ENTITLED: Final = {
    "acknowledge": "acknowledge alarms",
    "shelve": "shelve alarms",
    "reset": "reset latched alarms",
    "remove-from-service": "take alarms out of service",
    "occupancy": "state the occupancy of rooms",
    "check-in": "say where a portable counter stands",
}


@dataclass(frozen=True, slots=True)
class Scope:
    """Which alarms a rule is for; an empty set of places, kinds or priorities leaves them open."""

    kinds: frozenset[str] = frozenset()
    priorities: frozenset[str] = frozenset()
    areas: frozenset[str] = frozenset()
    rooms: frozenset[str] = frozenset()
    locations: frozenset[str] = frozenset()

    def holds(self, subject: Subject) -> bool:
        """Is this alarm one of them? Of the places one must fit, where any is named."""
        if self.kinds and subject.kind not in self.kinds:
            return False
        if self.priorities and subject.priority.value not in self.priorities:
            return False
        if not (self.areas or self.rooms or self.locations):
            return True
        return subject.area in self.areas or subject.room in self.rooms or subject.location in self.locations


@dataclass(frozen=True, slots=True)
class Treatment:
    """How an alarm is treated."""

    latched: bool = False
    re_alarm_us: int | None = None


@dataclass(frozen=True, slots=True)
class Hiding:
    """A rule of suppression by design."""

    id: str
    reason: str
    scope: Scope
    occupancy: frozenset[str]
    sensor: tuple[str, ...]
    upstream: Scope | None


PLAIN: Final = Treatment()


@dataclass(frozen=True, slots=True)
class AlarmRules:
    """All of it."""

    longest_shelving_us: int = 12 * HOUR_US
    treatments: tuple[tuple[Scope, Treatment], ...] = ()
    hidings: tuple[Hiding, ...] = ()
    persons: tuple[tuple[str, str, frozenset[str]], ...] = ()
    """Id, name and entitlements of each person; none: whoever reaches the broker may do everything."""
    by_id: bool = False
    """Do persons stand on record under their ids, however they are typed?"""

    @classmethod
    def of(cls, site: Site) -> AlarmRules:
        """The rules of a site."""
        return cls(
            longest_shelving_us=round(site.alarms.longest_shelving_h * HOUR_US),
            treatments=tuple(
                (
                    Scope(
                        frozenset(rule.kinds),
                        frozenset(rule.priorities),
                        frozenset(rule.areas),
                        frozenset(rule.rooms),
                        frozenset(rule.locations),
                    ),
                    Treatment(
                        rule.latched, None if rule.re_alarm_min is None else round(rule.re_alarm_min * MINUTE_US)
                    ),
                )
                for rule in site.alarm_rules
            ),
            hidings=tuple(
                Hiding(
                    rule.id,
                    rule.reason,
                    Scope(
                        frozenset(rule.hides),
                        areas=frozenset(rule.areas),
                        rooms=frozenset(rule.rooms),
                        locations=frozenset(rule.locations),
                    ),
                    frozenset(state.value for state in rule.occupancy),
                    tuple(rule.sensor),
                    Scope(frozenset(rule.upstream_kinds), rooms=frozenset(rule.upstream)) if rule.upstream else None,
                )
                for rule in site.suppressions
            ),
            persons=tuple((person.id, person.name, frozenset(person.may)) for person in site.persons),
            # A recorded configuration holds every key that there was, so one without it is of before.
            by_id=site.alarms.by_id and "by_id" in site.alarms.model_fields_set,
        )

    def treatment(self, subject: Subject) -> Treatment:
        """How this alarm is treated: the first rule that matches, or plainly."""
        for scope, treatment in self.treatments:
            if scope.holds(subject):
                return treatment
        return PLAIN

    def named(self, by: str) -> str:
        """Who that is on record: the id of the person who is called so; without superfluous blanks where nobody is."""
        if not self.by_id:
            return by
        plain = " ".join(by.split())
        said = plain.casefold()
        calls = (id_ for id_, name, _ in self.persons if said in (id_.casefold(), " ".join(name.split()).casefold()))
        return next(calls, plain or by)

    def refusal(self, by: str, entitlement: str) -> str:
        """Why this person may not do it, naming who may; empty where the person may, or where no persons are named."""
        if not self.persons:
            return ""
        said = by.casefold()
        for id_, name, may in self.persons:
            if said in (id_.casefold(), name.casefold()) and entitlement in may:
                return ""
        able = ", ".join(name for _, name, may in self.persons if entitlement in may)
        what = _ENTITLED[entitlement]
        return f"'{by}' is not entitled to {what}; {f'entitled: {able}' if able else 'nobody is: see [[persons]] may'}"
