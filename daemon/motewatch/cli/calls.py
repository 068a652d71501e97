"""The command that lists calls: who was told what, when, why, over which way, and what became of it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any, Final
from zoneinfo import ZoneInfo

import typer

from motewatch.callout.records import Told
from motewatch.cli.options import Format, FormatOption, Limit, Since, SitePath, Until
from motewatch.cli.printing import Listing
from motewatch.cli.record import open_journal, print_newest, span
from motewatch.cli.times import local_text
from motewatch.links.publications import iso
from motewatch.links.site_file import load_site
from motewatch.site.models import Site

if TYPE_CHECKING:
    from motewatch.journal.rows import CallRow

_FIELDS: Final = (
    "id", "at", "found", "person", "name", "cause", "channel", "address", "urgent", "alarms", "note", "outcome",
    "outcome_at", "attempts", "detail",
)  # fmt: skip
WAITING: Final = "waiting"
"""Not an outcome yet: the channel has the call still to take."""


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command()(calls)


def calls(
    site: SitePath,
    person: Annotated[
        str | None, typer.Option("--person", metavar="ID", help="Calls to this person only.", show_default=False)
    ] = None,
    alarm: Annotated[
        str | None, typer.Option("--alarm", metavar="ID", help="Calls about this alarm only.", show_default=False)
    ] = None,
    since: Since = None,
    until: Until = None,
    limit: Limit = 200,
    form: FormatOption = Format.TABLE,
) -> None:
    """Who was told what, when, why and over which way.

    With what became of each call, oldest first. Delivered: the channel took it, which is not yet that somebody read it.

    \b
    motewatch calls site.toml --since -12h
    motewatch calls site.toml --alarm location/needles/0.5um/action
    motewatch calls site.toml --person ada --since 2026-03-01 --format csv > calls.csv
    """
    facility = load_site(site)
    with open_journal(facility, site) as journal:
        found = journal.query_calls(person, alarm, *span(facility, since, until), limit)
    print_newest(_listing(found, facility), form, limit)


def _listing(found: Sequence[CallRow], site: Site) -> Listing:
    zone = ZoneInfo(site.site.time_zone)
    names = {each.id: each.name for each in site.persons}
    records = [_record(row, names) for row in found]
    cells = [
        [
            local_text(row.told.at_us, zone), names.get(row.told.person, row.told.person), row.told.cause.value,
            row.told.channel, _about(row.told), _outcome(row, zone),
        ]
        for row in found
    ]  # fmt: skip
    return Listing(
        records=records,
        columns=_FIELDS,
        rows=[record | {"alarms": ";".join(record["alarms"])} for record in records],
        titles=("at", "person", "why", "over", "about", "outcome"),
        cells=cells,
        nothing="No call on record for this.",
    )


def _record(row: CallRow, names: dict[str, str]) -> dict[str, Any]:
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
    }


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
