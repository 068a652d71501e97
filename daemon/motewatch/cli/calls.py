"""The command that lists calls: who was told what, when, why, over which way, and what became of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from difflib import get_close_matches
from typing import TYPE_CHECKING, Annotated, Any, Final
from zoneinfo import ZoneInfo

import typer

from motewatch.callout.records import Told
from motewatch.cli.options import Format, FormatOption, Limit, Since, SitePath, Until
from motewatch.cli.printing import Listing
from motewatch.cli.record import open_journal, print_newest, span
from motewatch.cli.times import local_text
from motewatch.links.clock import Clock
from motewatch.links.publications import iso
from motewatch.links.site_file import load_site
from motewatch.site.models import Site

if TYPE_CHECKING:
    from motewatch.journal.call_ids import AnsweredBy
    from motewatch.journal.rows import CallRow

_FIELDS: Final = (
    "id", "at", "found", "person", "name", "cause", "channel", "address", "urgent", "alarms", "note", "outcome",
    "outcome_at", "attempts", "detail", "answered_by", "answered_at",
)  # fmt: skip
WAITING: Final = "waiting"
"""Not an outcome yet: the channel has the call still to take."""


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command()(calls)


def calls(
    site: SitePath,
    person: Annotated[
        str | None,
        typer.Option("--person", metavar="WHOM", help="Calls to this person (id or name) only.", show_default=False),
    ] = None,
    alarm: Annotated[
        str | None, typer.Option("--alarm", metavar="ID", help="Calls about this alarm only.", show_default=False)
    ] = None,
    since: Since = None,
    until: Until = None,
    why: Annotated[
        bool, typer.Option("--why", help="With --alarm: why each person has, or has not, been told of it.")
    ] = False,
    limit: Limit = 200,
    form: FormatOption = Format.TABLE,
) -> None:
    """Who was told what, when, why and over which way.

    With what became of each call, oldest first. Delivered: the channel took it, which is not yet that somebody read it.
    Answered by: whoever used the link in the call, or confirmed the test call.

    \b
    motewatch calls site.toml --since -12h
    motewatch calls site.toml --alarm location/needles/0.5um/action
    motewatch calls site.toml --alarm location/needles/0.5um/action --why
    motewatch calls site.toml --person ada --since 2026-03-01 --format csv > calls.csv
    """
    from motewatch.journal.call_ids import CallRecord

    if why and alarm is None:
        raise typer.BadParameter("say of which alarm, by --alarm", param_hint="--why")
    facility = load_site(site)
    with open_journal(facility, site) as journal:
        record = CallRecord(journal)
        whom = None if person is None else known_person(person, facility, record.persons())
        if alarm is not None:
            known_alarm(alarm, (change.alarm for change in journal.last_alarm_events()))
        if why:
            from motewatch.cli.call_reasons import reasons

            steps = journal.query_alarm_events(alarm)
            rows = journal.query_calls(None, alarm)
            typer.echo(reasons(facility, steps, rows, Clock().now_us()).text(form), nl=False)
            return
        found = journal.query_calls(whom, alarm, *span(facility, since, until), limit)
        answers = record.answers([row.told for row in found])
    print_newest(_listing(found, answers, facility), form, limit)


def known_person(said: str, site: Site, called: Iterable[str]) -> str:
    """The id of the person of that id or name; of those of the site, or of an earlier one, `called`. Else refused."""
    for person in site.persons:
        if said.casefold() in (person.id.casefold(), person.name.casefold()):
            return person.id
    gone = sorted(set(called) - {person.id for person in site.persons})
    if said in gone:
        return said
    known = [f"{person.id} ({person.name})" for person in site.persons] + gone
    raise typer.BadParameter(
        f"no person '{said}' in this site, and nobody of that id was ever called; "
        f"known: {', '.join(known) or 'nobody'}",
        param_hint="--person",
    )


def known_alarm(said: str, raised: Iterable[str]) -> None:
    """Refuses an alarm that was never raised here."""
    ids = sorted(set(raised))
    if said not in ids:
        close = get_close_matches(said, ids, n=3, cutoff=0.5)
        hint = f"did you mean {' or '.join(close)}?" if close else "motewatch alarms --history lists those that were"
        raise typer.BadParameter(f"no alarm '{said}' has ever been raised here; {hint}", param_hint="--alarm")


def _listing(found: Sequence[CallRow], answers: Mapping[str, AnsweredBy], site: Site) -> Listing:
    zone = ZoneInfo(site.site.time_zone)
    names = {each.id: each.name for each in site.persons}
    records = [_record(row, answers.get(row.told.id), names) for row in found]
    cells = [
        [
            local_text(row.told.at_us, zone), names.get(row.told.person, row.told.person), row.told.cause.value,
            row.told.channel, _about(row.told), _outcome(row, zone), _answered(answers.get(row.told.id), names, zone),
        ]
        for row in found
    ]  # fmt: skip
    return Listing(
        records=records,
        columns=_FIELDS,
        rows=[record | {"alarms": ";".join(record["alarms"])} for record in records],
        titles=("at", "person", "why", "over", "about", "outcome", "answered by"),
        cells=cells,
        nothing="No call on record for this.",
    )


def _record(row: CallRow, answer: AnsweredBy | None, names: dict[str, str]) -> dict[str, Any]:
    told = row.told
    return {
        "id": told.id,
        "at": iso(told.at_us),
        "found": iso(told.found_us),
        "person": told.person,
        "name": names.get(told.person, told.person),
        "cause": told.cause.value,
        "channel": told.channel,
        "address": told.address,
        "urgent": told.urgent,
        "alarms": [fact.alarm for fact in told.facts],
        "note": told.note,
        "outcome": WAITING if row.outcome is None else row.outcome.value,
        "outcome_at": None if row.outcome_us is None else iso(row.outcome_us),
        "attempts": row.attempts,
        "detail": row.detail,
        "answered_by": None if answer is None else answer.by,
        "answered_at": None if answer is None else iso(answer.at_us),
    }


def _answered(answer: AnsweredBy | None, names: dict[str, str], zone: ZoneInfo) -> str:
    if answer is None:
        return "-"
    return f"{names.get(answer.by, answer.by)} {local_text(answer.at_us, zone)}"


def _about(told: Told) -> str:
    """The first alarm, which is the first cause, and how many more; else what the call says."""
    if not told.facts:
        return told.note
    more = len(told.facts) - 1
    return told.facts[0].alarm + (f" and {more} more" if more else "")


def _outcome(row: CallRow, zone: ZoneInfo) -> str:
    if row.outcome is None or row.outcome_us is None:
        return WAITING
    tries = "" if row.attempts == 1 else f" after {row.attempts} tries"
    detail = f": {row.detail}" if row.detail else ""
    return f"{row.outcome.value} {local_text(row.outcome_us, zone)}{tries}{detail}"
