"""The command `sequential`: a test by sequential sampling, told sample by sample until the counts have decided.

Samples come from the journal while the service writes it, or line by line from a CSV. A sample is taken as it stands
when it is first seen; what is amended later belongs to a new test. Must not know how the decision is made.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack
from pathlib import Path
from threading import Event
from typing import TYPE_CHECKING, Annotated

import typer

from motewatch.cli import sheets
from motewatch.cli.options import Since, known_location

if TYPE_CHECKING:
    from motewatch.journal.journal import Journal
    from motewatch.limits.sequential import Progress

STDIN = "-"


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("sequential")(sequential)


def sequential(
    limit: Annotated[
        int, typer.Option("--limit", min=1, metavar="PER_M3", help="Limit, particles per m3.", show_default=False)
    ],
    size: Annotated[float, typer.Option("--size", metavar="UM", help="Considered size.", show_default=False)],
    from_csv: Annotated[
        str | None,
        typer.Option(
            "--from-csv", metavar="FILE", help="CSV of samples; - for stdin, line by line.", show_default=False
        ),
    ] = None,
    site: sheets.FromSite = None,
    location: Annotated[
        str | None, typer.Option("--location", metavar="ID", help="With --site: which.", show_default=False)
    ] = None,
    since: Since = None,
    every: Annotated[
        float, typer.Option("--every", min=0.05, max=3600, metavar="SECONDS", help="How often to ask the journal.")
    ] = 2.0,
    as_json: sheets.AsJson = False,
) -> None:
    """A sequential sampling test, told sample by sample.

    ISO 14644-1, Annex D: after each sample it goes on, passes or fails.

    With --site it waits for samples that end after --since (absent: from now on), leaves suspect air out, and stops
    by itself at the decision. A CSV has the columns volume_l and, for each size, one such as ge_0.5um.

    Exit status 0 only if the test passes.

    \b
    motewatch sequential --site site.toml --location needles --size 5 --limit 29
    motewatch sequential --from-csv samples.csv --size 0.5 --limit 3520
    ./read-counter | motewatch sequential --from-csv - --size 0.5 --limit 352
    """
    size_nm = sheets.sizes_nm(f"{size:g}")[0]
    if (from_csv is None) == (site is None):
        raise typer.BadParameter("give --from-csv FILE or --site SITE, one of the two")
    with ExitStack() as stack:
        if from_csv is not None:
            sheets.only_with_site({"--location": location, "--since": since})
            readings = _csv_readings(from_csv, size_nm)
        else:
            assert site is not None
            readings = _journal_readings(stack, site, location, since, size_nm, every)
        passed = tell(limit, readings, as_json)
    raise typer.Exit(0 if passed else 1)


def tell(limit: int, readings: Iterable[tuple[int, int]], as_json: bool) -> bool:
    """Say where the test stands after each reading. Did it pass?"""
    from motewatch.limits.sequential import Decision, follow

    last = None
    number = 0
    for number, last in enumerate(follow(limit, readings), start=1):
        # At once: somebody stands in the room and waits for it.
        print(_json(number, last) if as_json else _line(number, last), flush=True)
    if last is None:
        typer.echo("motewatch: there was no sample, so nothing is decided", err=True)
        return False
    if last.decision is Decision.GO_ON:
        typer.echo(f"motewatch: the samples end after {number}, and nothing is decided yet", err=True)
    return last.decision is Decision.PASSES


def _line(number: int, progress: Progress) -> str:
    passes = "none would pass" if progress.passes_at is None else f"passes at {progress.passes_at} or fewer"
    return (
        f"{number:>4}  {progress.decision.value:<6}  {progress.count} counted, {progress.expected:.2f} expected at the "
        f"limit; {passes}, fails at {progress.fails_at}; {progress.share:.0%} of the full sample"
    )


def _json(number: int, progress: Progress) -> str:
    told = {
        "sample": number,
        "decision": progress.decision.value,
        "count": progress.count,
        "expected": progress.expected,
        "passes_at": progress.passes_at,
        "fails_at": progress.fails_at,
        "share": progress.share,
    }
    return json.dumps(told)


def _csv_readings(name: str, size_nm: int) -> Iterator[tuple[int, int]]:
    from motewatch.links.sample_csv import stream_of

    if name == STDIN:
        yield from stream_of(sys.stdin, size_nm, "standard input")
        return
    with Path(name).open(encoding="utf-8-sig", errors="replace") as file:
        yield from stream_of(file, size_nm, name)


def _journal_readings(
    stack: ExitStack, path: Path, location: str | None, since: str | None, size_nm: int, every: float
) -> Iterator[tuple[int, int]]:
    from motewatch.cli.record import open_journal, span
    from motewatch.links.clock import Clock
    from motewatch.links.site_file import load_site

    facility = load_site(path)
    location = known_location(location, sorted(each.id for each in facility.locations))
    after_us = Clock().now_us() if since is None else (span(facility, since, None)[0] or 0) - 1
    journal = stack.enter_context(open_journal(facility, path))
    waiting = Event()
    return follow_journal(journal, location, size_nm, after_us, lambda: waiting.wait(every))


def follow_journal(
    journal: Journal, location: str, size_nm: int, after_us: int, wait: Callable[[], object]
) -> Iterator[tuple[int, int]]:
    """Count and air of each sound sample of a location that ends after `after_us`, in order, for ever.

    A sample without air, without the size or of suspect air says why it is left out, on standard error.
    """
    from motewatch.measure.samples import SUSPECT

    while True:
        found = journal.query_samples(location, after_us + 1, None, limit=sheets.MOST_SAMPLES)
        for sample in found:
            after_us = sample.end_us
            channel = sample.channel(size_nm)
            if channel is None or channel.volume_ul <= 0:
                why = "it holds no air counted in this size"
            elif sample.quality & SUSPECT:
                why = "its air is suspect"
            else:
                yield channel.count, channel.volume_ul
                continue
            typer.echo(f"motewatch: a sample is left out, {why}", err=True)
        if not found:
            wait()
