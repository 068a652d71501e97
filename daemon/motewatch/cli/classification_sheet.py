"""What `classify` does: takes the samples, has them judged, and prints table, JSON and report."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import typer

from motewatch.cli import sheets
from motewatch.cli.limits import GradeLetter
from motewatch.cli.printing import table
from motewatch.cli.record import open_journal, span
from motewatch.limits.classification import (
    Classification,
    Edition,
    Outcome,
    Target,
    best_class,
    classify,
)
from motewatch.limits.errors import LimitsError
from motewatch.limits.single_samples import SingleSample, pooled
from motewatch.limits.standards.model import Blank
from motewatch.limits.standards.verdict import CellVerdict
from motewatch.limits.upper_confidence import StudentT
from motewatch.links.classification_report import (
    Given,
    assumptions,
    averages,
    classification_report,
    headline,
    remarks,
    requirements,
)
from motewatch.links.figures import concentration, limit_text
from motewatch.links.sample_csv import read_samples
from motewatch.links.site_file import load_site
from motewatch.measure.samples import UL_PER_L
from motewatch.site.basics import size_text
from motewatch.site.models import Occupancy


@dataclass(frozen=True, slots=True)
class Asked:
    """The options, checked one by one. One of `iso_class` and `grade`, one of `file` and `site`."""

    iso_class: str | None
    grade: GradeLetter | None
    edition: str
    state: Occupancy
    sizes_nm: tuple[int, ...]
    area_m2: float
    flow_l_min: float | None
    student: StudentT
    file: Path | None
    site: Path | None
    since: str | None
    until: str | None
    room: str | None
    tested_on: str | None
    by: str | None
    counter: str | None


def print_classification(asked: Asked, as_json: bool, report: Path | None) -> bool:
    """Judge and print; does the room pass?"""
    edition = Edition(asked.edition)
    try:
        samples, source, where, notes = _from_file(asked) if asked.file is not None else _from_journal(asked)
        target = sheets.target_of(asked.iso_class, asked.grade, asked.state, edition)
        what = (asked.sizes_nm, asked.area_m2, asked.flow_l_min)
        result = classify(samples, target, *what, asked.student)
        best = None if asked.iso_class is None else best_class(samples, asked.state, *what, edition)
    except LimitsError as error:
        raise typer.BadParameter(str(error)) from None
    given = Given(
        version=sheets.software(),
        made=sheets.now_text(),
        source=source,
        where=where,
        tested_on=asked.tested_on,
        by=asked.by,
        counter=asked.counter,
        notes=notes,
    )
    if report is not None:
        sheets.write_report(report, classification_report(result, given, best))
    if as_json:
        typer.echo(json.dumps(_plain(result, given, best), ensure_ascii=False, indent=2))
    else:
        typer.echo(_text(result, best), nl=False)
    return result.outcome is Outcome.PASS


_Found = tuple[Sequence[SingleSample], str, str | None, tuple[str, ...]]


def _from_file(asked: Asked) -> _Found:
    assert asked.file is not None
    file = asked.file
    found = read_samples(file)
    missing = [size for size in asked.sizes_nm if size not in found.sizes_nm]
    if missing:
        raise typer.BadParameter(
            f"{file} has no counts at {sheets.sizes_text(missing)}; it has {sheets.sizes_text(found.sizes_nm)}",
            param_hint="--sizes",
        )
    return found.samples, f"file {file.name}", asked.room, ()


def _from_journal(asked: Asked) -> _Found:
    assert asked.site is not None
    facility = load_site(asked.site)
    places = sheets.locations_of(facility, asked.room)
    first_us, last_us = span(facility, asked.since, asked.until)
    asked_for = sheets.span_text(asked.since, asked.until)
    with open_journal(facility, asked.site) as journal:
        recorded = [
            sample
            for place in places
            for sample in journal.query_samples(place.id, first_us, last_us, limit=sheets.MOST_SAMPLES)
        ]
    found = pooled(recorded, asked.state)
    if not found.samples:
        raise typer.BadParameter(
            f"the journal has no air sampled {asked.state.value} in this room {asked_for}: it has "
            f"{found.other_state} samples in other states and {found.no_air} without air"
        )
    notes = [f"The {found.periods} sample periods of the journal are pooled to one sample for each location."]
    if found.other_state or found.no_air:
        notes.append(
            f"Left out: {found.other_state} periods in another occupancy state, {found.no_air} without any air."
        )
    source = f"journal of {facility.site.id}, {asked_for}"
    return found.samples, source, sheets.room_name(facility, places[0].room), tuple(notes)


# As text


def _text(result: Classification, best: Classification | None) -> str:
    _, word, why = headline(result)
    parts = [word, *(textwrap.fill(text, 100) for text in why), ""]
    titles = ["location", "samples", "air, L", *(f">= {size_text(size)} /m3" for size in result.sizes_nm), "verdict"]
    first = ["limit", "", "", *(_limit_text(result.target, size) for size in result.sizes_nm), ""]
    rows = [first]
    for place in result.locations:
        cells = [place.location, str(place.samples), f"{place.volume_ul / UL_PER_L:.6g}"]
        rows.append([*cells, *averages(place, result), place.verdict.value])
    parts.append(table(titles, rows, frozenset(titles[1:-1])))
    if result.upper_limits:
        rows = [
            [
                f">= {size_text(upper.size_nm)}",
                concentration(upper.upper.mean),
                f"{upper.upper.t:.4g}",
                concentration(upper.upper.value, _cell(result.target, upper.size_nm)),
                upper.verdict.value,
            ]
            for upper in result.upper_limits
        ]
        parts.append(table(("95 % UCL", "mean", "t", "UCL /m3", "verdict"), rows, frozenset(("mean", "t", "UCL /m3"))))
    parts.append(table(("requirement", "needed", "found"), requirements(result)))
    if result.shortfalls:
        parts.append("missing:\n" + "".join(f"  {lack.text}\n" for lack in result.shortfalls))
    parts += [textwrap.fill(remark, 100, subsequent_indent="  ") for remark in remarks(result, best)]
    return "\n".join(parts).rstrip("\n") + "\n"


def _cell(target: Target, size_nm: int) -> Any:
    row = target.limit(size_nm)
    return None if row is None else row.cell


def _limit_text(target: Target, size_nm: int) -> str:
    return limit_text(_cell(target, size_nm))


# For programs


def _plain(result: Classification, given: Given, best: Classification | None) -> dict[str, Any]:
    target = result.target
    uppers = {upper.size_nm: upper for upper in result.upper_limits}
    return {
        "outcome": result.outcome.value,
        "designation": result.designation,
        "target": target.name,
        "state": target.state.value,
        "edition": target.edition.value if target.iso_class is not None else None,
        "sizes": [
            {
                "size_um": size / 1000,
                "limit_per_m3": None if isinstance(_cell(target, size), Blank) else _cell(target, size),
                "blank": _cell(target, size).word if isinstance(_cell(target, size), Blank) else None,
                "upper_95_per_m3": uppers[size].upper.value if size in uppers else None,
                "upper_95_t": uppers[size].upper.t if size in uppers else None,
                "upper_95_verdict": uppers[size].verdict.value if size in uppers else None,
            }
            for size in result.sizes_nm
        ],
        "area_m2": result.area_m2,
        "flow_l_min": result.flow_l_min,
        "locations_needed": result.needed_locations,
        "least_volume_l": result.least_volume_l,
        "locations": [
            {
                "location": place.location,
                "x_m": place.x_m,
                "y_m": place.y_m,
                "samples": place.samples,
                "volume_l": place.volume_ul / UL_PER_L,
                "verdict": place.verdict.value,
                "sizes": [
                    {
                        "size_um": size.size_nm / 1000,
                        "per_m3": None if size.mean is None else float(size.mean),
                        "verdict": _verdict_word(size.mean is None, size.verdict),
                    }
                    for size in place.sizes
                ],
            }
            for place in result.locations
        ],
        "missing": [{"what": lack.lack.value, "text": lack.text} for lack in result.shortfalls],
        "best_class": None if best is None else {"class": best.target.iso_class, "shown": best.outcome is Outcome.PASS},
        "remarks": remarks(result, best),
        "assumed": list(assumptions(result, given)),
        "source": given.source,
        "room": given.where,
        "version": given.version,
    }


def _verdict_word(uncounted: bool, verdict: CellVerdict) -> str:
    return "not-counted" if uncounted else verdict.value
