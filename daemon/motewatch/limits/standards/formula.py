"""The formulas behind the classes, and their inverse.

ISO 14644-1: C(N, D) = 10^N (0.1 / D)^2.08 particles per cubic metre of size D (um) and larger. The rule in the 1999
edition; in the 2015 edition the printed tables are the rule and the formula only serves sizes between the printed
ones. FED-STD-209E: limit at 0.5 um times (0.5 / D)^2.2; several printed cells differ from it, and the printed ones are
the rule. Scalars, math only. Must not know any table.
"""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal
from math import isfinite, log10

from motewatch.limits.errors import OutOfRangeError

ISO_EXPONENT = 2.08
ISO_REFERENCE_NM = 100
ISO_SMALLEST_NM, ISO_LARGEST_NM = 100, 5_000
"""Sizes that ISO 14644-1 classifies by: 0.1 to 5 um."""

FED_EXPONENT = 2.2
FED_REFERENCE_NM = 500
_FIGURES = 3


def class_limit(
    number: float, size_nm: int, exponent: float = ISO_EXPONENT, reference_nm: int = ISO_REFERENCE_NM
) -> int:
    """The limit of an ISO class at a size, particles per m3: by the formula, then rounded as the tables are.

    Range: class 0 to 20, size 100 to 5 000 nm for ISO; else `OutOfRangeError`. Source: ISO 14644-1:1999, formula (1),
    as found in public copies; the rounding (`rounded`) reproduces every printed cell. Not the rule of the 2015
    edition: take its limits from its tables.
    """
    return rounded(class_limit_unrounded(number, size_nm, exponent, reference_nm))


def class_limit_unrounded(
    number: float, size_nm: int, exponent: float = ISO_EXPONENT, reference_nm: int = ISO_REFERENCE_NM
) -> float:
    """As `class_limit`, before rounding."""
    if not 0 <= number <= 20:
        raise OutOfRangeError("class number", number, "a number from 0 to 20")
    _size(size_nm)
    return float(10**number * (reference_nm / size_nm) ** exponent)


def rounded(concentration: float) -> int:
    """From 100 up to three significant figures, half up; below to the nearest whole number.

    Particles per m3, from 0. Recomputed: this recipe gives every printed cell of both editions of ISO 14644-1, and no
    printed cell is a tie.
    """
    if not 0 <= concentration < float("inf"):
        raise OutOfRangeError("concentration", concentration, "a finite number from 0")
    # Twelve figures first: 10**2.0 times 1 must not be 99.99999999999999 in three figures' eyes.
    exact = Decimal(f"{concentration:.12g}")
    step = Decimal(10) ** max(0, exact.adjusted() - _FIGURES + 1) if exact else Decimal(1)
    return int((exact / step).quantize(Decimal(1), ROUND_HALF_UP) * step)


def class_number(per_m3: float, size_nm: int) -> float:
    """The inverse: N = log10(C) + 2.08 log10(D / 0.1), for a concentration above 0 and a size of 100 to 5 000 nm.

    For looking at trends, never for a verdict: the printed limit 3 520 at 0.5 um gives 5.0004, which looks like just
    above class 5 though it meets it. Source: ISO 14644-1 (formula of the 1999 edition). Raises `OutOfRangeError`.
    """
    if not (isfinite(per_m3) and per_m3 > 0):
        raise OutOfRangeError("concentration", per_m3, "a finite number above 0")
    _size(size_nm)
    return log10(per_m3) + ISO_EXPONENT * log10(size_nm / ISO_REFERENCE_NM)


def fed_std_209e_limit(at_half_um: float, size_nm: int) -> float:
    """The formula of FED-STD-209E, not rounded, in the unit of `at_half_um`: the class's limit at 0.5 um.

    That is 10^M per m3 for whole M classes, 35.3 x 10^k per m3 for half ones (M 3.5: 3 530, not 10^3.5), and the
    English class number per ft3. Range: from 0; sizes 100 to 5 000 nm. Source: from memory, not confirmed; printed
    cells differ from it by up to 11 % (class 1 000 at 5 um: 7.00 printed, 6.31 by formula).
    """
    if not 0 <= at_half_um < float("inf"):
        raise OutOfRangeError("limit at 0.5 um", at_half_um, "a finite number from 0")
    _size(size_nm)
    return float(at_half_um * (FED_REFERENCE_NM / size_nm) ** FED_EXPONENT)


def _size(size_nm: int) -> None:
    # Beyond these sizes the formula is extrapolation, and no standard's limit.
    if not ISO_SMALLEST_NM <= size_nm <= ISO_LARGEST_NM:
        raise OutOfRangeError("size_nm", size_nm, f"a size from {ISO_SMALLEST_NM} to {ISO_LARGEST_NM} nm")
