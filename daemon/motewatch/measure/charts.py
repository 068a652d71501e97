"""Control charts, one observation at a time: EWMA, c- and u-charts, individuals and moving range.

Formulas after the NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (individuals), 6.3.2.4 (EWMA) and 6.3.3.1
(counts). A point on a limit is not beyond it.

The EWMA is kept as the mean of deviations from what was expected, with its variance beside it:

    z = weight (value - expected) + (1 - weight) z        v = weight^2 variance + (1 - weight)^2 v

For one target and one sigma this is the handbook's chart, start-up limits included; for counts in unequal volumes,
where expectation and variance differ from sample to sample, it is still exact. `charts_arrays` does the same to whole
series, in the same order of operations, and is tested equal to the last bit.

Units: values in any one unit; counts are particles, volumes microlitres, expectations per cubic metre. Must not know
samples, places or alarms.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final, NamedTuple, Self

from motewatch.measure.dispersion import at_most, smallest_count_beyond
from motewatch.measure.errors import BadInputError
from motewatch.measure.signals import Signal, above_zero, counted, finite, not_negative
from motewatch.measure.statistics import UL_PER_M3

THREE_SIGMA_TAIL: Final = 0.0013498980316300945
"""P(Z > 3) of the normal distribution: what exact limits take the place of."""
D2_OF_TWO: Final = 1.128
"""Mean range of two normal values in sigmas, to the digits of the handbook (exact: 2 / sqrt(pi) = 1.12838)."""
D4_OF_TWO: Final = 3.267
"""Upper limit of a moving range of two, in mean ranges (handbook)."""


class Limits(NamedTuple):
    """Limits of a chart; a point is beyond where it is above `upper` or below `lower`."""

    lower: float
    centre: float
    upper: float

    def side(self, value: float) -> int:
        """1 above, -1 below, 0 within or on a limit."""
        return int(value > self.upper) - int(value < self.lower)


class CountLimits(NamedTuple):
    """The counts at which an exact chart signals; None where no count is improbable enough."""

    at_most: int | None
    at_least: int


# Limits


def c_limits(mean: float, width: float = 3.0) -> Limits:
    """Limits for counts in equal volumes: mean and `width` roots of it; the lower is 0 where it would be negative."""
    reach = above_zero("width", width) * math.sqrt(not_negative("mean count", mean))
    return Limits(max(0.0, mean - reach), mean, mean + reach)


def u_limits(per_unit: float, units: float, width: float = 3.0) -> Limits:
    """Limits for counts per unit in `units` units (such as m3) of air: wider for less air."""
    reach = above_zero("width", width) * math.sqrt(not_negative("counts per unit", per_unit) / _units(units))
    return Limits(max(0.0, per_unit - reach), per_unit, per_unit + reach)


def _units(units: float) -> float:
    return above_zero("units of air", units)


def exact_limits(mean: float, error: float = THREE_SIGMA_TAIL, alpha: float = 0.0) -> CountLimits:
    """Counts whose tail is at most `error` on each side, by the exact distribution (negative binomial with `alpha`).

    At a mean of 0.03 the 3-sigma limit is 0.55, so that each single particle would be a signal, 1 in 34 samples; the
    exact limit asks for two, 1 in 2 300.
    """
    not_negative("mean count", mean)
    upper = smallest_count_beyond(error, mean, alpha)
    if at_most(0, mean, alpha) > error:
        return CountLimits(None, upper)
    low, high = 0, upper
    while high - low > 1:
        middle = (low + high) // 2
        if at_most(middle, mean, alpha) <= error:
            low = middle
        else:
            high = middle
    return CountLimits(low, upper)


class Individuals(NamedTuple):
    """Limits of single values, and of the range from each to the next."""

    values: Limits
    mean_range: float
    range_upper: float


def individuals(values: Sequence[float]) -> Individuals:
    """Limits from the values themselves: mean and 3 (mean moving range) / 1.128. Needs two values."""
    if len(values) < 2:
        raise BadInputError("number of values", len(values), "2 or more")
    checked = [finite("value", value) for value in values]
    mean = math.fsum(checked) / len(checked)
    ranges = [abs(b - a) for a, b in pairwise(checked)]
    mean_range = math.fsum(ranges) / len(ranges)
    reach = 3 * mean_range / D2_OF_TWO
    return Individuals(Limits(mean - reach, mean, mean + reach), mean_range, D4_OF_TWO * mean_range)


# EWMA


@dataclass(frozen=True, slots=True)
class EwmaSettings:
    """`weight` above 0 up to 1 (small ones find small lasting shifts), `width` in sigmas.

    `start_up`: limits that are narrow at first, as the mean of few values scatters less; else the final ones from the
    first point on (for values) or from the first sample's variance on (for counts). `upper_only`: air that gets
    cleaner is no signal.
    """

    weight: float = 0.2
    width: float = 3.0
    start_up: bool = True
    upper_only: bool = False

    def __post_init__(self) -> None:
        if not 0 < self.weight <= 1:
            raise BadInputError("weight", self.weight, "a share above 0, at most 1")
        above_zero("width", self.width)


class _Average:
    """The recursion that both EWMAs share."""

    __slots__ = ("_mean", "_variance", "settings")

    def __init__(self, settings: EwmaSettings) -> None:
        self.settings = settings
        self._mean = 0.0
        self._variance: float | None = None

    @property
    def deviation(self) -> float:
        """The weighted mean of what was observed less what was expected."""
        return self._mean

    @property
    def reach(self) -> float:
        """The limit of `deviation` on either side, as it stands; 0 before the first observation."""
        return self.settings.width * math.sqrt(self._variance or 0.0)

    def restart(self) -> None:
        """Forget all observations."""
        self._mean, self._variance = 0.0, None

    def to_state(self) -> dict[str, Any]:
        """Plain values; floats survive JSON exactly."""
        return {"mean": self._mean, "variance": self._variance}

    def _load(self, state: Mapping[str, Any]) -> None:
        self._mean = finite("mean", float(state["mean"]))
        variance = state["variance"]
        self._variance = None if variance is None else not_negative("variance", float(variance))

    def _step(self, value: float, expected: float, variance: float) -> None:
        weight = self.settings.weight
        rest = 1 - weight
        before = self._variance
        if before is None:
            before = 0.0 if self.settings.start_up else variance * (weight / (2 - weight))
        self._mean = weight * (value - expected) + rest * self._mean
        self._variance = weight * weight * variance + rest * rest * before

    def _beyond(self) -> int:
        reach = self.reach
        return int(self._mean > reach) - int(self._mean < -reach and not self.settings.upper_only)


class Ewma(_Average):
    """EWMA of values with one target and one sigma, both in the values' unit."""

    __slots__ = ("sigma", "target")

    def __init__(self, target: float, sigma: float, settings: EwmaSettings | None = None) -> None:
        super().__init__(settings or EwmaSettings())
        self.target = finite("target", target)
        self.sigma = above_zero("sigma", sigma)

    @classmethod
    def from_state(cls, target: float, sigma: float, settings: EwmaSettings | None, state: Mapping[str, Any]) -> Self:
        """The chart as it was when `to_state` was called."""
        chart = cls(target, sigma, settings)
        chart._load(state)
        return chart

    @property
    def average(self) -> float:
        """The moving average, in the values' unit."""
        return self.target + self._mean

    @property
    def limits(self) -> Limits:
        """Limits of `average` as they stand."""
        return Limits(self.target - self.reach, self.target, self.target + self.reach)

    def observe(self, value: float) -> list[Signal]:
        """Take the next value; the signal carries the average and the limit that it passed."""
        self._step(finite("value", value), self.target, self.sigma * self.sigma)
        side = self._beyond()
        if side == 0:
            return []
        return [Signal("ewma", 1 if side > 0 else -1, self.average, self.target + side * self.reach)]


