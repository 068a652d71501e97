"""The perfectly mixed room: how fast its air gets clean, and the air changes that takes.

C(t) = Cb + (C0 - Cb) exp(-N t), N air changes per hour. What a room does is compared with this: the ratio of the
measured rate to the supply's air changes is the air-change effectiveness at that location. Pure mathematics;
concentrations in particles per m3 (or any unit, all the same), times in minutes, rates per hour. Errors are
`OutOfRangeError`. Must not know samples or fits.
"""

from __future__ import annotations

from math import exp, log

from motewatch.limits.errors import OutOfRangeError

MINUTES_PER_HOUR = 60


def decayed(start: float, background: float, changes_per_h: float, minutes: float) -> float:
    """The concentration after so many minutes. All from 0."""
    for name, value in (("start", start), ("background", background), ("minutes", minutes)):
        _from_zero(name, value)
    _positive("changes_per_h", changes_per_h)
    return background + (start - background) * exp(-changes_per_h * minutes / MINUTES_PER_HOUR)


def minutes_to_reach(start: float, wanted: float, background: float, changes_per_h: float) -> float:
    """Minutes of clean-up from `start` to `wanted` over a floor: ln((C0 - Cb) / (C - Cb)) / N.

    `wanted` must lie above the background, which the room never falls below, and not above the start.
    """
    _from_zero("background", background)
    _positive("changes_per_h", changes_per_h)
    if not background < wanted <= start < float("inf"):
        raise OutOfRangeError(
            "wanted concentration", wanted, f"one above the background of {background:g} and up to the start's"
        )
    return MINUTES_PER_HOUR * log((start - background) / (wanted - background)) / changes_per_h


def removal_minutes(changes_per_h: float, share: float, mixing_factor: float = 1.0) -> float:
    """Minutes until a `share` (0 to below 1) of the particles is gone, without a source.

    With `mixing_factor` 1 the table of purge times of CDC (2003), Appendix B, Table B.1 (99 and 99.9 %). A factor
    above 1 (up to 10 for very poor distribution, MMWR 1994) lengthens the time in proportion.
    """
    _positive("changes_per_h", changes_per_h)
    if not 0 <= share < 1:
        raise OutOfRangeError("share", share, "a share from 0 to below 1, such as 0.99")
    if not 1 <= mixing_factor < float("inf"):
        raise OutOfRangeError("mixing_factor", mixing_factor, "1 (perfect mixing) or more")
    return -MINUTES_PER_HOUR * log(1 - share) / changes_per_h * mixing_factor


def changes_needed(factor: float, minutes: float) -> float:
    """Air changes per hour that bring the concentration down by a `factor` (above 1) within so many minutes."""
    _positive("minutes", minutes)
    if not 1 < factor < float("inf"):
        raise OutOfRangeError("factor", factor, "a factor above 1, such as 100")
    return MINUTES_PER_HOUR * log(factor) / minutes


def air_change_effectiveness(measured_per_h: float, supply_per_h: float) -> float:
    """The measured decay rate as a share of the supply's air changes: 1 in a perfectly mixed room.

    Common practice without a source: 0.7 to 1 in turbulent rooms, 0.3 to 0.7 in dead corners.
    """
    _positive("supply_per_h", supply_per_h)
    _from_zero("measured_per_h", measured_per_h)
    return measured_per_h / supply_per_h


def _positive(name: str, value: float) -> None:
    if not 0 < value < float("inf"):
        raise OutOfRangeError(name, value, "a finite number above 0")


def _from_zero(name: str, value: float) -> None:
    if not 0 <= value < float("inf"):
        raise OutOfRangeError(name, value, "a finite number from 0")
