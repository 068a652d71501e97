"""A plan of sampling locations as SVG text: where each stands, and whether it held.

Drawn to scale in metres with its own grid, for the room's shape is not known. Each result has its own form as well as
colour: ring within, filled square above, diamond not judged. Must not know standards.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from itertools import combinations
from math import ceil, floor

from motewatch.limits.standards.verdict import CellVerdict

_WIDTH = 720.0
_EDGE = 46.0
_TALLEST = 325.0
"""Of the drawing area with its edges: half a sheet is enough for a plan."""
_LINE = 12.5
_ROOM = 62.0
"""Across that a text needs beside its neighbour's."""
_STEPS = (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000)
_INK, _SOFT, _GOOD, _BAD, _OPEN = "#1a1f24", "#d5dade", "#1d5f46", "#a32015", "#7a5a00"


@dataclass(frozen=True, slots=True)
class Spot:
    """One location: metres, and what is written beside it."""

    name: str
    x_m: float
    y_m: float
    verdict: CellVerdict
    lines: tuple[str, ...]


def floor_plan(spots: Sequence[Spot]) -> str:
    """The drawing; y grows upwards, as on a drawing board. At least one spot.

    Where locations stand so close that their texts would run into each other, only their names are written.
    """
    across = max(spot.x_m for spot in spots) - min(spot.x_m for spot in spots)
    up = max(spot.y_m for spot in spots) - min(spot.y_m for spot in spots)
    step = next((each for each in _STEPS if max(across, up, 0.5) / each <= 8), _STEPS[-1])
    left, right = _bounds([spot.x_m for spot in spots], step)
    bottom, top = _bounds([spot.y_m for spot in spots], step)
    scale = min((_WIDTH - 2 * _EDGE) / (right - left), (_TALLEST - 2 * _EDGE) / (top - bottom))
    height = (top - bottom) * scale + 2 * _EDGE + 26
    origin = (_WIDTH - (right - left) * scale) / 2

    def at(x_m: float, y_m: float) -> tuple[float, float]:
        return origin + (x_m - left) * scale, _EDGE + (top - y_m) * scale

    points = [at(spot.x_m, spot.y_m) for spot in spots]
    crowded = _crowded(points, 40 + _LINE * max(len(spot.lines) for spot in spots))
    parts = [_grid(left, right, bottom, top, step, at)]
    parts += [
        _spot(spot.name, spot.verdict, () if crowded else spot.lines, *point)
        for spot, point in zip(spots, points, strict=True)
    ]
    parts.append(_legend(height - 12, {spot.verdict for spot in spots}, crowded))
    return (
        f'<svg viewBox="0 0 {_WIDTH:.0f} {height:.0f}" role="img" aria-label="Plan of the sampling locations" '
        f'font-family="Liberation Sans, Arial, sans-serif" font-size="12" fill="{_INK}">{"".join(parts)}</svg>'
    )


def _bounds(values: Sequence[float], step: float) -> tuple[float, float]:
    """Whole steps around the values, with half a step of room at least."""
    low, high = floor((min(values) - step / 2) / step) * step, ceil((max(values) + step / 2) / step) * step
    # A plan from the corner of the room is the usual one: show the corner where it is near.
    return (0.0 if 0 <= min(values) <= 2 * step else low), high


def _grid(left: float, right: float, bottom: float, top: float, step: float, at: object) -> str:
    assert callable(at)
    lines = []
    x0, y0 = at(left, bottom)
    x1, y1 = at(right, top)
    for number in range(round((right - left) / step) + 1):
        x, _ = at(left + number * step, bottom)
        lines.append(f'<path d="M{x:.1f} {y0:.1f}V{y1:.1f}"/>')
    for number in range(round((top - bottom) / step) + 1):
        _, y = at(left, bottom + number * step)
        lines.append(f'<path d="M{x0:.1f} {y:.1f}H{x1:.1f}"/>')
    labels = []
    for number in range(round((right - left) / step) + 1):
        x, _ = at(left + number * step, bottom)
        labels.append(f'<text x="{x:.1f}" y="{y0 + 16:.1f}" text-anchor="middle">{left + number * step:g}</text>')
    for number in range(round((top - bottom) / step) + 1):
        _, y = at(left, bottom + number * step)
        labels.append(f'<text x="{x0 - 7:.1f}" y="{y + 4:.1f}" text-anchor="end">{bottom + number * step:g}</text>')
    return (
        f'<g stroke="{_SOFT}" stroke-width="1" fill="none">{"".join(lines)}</g>'
        f'<rect x="{x0:.1f}" y="{y1:.1f}" width="{x1 - x0:.1f}" height="{y0 - y1:.1f}" fill="none" '
        f'stroke="#7b848c"/><g font-size="11" fill="#4a535c">{"".join(labels)}'
        f'<text x="{x1 + 9:.1f}" y="{y0 + 16:.1f}">x, m</text>'
        f'<text x="{x0 - 7:.1f}" y="{y1 - 10:.1f}" text-anchor="end">y, m</text></g>'
    )


def _crowded(points: Sequence[tuple[float, float]], height: float) -> bool:
    return any(abs(a[0] - b[0]) < _ROOM and abs(a[1] - b[1]) < height for a, b in combinations(points, 2))


def _spot(name: str, verdict: CellVerdict, lines: Sequence[str], x: float, y: float) -> str:
    texts = "".join(
        f'<text x="{x:.1f}" y="{y + 21 + _LINE * number:.1f}" text-anchor="middle" font-size="11">{escape(line)}</text>'
        for number, line in enumerate(lines)
    )
    return (
        f"<g>{_mark(verdict, x, y)}"
        # A white rim keeps the text readable on the grid.
        f'<g paint-order="stroke" stroke="#fff" stroke-width="4" stroke-linejoin="round">'
        f'<text x="{x:.1f}" y="{y - 12:.1f}" text-anchor="middle" font-weight="bold">{escape(name)}</text>'
        f"{texts}</g></g>"
    )


def _mark(verdict: CellVerdict, x: float, y: float) -> str:
    if verdict is CellVerdict.WITHIN:
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="7" fill="#fff" stroke="{_GOOD}" stroke-width="3"/>'
    if verdict is CellVerdict.EXCEEDS:
        return (
            f'<rect x="{x - 7.5:.1f}" y="{y - 7.5:.1f}" width="15" height="15" fill="{_BAD}"/>'
            f'<path d="M{x - 4:.1f} {y - 4:.1f}l8 8m0 -8l-8 8" stroke="#fff" stroke-width="2"/>'
        )
    return (
        f'<path d="M{x:.1f} {y - 9:.1f}l9 9 -9 9 -9 -9z" fill="#fff" stroke="{_OPEN}" stroke-width="2.5" '
        'stroke-dasharray="4 2"/>'
    )


def _legend(y: float, found: set[CellVerdict], crowded: bool) -> str:
    words = {
        CellVerdict.WITHIN: "within the limits",
        CellVerdict.EXCEEDS: "above a limit",
        CellVerdict.NOT_APPLICABLE: "not judged",
    }
    parts = []
    x = _EDGE + 8
    for verdict, word in words.items():
        if verdict in found:
            parts.append(f'{_mark(verdict, x, y - 4)}<text x="{x + 16:.1f}" y="{y:.1f}">{word}</text>')
            x += 40 + 6.4 * len(word)
    if crowded:
        parts.append(f'<text x="{x - 8:.1f}" y="{y:.1f}" fill="#4a535c">the averages are in the table</text>')
    return "".join(parts)
