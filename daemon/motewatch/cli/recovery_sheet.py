"""What `recovery` does: takes the stream, has the rate fitted, and prints table, JSON and report."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import typer

from motewatch.cli import sheets
from motewatch.cli.options import known_location
from motewatch.cli.record import open_journal, span
from motewatch.limits import well_mixed
from motewatch.limits.errors import LimitsError
from motewatch.limits.recovery import DecaySample, NotADecayError, Recovery, recovery
from motewatch.links.recovery_report import RecoveryGiven, assumptions, recovery_report, remarks, results
from motewatch.links.sample_csv import read_decay
from motewatch.links.site_file import load_site
from motewatch.measure.samples import SUSPECT
from motewatch.site.basics import size_text
from motewatch.wire.records import MINUTE_US


@dataclass(frozen=True, slots=True)
class Asked:
    """The options, checked one by one. One of `file` and `site`."""

    size_nm: int
    location: str | None
    background_per_m3: float | None
    air_changes_per_h: float | None
    target_per_m3: float | None
    confidence: float
    printed: bool
    file: Path | None
    site: Path | None
    since: str | None
    until: str | None
    room: str | None
    tested_on: str | None
    by: str | None
    counter: str | None


def print_recovery(asked: Asked, as_json: bool, report: Path | None) -> None:
    """Fit and print. Raises `NotADecayError` for a stream that is none."""
    stream, source, place, where = _from_file(asked) if asked.file is not None else _from_journal(asked)
    try:
        found = recovery(
            stream,
            background_per_m3=asked.background_per_m3,
            confidence=asked.confidence,
            printed=asked.printed,
        )
    except NotADecayError as error:
        if as_json:
            refusal = {"refused": error.reason.word, "text": error.reason.text, "detail": error.detail}
            typer.echo(json.dumps({**refusal, "mend": error.mend}, ensure_ascii=False, indent=2))
        raise
    except LimitsError as error:
        raise typer.BadParameter(str(error)) from None
    given = RecoveryGiven(
        version=sheets.software(),
        made=sheets.now_text(),
        source=source,
        size_nm=asked.size_nm,
        location=place,
        where=asked.room or where,
        tested_on=asked.tested_on,
        by=asked.by,
        counter=asked.counter,
        air_changes_per_h=asked.air_changes_per_h,
        target_per_m3=asked.target_per_m3,
    )
    if report is not None:
        sheets.write_report(report, recovery_report(stream, found, given))
    if as_json:
        typer.echo(json.dumps(_plain(stream, found, given), ensure_ascii=False, indent=2))
    else:
        typer.echo(_text(found, given), nl=False)


_Found = tuple[Sequence[DecaySample], str, str | None, str | None]


def _from_file(asked: Asked) -> _Found:
    assert asked.file is not None
    file, location, size_nm = asked.file, asked.location, asked.size_nm
    found = read_decay(file)
    if size_nm not in found.sizes_nm:
        raise typer.BadParameter(
            f"{file} has no counts at {size_text(size_nm)}; it has {sheets.sizes_text(found.sizes_nm)}",
            param_hint="--size",
        )
    names = list(found.streams)
    if location is None and len(names) > 1:
        raise typer.BadParameter(f"which location? One of {', '.join(names)}", param_hint="--location")
    chosen = names[0] if location is None else location
    if chosen not in found.streams:
        known = ", ".join(name for name in names if name) or "no column of locations"
        raise typer.BadParameter(f"no location '{chosen}' in {file}; there are {known}", param_hint="--location")
    return found.stream(chosen, size_nm), f"file {file.name}", chosen or None, None


def _from_journal(asked: Asked) -> _Found:
    assert asked.site is not None
    size_nm = asked.size_nm
    facility = load_site(asked.site)
    asked_for = sheets.span_text(asked.since, asked.until)
    location = known_location(asked.location, [place.id for place in facility.locations])
    first_us, last_us = span(facility, asked.since, asked.until)
    with open_journal(facility, asked.site) as journal:
        recorded = journal.query_samples(location, first_us, last_us, limit=sheets.MOST_SAMPLES)
    stream = []
    for sample in recorded:
        channel = sample.channel(size_nm)
        if channel is not None and channel.volume_ul > 0:
            suspect = bool(sample.quality & SUSPECT)
            stream.append(DecaySample(sample.start_us, channel.count, channel.volume_ul, suspect))
    if not stream:
        raise typer.BadParameter(f"the journal has no air counted at {size_text(size_nm)} at {location} {asked_for}")
    place = next(place for place in facility.locations if place.id == location)
    source = f"journal of {facility.site.id}, {asked_for}"
    return stream, source, location, sheets.room_name(facility, place.room)


def _text(found: Recovery, given: RecoveryGiven) -> str:
    rows = results(found, given)
    width = max(len(name) for name, _ in rows)
    lines = [f"{name:<{width}}  {text}" for name, text in rows]
    lines += [textwrap.fill(remark, 100, subsequent_indent="  ") for remark in remarks(found, given)]
    return "\n".join(lines) + "\n"


def _plain(stream: Sequence[DecaySample], found: Recovery, given: RecoveryGiven) -> dict[str, Any]:
    fastest, slowest = found.hundredth_bounds_min
    mixed = given.air_changes_per_h
    return {
        "size_um": given.size_nm / 1000,
        "location": given.location,
        "rate_per_min": found.rate_per_min,
        "rate_lower_per_min": found.lower_per_min,
        "rate_upper_per_min": found.upper_per_min,
        "confidence_pct": 100 * found.confidence,
        "form": "printed" if found.printed else "ln",
        "recovery_100_to_1_min": found.hundredth_min,
        "recovery_100_to_1_fastest_min": fastest,
        "recovery_100_to_1_slowest_min": slowest,
        "recovery_100_to_1_seen_min": found.seen_fall_min,
        "fitted_samples": found.samples,
        "fitted_from_min": (found.start_us - stream[0].at_us) / MINUTE_US,
        "fitted_to_min": (found.end_us - stream[0].at_us) / MINUTE_US,
        "start_per_m3": found.start_per_m3,
        "end_per_m3": found.end_per_m3,
        "background_per_m3": found.background_per_m3,
        "background_given": found.background_given,
        "dispersion": found.dispersion,
        "well_mixed_100_to_1_min": None if mixed is None else well_mixed.removal_minutes(mixed, 0.99),
        "remarks": remarks(found, given),
        "assumed": assumptions(found),
        "source": given.source,
        "version": given.version,
    }
