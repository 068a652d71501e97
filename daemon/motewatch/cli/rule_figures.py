"""The figures of `rule-power`: each rule at each concentration, from `limits.power`.

The seed of what is simulated is fixed, so that the same question has the same answer.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from motewatch.engine.plan import CountLevel
from motewatch.limits.errors import TooManyStatesError
from motewatch.limits.power import (
    RunLength,
    Setting,
    begins_per_sample,
    run_length,
    sample_exceeds,
    smallest_alarming_count,
    verdict_exceeds,
    window_samples,
)
from motewatch.measure.samples import UL_PER_L
from motewatch.measure.statistics import concentration_excluded, volume_to_show_ul
from motewatch.site.models import Rule
from motewatch.wire.records import DAY_US, HOUR_US, SECOND_US

MULTIPLES = (1.0, 1.5, 2.0, 5.0, 10.0)
"""Of the level: how dirty the air is that shall be found."""
MONTH_DAYS = 30
SEED = 20_140_915


@dataclass(frozen=True, slots=True)
class Usual:
    """Concentrations that the air is taken to have without any cause for an alarm, per m3, and where they are from."""

    per_m3: tuple[float, ...]
    source: str


@dataclass(frozen=True, slots=True)
class Question:
    """One level of one size at one location."""

    name: str
    location: str
    programme: str
    state: str
    level: CountLevel
    rules: tuple[Rule, ...]
    """The programme's own first."""
    volume_ul: int
    period_us: int
    alpha: float
    usual: Usual

    @property
    def setting(self) -> Setting:
        """As `limits.power` wants it."""
        return Setting(self.level.per_m3, self.volume_ul, self.alpha)

    @property
    def samples_a_day(self) -> float:
        """Also where a day holds no whole number of them."""
        return DAY_US / self.period_us


@dataclass(frozen=True, slots=True)
class Cell:
    """One rule at one concentration."""

    per_m3: float
    one_exceeds: float
    """Chance that one sample exceeds, or one full rolling volume."""
    begins_a_day: float
    """Alarms that begin, as the service counts them."""
    in_alarm: float
    """Share of the time in alarm."""
    first: RunLength | None
    """Samples to the first alarm; None where the rule's chain is too large to be built."""

    def mean_s(self, period_us: int) -> float | None:
        """Mean time from clean air to the alarm, in seconds."""
        return None if self.first is None else self.first.mean * period_us / SECOND_US

    def within(self, span_us: int, period_us: int) -> float | None:
        """Chance of an alarm within that time."""
        return None if self.first is None else self.first.within(span_us // period_us)


@dataclass(frozen=True, slots=True)
class RuleFigures:
    """One rule at every concentration asked about."""

    rule: Rule
    window: int
    """Samples judged together."""
    smallest_count: int
    """That exceeds: in one sample, or in the samples of a rolling volume."""
    usual: tuple[Cell, ...]
    dirty: tuple[Cell, ...]
    """One for each of `MULTIPLES`."""


@dataclass(frozen=True, slots=True)
class Figures:
    """The answer: the programme's own rule first."""

    question: Question
    rules: tuple[RuleFigures, ...]
    excluded_per_m3: float
    """What one sample without a count excludes, 95 %, one-sided."""
    volume_to_show_ul: int | None
    """Air in which no count shows the level held, 95 %, one-sided; None for a level of 0, which nothing shows."""

    def to_plain(self) -> dict[str, Any]:
        """For JSON: every figure with its unit in the name."""
        asked = self.question
        return {
            "location": asked.location,
            "programme": asked.programme,
            "state": asked.state,
            "size_um": asked.level.size_nm / 1000,
            "level": asked.level.grade.value,
            "level_per_m3": asked.level.per_m3,
            "source": asked.level.source,
            "sample_l": asked.volume_ul / UL_PER_L,
            "period_s": asked.period_us / SECOND_US,
            "dispersion": asked.alpha,
            "usual_source": asked.usual.source,
            "no_count_excludes_above_per_m3": self.excluded_per_m3,
            "volume_to_show_with_no_count_l": _plain(
                None if self.volume_to_show_ul is None else self.volume_to_show_ul / UL_PER_L
            ),
            "rules": [self._rule(figures, own=figures is self.rules[0]) for figures in self.rules],
        }

    def _rule(self, figures: RuleFigures, *, own: bool) -> dict[str, Any]:
        return {
            "rule": figures.rule.model_dump(),
            "own": own,
            "window_samples": figures.window,
            "smallest_alarming_count": figures.smallest_count,
            "at_usual": [self._cell(cell) for cell in figures.usual],
            "at_multiples_of_the_level": [
                {"multiple": multiple, **self._cell(cell)}
                for multiple, cell in zip(MULTIPLES, figures.dirty, strict=True)
            ],
        }

    def _cell(self, cell: Cell) -> dict[str, Any]:
        period_us = self.question.period_us
        first = cell.first
        hour = HOUR_US // period_us
        return {
            "per_m3": cell.per_m3,
            "probability_one_exceeds": cell.one_exceeds,
            "alarms_per_day": cell.begins_a_day,
            "alarms_per_30_days": cell.begins_a_day * MONTH_DAYS,
            "alarms_per_day_window_cleared_after_each": (
                None if first is None else self.question.samples_a_day / first.mean
            ),
            "share_of_time_in_alarm": cell.in_alarm,
            "mean_samples_to_alarm": _plain(None if first is None else first.mean),
            "mean_samples_to_alarm_standard_error": _plain(None if first is None else first.mean_error),
            "mean_time_to_alarm_s": _plain(cell.mean_s(period_us)),
            "probability_within_1_h": cell.within(HOUR_US, period_us),
            "probability_within_1_h_standard_error": None if first is None else first.within_error(hour),
            "method": None if first is None else first.method.value,
        }


def figures_of(asked: Question) -> Figures:
    """The answer to the question."""
    rules = []
    for rule in asked.rules:
        rng = np.random.default_rng(SEED)
        setting = asked.setting
        rules.append(
            RuleFigures(
                rule=rule,
                window=window_samples(rule, setting),
                smallest_count=smallest_alarming_count(rule, setting),
                usual=tuple(_cell(asked, rule, per_m3, rng) for per_m3 in asked.usual.per_m3),
                dirty=tuple(_cell(asked, rule, multiple * asked.level.per_m3, rng) for multiple in MULTIPLES),
            )
        )
    excluded = concentration_excluded(0, asked.volume_ul)
    assert excluded is not None
    limit = asked.level.per_m3
    return Figures(asked, tuple(rules), excluded, volume_to_show_ul(limit) if limit else None)


def _cell(asked: Question, rule: Rule, per_m3: float, rng: np.random.Generator) -> Cell:
    setting = asked.setting
    try:
        first: RunLength | None = run_length(rule, setting, per_m3, rng)
    except TooManyStatesError:
        first = None
    return Cell(
        per_m3=per_m3,
        one_exceeds=sample_exceeds(rule, setting, per_m3),
        begins_a_day=begins_per_sample(rule, setting, per_m3) * asked.samples_a_day,
        in_alarm=verdict_exceeds(rule, setting, per_m3),
        first=first,
    )


def _plain(value: float | None) -> float | None:
    """JSON has no infinity."""
    return None if value is None or not math.isfinite(value) else value