class CountEwma(_Average):
    """EWMA of counts in whatever volumes, about an expected concentration, with Poisson scatter or more (`alpha`)."""

    __slots__ = ("alpha", "expected_per_m3")

    def __init__(self, expected_per_m3: float, settings: EwmaSettings | None = None, alpha: float = 0.0) -> None:
        super().__init__(settings or EwmaSettings())
        self.expected_per_m3 = above_zero("expected_per_m3", expected_per_m3)
        self.alpha = not_negative("alpha", alpha)

    @classmethod
    def from_state(
        cls, expected_per_m3: float, settings: EwmaSettings | None, alpha: float, state: Mapping[str, Any]
    ) -> Self:
        """The chart as it was when `to_state` was called."""
        chart = cls(expected_per_m3, settings, alpha)
        chart._load(state)
        return chart

    def observe(self, count: int, volume_ul: int) -> list[Signal]:
        """Take the next sample; value and limit of a signal are particles a sample above (below) expectation."""
        counted(count, volume_ul)
        mean = self.expected_per_m3 * volume_ul / UL_PER_M3
        self._step(float(count), mean, mean + self.alpha * mean * mean)
        side = self._beyond()
        if side == 0:
            return []
        return [Signal("ewma", 1 if side > 0 else -1, self._mean, side * self.reach)]


