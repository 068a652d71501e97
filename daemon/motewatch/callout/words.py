"""How figures are said to people who are called: in messages and on the answer page alike.

Rules: pure; a figure reads as a person writes it, and a value is never without its limit in words. Must not know
HTML, places or channels.
"""

from __future__ import annotations

import re
from math import isfinite
from typing import Final

NARROW: Final = "\u202f"
"""Narrow space that does not break: between groups of digits, and between a number and its unit."""
MINUS: Final = "\u2212"

_GROUP: Final = re.compile(r"(?<=\d) (?=\d{3}(?!\d))")
_UNIT: Final = re.compile(r"(?<=\d) (?=(?:%|°C|C|K|Pa|µm|um|mm|m|l|s|min|h)(?![\w]))")


def figure(value: float) -> str:
    """A number as a person writes it: `3 520`, `35.3`, `0.05`."""
    text = f"{value:,.0f}" if value == 0 or abs(value) >= 100 else f"{value:.3g}"
    return text.replace(",", NARROW).replace("-", MINUS)


def with_unit(value: float, unit: str) -> str:
    """`3 534 /m³`, `12 %`; the unit as the trade writes it."""
    shown = unit.replace("m3", "m³").replace("um", "µm")
    return f"{figure(value)}{NARROW}{shown}" if shown else figure(value)


def against(value: float, limit: float) -> str:
    """The value against its limit: `4 times the limit`, `12 % below the limit`; nothing where one is no number."""
    if not (isfinite(value) and isfinite(limit)):
        return ""
    if value == limit:
        return "at the limit"
    word = "above" if value > limit else "below"
    if limit <= 0 or value < 0:
        return f"{word} the limit"
    ratio = value / limit
    if ratio >= 2:
        return f"{figure(float(f'{ratio:.2g}'))} times the limit"
    percent = abs(ratio - 1) * 100
    shown = "less than 1" if percent < 1 else f"{percent:.0f}"
    return f"{shown} % {word} the limit"


def glued(text: str) -> str:
    """A sentence whose figures do not break across lines: neither between their digits nor before their unit."""
    return _UNIT.sub(NARROW, _GROUP.sub(NARROW, text))
