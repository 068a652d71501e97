"""The semi-log plot of a recovery test as SVG text: samples, fitted part, fitted line, start and a hundredth of it.

Must not know how the fit was made.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil, floor, log10

from motewatch.limits.recovery import DecaySample, Recovery
from motewatch.links.figures import grouped
from motewatch.wire.records import MINUTE_US

_WIDTH, _HEIGHT = 720.0, 380.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 78.0, 20.0, 16.0, 62.0
_STEPS = (0.5, 1, 2, 5, 10, 15, 20, 30, 60, 120, 240, 480)
_INK, _SOFT, _LINE = "#1a1f24", "#d5dade", "#1f5d99"


def decay_plot(stream: Sequence[DecaySample], found: Recovery) -> str:
    """The drawing. Minutes count from the start of the fall; samples without counts stand on the lower edge."""
    minutes = [(sample.at_us - found.start_us) / MINUTE_US for sample in stream]
    positive = [sample.per_m3 for sample in stream if sample.count]
    wanted = found.start_per_m3 / 100
    low = floor(log10(min(*positive, wanted) * 0.8))
    high = ceil(log10(max(positive) * 1.1))
    step = next((each for each in _STEPS if (minutes[-1] - minutes[0]) / each <= 12), _STEPS[-1])
    first, last = floor(minutes[0] / step) * step, ceil(minutes[-1] / step) * step

    def x(minute: float) -> float:
        return _LEFT + (minute - first) / (last - first) * (_WIDTH - _LEFT - _RIGHT)

    def y(per_m3: float) -> float:
        share = (log10(per_m3) - low) / (high - low) if per_m3 > 0 else 0.0
        return _HEIGHT - _BOTTOM - min(1.0, max(0.0, share)) * (_HEIGHT - _TOP - _BOTTOM)

    begin, end = minutes[found.first], minutes[found.last]
    floor_y, right_x = _HEIGHT - _BOTTOM, _WIDTH - _RIGHT
    parts = [
        f'<rect x="{x(begin):.1f}" y="{_TOP}" width="{x(end) - x(begin):.1f}" height="{floor_y - _TOP:.1f}" '
        'fill="#eaf1f8"/>'
    ]
    for exponent in range(low, high + 1):
        at = y(10.0**exponent)
        parts.append(f'<path d="M{_LEFT} {at:.1f}H{right_x}" stroke="{_SOFT}"/>')
        label = grouped(10.0**exponent) if exponent >= 0 else f"{10.0**exponent:g}"
        parts.append(f'<text x="{_LEFT - 7}" y="{at + 4:.1f}" text-anchor="end">{label}</text>')
    for number in range(round((last - first) / step) + 1):
        at = x(first + number * step)
        parts.append(f'<path d="M{at:.1f} {_TOP}V{floor_y}" stroke="{_SOFT}"/>')
        parts.append(f'<text x="{at:.1f}" y="{floor_y + 17}" text-anchor="middle">{first + number * step:g}</text>')
    for level, text in ((found.start_per_m3, "start"), (wanted, "a hundredth of the start")):
        parts.append(f'<path d="M{_LEFT} {y(level):.1f}H{right_x}" stroke="#7b848c" stroke-dasharray="6 4"/>')
        parts.append(
            f'<text x="{right_x - 6}" y="{y(level) - 5:.1f}" text-anchor="end" fill="#4a535c" paint-order="stroke" '
            f'stroke="#fff" stroke-width="4">{text}</text>'
        )
    line = [found.line_per_m3(stream[index].at_us) for index in (found.first, found.last)]
    parts.append(
        f'<path d="M{x(begin):.1f} {y(line[0]):.1f}L{x(end):.1f} {y(line[1]):.1f}" stroke="{_LINE}" stroke-width="2"/>'
    )
    for index, (minute, sample) in enumerate(zip(minutes, stream, strict=True)):
        parts.append(_dot(x(minute), y(sample.per_m3), found.first <= index <= found.last, sample.suspect))
    parts.append(
        f'<text x="{(_LEFT + right_x) / 2:.1f}" y="{floor_y + 36}" text-anchor="middle" fill="#4a535c">'
        "minutes from the start of the fall</text>"
        f'<text transform="translate(14 {(floor_y + _TOP) / 2:.1f}) rotate(-90)" text-anchor="middle" '
        'fill="#4a535c">particles per m³</text>'
    )
    parts.append(_legend(any(sample.suspect for sample in stream)))
    return (
        f'<svg viewBox="0 0 {_WIDTH:.0f} {_HEIGHT:.0f}" role="img" aria-label="Concentration over time" fill="none" '
        f'font-family="Liberation Sans, Arial, sans-serif" font-size="11"><g fill="{_INK}">{"".join(parts)}</g></svg>'
    )


def _dot(x: float, y: float, fitted: bool, suspect: bool) -> str:
    if suspect:
        return f'<path d="M{x - 4:.1f} {y - 4:.1f}l8 8m0 -8l-8 8" stroke="#a32015" stroke-width="1.6"/>'
    fill = _LINE if fitted else "#fff"
    return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3.4" fill="{fill}" stroke="{_LINE}" stroke-width="1.3"/>'


def _legend(suspect: bool) -> str:
    y = _HEIGHT - 10
    parts = []
    at = _LEFT
    for text, fitted, faulty in (
        ("fitted", True, False),
        ("not fitted", False, False),
        ("suspect, never fitted", False, True),
    ):
        if faulty and not suspect:
            continue
        parts.append(f'{_dot(at + 4, y - 4, fitted, faulty)}<text x="{at + 14}" y="{y}">{text}</text>')
        at += 44 + 6 * len(text)
    return "".join(parts)