# Counts in unequal volumes


class UChart:
    """A u-chart: each sample against the limits of its own volume. It remembers nothing from sample to sample.

    `error` None: `width` sigmas, right for mean counts of about 5 and more. Else exact limits with that tail on each
    side, right for any mean (`alpha` as everywhere).
    """

    __slots__ = ("_exact", "alpha", "error", "expected_per_m3", "upper_only", "width")

    def __init__(
        self,
        expected_per_m3: float,
        *,
        width: float = 3.0,
        error: float | None = None,
        alpha: float = 0.0,
        upper_only: bool = False,
    ) -> None:
        self.expected_per_m3 = above_zero("expected_per_m3", expected_per_m3)
        self.width = above_zero("width", width)
        if error is not None and not 0 < error < 0.5:
            raise BadInputError("error", error, "a share above 0 and below 0.5")
        self.error = error
        self.alpha = not_negative("alpha", alpha)
        self.upper_only = upper_only
        self._exact: dict[int, CountLimits] = {}

    @classmethod
    def from_state(cls, chart: UChart, state: Mapping[str, Any]) -> UChart:
        """The same chart: it has no state. Here so that it can be handled like the others."""
        return chart

    def to_state(self) -> dict[str, Any]:
        """Nothing to remember."""
        return {}

    def restart(self) -> None:
        """Nothing to forget."""

    def limits(self, volume_ul: int) -> Limits:
        """Limits of the count in this volume. Exact ones are given as the last counts that are still within."""
        mean = self.expected_per_m3 * volume_ul / UL_PER_M3
        if self.error is None:
            reach = self.width * math.sqrt(mean + self.alpha * mean * mean)
            return Limits(max(0.0, mean - reach), mean, mean + reach)
        if (held := self._exact.get(volume_ul)) is None:
            if len(self._exact) > 10_000:
                self._exact.clear()
            held = self._exact[volume_ul] = exact_limits(mean, self.error, self.alpha)
        return Limits(0.0 if held.at_most is None else held.at_most + 1.0, mean, held.at_least - 1.0)

    def observe(self, count: int, volume_ul: int) -> list[Signal]:
        """Judge the next sample; value and limit of a signal are counts."""
        counted(count, volume_ul)
        limits = self.limits(volume_ul)
        if count > limits.upper:
            return [Signal("u-chart", 1, float(count), limits.upper)]
        if count < limits.lower and not self.upper_only:
            return [Signal("u-chart", -1, float(count), limits.lower)]
        return []


def deviation(count: int, volume_ul: int, expected_per_m3: float, alpha: float = 0.0) -> float:
    """How far a count is from what its volume should hold, in sigmas: what run rules are fed with."""
    counted(count, volume_ul)
    mean = above_zero("expected_per_m3", expected_per_m3) * volume_ul / UL_PER_M3
    return (count - mean) / math.sqrt(mean + not_negative("alpha", alpha) * mean * mean)
