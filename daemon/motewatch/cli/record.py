"""Commands that read the journal: samples, alarms, dead-letters, audit, verify. They work beside a running service.

`make-key` makes the key that signs anchors of the record.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated
from zoneinfo import ZoneInfo

import typer

from motewatch.cli import listings
from motewatch.cli.extent import ByHashesOption, walked
from motewatch.cli.options import Format, FormatOption, Limit, Since, SitePath, Until, known_location
from motewatch.cli.printing import Listing
from motewatch.cli.times import TimeTextError, parse_time
from motewatch.links.clock import Clock
from motewatch.links.site_file import load_site
from motewatch.site.models import Site

if TYPE_CHECKING:
    from motewatch.journal.journal import Journal


def add_to(app: typer.Typer) -> None:
    """Register the commands."""
    app.command()(samples)
    app.command()(alarms)
    app.command("dead-letters")(dead_letters)
    app.command()(audit)
    app.command()(verify)
    app.command("make-key")(make_key)


def samples(
    site: SitePath,
    location: Annotated[
        str | None, typer.Option("--location", metavar="ID", help="Of this location only.", show_default=False)
    ] = None,
    since: Since = None,
    until: Until = None,
    revisions: Annotated[
        bool, typer.Option("--revisions", help="Earlier revisions too, as they stood before late data came.")
    ] = False,
    limit: Limit = 200,
    form: FormatOption = Format.TABLE,
) -> None:
    """Samples on record, oldest first.

    In the order in which their periods end.

    \b
    motewatch samples site.toml --location needles --since -2h
    motewatch samples site.toml --since 2026-03-02 --until 2026-03-03 --limit 100000 --format csv > day.csv
    """
    facility = load_site(site)
    if location is not None:
        known_location(location, sorted(item.id for item in facility.locations))
    with open_journal(facility, site) as journal:
        found = journal.query_samples(location, *span(facility, since, until), revisions, limit)
    print_newest(listings.samples(found, facility), form, limit)


def alarms(
    site: SitePath,
    standing: Annotated[
        bool, typer.Option("--standing/--history", help="What stands now, or every step on record.")
    ] = True,
    alarm: Annotated[
        str | None, typer.Option("--alarm", metavar="ID", help="Steps of this alarm only.", show_default=False)
    ] = None,
    since: Since = None,
    until: Until = None,
    limit: Limit = 200,
    form: FormatOption = Format.TABLE,
) -> None:
    """Alarms: those that stand now, or their history.

    Shelved, suppressed and out-of-service alarms are listed apart, with why and until when. --since, --until and
    --alarm ask for the history.

    \b
    motewatch alarms site.toml
    motewatch alarms site.toml --history --since -12h
    motewatch alarms site.toml --alarm location/needles/0.5um/action --format json
    """
    facility = load_site(site)
    history = not standing or any(option is not None for option in (alarm, since, until))
    with open_journal(facility, site) as journal:
        if history:
            found = journal.query_alarm_events(alarm, *span(facility, since, until), limit)
        else:
            found = journal.standing_alarms()[-limit:]
            hidden = journal.hidden_alarms()
    if history:
        print_newest(listings.alarms(found, facility, history=True), form, limit)
        return
    if form is not Format.TABLE:
        # One list for machines; the state of each says which it is.
        print_newest(listings.alarms([*found, *hidden][-limit:], facility, history=False), form, limit)
        return
    print_newest(listings.alarms(found, facility, history=False), form, limit)
    if hidden:
        typer.echo("\nNot annunciated, and evaluated all the same:")
        print_newest(listings.hidden(hidden, facility), form, limit)


def dead_letters(site: SitePath, limit: Limit = 50, form: FormatOption = Format.TABLE) -> None:
    """Messages that could not be used, and why.

    csv and json hold their bytes.

    \b
    motewatch dead-letters site.toml --format json
    """
    facility = load_site(site)
    with open_journal(facility, site) as journal:
        found = journal.query_dead_letters(limit)
    print_newest(listings.dead_letters(found, facility), form, limit)


def audit(site: SitePath, limit: Limit = 100, form: FormatOption = Format.TABLE) -> None:
    """The audit trail: who did what, when and why.

    \b
    motewatch audit site.toml --limit 1000 --format csv
    """
    facility = load_site(site)
    with open_journal(facility, site) as journal:
        found = journal.query_audit(limit)
    print_newest(listings.audit(found, facility), form, limit)


def verify(
    site: SitePath,
    anchors: Annotated[
        Path | None,
        typer.Option(
            "--anchors",
            metavar="FILE",
            help="Anchors that were kept elsewhere, one published message a line.",
            show_default=False,
        ),
    ] = None,
    public_key: Annotated[
        Path | None,
        typer.Option(
            "--public-key",
            metavar="FILE",
            help="The site's public key: every anchor of FILE must be signed by it.",
            show_default=False,
        ),
    ] = None,
    by_hashes: ByHashesOption = False,
) -> None:
    """Check that the record is whole and unchanged. Reads all of it; exit status 1 if not.

    With --by-hashes all that the journal holds, and archive files by their hashes: quick, however many years they hold.
    Rows that were changed together with manifest and register of their file are found by the whole alone.

    Without anchors that were kept elsewhere nobody can see that the end of the record was cut off, or that all of it
    was made anew.

    \b
    motewatch verify site.toml
    motewatch verify site.toml --by-hashes
    motewatch verify site.toml --anchors kept.jsonl --public-key record.key.public
    """
    from motewatch.links.anchoring import collected, read_public_key

    facility = load_site(site)
    told = [] if anchors is None else collected(anchors)
    key = None if public_key is None else read_public_key(public_key)
    with open_journal(facility, site) as journal:
        problems = journal.verify(told, key, whole=not by_hashes)
        last = journal.last_input_id(), journal.last_output_id()
        chain = journal.chain()
        said = walked(journal.archive_files(), not by_hashes, site)
    for problem in problems:
        typer.echo(problem)
    if problems:
        typer.echo(f"\n{len(problems)} {'problem' if len(problems) == 1 else 'problems'} in the record.")
        raise typer.Exit(1)
    typer.echo(f"The record is in order: {last[0]} inputs and {last[1]} outputs.")
    if said:
        typer.echo(said)
    if by_hashes and chain.archived:
        typer.echo(
            f"The chain of {chain.seals} seals was walked from seal {chain.archived + 1} on, where the newest file of "
            "seals ends."
        )
    elif chain.found_inputs or chain.found_outputs:
        typer.echo(
            f"The chain of {chain.seals} seals holds from input {chain.found_inputs + 1} and output "
            f"{chain.found_outputs + 1} on; what came before was recorded without seals, and sealed as it was found."
        )
    else:
        typer.echo(f"The chain of {chain.seals} seals covers all of it.")
    if told:
        typer.echo(f"{len(told)} anchors kept elsewhere fit it.")
    else:
        typer.echo("Not compared with anchors kept elsewhere (--anchors).")


def make_key(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Where the private key is to go.", show_default=False)],
) -> None:
    """Make the key that signs the record's anchors.

    That is `record.signing_key_file` of the site file. Writes FILE, for its owner only, and
    FILE.public. Give the public key to whoever keeps the anchors, and keep both away from those who could rewrite the
    record.

    \b
    motewatch make-key /etc/motewatch/record.key
    """
    from motewatch.links import anchoring

    public = anchoring.make_key(file)
    typer.echo(f"The private key is in {file}, the public key in {file}{anchoring.PUBLIC}:\n{public}")


@contextmanager
def open_journal(facility: Site, path: Path) -> Iterator[Journal]:
    """The site's journal to be read. Raises `JournalError`, as for a journal of another site."""
    from motewatch.journal.errors import OtherSiteError
    from motewatch.journal.journal import Journal

    file = path.parent / facility.service.journal
    with Journal.open_reader(file) as journal:
        owner = journal.site()
        if owner is not None and owner != facility.site.id:
            raise OtherSiteError(str(file), owner, facility.site.id)
        yield journal


def span(facility: Site, since: str | None, until: str | None) -> tuple[int | None, int | None]:
    """--since and --until as instants in the site's zone."""
    now_us = Clock().now_us()
    zone = ZoneInfo(facility.site.time_zone)
    found = []
    for name, text in (("--since", since), ("--until", until)):
        try:
            found.append(None if text is None else parse_time(text, now_us, zone))
        except TimeTextError as error:
            raise typer.BadParameter(str(error), param_hint=name) from None
    if found[0] is not None and found[1] is not None and found[0] >= found[1]:
        raise typer.BadParameter("--until must be later than --since", param_hint="--until")
    return found[0], found[1]


def print_newest(listing: Listing, form: Format, limit: int) -> None:
    typer.echo(listing.text(form), nl=False)
    if len(listing.records) == limit:
        typer.echo(f"These are the newest {limit}; there may be more: give a larger --limit.", err=True)
