"""Figures as people read them in tables and reports. Text only.

A rounded figure never says the opposite of its verdict: what is above its limit is shown with as many decimals as
that takes.
"""

from __future__ import annotations

from fractions import Fraction

from motewatch.limits.standards.model import Blank, Cell


def grouped(value: float, decimals: int = 0) -> str:
    """`3 520`, `12 345.6`: thousands apart."""
    return f"{value:,.{decimals}f}".replace(",", " ")


def concentration(value: float | Fraction, limit: Cell | None = None) -> str:
    """Particles per m3: whole from 100 on, one decimal below; more where the limit would be met only by rounding."""
    number = float(value)
    decimals = 0 if number >= 100 or number == 0 else 1
    if limit is not None and not isinstance(limit, Blank):
        while decimals < 6 and value > limit and round(Fraction(value), decimals) <= limit:
            decimals += 1
    return grouped(number, decimals)


def limit_text(cell: Cell) -> str:
    """A limit as it is printed, or the word for a blank cell."""
    return cell.word if isinstance(cell, Blank) else f"{cell:,.10g}".replace(",", " ")
