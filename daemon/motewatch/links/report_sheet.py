"""A report in words: titles, tables and charts, in the order in which they are read; for paper and screen.

Rules: data in, plain values out (texts, lists, SVG); nothing is escaped here, because each way of rendering does that
by itself. Times are local, with the zone named on the cover and the offset wherever it changes within the report. What
is missing is said where a reader looks for it. Must not know Typst or HTML.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final
from zoneinfo import ZoneInfo

from motewatch.links.figures import concentration, grouped
from motewatch.links.report_chart import chart
from motewatch.picture.report import CAUTIONS, content_hash, report_id
from motewatch.picture.words import EVENTS, lasting
from motewatch.site.instants import instant
from motewatch.wire.records import DAY_US, HOUR_US, MINUTE_US

Block = dict[str, Any]

GAPS_SHOWN: Final = 200
"""Gaps of one location that stand in the document one by one; the rest is summed up, and in the JSON."""

TITLES: Final = {"shift": "Shift report", "day": "Day report", "month": "Month report", "batch": "Batch report"}


@dataclass(frozen=True, slots=True)
class SignedBy:
    """An electronic signature of the report itself."""

    name: str
    meaning: str
    when: str
    comment: str
    fits: bool
    """It is about this very content."""


class _Times:
    """Instants as the report writes them."""

    def __init__(self, zone: ZoneInfo, start_us: int, end_us: int) -> None:
        self._zone = zone
        at_start, at_end = (instant(us).astimezone(zone).utcoffset() for us in (start_us, end_us - 1))
        self._changes = at_start != at_end

    def text(self, us: int | None, nothing: str = "") -> str:
        """`2026-03-02 14:05`, seconds where there are any, the offset where the clocks change within the report."""
        if us is None:
            return nothing
        at = instant(us).astimezone(self._zone)
        text = f"{at:%Y-%m-%d %H:%M}" if not at.second else f"{at:%Y-%m-%d %H:%M:%S}"
        return f"{text} {at:%z}" if self._changes else text

    def full(self, us: int) -> str:
        """With the offset in any case."""
        return f"{instant(us).astimezone(self._zone):%Y-%m-%d %H:%M:%S %z}"

    def ticks(self, start_us: int, end_us: int) -> list[tuple[float, str]]:
        """Marks of a time axis at round local times: share of the width and label."""
        length = end_us - start_us
        steps = (15 * MINUTE_US, HOUR_US, 2 * HOUR_US, 4 * HOUR_US, DAY_US, 2 * DAY_US, 5 * DAY_US, 30 * DAY_US)
        step = next((each for each in steps if length / each <= 9), 61 * DAY_US)
        offset = instant(start_us).astimezone(self._zone).utcoffset()
        shift = 0 if offset is None else round(offset.total_seconds()) * 1_000_000
        first = -(-(start_us + shift) // step) * step - shift
        form = "%d %b" if step >= DAY_US else "%H:%M"
        return [
            ((at - start_us) / length, f"{instant(at).astimezone(self._zone):{form}}")
            for at in range(first, end_us + 1, step)
        ]


def sheet(data: Mapping[str, Any], signed: Sequence[SignedBy] = ()) -> dict[str, Any]:
    """The whole document as plain values."""
    zone = ZoneInfo(data["site"]["time_zone"])
    scope = data["scope"]
    times = _Times(zone, scope["start_us"], scope["end_us"])
    return {
        "title": TITLES[scope["kind"]],
        "site": data["site"]["name"],
        "when": f"{times.full(scope['start_us'])} to {times.full(scope['end_us'])}",
        "batch": scope["batch"],
        "id": report_id(data),
        "hash": content_hash(data),
        "stamp_us": scope["end_us"],
        "cover": _cover(data, times),
        "summary": _summary(data),
        "blocks": [
            *_configurations(data, times),
            *_counts(data, times),
            *_climate(data),
            *_missing(data, times),
            *_excursions(data, times),
            *_notes(data, times),
            *_other_alarms(data, times),
            *_sensors(data),
            *_performance(data),
            *_calls(data, times),
        ],
        "signed": [
            [each.name, each.meaning, each.when, each.comment, "yes" if each.fits else "NO: another content"]
            for each in signed
        ],
        "earlier": [
            [times.full(each["at_us"]), each["by"], each["subject"], each["text"]] for each in data["signatures"]
        ],
        "cautions": list(CAUTIONS),
    }


def table(
    titles: Sequence[str], rows: Sequence[Sequence[str]], right: Sequence[int] = (), wide: Sequence[int] = ()
) -> Block:
    """`right`: columns of figures; `wide`: columns that share what width is left (without any: the first)."""
    return {"kind": "table", "titles": [*titles], "rows": [[*row] for row in rows], "right": [*right],
            "wide": [*wide] or [0]}  # fmt: skip


def _heading(text: str, level: int = 1) -> Block:
    return {"kind": "heading", "level": level, "text": text}


def _text(text: str) -> Block:
    return {"kind": "text", "text": text}


def _cover(data: Mapping[str, Any], times: _Times) -> list[list[str]]:
    scope, record = data["scope"], data["record"]
    rooms: dict[str, list[str]] = {}
    for place in scope["places"]:
        rooms.setdefault(place["room_name"], []).append(place["name"])
    where = "; ".join(f"{room}: {', '.join(names)}" for room, names in rooms.items())
    return [
        *([["Batch", scope["batch"]]] if scope["batch"] else []),
        ["From", times.full(scope["start_us"])],
        ["Until", times.full(scope["end_us"])],
        ["Time zone", data["site"]["time_zone"]],
        ["Scope", "the whole site" if scope["whole_site"] else f"{len(scope['places'])} locations, chosen"],
        ["Rooms and locations", where],
        ["Software", f"motewatch {data['software']}"],
        ["Record up to", f"{times.full(record['reaches_us'])}, seal {record['seal']} of its hash chain"],
        ["Head of the chain", record["hash"]],
    ]


def _summary(data: Mapping[str, Any]) -> list[list[str]]:
    """What a reader wants to know first: line, answer, and whether it asks for a look."""
    actions = [each for each in data["excursions"] if each["kind"].endswith("-action") or each["kind"] == "cascade"]
    others = len(data["excursions"]) - len(actions)
    open_ = [each for each in data["excursions"] if each["until_us"] is None]
    gaps = sum(len(each["gaps"]) for each in data["locations"])
    missing = sum(each["missing_us"] for each in data["locations"])
    empty = [each["name"] for each in data["locations"] if not each["samples_with_air"]]
    above = sum(
        level["above"]
        for place in data["locations"]
        for size in place["sizes"]
        for level in size["levels"]
        if level["grade"] == "action"
    )
    unacknowledged = sum(each["acknowledged_us"] is None for each in data["excursions"])
    overdue = [each["id"] for each in data["sensors"] if each["calibration"] == "overdue"]
    lines = [
        ("Excursions of action levels and bounds", str(len(actions)), bool(actions)),
        ("Excursions of alert levels, trends", str(others), bool(others)),
        ("Samples above an action level, each size by itself", grouped(above), above > 0),
        ("Excursions that nobody acknowledged", str(unacknowledged), unacknowledged > 0),
        ("Excursions without an end on record", str(len(open_)), bool(open_)),
        ("Time without data", f"{lasting(missing)} in {gaps} gaps" if gaps else "none", bool(gaps)),
        ("Locations without any data", ", ".join(empty) or "none", bool(empty)),
        ("Samples revised by late data", str(sum(each["late_revisions"] for each in data["locations"])), False),
        ("Sensors with overdue calibration", ", ".join(overdue) or "none", bool(overdue)),
    ]
    if not data["final"]:
        lines.insert(0, ("The record ends before the report's time does", "this report is not final", True))
    return [[line, answer, "look" if look else ""] for line, answer, look in lines]


def _configurations(data: Mapping[str, Any], times: _Times) -> list[Block]:
    rows = [
        [
            times.text(each["from_us"]),
            times.text(each["until_us"], "end of the report"),
            each["digest"] + ("" if each["readable"] else " (cannot be read by this version; judged by nothing)"),
        ]
        for each in data["configurations"]
    ]
    blocks = [
        _heading("Configurations in force"),
        table(("from", "until", "digest (SHA-256 of the site file's canonical text)"), rows, wide=(2,)),
    ]
    first_us = data["configurations"][0]["from_us"]
    if first_us > data["scope"]["start_us"]:
        blocks.append(_text(f"Before {times.text(first_us)} no configuration is on record: nothing was monitored."))
    return blocks


def _counts(data: Mapping[str, Any], times: _Times) -> list[Block]:
    method = data["method"]
    scope = data["scope"]
    blocks = [
        _heading("Particle concentrations"),
        _text(
            "Particles per cubic metre, at or above the size. Mean: all particles in all air. Median and "
            f"{method['percent']}th percentile: of the samples with air, by method {method['percentile']} (linear "
            "between the modes; numbering of Hyndman and Fan). Above: samples above the level that was in force for "
            "the room's state when they were taken."
        ),
    ]
    for place in data["locations"]:
        blocks.append(_heading(f"{place['name']} – {place['room_name']}", 2))
        blocks.append(_text(_about(place)))
        if not place["sizes"]:
            blocks.append(_text("NO DATA: nobody measured particles here in this time."))
            continue
        rows = [
            [
                _size(size["size_nm"]),
                grouped(size["n"]),
                *(concentration(size[key]) for key in ("mean_per_m3", "median_per_m3", "p95_per_m3", "max_per_m3")),
                times.text(size["max_end_us"]),
            ]
            for size in place["sizes"]
        ]
        titles = ("size", "n", "mean", "median", f"P{method['percent']}", "max", "max in the sample until")
        blocks.append(table(titles, rows, right=range(1, 6), wide=(6,)))
        levels = [
            [_size(size["size_nm"]), level["grade"], level["state"], grouped(level["per_m3"]), grouped(level["judged"]),
             grouped(level["above"]), level["source"]]
            for size in place["sizes"]
            for level in size["levels"]
        ]  # fmt: skip
        if levels:
            titles = ("size", "level", "state", "per m³", "samples", "above", "where it comes from")
            blocks.append(table(titles, levels, right=(3, 4, 5), wide=(6,)))
        else:
            blocks.append(_text("No level was in force here for what was measured."))
        if place["unmeasured_levels"]:
            sizes = ", ".join(_size(size) for size in place["unmeasured_levels"])
            blocks.append(_text(f"A level was in force for {sizes}, which nobody counted here."))
        for drawn in place["charts"]:
            title = f"Highest sample of each stretch, {_size(drawn['size_nm'])}, per m³"
            ticks = times.ticks(scope["start_us"], scope["end_us"])
            blocks.append({"kind": "chart", "title": title, "svg": chart(drawn["points"], ticks, title)})
    return blocks


def _about(place: Mapping[str, Any]) -> str:
    states = ", ".join(f"{state} {lasting(us)}" for state, us in place["states"].items())
    flags = ", ".join(f"{number} {flag}" for flag, number in place["flags"].items())
    parts = [
        f"{place['standard'] or 'No class'}.",
        f"{place['samples']} samples, {place['samples_with_air']} with air; coverage {place['coverage']:.1%}.",
        f"States: {states}." if states else "",
        f"Flags: {flags}." if flags else "",
        f"Revised by late data: {place['late_revisions']}." if place["late_revisions"] else "",
    ]
    return " ".join(part for part in parts if part)


def _climate(data: Mapping[str, Any]) -> list[Block]:
    rows = []
    for place in data["locations"]:
        for each in place["climate"]:
            bounds = ", ".join(
                f"{bound['grade']} {'≥' if bound['side'] == 'low' else '≤'} {bound['value']:g}"
                for bound in each["bounds"]
            )
            outside = each["outside_us"]
            rows.append(
                [
                    place["name"],
                    each["quantity"].replace("-", " "),
                    *(f"{each[key]:.1f}" for key in ("min", "mean", "max")),
                    each["unit"],
                    bounds or "none",
                    lasting(outside["alert"]) if outside["alert"] else "0",
                    lasting(outside["action"]) if outside["action"] else "0",
                ]
            )
    if not rows:
        return [_heading("Climate and pressure"), _text("Nobody measured climate or pressure in this time.")]
    titles = ("location", "quantity", "min", "mean", "max", "unit", "bounds", "out: alert", "out: action")
    return [
        _heading("Climate and pressure"),
        _text("Time outside a bound: of the samples whose mean was outside it."),
        table(titles, rows, right=(2, 3, 4, 7, 8), wide=(0, 6)),
    ]


def _missing(data: Mapping[str, Any], times: _Times) -> list[Block]:
    blocks = [_heading("Missing data")]
    rows, complete = [], []
    for place in data["locations"]:
        if not place["gaps"]:
            complete.append(place["name"])
            continue
        rows += [
            [place["name"], times.text(first), times.text(last), lasting(last - first)]
            for first, last in place["gaps"][:GAPS_SHOWN]
        ]
        rest = place["gaps"][GAPS_SHOWN:]
        if rest:
            together = sum(last - first for first, last in rest)
            rows.append([place["name"], f"{len(rest)} more gaps until", times.text(rest[-1][1]), lasting(together)])
    if rows:
        blocks.append(table(("location", "nobody measured from", "until", "length"), rows, right=(3,)))
    if complete:
        blocks.append(_text(f"Without a gap: {', '.join(complete)}."))
    return blocks


def _excursions(data: Mapping[str, Any], times: _Times) -> list[Block]:
    blocks = [_heading("Excursions")]
    if not data["excursions"]:
        return [*blocks, _text("None on record in this time.")]
    names = {place["id"]: place["name"] for place in data["locations"]}
    for number, each in enumerate(data["excursions"], 1):
        where = names.get(each["location"] or "", each["location"] or each["room"] or "")
        blocks.append(_heading(f"{number}. {where}: {each['kind'].replace('-', ' ')} ({each['priority']})", 2))
        blocks.append(_text(each["text"] + "."))
        ended = each["until_us"]
        peak = "" if each["peak"] is None else f"{concentration(each['peak'])} {each['unit']}".strip()
        limit = "" if each["limit"] is None else f"{grouped(each['limit'], 0 if each['limit'] >= 100 else 1)}"
        who = each["acknowledged_by"] or ""
        rows = [[
            times.text(each["from_us"]),
            times.text(ended, "no end on record"),
            "" if ended is None else lasting(ended - each["from_us"]),
            peak, limit,
            times.text(each["acknowledged_us"], "NOT ACKNOWLEDGED") + (f", {who}" if who else ""),
        ]]  # fmt: skip
        blocks.append(
            table(("from", "until", "length", "peak", "limit", "acknowledged"), rows, right=(2, 3, 4), wide=(5,))
        )
        if each["late"]:
            blocks.append(_text("Found by late data, after it had returned to normal."))
        said = [
            [times.text(one["at_us"]), EVENTS.get(one["event"], one["event"]), one["by"], one["comment"]]
            for one in each["comments"]
        ]
        if said:
            blocks.append(table(("when", "what", "who", "comment"), said, wide=(3,)))
    return blocks


def _notes(data: Mapping[str, Any], times: _Times) -> list[Block]:
    rows = [[times.text(each["at_us"]), each["by"], each["subject"], each["text"]] for each in data["notes"]]
    blocks = [_heading("Notes")]
    return [*blocks, table(("when", "who", "on", "note"), rows, wide=(3,)) if rows else _text("None on record.")]


def _other_alarms(data: Mapping[str, Any], times: _Times) -> list[Block]:
    rows = [
        [
            times.text(each["from_us"]),
            times.text(each["until_us"], "no end on record"),
            each["text"],
            each["acknowledged_by"] or "nobody",
        ]
        for each in data["other_alarms"]
    ]
    blocks = [_heading("Alarms of sensors and of the service")]
    titles = ("from", "until", "what", "acknowledged by")
    return [*blocks, table(titles, rows, wide=(2,)) if rows else _text("None on record in this time.")]


def _sensors(data: Mapping[str, Any]) -> list[Block]:
    names = {place["id"]: place["name"] for place in data["locations"]}
    rows = [
        [
            each["id"],
            each["serial"],
            ", ".join(f"{names.get(place, place)} ({n})" for place, n in each["samples"].items()) or "NO SAMPLE",
            each["calibration_due"] or "not stated",
            each["calibration"].upper() if each["calibration"] == "overdue" else each["calibration"],
        ]
        for each in data["sensors"]
    ]
    titles = ("sensor", "serial", "measured at (samples)", "calibration due", "at the end")
    return [
        _heading("Sensors"),
        table(titles, rows, wide=(2,)) if rows else _text("No sensor belongs to these locations."),
    ]


def _performance(data: Mapping[str, Any]) -> list[Block]:
    blocks = [_heading("Alarm performance of the whole site")]
    found = data["alarm_figures"]
    if found is None:
        return [*blocks, _text("The record holds nothing of it.")]
    rows = []
    for each in found["targets"]:
        value = each["value"]
        shown = "" if value is None else f"{value:.1%}" if each["figure"].endswith(_SHARES) else f"{value:.3g}"
        rows.append([each["figure"].replace("_", " "), shown, each["target"], each["verdict"]])
    many = f"Alarms presented to people: {found['annunciated']}; people on shift: {found['operators']}."
    titles = ("figure", "value", "target (ISA-18.2 / IEC 62682, or as named)", "verdict")
    return [*blocks, _text(many), table(titles, rows, right=(1,), wide=(0, 2))]


_SHARES: Final = ("over_10", "over_30", "share", "priority_low", "priority_medium", "priority_high")


def _calls(data: Mapping[str, Any], times: _Times) -> list[Block]:
    rows = [
        [times.text(each["at_us"]), each["person"], each["channel"], each["cause"], ", ".join(each["alarms"]),
         each["outcome"] or "not known"]
        for each in data["calls"]
    ]  # fmt: skip
    blocks = [_heading("Calls to people")]
    titles = ("when", "person", "by", "why", "alarms", "outcome")
    return [*blocks, table(titles, rows, wide=(4,)) if rows else _text("None in this time.")]


def _size(size_nm: int) -> str:
    return f"≥ {size_nm / 1000:g} µm"
