"""What a call says beside the alarm's own words: places, what to do, and one sentence on why it is made.

Compiled once per configuration. Times in a sentence are local times of the site. Must not know who is told or when.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from motewatch.alarms.lifecycle import Event, State
from motewatch.alarms.rationalisation import Advisor
from motewatch.callout.escalation import Case, Contact
from motewatch.callout.gathering import first_cause_first
from motewatch.callout.records import Cause, Fact
from motewatch.engine.alarm_book import Entry
from motewatch.engine.records import AlarmChanged
from motewatch.engine.subject import Subject
from motewatch.site.instants import instant
from motewatch.site.models import Site


@dataclass(frozen=True, slots=True)
class CallTexts:
    """Names of everything that a call may speak of."""

    site: str
    zone: ZoneInfo
    locations: dict[str, str]
    sensors: dict[str, str]
    """Where each fixed sensor stands: the name of its location."""
    rooms: dict[str, str]
    areas: dict[str, str]
    persons: dict[str, str]
    rotas: dict[str, str]
    advisor: Advisor

    @classmethod
    def of(cls, site: Site) -> CallTexts:
        """The names of a site."""
        locations = {location.id: location.name for location in site.locations}
        return cls(
            site=site.site.name,
            zone=ZoneInfo(site.site.time_zone),
            locations=locations,
            sensors={sensor.id: locations.get(sensor.location or "", "") for sensor in site.sensors},
            rooms={room.id: room.name for room in site.rooms},
            areas={area.id: area.name for area in site.areas},
            persons={person.id: person.name for person in site.persons},
            rotas={rota.id: rota.name for rota in site.rotas},
            advisor=Advisor.of(site),
        )

    def facts(self, entries: Iterable[Entry]) -> tuple[Fact, ...]:
        """The alarms as a message tells them, the first cause first."""
        return first_cause_first(self._fact(entry) for entry in entries)

    def _fact(self, entry: Entry) -> Fact:
        subject = entry.subject
        advice = self.advisor.advice(subject.kind, location=subject.location, room=subject.room, area=subject.area)
        return Fact(
            alarm=subject.alarm,
            priority=subject.priority.value,
            state=entry.state.value,
            what=entry.text,
            where=self._where(subject),
            since_us=entry.began_us,
            value=entry.value,
            limit=entry.limit,
            unit=entry.unit,
            action=advice.action,
        )

    def _where(self, subject: Subject) -> str:
        """Location and room, or what else is known of the place; at least the site."""
        parts = [
            self.locations.get(subject.location or "", ""),
            self.rooms.get(subject.room or "", ""),
        ]
        if subject.location is None and subject.sensor is not None:
            parts = [f"sensor {subject.sensor}", self.sensors.get(subject.sensor, ""), *parts[1:]]
        if not any(parts):
            parts = [self.areas.get(subject.area or "", ""), self.site]
        return ", ".join(dict.fromkeys(part for part in parts if part))

    # Why a call is made

    def remark(self, change: AlarmChanged) -> str:
        """What is said with the calls of a case that this step opened."""
        if change.event is Event.RE_ALARM:
            return "It was acknowledged before, and is still active."
        if change.event is Event.UNSHELVE_ACTIVE:
            return "Its shelving is over, and it is still active."
        if change.event is Event.RETURN_TO_SERVICE_ACTIVE:
            return "It is in service again, and active."
        if change.event is Event.UNSUPPRESS_ACTIVE:
            return "What suppressed it is over, and it is still active."
        return "It was found late." if change.late else ""

    def call_note(self, cause: Cause, cases: Sequence[Case], person: str) -> str:
        """The sentences beside the facts of a call."""
        said = list(dict.fromkeys(case.remark for case in cases if case.remark))
        if cause in (Cause.CLIMBED, Cause.REPEATED):
            before = self._named(cases, Contact.CALLED, person)
            failed = self._named(cases, Contact.FAILED, person)
            if before:
                said.append(f"Told before, without acknowledgement: {before}.")
            if failed:
                said.append(f"Could not be reached: {failed}.")
        if cause is Cause.OTHER_WAY:
            said.append("Another way to you did not work.")
        return " ".join(said)

    def _named(self, cases: Sequence[Case], contact: Contact, but: str) -> str:
        ids = dict.fromkeys(
            person for case in cases for person, found in case.contacts.items() if found is contact and person != but
        )
        return ", ".join(self._name(person) for person in ids)

    @staticmethod
    def many(count: int, note: str) -> str:
        """A flood."""
        return f"{count} alarms in one message, the first cause first. {note}".rstrip()

    def taken(self, change: AlarmChanged) -> str:
        """Somebody acknowledged."""
        comment = f": {change.comment}" if change.comment else ""
        return f"Acknowledged by {self._name(change.by)}{comment}."

    def hidden(self, change: AlarmChanged) -> str:
        """It was shelved, suppressed or taken out of service."""
        if change.after is State.SHELVED:
            until = "" if change.until_us is None else f" until {self._at(change.until_us)}"
            return f"Shelved by {self._name(change.hidden_by)}{until}: {change.hidden_because}."
        if change.after is State.OUT_OF_SERVICE:
            return f"Taken out of service by {self._name(change.hidden_by)} under permit {change.permit}."
        return f"Suppressed by design: {change.hidden_because}."

    @staticmethod
    def returned(change: AlarmChanged) -> str:
        """The condition is over."""
        if change.after in (State.LATCHED_UNACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED):
            return "It latches: it has to be reset."
        if change.after is State.RETURNED_UNACKNOWLEDGED:
            return "Nobody has acknowledged it yet."
        return ""

    def hand_over(self, rota: str) -> str:
        """To the person who comes on."""
        return f"You are on call now ({self.rotas.get(rota, rota)}), and this is open."

    @staticmethod
    def nobody(count: int) -> str:
        """Nobody was reached."""
        about = "an alarm" if count == 1 else f"{count} alarms"
        return f"Nobody could be reached for {about}, or nobody has answered. Everybody is told."

    def gap(self, rota: str, until_us: int | None) -> str:
        """Nobody is on call."""
        until = "" if until_us is None else f" until {self._at(until_us)}"
        return f"nobody is on call in {self.rotas.get(rota, rota)}{until}"

    def gap_over(self, rota: str, persons: Iterable[str]) -> str:
        """Somebody is again."""
        return f"on call in {self.rotas.get(rota, rota)}: {', '.join(self._name(person) for person in persons)}"

    def _name(self, person: str) -> str:
        return self.persons.get(person, person)

    def _at(self, us: int) -> str:
        return f"{instant(us).astimezone(self.zone):%Y-%m-%d %H:%M %Z}"
