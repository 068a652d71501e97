"""The drawing of a trend as SVG text: for the console, as a file, and for reports.

One panel for each size on a log axis, one for each climate quantity, and strips for occupancy, measuring, alarms and
notes below one another on one time axis. Nothing is drawn where nobody measured. Each sign is a shape as well as a
colour; colours are presentation attributes of light paper, with classes beside them by which a style sheet may choose
others. A sample that counted nothing stands in a band of its own below the log axis.

Must not know HTML pages, tables or where numbers come from.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from html import escape
from itertools import pairwise
from math import ceil, floor, log10
from typing import Final
from zoneinfo import ZoneInfo

from motewatch.engine.plan import Grade
from motewatch.picture.trend import (
    QUANTITIES,
    AlarmBar,
    Beyond,
    Bucket,
    NoteMark,
    Trend,
    beyond,
    bound_steps,
    level_steps,
    runs_of,
    segments,
    track,
    unmeasured,
)
from motewatch.picture.words import UNICODE, limit_figure, local, size
from motewatch.site.instants import instant_us
from motewatch.wire.records import MINUTE_US

WIDE: Final = 1080
NARROW: Final = 380
COLOURS: Final = {
    "ink": "#12171c",
    "soft": "#46505a",
    "grid": "#cdd4da",
    "paper": "#ffffff",
    "value": "#17475e",
    "action": "#97180c",
    "alert": "#7a4100",
    "gap": "#4d2a86",
    "beside": "#46505a",
}
_PANEL, _CLIMATE, _STRIP, _FLOOR = 196.0, 84.0, 24.0, 24.0
_NAMES: Final = {
    "temperature": ("Temperature", "°C"),
    "humidity": ("Relative humidity", "%"),
    "pressure-difference": ("Pressure difference", "Pa"),
}
_STEPS_MAX: Final = 90
_TICKS_MIN: Final = (1, 2, 5, 10, 15, 30, 60, 120, 180, 240, 360, 720)
_DAYS: Final = (1, 2, 7, 14, 30, 61, 91, 182, 365)


@dataclass(frozen=True, slots=True)
class _Frame:
    """The time axis of a drawing."""

    trend: Trend
    zone: ZoneInfo
    width: float
    left: float
    right: float

    def x(self, us: int) -> float:
        """Where an instant is, within the axis."""
        trend = self.trend
        share = (us - trend.from_us) / (trend.until_us - trend.from_us)
        return self.left + min(1.0, max(0.0, share)) * (self.right - self.left)


def trend_chart(trend: Trend, zone: ZoneInfo, width: int = WIDE, *, label: str = "", standalone: bool = False) -> str:
    """The drawing; `width` in pixels, of which `NARROW` is for phones. `standalone`: a file with paper of its own."""
    narrow = width < 600
    frame = _Frame(trend, zone, width, 46.0 if narrow else 66.0, width - (8.0 if narrow else 134.0))
    parts: list[str] = []
    top = 8.0
    for size_nm in trend.sizes_nm:
        drawn, top = _size_panel(frame, size_nm, top)
        parts += drawn
    for quantity in QUANTITIES:
        if any(track(bucket.stretch, quantity) for bucket in trend.buckets):
            drawn, top = _climate_panel(frame, quantity, top)
            parts += drawn
    for draw in (_occupancy, _measured, _alarms, _notes):
        drawn, top = draw(frame, top)
        parts += drawn
    axis = _axis(frame, 8.0, top)
    height = top + 38
    paper = f'<rect width="{width}" height="{height:.0f}" fill="{COLOURS["paper"]}"/>' if standalone else ""
    said = escape(label or f"Trend of {trend.name}", quote=True)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="trend" role="img" aria-label="{said}" '
        f'viewBox="0 0 {width} {height:.0f}" width="{width}" height="{height:.0f}" font-size="{12 if narrow else 13}" '
        f'font-family="system-ui, Liberation Sans, sans-serif" fill="{COLOURS["ink"]}" '
        f'data-left="{frame.left:.0f}" data-right="{frame.right:.0f}" data-top="8" data-bottom="{top:.0f}" '
        f'data-from="{trend.from_us // 1000}" data-until="{trend.until_us // 1000}">'
        f"{_patterns(frame)}{paper}{axis}{''.join(parts)}</svg>"
    )


def _hatch(frame: _Frame) -> str:
    # An id for each drawing of a page: of two of the same, the one that is not shown would count.
    return escape(f"hatch-{frame.trend.location}-{frame.width:.0f}", quote=True)


def _patterns(frame: _Frame) -> str:
    return (
        f'<defs><pattern id="{_hatch(frame)}" width="7" height="7" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate(45)"><rect class="t-gap-fill" width="2" height="7" fill="{COLOURS["gap"]}"/>'
        "</pattern></defs>"
    )


def _text(x: float, y: float, text: str, css: str = "t-ink", anchor: str = "start", more: str = "") -> str:
    colour = COLOURS[css.removeprefix("t-")]
    at = f'x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"'
    return f'<text class="{css}" {at} fill="{colour}"{more}>{escape(text)}</text>'


def _line(path: str, css: str, width: float, dash: str = "") -> str:
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    colour = COLOURS[css.removeprefix("t-")]
    return f'<path class="{css}" d="{path}" fill="none" stroke="{colour}" stroke-width="{width:g}"{dashed}/>'


# Sizes


def _size_panel(frame: _Frame, size_nm: int, top: float) -> tuple[list[str], float]:
    trend = frame.trend
    above = beyond(trend, size_nm)
    steps = {grade: level_steps(trend, size_nm, grade) for grade in (Grade.ALERT, Grade.ACTION)}
    top += 20
    bottom = top + _PANEL
    low, high = _decades(trend, size_nm, [each[2] for found in steps.values() for each in found])
    floor_y = bottom - _FLOOR

    def y(per_m3: float) -> float:
        if per_m3 <= 0:
            return bottom - _FLOOR / 2
        return floor_y - (min(high, max(low, log10(per_m3))) - low) / (high - low) * (floor_y - top)

    parts = [
        _text(
            frame.left,
            top - 6,
            f"{size(size_nm, UNICODE)} per m³" if frame.width < 600 else f"Particles {size(size_nm, UNICODE)} per m³",
            more=' font-weight="700"',
        ),
        *_gaps(frame, size_nm, top, bottom),
    ]
    for decade in range(low, high + 1):
        at = y(10.0**decade)
        parts.append(_line(f"M{frame.left:.1f} {at:.1f}H{frame.right:.1f}", "t-grid", 1))
        parts.append(_text(frame.left - 5, at + 4, _power(decade, frame.width < 600), "t-soft", "end"))
    parts.append(_text(frame.left - 5, bottom - _FLOOR / 2 + 6, "none", "t-soft", "end"))
    parts.append(_line(f"M{frame.left:.1f} {bottom:.1f}H{frame.right:.1f}", "t-soft", 1))
    parts += _values(frame, size_nm, y)
    labels: list[tuple[Grade, int]] = []
    for grade, dash in ((Grade.ALERT, "7 4"), (Grade.ACTION, "")):
        found = steps[grade]
        if len(found) > _STEPS_MAX:
            # So many steps would be a red wall: one line for each level, from its first time to its last.
            found = [(*_reach(found, level), level) for level in sorted({each[2] for each in found})]
            parts += [_line(_steps(frame, [(a, b, y(level))]), f"t-{grade.value}", 1.5, dash) for a, b, level in found]
            labels += [(grade, level) for _, _, level in found[:3]]
        elif found:
            parts.append(_line(_steps(frame, [(a, b, y(level)) for a, b, level in found]), f"t-{grade.value}", 2, dash))
            labels.append((grade, found[-1][2]))
    parts += _level_labels(frame, labels, top, y)
    parts += _marks(frame, above, y)
    return parts, bottom + 4


def _reach(steps: Sequence[tuple[int, int, int]], level: int) -> tuple[int, int]:
    mine = [(first, last) for first, last, each in steps if each == level]
    return mine[0][0], mine[-1][1]


def _decades(trend: Trend, size_nm: int, levels: Sequence[int]) -> tuple[int, int]:
    peaks, lows = [float(each) for each in levels], [float(each) for each in levels]
    for bucket in (*trend.buckets, *trend.beside):
        peak, counted = bucket.stretch.peak(size_nm), bucket.stretch.size(size_nm)
        if peak and counted:
            peaks.append(peak.per_m3)
            lows.append(counted.low_per_m3)
    high = ceil(log10(max([each for each in peaks if each > 0], default=100.0) * 1.2))
    low = floor(log10(min([each for each in lows if each > 0], default=1.0)))
    return max(min(low, high - 1), high - 7), high


def _power(decade: int, short: bool) -> str:
    if short and decade > 3:
        return f"10{'⁰¹²³⁴⁵⁶⁷⁸⁹'[decade % 10]}" if decade < 10 else f"1e{decade}"
    if decade < 0:
        return f"{10.0**decade:g}"
    if decade < 6:
        return f"{10**decade:,}".replace(",", " ")
    return f"{10 ** (decade % 3)} {'million' if decade < 9 else 'billion'}" if decade < 12 else f"1e{decade}"


def _values(frame: _Frame, size_nm: int, y: Callable[[float], float]) -> Iterator[str]:
    trend = frame.trend
    for held in segments(trend, trend.beside, size_nm):
        mean = [(*_span(bucket, size_nm), y(_mean(bucket, size_nm))) for bucket in held]
        yield _line(_steps(frame, mean), "t-beside", 1.5, "2 3")
    for held in segments(trend, trend.buckets, size_nm):
        if trend.width_us:
            highs, lows = [], []
            for bucket in held:
                peak, counted = bucket.stretch.peak(size_nm), bucket.stretch.size(size_nm)
                assert peak is not None
                assert counted is not None
                highs.append((*_span(bucket, size_nm), y(peak.per_m3)))
                lows.append((*_span(bucket, size_nm), y(counted.low_per_m3)))
            path = _steps(frame, highs) + _back(frame, lows)
            yield (
                f'<path class="t-band" d="{path}" fill="{COLOURS["value"]}" fill-opacity="0.28" '
                f'stroke="{COLOURS["value"]}" stroke-width="0.8"/>'
            )
        mean = [(*_span(bucket, size_nm), y(_mean(bucket, size_nm))) for bucket in held]
        yield _line(_steps(frame, mean), "t-value", 1.6)


def _mean(bucket: Bucket, size_nm: int) -> float:
    counted = bucket.stretch.size(size_nm)
    assert counted is not None
    return counted.per_m3


def _span(bucket: Bucket, what: int | str) -> tuple[int, int]:
    here = track(bucket.stretch, what)
    assert here is not None
    return here.first_us, here.last_us


def _steps(frame: _Frame, steps: Sequence[tuple[int, int, float]]) -> str:
    """A line of steps; it jumps only where one follows the other, and is broken elsewhere."""
    found: list[str] = []
    last_us: int | None = None
    for first, last, at in steps:
        if last_us is None or first > last_us:
            joined = last_us is not None and frame.x(first) - frame.x(last_us) < 0.05
            found.append(f"{'L' if joined else 'M'}{frame.x(first):.1f} {at:.1f}")
        else:
            found.append(f"V{at:.1f}")
        found.append(f"H{max(frame.x(last), frame.x(first) + 0.3):.1f}")
        last_us = last
    return "".join(found)


def _back(frame: _Frame, steps: Sequence[tuple[int, int, float]]) -> str:
    """The lower edge of a band, from right to left."""
    return "".join(f"L{frame.x(last):.1f} {at:.1f}H{frame.x(first):.1f}" for first, last, at in reversed(steps)) + "Z"


def _level_labels(
    frame: _Frame, levels: Sequence[tuple[Grade, int]], top: float, y: Callable[[float], float]
) -> Iterator[str]:
    """The levels in force at the end of the time: beside their lines, or above the plot where there is no room."""
    bold, at, x = ' font-weight="700"', 0.0, frame.right
    for grade, level in sorted(levels, key=lambda each: -each[1]):
        word = f"{grade.value} {limit_figure(level)}"
        if frame.width < 600:
            if x < frame.left + 190:
                return
            yield _text(x, top - 6, word, f"t-{grade.value}", "end", bold)
            x -= 7.4 * len(word) + 8
        else:
            at = max(y(level) + 4, at + 15)
            yield _text(frame.right + 6, at, word, f"t-{grade.value}", "start", bold)


def _marks(frame: _Frame, above: Sequence[Beyond], y: Callable[[float], float]) -> Iterator[str]:
    """What is above a level: a thick line along it, and a sign over the highest of each crowd."""
    trend = frame.trend
    for grade in (Grade.ALERT, Grade.ACTION):
        mine = [each for each in above if each.grade is grade]
        for each in mine:
            first, last = _span(trend.buckets[each.bucket], each.peak.size_nm)
            x0 = frame.x(first)
            yield _line(
                f"M{x0:.1f} {y(each.peak.per_m3):.1f}H{max(frame.x(last), x0 + 1.5):.1f}", f"t-{grade.value}", 3.5
            )
        for crowd in _crowds(frame, mine):
            top = max(crowd, key=lambda each: each.peak.per_m3)
            yield _sign(grade, frame.x(top.peak.at_us), y(top.peak.per_m3) - 10)


def _crowds(frame: _Frame, marks: Sequence[Beyond]) -> Iterator[list[Beyond]]:
    held: list[Beyond] = []
    for mark in marks:
        if held and frame.x(mark.peak.at_us) - frame.x(held[0].peak.at_us) > 16:
            yield held
            held = []
        held.append(mark)
    if held:
        yield held


def _sign(grade: Grade, x: float, y: float) -> str:
    if grade is Grade.ACTION:
        return _line(f"M{x - 5:.1f} {y - 5:.1f}l10 10m0 -10l-10 10", "t-action", 3)
    return f'<path class="t-alert-fill" d="M{x:.1f} {y - 5:.1f}l5.5 10h-11z" fill="{COLOURS["alert"]}"/>'


def _gaps(frame: _Frame, what: int | str | None, top: float, bottom: float) -> Iterator[str]:
    for first, last, exact in unmeasured(frame.trend, what):
        x0, x1 = frame.x(first), frame.x(last)
        if not exact:
            continue
        yield (
            f'<rect x="{x0:.1f}" y="{top:.1f}" width="{max(1.5, x1 - x0):.1f}" height="{bottom - top:.1f}" '
            f'fill="url(#{_hatch(frame)})" fill-opacity="0.5"/>'
        )
        if x1 - x0 > 120:
            middle = (x0 + x1) / 2
            yield (
                f'<rect class="t-paper-fill" x="{middle - 58:.1f}" y="{(top + bottom) / 2 - 13:.1f}" width="116" '
                f'height="20" rx="4" fill="{COLOURS["paper"]}"/>'
            ) + _text(middle, (top + bottom) / 2 + 2, "not measured", "t-gap", "middle", ' font-weight="700"')


# Climate


def _climate_panel(frame: _Frame, quantity: str, top: float) -> tuple[list[str], float]:
    trend = frame.trend
    name, unit = _NAMES[quantity]
    bounds = bound_steps(trend, quantity)
    top += 24
    bottom = top + _CLIMATE
    values = [each for bucket in trend.buckets for each in _ranged(bucket, quantity)]
    values += [bound.bound.value / 1000 for _, _, bound in bounds] if bounds else []
    low, high = min(values), max(values)
    pad = max(0.5, (high - low) * 0.08)
    low, high = low - pad, high + pad

    def y(value: float) -> float:
        return bottom - (min(high, max(low, value)) - low) / (high - low) * (bottom - top)

    parts = [
        _text(frame.left, top - 6, f"{name}, {unit}", more=' font-weight="700"'),
        *_gaps(frame, quantity, top, bottom),
        _line(f"M{frame.left:.1f} {bottom:.1f}H{frame.right:.1f}", "t-soft", 1),
    ]
    for value in _round_values(low, high):
        parts.append(_line(f"M{frame.left:.1f} {y(value):.1f}H{frame.right:.1f}", "t-grid", 1))
        parts.append(_text(frame.left - 5, y(value) + 4, f"{value:g}", "t-soft", "end"))
    for held in segments(trend, trend.buckets, quantity):
        spans = [(*_span(bucket, quantity), *_ranged(bucket, quantity)) for bucket in held]
        highs = [(first, last, y(most)) for first, last, _, _, most in spans]
        lows = [(first, last, y(least)) for first, last, least, _, _ in spans]
        parts.append(
            f'<path class="t-band" d="{_steps(frame, highs) + _back(frame, lows)}" fill="{COLOURS["value"]}" '
            'fill-opacity="0.28" stroke="none"/>'
        )
        parts.append(_line(_steps(frame, [(a, b, y(mean)) for a, b, _, mean, _ in spans]), "t-value", 1.6))
    for key in dict.fromkeys(bound.key for _, _, bound in bounds):
        mine = [(a, b, bound) for a, b, bound in bounds if bound.key == key]
        grade = mine[-1][2].grade
        path = _steps(frame, [(a, b, y(bound.bound.value / 1000)) for a, b, bound in mine])
        parts.append(_line(path, f"t-{grade.value}", 2, "7 4" if grade is Grade.ALERT else ""))
        if frame.width >= 600:
            limit = mine[-1][2].bound.value / 1000
            word = f"{grade.value} {limit_figure(limit)}"
            parts.append(_text(frame.right + 6, y(limit) + 4, word, f"t-{grade.value}", more=' font-size="11"'))
    return parts, bottom + 4


def _ranged(bucket: Bucket, quantity: str) -> tuple[float, float, float] | tuple[()]:
    here = {"temperature": bucket.stretch.temperature, "humidity": bucket.stretch.humidity}.get(
        quantity, bucket.stretch.pressure
    )
    return () if here is None else (here.low / 1000, here.mean, here.high / 1000)


def _round_values(low: float, high: float) -> list[float]:
    step = 10.0 ** floor(log10(high - low))
    while (high - low) / step > 4:
        step *= 2 if (high - low) / step <= 8 else 2.5
    while (high - low) / step < 2:
        step /= 2
    return [round(step * each, 6) for each in range(ceil(low / step), floor(high / step) + 1)]


# Strips


def _strip(frame: _Frame, name: str, top: float) -> tuple[list[str], float, float]:
    if frame.width < 600:
        return [_text(frame.left, top + 14, name, "t-soft")], top + 19, top + 19 + _STRIP - 8
    # Beside the plot on the right, where there is room for words.
    return [_text(frame.right + 6, top + 18, name, "t-soft")], top + 5, top + _STRIP - 2


def _occupancy(frame: _Frame, top: float) -> tuple[list[str], float]:
    parts, y0, y1 = _strip(frame, "occupancy", top)
    for run in runs_of(frame.trend):
        x0, x1 = frame.x(run.first_us), frame.x(run.last_us)
        filled = "0.30" if run.occupancy == "operational" else "0.04"
        parts.append(
            f'<rect class="t-state" x="{x0:.1f}" y="{y0:.1f}" width="{max(0.6, x1 - x0):.1f}" height="{y1 - y0:.1f}" '
            f'fill="{COLOURS["ink"]}" fill-opacity="{filled}" stroke="{COLOURS["soft"]}" stroke-width="0.7">'
            f"<title>{escape(run.occupancy)}</title></rect>"
        )
        if x1 - x0 > 8 * len(run.occupancy):
            parts.append(_text((x0 + x1) / 2, y1 - 4, run.occupancy.replace("-", " "), "t-ink", "middle"))
    return parts, y1


def _measured(frame: _Frame, top: float) -> tuple[list[str], float]:
    trend = frame.trend
    parts, y0, y1 = _strip(frame, "measured", top)
    held: list[tuple[float, float]] = []
    for bucket in trend.buckets:
        if bucket.stretch.n:
            x0, x1 = frame.x(bucket.stretch.first_us), frame.x(bucket.stretch.last_us)
            if held and x0 - held[-1][1] < 0.3:
                held[-1] = held[-1][0], x1
            else:
                held.append((x0, x1))
    for x0, x1 in held:
        parts.append(
            f'<rect class="t-good" x="{x0:.1f}" y="{y0 + 3:.1f}" width="{max(0.6, x1 - x0):.1f}" '
            f'height="{y1 - y0 - 6:.1f}" fill="{COLOURS["value"]}" fill-opacity="0.55"/>'
        )
    for first, last, _ in unmeasured(trend):
        x0, x1 = frame.x(first), frame.x(last)
        parts.append(
            f'<rect class="t-paper-fill" x="{x0:.1f}" y="{y0:.1f}" width="{max(2.0, x1 - x0):.1f}" '
            f'height="{y1 - y0:.1f}" fill="{COLOURS["paper"]}"/>'
            f'<rect x="{x0:.1f}" y="{y0:.1f}" width="{max(2.0, x1 - x0):.1f}" height="{y1 - y0:.1f}" '
            f'fill="url(#{_hatch(frame)})"/>'
        )
    return parts, y1


def _alarms(frame: _Frame, top: float) -> tuple[list[str], float]:
    rows: list[list[AlarmBar]] = []
    ends: list[float] = []
    left_out = 0
    for bar in frame.trend.alarms:
        x0 = frame.x(bar.start_us)
        place = next((number for number, end in enumerate(ends) if end < x0), len(ends))
        if place == 5:
            left_out += 1
            continue
        if place == len(ends):
            ends.append(0.0)
            rows.append([])
        ends[place] = frame.x(_end(frame, bar)) + 8
        rows[place].append(bar)
    parts, y0, y1 = _strip(frame, "alarms" if rows else "no alarms", top)
    for number, row in enumerate(rows):
        at = y0 + number * 17
        for bar in row:
            x0, x1 = frame.x(bar.start_us), frame.x(_end(frame, bar))
            css = "alert" if bar.grade == "alert" else "action"
            parts.append(
                f'<rect class="t-{css}-fill" x="{x0:.1f}" y="{at:.1f}" width="{max(3.0, x1 - x0):.1f}" '
                f'height="13" rx="2" fill="{COLOURS[css]}"><title>{escape(bar.text)}</title></rect>'
            )
        y1 = max(y1, at + 15)
    if left_out:
        parts.append(_text(frame.left, y1 + 13, f"and {left_out} more alarms, listed below", "t-soft"))
        y1 += 17
    return parts, y1


def _end(frame: _Frame, bar: AlarmBar) -> int:
    return min(frame.trend.until_us, frame.trend.now_us) if bar.end_us is None else bar.end_us


def _notes(frame: _Frame, top: float) -> tuple[list[str], float]:
    notes: Sequence[NoteMark] = frame.trend.notes
    if not notes:
        return [], top
    parts, y0, y1 = _strip(frame, "notes", top)
    for note in notes:
        x = frame.x(note.at_us)
        parts.append(
            f'<path class="t-note" d="M{x - 5:.1f} {y0:.1f}h10v9h-4l-3 5v-5h-3z" fill="{COLOURS["ink"]}">'
            f"<title>{escape(note.text)}</title></path>"
        )
    return parts, y1


# Time


def _axis(frame: _Frame, top: float, bottom: float) -> str:
    parts = []
    room = 1.0
    for us, text, day in _ticks(frame):
        x = frame.x(us)
        parts.append(_line(f"M{x:.1f} {top:.1f}V{bottom + 5:.1f}", "t-grid", 1.6 if day else 1))
        if x >= room:
            parts.append(_text(x, bottom + 19, text, "t-ink", "middle", ' font-weight="700"' if day else ""))
            room = x + 7.2 * len(text) + 8
    first, last = local(frame.trend.from_us, frame.zone), local(frame.trend.until_us, frame.zone)
    parts.append(_text(frame.left, bottom + 35, f"{first:%a %d %b %Y %H:%M}", "t-soft"))
    parts.append(_text(frame.right, bottom + 35, f"{last:%a %d %b %Y %H:%M}", "t-soft", "end"))
    return "".join(parts)


def _ticks(frame: _Frame) -> list[tuple[int, str, bool]]:
    trend, zone = frame.trend, frame.zone
    range_min = (trend.until_us - trend.from_us) / MINUTE_US
    most = max(3.0, (frame.right - frame.left) / 85)
    first = local(trend.from_us, zone).date()
    days = (local(trend.until_us, zone).date() - first).days + 1
    step_min = next((each for each in _TICKS_MIN if range_min / each <= most), 0)
    found = []
    if step_min:
        for number in range(days):
            day = first + timedelta(days=number)
            for minute in range(0, 1440, step_min):
                at = datetime(day.year, day.month, day.day, minute // 60, minute % 60, tzinfo=zone)
                found.append((instant_us(at), f"{at:%a %d %b}" if minute == 0 else f"{at:%H:%M}", minute == 0))
    else:
        step = next((each for each in _DAYS if range_min / 1440 / each <= most), _DAYS[-1])
        for number in range(days + 1):
            day = first + timedelta(days=number)
            if (day.toordinal() % step) if step < 30 else (day.day != 1 or (day.month - 1) % max(1, step // 30)):
                continue
            at = datetime(day.year, day.month, day.day, tzinfo=zone)
            text = f"{at:%d %b}" if step < 30 else f"{at:%b %Y}"
            found.append((instant_us(at), text, step >= 30 and day.month == 1))
    inside = sorted({each for each in found if trend.from_us <= each[0] <= trend.until_us})
    # A night without an hour gives two names to one instant; the later one stands.
    return [each for each, after in pairwise([*inside, (trend.until_us + 1, "", False)]) if after[0] > each[0]]
