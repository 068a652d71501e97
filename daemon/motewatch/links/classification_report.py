"""The printed report of a classification test, as one HTML text for A4.

Holds what ISO 14644-1 wants in a test report as far as it was given (that list from memory): who, when, where, which
counter, the standard with its edition, class and state, considered sizes, locations with their positions, results,
and the designation. What nobody gave is a line to be filled in by hand. Text in, text out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from motewatch.limits.classification import Classification, Edition, Lack, LocationResult, Outcome
from motewatch.limits.standards.model import Blank
from motewatch.limits.standards.verdict import CellVerdict
from motewatch.links import report_page
from motewatch.links.figures import concentration, grouped, limit_text
from motewatch.links.floor_plan import Spot, floor_plan
from motewatch.measure.samples import UL_PER_L
from motewatch.site.basics import size_text

_WORDS = {
    CellVerdict.WITHIN: "within",
    CellVerdict.EXCEEDS: "EXCEEDS",
    CellVerdict.NOT_APPLICABLE: "not applicable",
}


@dataclass(frozen=True, slots=True)
class Given:
    """What the result was made from, for the reader. None: not given."""

    version: str
    made: str
    """When the report was made, as text."""
    source: str
    """The file, or the journal and its span."""
    where: str | None = None
    tested_on: str | None = None
    by: str | None = None
    counter: str | None = None
    notes: tuple[str, ...] = ()
    """Further things that were assumed or left out."""


def headline(result: Classification) -> tuple[str, str, list[str]]:
    """Kind of verdict (good, bad, open), its words, and sentences that say why."""
    name = f"{result.target.name}, {result.target.state.value}"
    count = len(result.locations)
    if result.outcome is Outcome.PASS:
        return "good", f"PASS: {result.designation}", [f"Every average of {places(count)} is within its limit."]
    if result.outcome is Outcome.FAIL:
        bad = [place.location for place in result.locations if place.verdict is CellVerdict.EXCEEDS]
        why = [f"Above a limit at {len(bad)} of {places(count)}: {', '.join(bad)}."] if bad else []
        why += [
            f"The upper confidence limit at {size_text(upper.size_nm)} is above the class limit."
            for upper in result.upper_limits
            if upper.verdict is CellVerdict.EXCEEDS
        ]
        return "bad", f"FAIL: {name}", why
    if result.outcome is Outcome.NOT_APPLICABLE:
        return "open", f"NOT APPLICABLE: {name}", ["The standard has no limit at any considered size: no verdict."]
    missing = len(result.shortfalls)
    return (
        "open",
        f"NOT SHOWN: {name}",
        [
            "No average is above its limit, but the test is not complete: "
            f"{missing} {'thing is' if missing == 1 else 'things are'} missing, listed under Requirements."
        ],
    )


def places(count: int) -> str:
    """`1 location`, `9 locations`."""
    return f"{count} location{'' if count == 1 else 's'}"


def remarks(result: Classification, best: Classification | None) -> list[str]:
    """What else a reader should know of the result."""
    found = []
    for size in result.sizes_nm:
        row = result.target.limit(size)
        if row is not None and isinstance(row.cell, Blank):
            found.append(f"{size_text(size)}: no verdict, {row.cell.word}. {row.reason}")
    hint = result.macroparticle_hint
    if hint is not None:
        highest = result.highest(5000)
        found.append(
            hint + ("" if highest is None else f" Highest average here: {concentration(highest)} per m3 at 5 um.")
        )
    if best is not None:
        shown = "" if best.outcome is Outcome.PASS else " (its averages only: that class needs more than was sampled)"
        found.append(
            "Cleanest class with limits at all considered sizes that no average exceeds: "
            f"{best.target.name}, {best.target.state.value}{shown}."
        )
    if result.target.edition is Edition.OF_1999:
        found.append("ISO 14644-1:1999 was replaced in 2015: this is for reading old results.")
    return found


def classification_report(result: Classification, given: Given, best: Classification | None = None) -> str:
    """The document."""
    kind, word, why = headline(result)
    target = result.target
    title = "Classification of air cleanliness by particle concentration"
    standard = "EU GMP Annex 1 (2022)" if target.iso_class is None else f"ISO 14644-1:{target.edition.value}"
    sub = " · ".join(
        text for text in (given.where, f"{target.name}, {target.state.value}", standard, given.tested_on) if text
    )
    body = [
        report_page.heading(title, sub),
        report_page.verdict(kind, word, why),
        report_page.section(
            "Results",
            _results(result),
            _upper(result),
            report_page.bullets(map(report_page.typeset, remarks(result, best))),
        ),
        _plan(result),
        report_page.section("Requirements", _requirements(result), _shortfalls(result)),
        report_page.section("Given", _facts(result, given, standard)),
        report_page.section("Assumed", report_page.bullets(assumptions(result, given))),
        report_page.closing(given.version, given.made),
    ]
    return report_page.page(f"{word} - {title}", f"{given.where or title}: {report_page.typeset(word)}", body)


def _results(result: Classification) -> str:
    limits = {size: result.target.limit(size) for size in result.sizes_nm}
    titles = ["location", "x, m", "y, m", "samples", "air, L"]
    titles += [f">= {size_text(size)}, per m3" for size in result.sizes_nm]
    titles.append("verdict")
    first = ["limit", "", "", "", ""]
    first += [limit_text(row.cell) if row is not None else "" for row in limits.values()]
    rows = [[*first, ""]]
    for place in result.locations:
        cells = [place.location, _metres(place.x_m), _metres(place.y_m), str(place.samples)]
        cells.append(f"{place.volume_ul / UL_PER_L:.6g}")
        cells += averages(place, result)
        rows.append([*cells, _WORDS[place.verdict]])
    return report_page.table(
        titles, rows, range(1, len(titles) - 1), row_classes=("limit",), cell_class={"EXCEEDS": "exceeds"}
    )


def averages(place: LocationResult, result: Classification) -> list[str]:
    """The averages of a location, one text for each considered size; `!` marks one above its limit."""
    texts = []
    for size in place.sizes:
        row = result.target.limit(size.size_nm)
        if size.mean is None:
            texts.append("not counted")
            continue
        text = concentration(size.mean, None if row is None else row.cell)
        texts.append(f"{text} !" if size.verdict is CellVerdict.EXCEEDS else text)
    return texts


def _metres(value: float | None) -> str:
    return "" if value is None else f"{value:g}"


def _upper(result: Classification) -> str:
    if not result.upper_limits:
        return ""
    rows = []
    for upper in result.upper_limits:
        row = result.target.limit(upper.size_nm)
        assert row is not None, "an upper limit is held against a limit"
        rows.append(
            [
                report_page.typeset(f">= {size_text(upper.size_nm)}"),
                concentration(upper.upper.mean),
                grouped(upper.upper.deviation, 1),
                f"{upper.upper.t:.4g}",
                concentration(upper.upper.value, row.cell),
                limit_text(row.cell),
                _WORDS[upper.verdict],
            ]
        )
    titles = ("95 % upper confidence limit", "mean", "s", "t", "UCL, per m3", "limit", "verdict")
    return report_page.table(titles, rows, range(1, 6), cell_class={"EXCEEDS": "exceeds"})


def _plan(result: Classification) -> str:
    placed = [place for place in result.locations if place.x_m is not None and place.y_m is not None]
    if not placed:
        return report_page.section(
            "Plan of locations", "<p>No positions were given, so there is no plan: attach a drawing of the room.</p>"
        )
    spots = []
    for place in placed:
        assert place.x_m is not None
        assert place.y_m is not None
        spots.append(Spot(place.location, place.x_m, place.y_m, place.verdict, tuple(averages(place, result))))
    caption = (
        f"Averages per m3 at or above {', '.join(size_text(size) for size in result.sizes_nm)}; ! marks one above its "
        "limit. To scale, without walls."
    )
    if len(placed) < len(result.locations):
        caption += f" {places(len(result.locations) - len(placed))} without a position not shown."
    return report_page.section("Plan of locations", report_page.figure(floor_plan(spots), caption))


def requirements(result: Classification) -> list[tuple[str, str, str]]:
    """What the test needs: name, needed, found."""
    rule = "square root of the area" if result.target.edition is Edition.OF_1999 else "Table A.1"
    found = [
        (
            f"sampling locations for {result.area_m2:g} m2 ({rule})",
            f"at least {result.needed_locations}",
            str(len(result.locations)),
        )
    ]
    if result.least_volume_l is not None:
        found.append(
            (
                "air of each sample (20 counts at the limit, floor 2 L)",
                f"at least {result.least_volume_l:.4g} L",
                f"{result.smallest_volume_l:.6g} L in the smallest",
            )
        )
        flow = result.flow_l_min
        least = "1 min" if flow is None else f"{max(1.0, result.least_volume_l / flow):.4g} min at {flow:g} L/min"
        lacks = {lack.lack for lack in result.shortfalls}
        met = "unknown" if Lack.TIME_UNKNOWN in lacks else "less" if {Lack.TIME, Lack.VOLUME} & lacks else "met"
        found.append(("time of each sample (floor 1 min)", f"at least {least}", met))
    ratio = [f"{b / a:.3g}" for a, b in zip(result.sizes_nm, result.sizes_nm[1:], strict=False)]
    if ratio:
        found.append(("each considered size to the next smaller", "at least 1.5", ", ".join(ratio)))
    return found


def _requirements(result: Classification) -> str:
    rows = [[report_page.typeset(cell) for cell in row] for row in requirements(result)]
    return report_page.table(("what", "needed", "found"), rows)


def _shortfalls(result: Classification) -> str:
    if not result.shortfalls:
        return "<p>Nothing is missing.</p>"
    return "<p><b>Missing:</b></p>" + report_page.bullets(
        # Other sentences name locations, which are written as they were given.
        (report_page.typeset(lack.text) if lack.lack is Lack.LOCATIONS else lack.text) + "."
        for lack in result.shortfalls
    )


def _facts(result: Classification, given: Given, standard: str) -> str:
    sources = list(dict.fromkeys(row.source for row in result.target.limits if row.size_nm in result.sizes_nm))
    return report_page.facts(
        [
            ("room or zone", given.where),
            ("tested on", given.tested_on),
            ("tested by", given.by),
            ("counter and its calibration", given.counter),
            ("standard", standard),
            ("limits", "; ".join(sources)),
            ("class or grade asked for", result.target.name),
            ("occupancy state", result.target.state.value),
            ("considered sizes", report_page.typeset(", ".join(size_text(size) for size in result.sizes_nm))),
            ("area", f"{result.area_m2:g} m²"),
            ("counter's flow", None if result.flow_l_min is None else f"{result.flow_l_min:g} L/min"),
            ("samples from", given.source),
        ]
    )


def assumptions(result: Classification, given: Given) -> Sequence[str]:
    """What the result rests on and nobody measured here."""
    found = [
        "The locations divide the area evenly, and the counter met ISO 21501-4 and was in calibration.",
        "The room was in the stated occupancy state while it was sampled.",
        "A value equal to the limit passes; locations are averaged over their samples, and each is judged alone.",
    ]
    if result.target.edition is Edition.OF_2015:
        found.append(
            "The floors of 2 L and 1 minute, the ratio of 1.5 and most rows of Table A.1 are held from memory of the "
            "standard; the table is reproduced exactly by the sampling plan it rests on."
        )
    else:
        found.append("The printed values of Student's t are held from memory of the standard.")
    return [*found, *given.notes]
