"""The command that lists the last test call over each way to a person. Reads the journal, beside a running service."""

from __future__ import annotations

from collections.abc import Sequence
from zoneinfo import ZoneInfo

import typer

from motewatch.callout.answers import TEST
from motewatch.callout.records import Told
from motewatch.cli.options import Format, FormatOption, SitePath
from motewatch.cli.printing import Listing
from motewatch.cli.record import open_journal
from motewatch.cli.times import local_text
from motewatch.engine.subject import trial_alarm
from motewatch.links.site_file import load_site
from motewatch.site.models import Site
from motewatch.wire.messages import instant

_FIELDS = ("person", "name", "channel", "test", "called", "confirmed", "outcome")


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("test-calls")(trial_calls)


def trial_calls(site: SitePath, form: FormatOption = Format.TABLE) -> None:
    """The last test call over each way to a person.

    \b
    motewatch test-calls site.toml
    motewatch test-calls site.toml --format csv
    """
    from motewatch.journal.call_ids import CallRecord

    facility = load_site(site)
    with open_journal(facility, site) as journal:
        found = CallRecord(journal).last_test_calls()
        failed = {
            told.id
            for told, confirmed_us in found
            if confirmed_us is None
            and any(
                step.event.value == "starts"
                for step in journal.query_alarm_events(trial_alarm(told.person, told.channel), told.at_us)
            )
        }
    typer.echo(_listing(found, failed, facility).text(form), nl=False)


def _listing(found: Sequence[tuple[Told, int | None]], failed: set[str], site: Site) -> Listing:
    zone = ZoneInfo(site.site.time_zone)
    names = {person.id: person.name for person in site.persons}
    records, cells = [], []
    for told, confirmed_us in found:
        outcome = "confirmed" if confirmed_us is not None else "failed" if told.id in failed else "waiting"
        name = names.get(told.person, told.person)
        records.append(
            {
                "person": told.person,
                "name": name,
                "channel": told.channel,
                "test": told.answer.removeprefix(TEST),
                "called": instant(told.at_us).isoformat(),
                "confirmed": None if confirmed_us is None else instant(confirmed_us).isoformat(),
                "outcome": outcome,
            }
        )
        confirmed = "-" if confirmed_us is None else local_text(confirmed_us, zone)
        cells.append(
            [name, told.channel, told.answer.removeprefix(TEST), local_text(told.at_us, zone), outcome, confirmed]
        )
    return Listing(
        records=records,
        columns=_FIELDS,
        rows=records,
        titles=("person", "channel", "test", "called", "outcome", "confirmed"),
        cells=cells,
        nothing="No test call is on record.",
    )
