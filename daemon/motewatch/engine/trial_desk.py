"""The weekly test calls within the engine: they are told, confirmed, and an alarm where a way to a person has failed.

An alarm `callout/test/PERSON/CHANNEL` starts when a test call could not be delivered or was not confirmed in time, and
returns when a test call over that channel is confirmed by that person (a late confirmation counts). Deadlines are
worked off at their nominal instants like all others, so a service that was down over the whole time to confirm finds
the test unconfirmed when it is back; the link in the late call still ends the alarm.
"""

from __future__ import annotations

from typing import Any

from motewatch.callout.answers import TEST
from motewatch.callout.records import Cause, Delivered, Outcome, Told
from motewatch.callout.test_calls import Stage, Trial, Trials, Verdict, Way, next_trial_us, ways_of
from motewatch.engine.agenda import Due
from motewatch.engine.desk import Desk
from motewatch.engine.records import Priority
from motewatch.engine.subject import Subject, trial_alarm
from motewatch.site.models import Site
from motewatch.site.people import TestCalls
from motewatch.wire.records import HOUR_US


class TrialDesk:
    """The trials and what the configuration says of them."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._trials = Trials()
        self._settings: TestCalls | None = None
        self._zone = "UTC"
        self._ways: tuple[Way, ...] = ()
        self._names: dict[str, str] = {}

    def know(self, site: Site) -> None:
        """The configuration in force; after a restore too."""
        self._settings = site.callout.test_calls
        self._zone = site.site.time_zone
        self._ways = () if self._settings is None else ways_of(site)
        self._names = {person.id: person.name for person in site.persons}

    def configured(self) -> None:
        """A configuration has taken effect: ways that are gone are forgotten, the next test is entered."""
        self._trials.keep(self._ways)
        if self._settings is not None:
            self._desk.agenda.enter(next_trial_us(self._settings.at, self._zone, self._desk.time_us), Due.TRIAL, "")

    def holds(self, alarm: str) -> bool:
        """Is this the alarm of a way that the configuration still has?"""
        return any(trial_alarm(way.person, way.channel) == alarm for way in self._ways)

    def trial_due(self, at_us: int) -> None:
        """It is time for the weekly test, unless another time has been configured since."""
        settings = self._settings
        if settings is None or next_trial_us(settings.at, self._zone, at_us - 1) != at_us:
            return
        next_us = next_trial_us(settings.at, self._zone, at_us)
        self._desk.agenda.enter(next_us, Due.TRIAL, "")
        within_us = round(settings.confirm_within_h * HOUR_US)
        for trial in self._trials.begin(self._ways, at_us, min(at_us + within_us, next_us)):
            self._desk.agenda.enter(trial.confirm_by_us, Due.TRIAL_CONFIRM, trial.id)
            self._desk.say([_told(trial, self._desk.time_us)])

    def confirm_due(self, trial_id: str, at_us: int) -> None:
        """The time to confirm a test call is over."""
        failed = self._trials.due(trial_id, at_us)
        if failed is not None:
            self._fails(failed, at_us)

    def delivered(self, delivered: Delivered) -> None:
        """What became of a call; of one that is no test call nothing follows here."""
        if delivered.outcome is Outcome.DELIVERED:
            return
        failed = self._trials.not_delivered(delivered.told, self._desk.time_us)
        if failed is not None:
            self._fails(failed, self._desk.time_us, delivered.detail)

    def confirm(self, by: str, test: str) -> tuple[bool, str]:
        """A person says that a test call arrived. Whether that is accepted, and the reply in words."""
        now_us = self._desk.time_us
        verdict, trial = self._trials.confirm(test, self._person(by), now_us)
        if trial is None:
            return False, f"no test call '{test}' is known, or a later one has taken its place"
        way = trial.way
        name = self._names.get(way.person, way.person)
        if verdict is Verdict.OTHER_PERSON:
            return False, f"this test call went to {name}, and only {name} can confirm it"
        text = f"the test call to {name} over {way.channel} is confirmed"
        if verdict is Verdict.TAKEN and self._trials.in_order(way.person, way.channel):
            alarm = trial_alarm(way.person, way.channel)
            self._desk.say(self._desk.book.returns(alarm, now_us, now_us, f"{text}: this way works"))
        return True, text

    def _fails(self, trial: Trial, at_us: int, detail: str = "") -> None:
        way = trial.way
        name = self._names.get(way.person, way.person)
        what = "could not be delivered" if trial.stage is Stage.NOT_DELIVERED else "was not confirmed in time"
        text = f"{name} may not be reached over {way.channel}: the test call {what}"
        subject = Subject(trial_alarm(way.person, way.channel), "callout-test", Priority.MEDIUM)
        self._desk.say(
            self._desk.book.starts(subject, at_us, self._desk.time_us, f"{text}: {detail}" if detail else text)
        )

    def _person(self, by: str) -> str | None:
        """The id of whoever says so, by id or by name."""
        said = by.casefold()
        return next((id_ for id_, name in self._names.items() if said in (id_.casefold(), name.casefold())), None)

    def to_state(self) -> list[list[Any]]:
        """Plain values for a snapshot."""
        return self._trials.to_state()

    def from_state(self, state: list[list[Any]]) -> None:
        """Take back what `to_state` took apart."""
        self._trials = Trials.from_state(state)


def _told(trial: Trial, found_us: int) -> Told:
    return Told(
        id=trial.told,
        at_us=trial.at_us,
        found_us=found_us,
        cause=Cause.TEST,
        person=trial.way.person,
        channel=trial.way.channel,
        address=trial.way.address,
        urgent=False,
        facts=(),
        note=f"This is a test call. Please confirm it: by the link, or by the command confirm-test with {trial.id}.",
        answer=f"{TEST}{trial.id}",
    )
