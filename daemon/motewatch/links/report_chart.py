"""A small chart of one size at one location for a report: the highest sample of each stretch, on a logarithmic axis.

Rules: text in, text out; the same points give the same bytes. Where nobody measured there is a grey band and no line. A
level is a line of its own kind (long and short dashes) with its word beside it, so that no colour is needed. Must not
know the record.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from html import escape
from typing import Final

WIDTH: Final = 700.0
HEIGHT: Final = 170.0
LEFT: Final = 62.0
RIGHT: Final = 642.0
TOP: Final = 10.0
BOTTOM: Final = 142.0
FONT: Final = 'font-family="Libertinus Serif, Georgia, serif" font-size="10"'

Point = Sequence[float | None] | None


def chart(points: Sequence[Point], ticks: Sequence[tuple[float, str]], title: str) -> str:
    """The chart as SVG. Each point is (value, alert level, action level); `ticks`: share of the width and label."""
    values = [point[0] for point in points if point is not None and point[0]]
    levels = [level for point in points if point is not None for level in point[1:] if level]
    low, high = _decades([value for value in [*values, *levels] if value])

    def y(value: float) -> float:
        # What counted nothing lies on the floor, which a logarithm has not.
        if value <= 0:
            return BOTTOM
        share = (math.log10(value) - low) / (high - low)
        return BOTTOM - 8 - min(1.0, max(0.0, share)) * (BOTTOM - 8 - TOP)

    width = (RIGHT - LEFT) / len(points)

    def x(number: float) -> float:
        return LEFT + number * width

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {HEIGHT:g}" role="img" '
        f'aria-label="{escape(title)}">',
        f'<rect x="{LEFT:g}" y="{TOP:g}" width="{RIGHT - LEFT:g}" height="{BOTTOM - TOP:g}" fill="#ffffff"/>',
        *_holes(points, x),
        *_axis(low, high, y, ticks),
        *_level(points, 1, x, y, "alert", "2 3"),
        *_level(points, 2, x, y, "action", "9 3"),
        *_line(points, x, y),
        f'<rect x="{LEFT:g}" y="{TOP:g}" width="{RIGHT - LEFT:g}" height="{BOTTOM - TOP:g}" fill="none" '
        'stroke="#333333" stroke-width="0.8"/>',
        "</svg>",
    ]
    return "".join(parts)


def _decades(values: Sequence[float]) -> tuple[int, int]:
    if not values:
        return 0, 1
    low, high = math.floor(math.log10(min(values))), math.ceil(math.log10(max(values)))
    return low, max(high, low + 1)


def _holes(points: Sequence[Point], x: Callable[[float], float]) -> list[str]:
    found = []
    for first, last in _runs([point is None for point in points]):
        found.append(
            f'<rect x="{x(first):.1f}" y="{TOP:g}" width="{x(last) - x(first):.1f}" height="{BOTTOM - TOP:g}" '
            'fill="#d9dcdf"/>'
        )
        if x(last) - x(first) > 50:
            middle = (x(first) + x(last)) / 2
            found.append(
                f'<text x="{middle:.1f}" y="{(TOP + BOTTOM) / 2:.1f}" text-anchor="middle" {FONT}>no data</text>'
            )
    return found


def _axis(low: int, high: int, y: Callable[[float], float], ticks: Sequence[tuple[float, str]]) -> list[str]:
    found = []
    for decade in range(low, high + 1):
        at = y(10.0**decade)
        text = f"{10**decade:,}".replace(",", " ") if decade >= 0 else f"{10.0**decade:g}"
        found.append(
            f'<line x1="{LEFT:g}" y1="{at:.1f}" x2="{RIGHT:g}" y2="{at:.1f}" stroke="#b9bec3" stroke-width="0.5"/>'
            f'<text x="{LEFT - 5:g}" y="{at + 3.5:.1f}" text-anchor="end" {FONT}>{text}</text>'
        )
    found.append(f'<text x="{LEFT - 5:g}" y="{BOTTOM + 3.5:.1f}" text-anchor="end" {FONT}>0</text>')
    for share, label in ticks:
        at = LEFT + share * (RIGHT - LEFT)
        found.append(
            f'<line x1="{at:.1f}" y1="{BOTTOM:g}" x2="{at:.1f}" y2="{BOTTOM + 4:g}" stroke="#333333" '
            f'stroke-width="0.8"/><text x="{at:.1f}" y="{BOTTOM + 15:g}" text-anchor="middle" {FONT}>'
            f"{escape(label)}</text>"
        )
    return found


def _level(
    points: Sequence[Point], which: int, x: Callable[[float], float], y: Callable[[float], float], word: str, dash: str
) -> list[str]:
    """The level as it held, from stretch to stretch; its word at the last one."""
    found, last = [], None
    held = [None if point is None else point[which] for point in points]
    for value in dict.fromkeys(held):
        if value is None:
            continue
        for start, end in _runs([each == value for each in held]):
            found.append(
                f'<line x1="{x(start):.1f}" y1="{y(value):.1f}" x2="{x(end):.1f}" y2="{y(value):.1f}" '
                f'stroke="#8a1c0c" stroke-width="1" stroke-dasharray="{dash}"/>'
            )
            last = (end, value) if last is None or end > last[0] else last
    if last is not None:
        found.append(f'<text x="{RIGHT + 4:g}" y="{y(last[1]) + 3:.1f}" {FONT}>{word}</text>')
    return found


def _line(points: Sequence[Point], x: Callable[[float], float], y: Callable[[float], float]) -> list[str]:
    found = []
    for first, last in _runs([point is not None for point in points]):
        places = []
        for number in range(first, last):
            point = points[number]
            assert point is not None
            places.append(f"{x(number + 0.5):.1f},{y(point[0] or 0.0):.1f}")
        if len(places) == 1:
            at_x, at_y = places[0].split(",")
            found.append(f'<circle cx="{at_x}" cy="{at_y}" r="1.2" fill="#17475e"/>')
        else:
            joined = " ".join(places)
            found.append(
                f'<polyline points="{joined}" fill="none" stroke="#17475e" stroke-width="1" stroke-linejoin="round"/>'
            )
    return found


def _runs(flags: Sequence[bool]) -> list[tuple[int, int]]:
    """The stretches in which the flag is set, as first and one after the last."""
    found, first = [], None
    for number, flag in enumerate([*flags, False]):
        if flag and first is None:
            first = number
        elif not flag and first is not None:
            found.append((first, number))
            first = None
    return found
