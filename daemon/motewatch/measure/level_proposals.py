"""Alert and action levels that a location's own history suggests, by several methods side by side, with what they cost.

Nothing here is applied: a proposal is a figure with its evidence, for a person to weigh. Levels are whole numbers per
m3; a sample exceeds when it is above. Methods:

- percentile: the 95th and 99th of the samples' concentrations (common practice, no source), by a named method;
- tolerance: the sample above which, with 95 % confidence, no more than 5 % (1 %) of all air lies; no distribution
  assumed;
- three-sigma: 2 and 3 sigma above the mean of counts, as charts have it; too low where mean counts are below about 5;
- poisson: the count that chance alone exceeds as seldom as asked, if counts scatter as Poisson;
- negative-binomial: the same with the scatter that the history shows. Equal to poisson where it shows none.

A level is never proposed above its cap: an alert level below the action level in force, an action level not above the
limit of the standard (EU GMP Annex 1, 9.9: the table's are maximum action limits). Where a method asks for more, that
is said: the air's own scatter then leaves no room for a level in single samples.

False alarms are counted for a rule that judges each sample alone, as expected from a negative binomial of the mean and
scatter found, and as the history itself would have had them. What is needed at least is our choice.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from motewatch.measure.count_limits import level_below, upper_limit
from motewatch.measure.cusum import average_run_length, limit_for_run_length, reference_value
from motewatch.measure.dispersion import tail
from motewatch.measure.errors import BadInputError, MeasureError
from motewatch.measure.history import CountHistory
from motewatch.measure.percentiles import (
    PercentileMethod,
    percentile,
    samples_for_tolerance,
    tolerance_rank,
)
from motewatch.measure.samples import UL_PER_M3
from motewatch.measure.statistics import smallest_exceeding_count
from motewatch.wire.records import DAY_US

LEAST_SAMPLES: Final = 100
LEAST_EFFECTIVE: Final = 20
"""Independent samples that the history must be worth; fewer are one story, not a history."""
LEAST_PARTICLES: Final = 20
"""For methods that need the mean: 20 counts fix it to 61 to 154 %, as in ISO 14644-1 for a sample."""
CONFIDENCE: Final = 0.95
MONTH_US: Final = 30 * DAY_US


MOST_CUSUM_MEAN: Final = 20.0
"""Mean counts above this want an EWMA rather than a Poisson CUSUM (our choice)."""


class LevelMethod(StrEnum):
    """How a level is found; see the module's text."""

    PERCENTILE = "percentile"
    TOLERANCE = "tolerance"
    THREE_SIGMA = "three-sigma"
    POISSON = "poisson"
    NEGATIVE_BINOMIAL = "negative-binomial"


class LevelKind(StrEnum):
    """Which of the two levels."""

    ALERT = "alert"
    ACTION = "action"


PERCENT: Final = {LevelKind.ALERT: 95.0, LevelKind.ACTION: 99.0}
SIGMAS: Final = {LevelKind.ALERT: 2.0, LevelKind.ACTION: 3.0}


class TooLittleHistoryError(MeasureError):
    """The history does not carry a proposal at all; the text says what is needed."""


@dataclass(frozen=True, slots=True)
class Cap:
    """The greatest level allowed, and what says so."""

    per_m3: int
    source: str


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the person asks: false alarms in 30 days at each level, and the percentile's method."""

    alert_alarms: float = 1.0
    action_alarms: float = 0.1
    percentile_method: PercentileMethod = PercentileMethod.R6

    def __post_init__(self) -> None:
        for name, value in (("alert_alarms", self.alert_alarms), ("action_alarms", self.action_alarms)):
            if not 0 < value < math.inf:
                raise BadInputError(name, value, "a number of alarms in 30 days, above 0")

    def alarms(self, kind: LevelKind) -> float:
        """In 30 days."""
        return self.alert_alarms if kind is LevelKind.ALERT else self.action_alarms


