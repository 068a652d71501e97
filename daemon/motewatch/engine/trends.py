"""Adverse trends at one location: slow changes for the worse that no single sample shows. Alarms of low priority.

Rules.
- Only sound air feeds a statistic and only sound air clears an alarm: a sample that is missing, partial or suspect is
  left out as if it were not there.
- A statistic runs through the samples in the order in which they were first closed, as they then stood. A late
  revision neither feeds it nor changes what it said: what an alarm was raised on stays what it was raised on.
- It begins anew (its usual mean stays) when the occupancy state changes, after `max_gap_min` without a sound sample,
  and when its table in the site file has changed (then the mean is learned anew too). An alarm that stands then goes
  on standing until sound samples clear it.
- A learned mean is all particles over all air of the first `learn_samples` sound samples, and of as many more as it
  takes to hold `LEARN_PARTICLES`; nothing is judged before, and the mean does not move afterwards.
- The alarm starts at the first sample that speaks of a rise. It returns after `return_after` sound samples in a row
  with the statistic at or below half of its limit, or without a rule speaking; anything between resets that count.

What the charts compute is in `trend_charts`. Must not know how samples come about.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from motewatch.engine import texts
from motewatch.engine.desk import Desk
from motewatch.engine.plan import LocationPlan
from motewatch.engine.records import Priority
from motewatch.engine.subject import location_alarm
from motewatch.engine.trend_charts import Found, TrendChart, chart_of
from motewatch.engine.trend_plan import TrendPlan
from motewatch.measure.samples import INSUFFICIENT, SUSPECT, UL_PER_M3, Sample
from motewatch.wire.records import MINUTE_US

LEARN_PARTICLES: Final = 20
"""A mean from fewer is known to no better than a quarter."""


@dataclass(slots=True)
class TrendState:
    """What is remembered of one statistic."""

    spec: str
    samples: int = 0
    count: int = 0
    air_ul: int = 0
    """What the mean is learned from; at rest once it is."""
    per_m3: float | None = None
    """The usual mean, once there is one."""
    last_us: int = 0
    """End of the last sound sample; 0 for none since the statistic began."""
    occupancy: str = ""
    """State of the last sample."""
    calm: int = 0
    chart: TrendChart | None = None

    def begin_anew(self) -> None:
        """Forget the statistic; the usual mean stays."""
        self.last_us, self.calm, self.chart = 0, 0, None

    def to_state(self) -> list[Any]:
        """Plain values for a snapshot."""
        chart = None if self.chart is None else self.chart.to_state()
        learned = [self.samples, self.count, self.air_ul, self.per_m3]
        return [self.spec, *learned, self.last_us, self.occupancy, self.calm, chart]

    @classmethod
    def from_state(cls, state: list[Any], plan: TrendPlan) -> TrendState:
        """The state that `to_state` took apart; the table comes from the plan."""
        *plain, chart = state
        made = cls(*plain)
        if chart is not None and made.per_m3 is not None:
            made.chart = chart_of(plan.table, made.per_m3, chart)
        return made


class TrendWatch:
    """Runs the trends of one location. `states` is kept by the location, by the trends' keys."""

    __slots__ = ("_desk", "_plan", "_states", "_trends")

    def __init__(self, desk: Desk, plan: LocationPlan, states: dict[str, TrendState]) -> None:
        self._desk, self._plan, self._states = desk, plan, states
        self._trends = desk.plan.trends.get(plan.id, ())
        specs = {trend.key: trend.spec for trend in self._trends}
        for key in [key for key, state in states.items() if specs.get(key) != state.spec]:
            del states[key]
        for trend in self._trends:
            if trend.key not in states:
                states[trend.key] = TrendState(trend.spec, per_m3=trend.table.usual_per_m3)

    def alarms(self) -> list[str]:
        """Ids of the alarms that can be raised here."""
        return [self._alarm(trend) for trend in self._trends]

    def take(self, sample: Sample) -> None:
        """A sample was closed."""
        for trend in self._trends:
            state = self._states[trend.key]
            table = trend.table
            if state.occupancy != sample.occupancy:
                state.begin_anew()
                state.occupancy = sample.occupancy
            if table.occupancy is not None and table.occupancy.value != sample.occupancy:
                continue
            channel = sample.channel(trend.size_nm)
            if sample.quality & (INSUFFICIENT | SUSPECT) or channel is None or channel.volume_ul <= 0:
                continue
            if state.last_us and sample.start_us - state.last_us > table.max_gap_min * MINUTE_US:
                state.begin_anew()
            state.last_us = sample.end_us
            if state.per_m3 is None:
                self._learn(trend, state, channel.count, channel.volume_ul)
                continue
            if state.chart is None:
                state.chart = chart_of(table, state.per_m3)
            found = state.chart.observe(channel.count, channel.volume_ul)
            if found is not None:
                self._judge(trend, state, found, sample.end_us, channel.per_m3 or 0.0)

    @staticmethod
    def _learn(trend: TrendPlan, state: TrendState, count: int, volume_ul: int) -> None:
        state.samples += 1
        state.count += count
        state.air_ul += volume_ul
        if state.samples >= (trend.table.learn_samples or 0) and state.count >= LEARN_PARTICLES:
            state.per_m3 = state.count * UL_PER_M3 / state.air_ul

    def _judge(self, trend: TrendPlan, state: TrendState, found: Found, end_us: int, per_m3: float) -> None:
        desk, plan, table = self._desk, self._plan, trend.table
        state.calm = state.calm + 1 if found.calm else 0
        if not found.above and state.calm < table.return_after:
            return
        alarm = self._alarm(trend)
        if found.above == desk.book.active(alarm):
            return
        usual = texts.usual(state.per_m3 or 0.0, state.samples)
        if found.above:
            text = texts.trend(plan, trend.size_nm, table.method, found, per_m3, usual)
            subject = plan.subject(alarm, "trend", Priority.LOW)
            said = desk.book.starts(subject, end_us, desk.time_us, text, found.value, found.limit, found.unit)
        else:
            text = texts.trend_over(plan, trend.size_nm, table.method, state.calm, per_m3, usual)
            said = desk.book.returns(alarm, end_us, desk.time_us, text, found.value)
        desk.say(list(said))

    def _alarm(self, trend: TrendPlan) -> str:
        return location_alarm(self._plan.id, trend.key)


def trends_from_state(state: dict[str, Any], plans: tuple[TrendPlan, ...]) -> dict[str, TrendState]:
    """The statistics of a location out of a snapshot."""
    by_key = {plan.key: plan for plan in plans}
    return {key: TrendState.from_state(kept, by_key[key]) for key, kept in state.items() if key in by_key}
