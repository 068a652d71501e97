"""The charts of `measure` behind one face: take a sample's count and air, say whether it speaks of a rise.

Only rises count; air that gets cleaner is no adverse trend. `calm` is the return condition of one sample: the statistic
at or below half of its limit (ewma, poisson-cusum), or no rule speaking (u-chart, run rules). Must not know alarms.
"""

from __future__ import annotations

from typing import Any, NamedTuple, Protocol

from motewatch.engine.trend_plan import AnyTrend
from motewatch.measure.charts import CountEwma, EwmaSettings, UChart, deviation
from motewatch.measure.cusum import MOST_PARTICLES, UNIT, PoissonCusum, PoissonCusumSettings
from motewatch.measure.run_rules import SETS, RunRules
from motewatch.site.trends import EwmaTrend, PoissonCusumTrend, UChartTrend


class Found(NamedTuple):
    """What one sample said: `value` and `limit` in `unit`; `rule` in words."""

    above: bool
    calm: bool
    value: float
    limit: float
    unit: str
    rule: str


class TrendChart(Protocol):
    """One running statistic."""

    def observe(self, count: int, volume_ul: int) -> Found | None:
        """Take the next sample; None where it cannot be taken."""

    def to_state(self) -> dict[str, Any]:
        """Plain values for a snapshot."""


class _Ewma:
    """The final limits hold from the first sample on: start-up limits would make single particles a signal."""

    def __init__(self, table: EwmaTrend, per_m3: float, state: dict[str, Any] | None) -> None:
        settings = EwmaSettings(table.weight, table.width_sigmas, start_up=False, upper_only=True)
        self._chart = CountEwma(per_m3, settings, table.dispersion)
        if state is not None:
            self._chart = CountEwma.from_state(per_m3, settings, table.dispersion, state)
        self._rule = f"its weighted mean (weight {table.weight:g}) beyond {table.width_sigmas:g} sigma"

    def observe(self, count: int, volume_ul: int) -> Found:
        above = bool(self._chart.observe(count, volume_ul))
        value, reach = self._chart.deviation, self._chart.reach
        return Found(above, 2 * value <= reach, value, reach, "particles", self._rule)

    def to_state(self) -> dict[str, Any]:
        return self._chart.to_state()


class _PoissonCusum:
    def __init__(self, table: PoissonCusumTrend, per_m3: float, state: dict[str, Any] | None) -> None:
        settings = PoissonCusumSettings.between(per_m3, per_m3 * table.rejectable_ratio, table.limit_particles)
        self._settings = settings
        self._chart = PoissonCusum(settings) if state is None else PoissonCusum.from_state(settings, state)
        self._rule = f"its cumulative sum for a rise to {table.rejectable_ratio:g} times the usual"

    def observe(self, count: int, volume_ul: int) -> Found | None:
        if self._settings.reference_milli_per_m3 * volume_ul > MOST_PARTICLES * UNIT:
            return None
        # The sum stops at twice its limit, so a count cut here is as good as the whole one.
        above = bool(self._chart.observe(min(count, MOST_PARTICLES), volume_ul))
        value, limit = self._chart.particles, self._settings.limit_milli / 1000
        return Found(above, 2 * value <= limit, value, limit, "particles", self._rule)

    def to_state(self) -> dict[str, Any]:
        return self._chart.to_state()


class _UChart:
    def __init__(self, table: UChartTrend, per_m3: float) -> None:
        self._chart = UChart(per_m3, error=table.tail_pct / 100, alpha=table.dispersion, upper_only=True)
        self._rule = f"a count that chance alone exceeds in {table.tail_pct:g} % of samples"

    def observe(self, count: int, volume_ul: int) -> Found:
        above = bool(self._chart.observe(count, volume_ul))
        limit = self._chart.limits(volume_ul).upper
        return Found(above, not above, float(count), limit, "particles", self._rule)

    def to_state(self) -> dict[str, Any]:
        return {}


class _RunRules:
    """A rule that knows no side (alternating, too quiet) is not about a rise; a steady rise counts once it is above
    the centre."""

    def __init__(self, method: str, dispersion: float, per_m3: float, state: dict[str, Any] | None) -> None:
        self._per_m3, self._dispersion = per_m3, dispersion
        self._rules = RunRules(method) if state is None else RunRules.from_state(method, state)
        self._texts = {rule.name: rule.text for rule in SETS[method]}

    def observe(self, count: int, volume_ul: int) -> Found:
        sigmas = deviation(count, volume_ul, self._per_m3, self._dispersion)
        for signal in self._rules.observe(sigmas):
            if signal.side == 1 and sigmas > 0:
                rule = f"rule {signal.rule}, {self._texts[signal.rule]}"
                return Found(True, False, signal.value, signal.limit, "sigma", rule)
        return Found(False, True, sigmas, 0.0, "sigma", "no rule for a rise")

    def to_state(self) -> dict[str, Any]:
        return self._rules.to_state()


def chart_of(table: AnyTrend, per_m3: float, state: dict[str, Any] | None = None) -> TrendChart:
    """The chart of a table about a usual mean, fresh or as `to_state` left it."""
    if isinstance(table, EwmaTrend):
        return _Ewma(table, per_m3, state)
    if isinstance(table, PoissonCusumTrend):
        return _PoissonCusum(table, per_m3, state)
    if isinstance(table, UChartTrend):
        return _UChart(table, per_m3)
    return _RunRules(table.method, table.dispersion, per_m3, state)
