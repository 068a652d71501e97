"""The sentences an alarm is told in. One place, so that pages, messages and reports say the same."""

from __future__ import annotations

from motewatch.engine.plan import ClimateBound, CountLevel, LocationPlan
from motewatch.engine.trend_charts import Found
from motewatch.limits.judging import Judgement
from motewatch.site.basics import size_text


def figure(value: float) -> str:
    """A concentration or a value as a person writes it: `3 520`, `35.3`, `0`."""
    if value == 0 or abs(value) >= 100:
        return f"{value:,.0f}".replace(",", " ")
    return f"{value:.1f}"


def excursion(location: LocationPlan, level: CountLevel, judgement: Judgement, late: bool) -> str:
    """A count is above its level."""
    value = judgement.per_m3
    shown = "too many" if value is None else figure(value)
    text = (
        f"{location.name}: {shown} particles/m3 >= {size_text(level.size_nm)}, above the {level.grade.value} level of "
        f"{figure(level.per_m3)} ({level.source})"
    )
    return f"{text}; found late" if late else text


def recovery(location: LocationPlan, level: CountLevel, judgement: Judgement) -> str:
    """A count is back within its level."""
    value = judgement.per_m3
    shown = "" if value is None else f"{figure(value)} "
    return (
        f"{location.name}: {shown}particles/m3 >= {size_text(level.size_nm)}, back within the {level.grade.value} "
        f"level of {figure(level.per_m3)}"
    )


def no_level(location: LocationPlan, size_nm: int, grade: str, occupancy: str) -> str:
    """A level does not hold in the present occupancy state."""
    return f"{location.name}: no {grade} level for >= {size_text(size_nm)} in the {occupancy} state"


def outside(location: LocationPlan, bound: ClimateBound, value: int, late: bool) -> str:
    """A climate value is beyond its bound."""
    word = "above" if bound.bound.side.value == "high" else "below"
    text = (
        f"{location.name}: {bound.quantity.replace('-', ' ')} {value / 1000:.1f} {bound.unit}, {word} the "
        f"{bound.grade.value} bound of {bound.bound.value / 1000:g} {bound.unit}"
    )
    return f"{text}; found late" if late else text


def inside(location: LocationPlan, bound: ClimateBound, value: int) -> str:
    """A climate value is back within its bound."""
    return (
        f"{location.name}: {bound.quantity.replace('-', ' ')} {value / 1000:.1f} {bound.unit}, back within the "
        f"{bound.grade.value} bound of {bound.bound.value / 1000:g} {bound.unit}"
    )


def cascade_lost(higher: str, lower: str, value: float, limit: float) -> str:
    """A room no longer stands above its neighbour as it must."""
    wrong = ", air is pushed the wrong way" if value < 0 else ""
    return f"{higher}: only {value:.1f} Pa above {lower}{wrong}; at least {limit:g} Pa wanted"


def cascade_held(higher: str, lower: str, value: float, limit: float) -> str:
    """It does again."""
    return f"{higher}: {value:.1f} Pa above {lower} again, at least {limit:g} Pa wanted"


def usual(per_m3: float, samples: int) -> str:
    """A usual mean, and where it is from: stated, or learned from so many samples."""
    return f"{figure(per_m3)} ({f'learned from {samples} samples' if samples else 'as stated'})"


def trend(location: LocationPlan, size_nm: int, method: str, found: Found, per_m3: float, mean: str) -> str:
    """Counts have risen against what is usual."""
    return (
        f"{location.name}: adverse trend of particles >= {size_text(size_nm)} by {method}: {found.value:.3g} "
        f"{found.unit}, limit {found.limit:.3g} ({found.rule}); now {figure(per_m3)}/m3, usual mean {mean}"
    )


def trend_over(location: LocationPlan, size_nm: int, method: str, samples: int, per_m3: float, mean: str) -> str:
    """They are back to it."""
    return (
        f"{location.name}: no adverse trend of particles >= {size_text(size_nm)} by {method} in {samples} samples in a "
        f"row; now {figure(per_m3)}/m3, usual mean {mean}"
    )
