"""The drawings of a study's report as SVG text, by hand, in the manner of the daemon's decay plot.

Colour is never the only sign: what exceeds lies beyond the limit's line, and series have marks of their own.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from html import escape
from math import ceil, floor, log10

from motewatch_simulator.study import model as m
from motewatch_simulator.study.findings import Answers, RuleAnswer, StateAnswer
from motewatch_simulator.study.words import INPUT_WORDS

_INK, _SOFT, _GREY = "#1a1f24", "#d5dade", "#4a535c"
_BLUE, _RED, _GREEN, _AMBER = "#1f5d99", "#a32015", "#1d5f46", "#b07d00"
_WIDTH = 720.0
_MARKS = ("circle", "square", "diamond", "triangle", "cross", "ring")
_COLOURS = (_BLUE, _RED, _GREEN, _AMBER, "#6a3d8f", _GREY)
_FAR_SHARE = 1e-3
"""Of a limit: what never comes nearer is left out where air changes are drawn."""


def class_plot(states: Sequence[StateAnswer]) -> str:
    """Each limit as a row: the spread of the drawn rooms as a share of the limit, on a log scale."""
    rows = [(state, size) for state in states for size in state.sizes]
    shares = [v / s.cell.limit_per_m3 for _, s in rows for v in (s.low, s.high, s.nominal) if v > 0]
    low, high = floor(min(-1.0, log10(min(shares)))), ceil(max(0.3, log10(max(shares)) + 0.1))
    low = max(low, -6)
    left, right, top, each = 236.0, 24.0, 30.0, 30.0
    height = top + each * len(rows) + 44

    def x(share: float) -> float:
        at = (log10(max(share, 10.0**low)) - low) / (high - low)
        return left + min(1.0, max(0.0, at)) * (_WIDTH - left - right)

    floor_y = top + each * len(rows)
    parts = []
    for exponent in range(low, high + 1):
        at = x(10.0**exponent)
        parts.append(f'<path d="M{at:.1f} {top - 6}V{floor_y}" stroke="{_SOFT}"/>')
        parts.append(_text(at, floor_y + 15, _share_text(exponent), "middle", _GREY))
    parts.append(f'<path d="M{x(1.0):.1f} {top - 12}V{floor_y}" stroke="{_INK}" stroke-width="1.6"/>')
    parts.append(_text(x(1.0), top - 16, "limit", "middle", _INK))
    for number, (state, size) in enumerate(rows):
        y = top + each * number + each / 2
        begin, end = x(size.low / size.cell.limit_per_m3), x(size.high / size.cell.limit_per_m3)
        binding = " *" if size.cell.size_um == state.binding_um else ""
        where = f"{state.part}, {state.state.replace('-', ' ')}"
        parts.append(_text(left - 10, y + 4, f"{where}, ≥ {size.cell.size_um:g} µm{binding}", "end", _INK))
        colour = _RED if size.high > size.cell.limit_per_m3 else _BLUE
        parts.append(
            f'<path d="M{begin:.1f} {y:.1f}H{end:.1f}" stroke="{colour}" stroke-width="7" opacity="0.35"/>'
            f'<path d="M{begin:.1f} {y - 6:.1f}v12M{end:.1f} {y - 6:.1f}v12" stroke="{colour}"/>'
        )
        parts.append(_mark("circle", x(size.median / size.cell.limit_per_m3), y, colour))
    parts.append(
        _text((left + _WIDTH - right) / 2, floor_y + 34, "concentration as a share of the limit", "middle", _GREY)
    )
    return _svg(height, "Concentrations as shares of their limits", parts)


def supply_plot(answers: Answers, curve: Callable[[float], list[tuple[str, float]]]) -> str:
    """Nominal concentration of each cell over the air changes, as a share of its limit, on log paper.

    `curve(air_changes)` gives the cells by name with their shares.
    """
    design = answers.study.room.air_changes_per_h
    changes = [design * 4.0 ** (n / 20.0) for n in range(-30, 21)]
    lines: dict[str, list[tuple[float, float]]] = {}
    for change in changes:
        for name, share in curve(change):
            if share > 0:
                lines.setdefault(name, []).append((change, share))
    # What is never within a thousandth of its limit says nothing here.
    near = {name: line for name, line in lines.items() if max(share for _, share in line) >= _FAR_SHARE}
    lines = near or lines
    values = [share for line in lines.values() for _, share in line]
    low = max(-6, floor(log10(min(values))))
    high = ceil(max(0.3, log10(max(values))))
    left, right, top, bottom, height = 74.0, 24.0, 26.0, 66.0 + 16 * ((len(lines) - 1) // 3), 350.0
    first, last = log10(changes[0]), log10(changes[-1])

    def x(change: float) -> float:
        return left + (log10(change) - first) / (last - first) * (_WIDTH - left - right)

    def y(share: float) -> float:
        at = min(1.0, max(0.0, (log10(share) - low) / (high - low)))
        return height - bottom - at * (height - top - bottom)

    parts = []
    for exponent in range(low, high + 1):
        at = y(10.0**exponent)
        parts.append(f'<path d="M{left} {at:.1f}H{_WIDTH - right}" stroke="{_SOFT}"/>')
        parts.append(_text(left - 7, at + 4, _share_text(exponent), "end", _GREY))
    ticks = [t for t in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000) if changes[0] <= t <= changes[-1]]
    for tick in ticks:
        parts.append(f'<path d="M{x(tick):.1f} {top}V{height - bottom}" stroke="{_SOFT}"/>')
        parts.append(_text(x(tick), height - bottom + 15, f"{tick:g}", "middle", _GREY))
    parts.append(f'<path d="M{left} {y(1):.1f}H{_WIDTH - right}" stroke="{_INK}" stroke-width="1.6"/>')
    parts.append(_text(_WIDTH - right - 4, y(1) - 5, "limit", "end", _INK))
    parts.append(f'<path d="M{x(design):.1f} {top}V{height - bottom}" stroke="{_GREY}" stroke-dasharray="6 4"/>')
    parts.append(_text(x(design), top - 8, f"design {design:g}/h", "middle", _GREY))
    for number, (name, line) in enumerate(lines.items()):
        colour, shape = _COLOURS[number % len(_COLOURS)], _MARKS[number % len(_MARKS)]
        path = "L".join(f"{x(change):.1f} {y(share):.1f}" for change, share in line)
        parts.append(f'<path d="M{path}" stroke="{colour}" stroke-width="1.8"/>')
        for change, share in line[number * 2 :: 12]:
            parts.append(_mark(shape, x(change), y(share), colour))
        key_x, key_y = left + (number % 3) * 212.0, height - 16 - 16 * ((len(lines) - 1) // 3 - number // 3)
        parts.append(_mark(shape, key_x + 4, key_y - 4, colour) + _text(key_x + 14, key_y, name, "start", _INK))
    middle = (left + _WIDTH - right) / 2
    parts.append(_text(middle, height - bottom + 32, "air changes per hour", "middle", _GREY))
    parts.append(_upright(16, (top + height - bottom) / 2, "share of the limit"))
    return _svg(height, "Concentration over air changes", parts)


def rules_plot(rules: Sequence[RuleAnswer]) -> str:
    """Each rule as a point: false alarms a month to the right, incidents found upwards."""
    left, right, top, bottom, height = 74.0, 200.0, 18.0, 52.0, 300.0
    most = max([1.0, *(rule.per_month for rule in rules)])
    decades = max(1, ceil(log10(most)))

    def x(alarms: float) -> float:
        # Below one in ten months everything stands on the left edge.
        at = (log10(max(alarms, 0.1)) + 1.0) / (decades + 1.0)
        return left + at * (_WIDTH - left - right)

    def y(share: float) -> float:
        return height - bottom - share * (height - top - bottom)

    parts = []
    for exponent in range(-1, decades + 1):
        at = x(10.0**exponent)
        parts.append(f'<path d="M{at:.1f} {top}V{height - bottom}" stroke="{_SOFT}"/>')
        label = "0.1 or none" if exponent == -1 else f"{10.0**exponent:g}"
        parts.append(_text(at, height - bottom + 15, label, "middle", _GREY))
    for tenth in range(0, 11, 2):
        parts.append(f'<path d="M{left} {y(tenth / 10):.1f}H{_WIDTH - right}" stroke="{_SOFT}"/>')
        parts.append(_text(left - 7, y(tenth / 10) + 4, f"{tenth * 10} %", "end", _GREY))
    for number, rule in enumerate(rules):
        colour, shape = _COLOURS[number % len(_COLOURS)], _MARKS[number % len(_MARKS)]
        parts.append(_mark(shape, x(rule.per_month), y(rule.weighted), colour, 5.0))
        key_y = top + 14 + 18 * number
        parts.append(_mark(shape, _WIDTH - right + 20, key_y - 4, colour))
        parts.append(_text(_WIDTH - right + 32, key_y, rule.rule.id, "start", _INK))
    middle = (left + _WIDTH - right) / 2
    parts.append(_text(middle, height - bottom + 34, "alarms a month without an incident", "middle", _GREY))
    parts.append(_upright(16, (top + height - bottom) / 2, "incidents found"))
    return _svg(height, "Incidents found against false alarms", parts)


def plan_plot(answers: Answers) -> str:
    """The floor plan: places with and without a counter, and sources in the zone."""
    points = [(p.x_m, p.y_m) for p in answers.study.positions]
    points += [(i.x_m, i.y_m) for i in answers.study.incidents if isinstance(i, m.ZoneSource)]
    wide = max(3.0, max(x for x, _ in points) + 0.8)
    deep = max(2.0, max(y for _, y in points) + 0.8)
    left, top = 40.0, 14.0
    scale = min((_WIDTH - 80) / wide, 250.0 / deep)
    left = (_WIDTH - wide * scale) / 2
    height = deep * scale + 62

    def at(x_m: float, y_m: float) -> tuple[float, float]:
        return left + x_m * scale, top + (deep - y_m) * scale

    parts = [
        f'<rect x="{left:.1f}" y="{top}" width="{wide * scale:.1f}" height="{deep * scale:.1f}" fill="#f7f8f9" '
        f'stroke="{_GREY}"/>'
    ]
    for metre in range(1, ceil(wide)):
        parts.append(f'<path d="M{left + metre * scale:.1f} {top}v{deep * scale:.1f}" stroke="{_SOFT}"/>')
    for metre in range(1, ceil(deep)):
        y = top + (deep - metre) * scale
        parts.append(f'<path d="M{left:.1f} {y:.1f}h{wide * scale:.1f}" stroke="{_SOFT}"/>')
    inside = [i for i in answers.study.incidents if isinstance(i, m.ZoneSource)]
    marks = [(*at(p.x_m, p.y_m), p.id, _INK) for p in answers.study.positions]
    marks += [(*at(i.x_m, i.y_m), i.id, _RED) for i in inside]
    boxes = [(x - 7, y - 7, x + 7, y + 7) for x, y, _, _ in marks]
    for x, y, name, colour in marks:
        parts.append(_label(x, y, name, boxes, colour, (left, left + wide * scale)))
    for x, y, _, _ in marks[len(answers.study.positions) :]:
        parts.append(_mark("cross", x, y, _RED, 5.0))
    for position in answers.study.positions:
        x, y = at(position.x_m, position.y_m)
        chosen = position.id in answers.placing.chosen
        parts.append(_mark("square" if chosen else "ring", x, y, _BLUE, 5.5 if chosen else 4.5))
    key_y = height - 14
    keys = [("square", "counter", _BLUE), ("ring", "place without one", _BLUE)]
    if inside:
        keys.append(("cross", "source in the zone", _RED))
    for number, (shape, words, colour) in enumerate(keys):
        x = 60.0 + number * 150
        parts.append(_mark(shape, x, key_y - 4, colour, 5.0) + _text(x + 14, key_y, words, "start", _INK))
    parts.append(_text(_WIDTH - 40, key_y, "grid 1 m; walls are not drawn", "end", _GREY))
    return _svg(height, "Floor plan", parts)


def influence_plot(state: StateAnswer) -> str:
    """Rank correlations as bars from a middle line."""
    drawn = [one for one in state.influences if one.rank is not None]
    left, top, each = 226.0, 10.0, 20.0
    height = top + each * len(drawn) + 40
    middle, half = 470.0, 225.0
    parts = []
    for tick in (-1.0, -0.5, 0.0, 0.5, 1.0):
        at = middle + tick * half
        parts.append(f'<path d="M{at:.1f} {top}V{height - 34:.1f}" stroke="{_INK if tick == 0 else _SOFT}"/>')
        parts.append(_text(at, height - 20, f"{tick:g}", "middle", _GREY))
    for number, one in enumerate(drawn):
        rank = one.rank or 0.0
        y = top + each * number
        x, wide = min(middle, middle + rank * half), abs(rank) * half
        colour = _RED if rank > 0 else _BLUE
        parts.append(
            f'<rect x="{x:.1f}" y="{y + 4:.1f}" width="{max(wide, 0.8):.1f}" height="{each - 8:.1f}" fill="{colour}"/>'
        )
        parts.append(_text(left, y + 15, INPUT_WORDS[one.name], "end", _INK))
    parts.append(_text(middle, height - 4, "rank correlation with the concentration", "middle", _GREY))
    return _svg(height, "Influence of the inputs", parts)


def _share_text(exponent: int) -> str:
    return f"{10.0**exponent:g}" if exponent >= -3 else f"1e{exponent}"


def _text(x: float, y: float, words: str, anchor: str, colour: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{colour}">{escape(words)}</text>'


def _upright(x: float, y: float, words: str) -> str:
    return (
        f'<text transform="translate({x} {y:.1f}) rotate(-90)" text-anchor="middle" fill="{_GREY}">'
        f"{escape(words)}</text>"
    )


_Box = tuple[float, float, float, float]


def _label(x: float, y: float, words: str, taken: list[_Box], colour: str, sides: tuple[float, float]) -> str:
    """A name where nothing else stands: beside its mark, above, below, or further off."""
    wide = 6.2 * len(words)
    tries = [(dx, dy) for dy in (4.0, -10.0, 18.0, -24.0, 32.0) for dx in (10.0, -10.0 - wide, -wide / 2)]
    boxes = [(x + dx, y + dy - 10, x + dx + wide, y + dy + 2) for dx, dy in tries if (dx, dy) != (-wide / 2, 4.0)]
    free = [
        box
        for box in boxes
        if sides[0] <= box[0] and box[2] <= sides[1] and not any(_overlap(box, other) for other in taken)
    ]
    box = free[0] if free else boxes[0]
    taken.append(box)
    return _text(box[0], box[3] - 2, words, "start", colour)


def _overlap(a: _Box, b: _Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def _mark(shape: str, x: float, y: float, colour: str, r: float = 3.6) -> str:
    if shape == "circle":
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{r}" fill="{colour}"/>'
    if shape == "ring":
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{r}" fill="#fff" stroke="{colour}" stroke-width="1.5"/>'
    if shape == "square":
        return f'<rect x="{x - r:.1f}" y="{y - r:.1f}" width="{2 * r}" height="{2 * r}" fill="{colour}"/>'
    if shape == "diamond":
        a = r * 1.3
        return f'<path d="M{x:.1f} {y - a:.1f}l{a} {a}l{-a} {a}l{-a} {-a}z" fill="{colour}"/>'
    if shape == "triangle":
        return f'<path d="M{x:.1f} {y - r * 1.2:.1f}l{r * 1.2} {r * 2.1}h{-r * 2.4}z" fill="{colour}"/>'
    path = f"M{x - r:.1f} {y - r:.1f}l{2 * r} {2 * r}m0 {-2 * r}l{-2 * r} {2 * r}"
    return f'<path d="{path}" stroke="{colour}" stroke-width="1.8"/>'


def _svg(height: float, label: str, parts: Sequence[str]) -> str:
    return (
        f'<svg viewBox="0 0 {_WIDTH:.0f} {height:.0f}" role="img" aria-label="{escape(label)}" fill="none" '
        f'font-family="Liberation Sans, Arial, sans-serif" font-size="11">{"".join(parts)}</svg>'
    )