@dataclass(frozen=True, slots=True)
class Proposal:
    """What one method gives for one kind of level."""

    method: LevelMethod
    kind: LevelKind
    how: str
    asks_per_m3: int
    """What the method gives, whatever the cap."""
    cap: Cap | None
    count: int
    """The first count that exceeds `asks_per_m3` in a usual sample."""
    expected_alarms: float
    """In 30 days, from the mean and scatter found."""
    seen_alarms: float
    """Samples of the history that exceed it, in 30 days' worth of samples."""

    @property
    def fits(self) -> bool:
        """May this level be set? An alert level must lie below the action level, an action level not above its cap."""
        if self.cap is None:
            return True
        if self.kind is LevelKind.ALERT:
            return self.asks_per_m3 < self.cap.per_m3
        return self.asks_per_m3 <= self.cap.per_m3

    @property
    def level_per_m3(self) -> int | None:
        """The level to set; None where the method asks for more than the cap allows."""
        return self.asks_per_m3 if self.fits else None


@dataclass(frozen=True, slots=True)
class Refused:
    """A method that this history does not carry, and what it needs."""

    method: LevelMethod
    kind: LevelKind
    needs: str


@dataclass(frozen=True, slots=True)
class CusumProposal:
    """A Poisson CUSUM that finds a rise to `ratio` times the usual mean; run lengths are mean numbers of samples."""

    ratio: float
    reference_per_m3: float
    limit_particles: int
    usual_run_length: float
    """To a false signal, with the scatter found and independent samples."""
    risen_run_length: float
    """To the signal, once the air has risen."""


def samples_in_a_month(history: CountHistory) -> float:
    """How many samples 30 days have at the usual spacing."""
    return MONTH_US / history.spacing_us


def proposals(
    history: CountHistory,
    caps: dict[LevelKind, Cap],
    wanted: Wanted | None = None,
    methods: Sequence[LevelMethod] = tuple(LevelMethod),
) -> list[Proposal | Refused]:
    """Each method's alert and action level, or what it lacks. `TooLittleHistoryError` when nothing can be said."""
    _enough(history)
    asked = wanted or Wanted()
    return [_one(history, method, kind, caps.get(kind), asked) for method in methods for kind in LevelKind]


def cusum_proposal(history: CountHistory, alarms: float, ratio: float = 2.0) -> CusumProposal | str:
    """The smallest whole limit with at most `alarms` false signals in 30 days, or why there is none."""
    _enough(history)
    if history.count < LEAST_PARTICLES:
        return f"a usual mean needs {_particles_needed(history)}"
    mean = history.per_m3 * history.usual_volume_ul / UL_PER_M3
    if mean > MOST_CUSUM_MEAN:
        return f"{mean:.3g} particles in a sample are many; an EWMA suits them better"
    reference = reference_value(mean, ratio * mean)
    try:
        limit = limit_for_run_length(mean, reference, samples_in_a_month(history) / alarms, history.alpha)
    except BadInputError:
        return "this air scatters too much for so few false signals"
    return CusumProposal(
        ratio=ratio,
        reference_per_m3=reference * UL_PER_M3 / history.usual_volume_ul,
        limit_particles=limit,
        usual_run_length=average_run_length(mean, reference, limit, history.alpha),
        risen_run_length=average_run_length(ratio * mean, reference, limit, history.alpha),
    )


def _enough(history: CountHistory) -> None:
    if history.n < LEAST_SAMPLES:
        raise TooLittleHistoryError(
            f"{history.n} sound samples are too few to propose a level: {LEAST_SAMPLES} are needed at least"
        )
    if history.spacing_us <= 0:
        raise TooLittleHistoryError("the samples do not follow each other in time: a history of one location is needed")
    if history.effective_n < LEAST_EFFECTIVE:
        times = LEAST_EFFECTIVE / history.effective_n
        raise TooLittleHistoryError(
            f"successive samples are so alike (autocorrelation {history.lag_one:.2f}) that {history.n} of them tell no "
            f"more than {history.effective_n:.0f} independent ones, and {LEAST_EFFECTIVE} are needed at least: take a "
            f"history about {times:.1f} times as long"
        )


