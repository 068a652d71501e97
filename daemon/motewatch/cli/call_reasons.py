"""Why each person has, or has not, been told of an alarm, from the record and the site file: `calls --why`.

The engine's own picture of a case lives in the running service (the console shows it). Here it is put together again
from the steps of the alarm and the calls on record; a site file that has changed since, or a pause of the service,
can make it differ.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final
from zoneinfo import ZoneInfo

from motewatch.alarms.lifecycle import HIDDEN, Event, State
from motewatch.callout.escalation import HIGH, Contact, Stage
from motewatch.callout.ladders import Ladders
from motewatch.callout.outlook import CaseNow, Standing, Why, standings
from motewatch.callout.records import Cause, Outcome
from motewatch.callout.roster import Roster
from motewatch.cli.printing import Listing
from motewatch.cli.times import local_text
from motewatch.engine.records import AlarmChanged
from motewatch.journal.rows import CallRow
from motewatch.links.publications import iso
from motewatch.site.models import Site

WORDS: Final = {
    Why.TOLD: "told",
    Why.FAILED: "could not be reached over any way",
    Why.QUIET: "in quiet hours; told when they end, if it is still open",
    Why.NO_WAY: "the site file gives no way to reach them",
    Why.LATER: "a later step tells them",
    Why.LATER_BUT_QUIET: "a later step falls into their quiet hours; told when these end",
    Why.OFF_DUTY: "not on call",
    Why.NOT_NAMED: "the escalation does not name them",
    Why.ENDED: "not needed: the climb ended before their turn",
}
_INFORMS: Final = frozenset({Cause.TAKEN, Cause.RETURNED})


def case_of(
    steps: Sequence[AlarmChanged], rows: Sequence[CallRow], ladders: Ladders, roster: Roster, now_us: int
) -> CaseNow | None:
    """The last case of an alarm, from its steps and the calls about it; None: nobody was to be called."""
    opening = next((i for i in reversed(range(len(steps))) if steps[i].after is State.UNACKNOWLEDGED), None)
    if opening is None:
        return None
    opened = steps[opening]
    ladder = ladders.for_alarm(opened.priority.value, opened.area, opened.found_us)
    if ladder is None:
        return None
    stage, end_us = Stage.OPEN, now_us
    for change in steps[opening + 1 :]:
        end_us = min(end_us, change.found_us)
        taken = change.event is Event.ACKNOWLEDGE or change.after in HIDDEN
        stage = Stage.TAKEN if taken or stage is Stage.TAKEN else Stage.OVER
    taken_steps = [rung for rung in ladder.rungs if opened.found_us + rung.after_us <= end_us]
    contacts: dict[str, Contact] = {}
    for row in rows:
        if row.told.found_us >= opened.found_us and row.told.cause not in _INFORMS:
            failed = row.outcome not in (None, Outcome.DELIVERED)
            if not failed or row.told.person not in contacts:
                contacts[row.told.person] = Contact.FAILED if failed else Contact.CALLED
    for rung in taken_steps:
        due_us = opened.found_us + rung.after_us
        for person in (each for target in rung.targets for each in roster.resolve(target, due_us)):
            quiet = opened.priority.value != HIGH and roster.quiet(person, due_us)
            if person not in contacts and quiet and stage is Stage.OPEN:
                contacts[person] = Contact.WAITING
    left = ladder.rungs[len(taken_steps) :]
    return CaseNow(
        alarm=opened.alarm,
        priority=opened.priority.value,
        escalation=ladder.id,
        stage=stage,
        opened_us=opened.found_us,
        base_us=opened.found_us,
        steps=len(taken_steps),
        next_step_us=opened.found_us + left[0].after_us if left and stage is Stage.OPEN else None,
        repeat_us=None,
        nobody_us=None,
        unreached=any(row.told.cause is Cause.NOBODY_REACHED for row in rows),
        contacts=contacts,
    )


def reasons(site: Site, steps: Sequence[AlarmChanged], rows: Sequence[CallRow], now_us: int) -> Listing:
    """Each person of the site, and why told or not."""
    roster, ladders = Roster.of(site), Ladders.of(site)
    zone = ZoneInfo(site.site.time_zone)
    names = {person.id: person.name for person in site.persons}
    case = case_of(steps, rows, ladders, roster, now_us)
    found: list[Standing] = []
    if case is not None:
        found = standings(case, ladders.by_id[case.escalation], roster, now_us)
    records = [
        {
            "person": each.person,
            "name": names[each.person],
            "why": each.why.value,
            "at": None if each.at_us is None else iso(each.at_us),
            "step": each.step,
            "escalation": case.escalation if case is not None else "",
        }
        for each in found
    ]
    cells = [
        [
            names[each.person],
            WORDS[each.why],
            "-" if each.step is None else str(each.step),
            "-" if each.at_us is None else local_text(each.at_us, zone),
        ]
        for each in found
    ]
    return Listing(
        records=records,
        columns=("person", "name", "why", "at", "step", "escalation"),
        rows=records,
        titles=("person", "why", "step", "at"),
        cells=cells,
        nothing="No escalation of the site file took this alarm, so nobody was to be told.",
    )
