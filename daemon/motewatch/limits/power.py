"""What a judging rule can do: its chance of an alarm in air of a known concentration, and how long that takes.

For each rule of the site file (`site.models.Rule`), a limit in particles per m3 (cumulative, as in the standards), the
air of one full sample in microlitres, and the true concentration in particles per m3. Samples are full, sound and
follow each other without a gap; counts are independent from sample to sample, Poisson or, with `alpha` above 0,
negative binomial (variance = mean + alpha mean^2, see `measure.dispersion`). A room that drifts makes successive
samples alike; every rule that needs several samples then alarms more often than told here.

Two ways to count alarms, because both are asked for:

- `begins_per_sample`: as the service counts. An alarm begins when the verdict becomes "exceeds" and stays until the
  rule says "within"; long run, exact for every rule.
- 1 / `run_length(...).mean`: the window is emptied after each alarm.

Exact where `run_length.Method` says so, else simulated with its standard error. Values out of range raise
`OutOfRangeError`. Must not know sites, periods of programmes or output.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from motewatch.limits import run_length as lengths
from motewatch.limits.errors import OutOfRangeError
from motewatch.limits.moving_sum import MovingSum
from motewatch.limits.run_length import Method as Method
from motewatch.limits.run_length import RunLength as RunLength
from motewatch.limits.window_automaton import first_alarm
from motewatch.measure.dispersion import at_most, tail
from motewatch.measure.samples import UL_PER_L, UL_PER_M3
from motewatch.measure.statistics import exceeds_with_confidence, smallest_exceeding_count
from motewatch.site.models import Confidence, KOfN, RollingVolume, Rule

MOST_ALPHA = 10.0
MOST_WINDOW = 10_000
"""Samples in a rolling volume."""


@dataclass(frozen=True, slots=True)
class Setting:
    """What a rule works on: a limit, the air of one sample, and how much counts scatter."""

    limit_per_m3: int
    """0 or more."""
    volume_ul: int
    """Above 0."""
    alpha: float = 0.0
    """0 (Poisson) to 10."""

    def __post_init__(self) -> None:
        if self.limit_per_m3 < 0:
            raise OutOfRangeError("limit_per_m3", self.limit_per_m3, "0 or more particles per m3")
        if self.volume_ul <= 0:
            raise OutOfRangeError("volume_ul", self.volume_ul, "the air of a sample, above 0 microlitres")
        if not 0 <= self.alpha <= MOST_ALPHA:
            raise OutOfRangeError("alpha", self.alpha, f"a dispersion from 0 (Poisson) to {MOST_ALPHA:g}")

    def mean(self, per_m3: float) -> float:
        """Counts to be expected in a sample."""
        if not 0 <= per_m3 < math.inf:
            raise OutOfRangeError("concentration", per_m3, "0 or more particles per m3")
        return per_m3 * self.volume_ul / UL_PER_M3


def window_samples(rule: Rule, setting: Setting) -> int:
    """How many full samples the rule judges together."""
    if isinstance(rule, KOfN):
        return rule.n
    if isinstance(rule, RollingVolume):
        width = math.ceil(round(rule.volume_l * UL_PER_L) / setting.volume_ul)
        if width > MOST_WINDOW:
            raise OutOfRangeError("volume_l", rule.volume_l, f"a volume of at most {MOST_WINDOW} samples")
        return width
    return 1


def smallest_alarming_count(rule: Rule, setting: Setting) -> int:
    """The smallest count that exceeds: in one sample, or for a rolling volume in all its samples together."""
    if isinstance(rule, RollingVolume):
        air_ul = window_samples(rule, setting) * setting.volume_ul
        return smallest_exceeding_count(setting.limit_per_m3, air_ul)
    first = smallest_exceeding_count(setting.limit_per_m3, setting.volume_ul)
    if not isinstance(rule, Confidence):
        return first

    def sure(count: int) -> bool:
        return exceeds_with_confidence(count, setting.volume_ul, setting.limit_per_m3, rule.confidence_pct / 100)

    step = 1
    while not sure(first + step):
        step *= 2
    low, high = first - 1, first + step
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if sure(middle) else (middle, high)
    return high


def sample_exceeds(rule: Rule, setting: Setting, per_m3: float) -> float:
    """Chance that one sample exceeds; for a rolling volume, that one full volume does. Exact."""
    if isinstance(rule, RollingVolume):
        return _moving_sum(rule, setting, per_m3).chance()
    return tail(smallest_alarming_count(rule, setting), setting.mean(per_m3), setting.alpha)


def verdict_exceeds(rule: Rule, setting: Setting, per_m3: float) -> float:
    """Chance that the rule says "exceeds" at a moment when its window is full: the share of time in alarm. Exact."""
    if not isinstance(rule, KOfN):
        return sample_exceeds(rule, setting, per_m3)
    above, within = _chances(rule, setting, per_m3)
    terms = [math.comb(rule.n, j) * above**j * within ** (rule.n - j) for j in range(rule.k, rule.n + 1)]
    return min(1.0, math.fsum(terms))


def begins_per_sample(rule: Rule, setting: Setting, per_m3: float) -> float:
    """Chance in each sample that an alarm begins: the rule says "exceeds" and did not a sample before. Exact."""
    if isinstance(rule, RollingVolume):
        return _moving_sum(rule, setting, per_m3).begin_chance()
    above, within = _chances(rule, setting, per_m3)
    if not isinstance(rule, KOfN):
        return above * within
    # k - 1 above among the n - 1 that both windows hold, the sample that leaves within and the one that comes above.
    return math.comb(rule.n - 1, rule.k - 1) * above**rule.k * within ** (rule.n - rule.k + 1)


def run_length(rule: Rule, setting: Setting, per_m3: float, rng: np.random.Generator | None = None) -> RunLength:
    """Samples from clean air (or an empty window) to the first alarm.

    Exact for single samples, confidence and k of n; simulated for a rolling volume of more than one sample, for which
    `rng` is needed. Raises `TooManyStatesError` for k of n beyond what `window_automaton` builds.
    """
    if isinstance(rule, RollingVolume):
        sums = _moving_sum(rule, setting, per_m3)
        if sums.width > 1 and rng is None:
            raise OutOfRangeError("rng", rng, "a random generator: a rolling volume is simulated")
        return sums.run_length(np.random.default_rng(0) if rng is None else rng)
    above, within = _chances(rule, setting, per_m3)
    if isinstance(rule, KOfN):
        return first_alarm(rule.k, rule.n, above, within)
    return lengths.of_independent_samples(above)


def detected_within(
    rule: Rule,
    setting: Setting,
    per_m3: float,
    samples: int,
    rng: np.random.Generator | None = None,
) -> float:
    """Chance of an alarm within so many samples after clean air; see `run_length`."""
    return run_length(rule, setting, per_m3, rng).within(samples)


def bounds(rule: RollingVolume, setting: Setting, per_m3: float) -> tuple[float, float]:
    """Exact least and greatest mean number of samples to a rolling volume's first alarm; wide."""
    return _moving_sum(rule, setting, per_m3).bounds()


def _chances(rule: Rule, setting: Setting, per_m3: float) -> tuple[float, float]:
    """That one sample exceeds, and that it does not, both with all their digits."""
    count, mean = smallest_alarming_count(rule, setting), setting.mean(per_m3)
    return tail(count, mean, setting.alpha), at_most(count - 1, mean, setting.alpha)


def _moving_sum(rule: RollingVolume, setting: Setting, per_m3: float) -> MovingSum:
    return MovingSum(
        width=window_samples(rule, setting),
        mean=setting.mean(per_m3),
        alpha=setting.alpha,
        reaches=smallest_alarming_count(rule, setting),
        reaches_filling=smallest_exceeding_count(setting.limit_per_m3, round(rule.volume_l * UL_PER_L)),
    )