def _one(
    history: CountHistory, method: LevelMethod, kind: LevelKind, cap: Cap | None, wanted: Wanted
) -> Proposal | Refused:
    volume = history.usual_volume_ul
    if method is LevelMethod.PERCENTILE:
        percent = PERCENT[kind]
        # So many that the method's place lies within the data: (n + 1) p <= n.
        needed = math.ceil(percent / (100 - percent))
        if history.effective_n < needed:
            return Refused(method, kind, _samples_needed(history, needed))
        value = percentile(history.concentrations.tolist(), percent, wanted.percentile_method)
        how = f"{percent:g}th percentile, {wanted.percentile_method}"
        return _proposal(history, method, kind, how, math.ceil(value - 1e-9 * value), cap)
    if method is LevelMethod.TOLERANCE:
        percent = PERCENT[kind]
        needed = samples_for_tolerance(percent, CONFIDENCE)
        rank = tolerance_rank(int(history.effective_n), percent, CONFIDENCE)
        if rank is None:
            return Refused(method, kind, _samples_needed(history, needed))
        # The rank among independent samples, carried over to all of them.
        at = min(history.n, math.ceil(rank / int(history.effective_n) * history.n))
        value = float(sorted(history.concentrations.tolist())[at - 1])
        how = f"covers {percent:g} % with {100 * CONFIDENCE:g} % confidence"
        return _proposal(history, method, kind, how, math.ceil(value - 1e-9 * value), cap)
    if history.count < LEAST_PARTICLES:
        return Refused(method, kind, _particles_needed(history))
    if method is LevelMethod.THREE_SIGMA:
        mean = history.per_m3 * volume / UL_PER_M3
        most = mean + SIGMAS[kind] * math.sqrt(mean)
        level = level_below(math.floor(most) + 1, volume)
        return _proposal(history, method, kind, f"mean + {SIGMAS[kind]:g} sigma of counts", level, cap)
    error = wanted.alarms(kind) / samples_in_a_month(history)
    if error >= 0.5:
        return Refused(
            method, kind, f"fewer false alarms than {0.5 * samples_in_a_month(history):.3g} in 30 days asked"
        )
    alpha = history.alpha if method is LevelMethod.NEGATIVE_BINOMIAL else 0.0
    limit = upper_limit(history.per_m3, volume, error, alpha)
    how = f"{wanted.alarms(kind):g} in 30 days by chance"
    if method is LevelMethod.NEGATIVE_BINOMIAL:
        how += f", alpha {alpha:.2g}"
    return _proposal(history, method, kind, how, limit.level_per_m3, cap)


def _proposal(
    history: CountHistory, method: LevelMethod, kind: LevelKind, how: str, level: int, cap: Cap | None
) -> Proposal:
    volume, monthly = history.usual_volume_ul, samples_in_a_month(history)
    count = smallest_exceeding_count(level, volume)
    mean = history.per_m3 * volume / UL_PER_M3
    above = sum(
        counted * UL_PER_M3 > level * air
        for counted, air in zip(history.counts.tolist(), history.volumes_ul.tolist(), strict=True)
    )
    return Proposal(
        method=method,
        kind=kind,
        how=how,
        asks_per_m3=level,
        cap=cap,
        count=count,
        expected_alarms=monthly * tail(count, mean, history.alpha),
        seen_alarms=monthly * above / history.n,
    )


def _samples_needed(history: CountHistory, needed: int) -> str:
    return f"{needed} independent samples; there are {history.n}, worth {history.effective_n:.0f}"


def _particles_needed(history: CountHistory) -> str:
    text = f"{LEAST_PARTICLES} particles; there are {history.count} in {history.air_ul / UL_PER_M3:.3g} m3"
    if history.count:
        air = LEAST_PARTICLES / history.count * history.air_ul / UL_PER_M3
        text += f", so about {air:.3g} m3 are needed"
    return text
