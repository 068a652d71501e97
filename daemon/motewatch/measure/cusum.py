"""Cumulative sums: tabular for values, and for Poisson counts in whatever volumes, with their run lengths.

Tabular: NIST/SEMATECH e-Handbook 6.3.2.3. Poisson: J. M. Lucas, "Counted data CUSUM's", Technometrics 27 (1985), from
memory, not confirmed: S = max(0, S + count - k), a signal at S >= h, with the reference value

    k = (rejectable - acceptable) / (ln rejectable - ln acceptable)

between the two means. k is a concentration here and its share of a sample is k x volume, so that a short sample adds
as little as it should. The Poisson sum is kept in integers (10^-12 particles), so it does not depend on the machine.

A room scatters more than Poisson and remembers: choose h with the dispersion that was found (`alpha`), and take a run
length from here as an upper bound for air that changes slowly. Must not know samples, places or alarms.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Self

from motewatch.measure.absorption import mean_times
from motewatch.measure.dispersion import probabilities, tail
from motewatch.measure.errors import BadInputError
from motewatch.measure.signals import Signal, above_zero, counted, finite, not_negative
from motewatch.measure.statistics import UL_PER_M3
from motewatch.site.later import Later

if TYPE_CHECKING:
    import numpy as np
else:
    np = Later("numpy")

UNIT: Final = 1000 * UL_PER_M3
"""Of the Poisson sum, in one particle: a reference in thousandths per m3 times microlitres is then whole."""
MOST_PARTICLES: Final = 1_000_000
"""The most that a sample's count, a sum's limit or a sample's share of the reference may be: int64 holds it."""
MOST_STATES: Final = 600
"""Of the Markov chain; a finer lattice is rounded to one that fits."""
CLOSE_REFERENCE: Final = 1e-3
"""A reference that is no fraction of the lattice may be off by this share of itself."""


def reference_value(acceptable: float, rejectable: float) -> float:
    """Lucas's k between two means (any one unit, both above 0, rejectable the greater)."""
    above_zero("acceptable", acceptable)
    if not acceptable < rejectable < math.inf:
        raise BadInputError("rejectable", rejectable, f"a finite number above {acceptable}, which is acceptable")
    return (rejectable - acceptable) / math.log(rejectable / acceptable)


@dataclass(frozen=True, slots=True)
class PoissonCusumSettings:
    """`reference_milli_per_m3`: k in thousandths of a particle per m3. `limit_milli`: h in thousandths of a particle.

    `restart`: begin again after a signal, from the head start (the textbook way: one signal per cause). Without it
    the sum goes on, held below twice the limit, and signals as long as it is at the limit or above: a condition that
    can end. `head_start_milli` begins nearer to the limit, for a room just changed.
    """

    reference_milli_per_m3: int
    limit_milli: int
    restart: bool = False
    head_start_milli: int = 0

    def __post_init__(self) -> None:
        if not 0 < self.reference_milli_per_m3 <= 10**15:
            raise BadInputError("reference_milli_per_m3", self.reference_milli_per_m3, "1 to 10^15")
        if not 0 < self.limit_milli <= 1000 * MOST_PARTICLES:
            raise BadInputError("limit_milli", self.limit_milli, f"1 to {1000 * MOST_PARTICLES}")
        if not 0 <= self.head_start_milli < self.limit_milli:
            raise BadInputError("head_start_milli", self.head_start_milli, f"0 to below {self.limit_milli}")

    @classmethod
    def between(
        cls, acceptable_per_m3: float, rejectable_per_m3: float, limit: float, *, restart: bool = False
    ) -> Self:
        """Settings by Lucas's reference value; `limit` is h in particles."""
        reference = reference_value(acceptable_per_m3, rejectable_per_m3)
        return cls(max(1, round(1000 * reference)), round(1000 * above_zero("limit", limit)), restart)


class PoissonCusum:
    """The upper Poisson CUSUM."""

    __slots__ = ("_sum", "settings")

    def __init__(self, settings: PoissonCusumSettings) -> None:
        self.settings = settings
        self._sum = settings.head_start_milli * UL_PER_M3

    @classmethod
    def from_state(cls, settings: PoissonCusumSettings, state: Mapping[str, Any]) -> Self:
        """The sum as it was when `to_state` was called."""
        chart = cls(settings)
        held = state["sum"]
        if not isinstance(held, int) or held < 0:
            raise BadInputError("sum", held, "a whole number, 0 or more")
        chart._sum = held
        return chart

    def to_state(self) -> dict[str, Any]:
        """One integer, in 10^-12 particles."""
        return {"sum": self._sum}

    @property
    def particles(self) -> float:
        """The sum in particles."""
        return self._sum / UNIT

    def restart(self) -> None:
        """Begin again, from the head start."""
        self._sum = self.settings.head_start_milli * UL_PER_M3

    def observe(self, count: int, volume_ul: int) -> list[Signal]:
        """Take the next sample; value and limit of a signal are particles (the value before a restart)."""
        counted(count, volume_ul)
        settings = self.settings
        share = settings.reference_milli_per_m3 * volume_ul
        # Held here too, so that the array version can say the same in 64 bits.
        if count > MOST_PARTICLES:
            raise BadInputError("count", count, f"at most {MOST_PARTICLES} particles in a sample")
        if share > MOST_PARTICLES * UNIT:
            raise BadInputError("volume_ul", volume_ul, f"air with at most {MOST_PARTICLES} particles at the reference")
        limit = settings.limit_milli * UL_PER_M3
        total = max(0, self._sum + count * UNIT - share)
        self._sum = min(total, 2 * limit)
        if total < limit:
            return []
        if settings.restart:
            self.restart()
        return [Signal("poisson-cusum", 1, total / UNIT, settings.limit_milli / 1000)]


class Cusum:
    """The tabular CUSUM of values, both sides: `slack` is k and `limit` is h, in the values' unit.

    high = max(0, high + value - target - slack), low = max(0, low + target - slack - value); a signal above `limit`.
    The sums go on after a signal, as in the handbook's example, unless `begin_again` is set.
    """

    __slots__ = ("begin_again", "high", "limit", "low", "slack", "target")

    def __init__(self, target: float, slack: float, limit: float, *, begin_again: bool = False) -> None:
        self.target = finite("target", target)
        self.slack = not_negative("slack", slack)
        self.limit = above_zero("limit", limit)
        self.begin_again = begin_again
        self.high = self.low = 0.0

    def to_state(self) -> dict[str, Any]:
        """Both sums."""
        return {"high": self.high, "low": self.low}

    @classmethod
    def from_state(
        cls, target: float, slack: float, limit: float, state: Mapping[str, Any], *, begin_again: bool = False
    ) -> Self:
        """The sums as they were when `to_state` was called."""
        chart = cls(target, slack, limit, begin_again=begin_again)
        chart.high = not_negative("high", float(state["high"]))
        chart.low = not_negative("low", float(state["low"]))
        return chart

    def restart(self) -> None:
        """Begin again at 0."""
        self.high = self.low = 0.0

    def observe(self, value: float) -> list[Signal]:
        """Take the next value; value and limit of a signal are the sum and h."""
        finite("value", value)
        self.high = max(0.0, self.high + (value - (self.target + self.slack)))
        self.low = max(0.0, self.low + ((self.target - self.slack) - value))
        found = []
        if self.high > self.limit:
            found.append(Signal("cusum", 1, self.high, self.limit))
        if self.low > self.limit:
            found.append(Signal("cusum", -1, self.low, self.limit))
        if found and self.begin_again:
            self.restart()
        return found


# How long until a signal


def average_run_length(
    mean: float, reference: float, limit: float, alpha: float = 0.0, head_start: float = 0.0
) -> float:
    """Mean number of samples to the first signal (S >= limit) of a Poisson CUSUM, by its Markov chain; inf for never.

    All in particles a sample, samples of equal air and independent. Exact where `reference`, `limit` and `head_start`
    are multiples of one fraction with at most 600 steps to the limit; else they are rounded to such multiples, the
    reference by 0.1 % at most where that can be; that moved the run lengths we tried by 5 % or less.
    """
    not_negative("mean count", mean)
    above_zero("reference", reference)
    above_zero("limit", limit)
    if not 0 <= head_start < limit:
        raise BadInputError("head_start", head_start, f"0 to below {limit}, which is the limit")
    if limit > MOST_STATES:
        raise BadInputError("limit", limit, f"at most {MOST_STATES} particles")
    if mean == 0:
        return math.inf
    parts = _parts(reference, limit, head_start)
    down, states = round(reference * parts), max(1, round(limit * parts))
    most = (states + down) // parts + 1
    chances = probabilities(0, most, mean, alpha)
    matrix = np.zeros((states, states))
    every = np.arange(states)
    for count, chance in enumerate(chances):
        there = np.maximum(0, every + count * parts - down)
        within = there < states
        np.add.at(matrix, (every[within], there[within]), chance)
    # How long a stay is comes from the chance of leaving: as a sum of its own, not as one less nearly one.
    leaving = np.array([tail(-(-(states + down - state) // parts), mean, alpha) for state in range(states)])
    return float(mean_times(matrix, leaving)[min(states - 1, round(head_start * parts))])


def limit_for_run_length(mean: float, reference: float, samples: float, alpha: float = 0.0) -> int:
    """The smallest whole limit (particles) whose run length at `mean` is at least `samples`.

    Raises `BadInputError` where no limit up to 500 does: then the reference is too near the mean, or the scatter too
    great.
    """
    above_zero("samples", samples)
    low, high = 0, 1
    while average_run_length(mean, reference, high, alpha) < samples:
        low, high = high, 2 * high
        if high > 512:
            raise BadInputError("samples", samples, "a run length that a limit of up to 500 particles reaches")
    while high - low > 1:
        middle = (low + high) // 2
        if average_run_length(mean, reference, middle, alpha) < samples:
            low = middle
        else:
            high = middle
    return high


def _parts(reference: float, limit: float, head_start: float) -> int:
    """Steps in one particle: the fewest that hold all three exactly, else a few that hold the reference well.

    The reference is taken off at each sample, so its rounding adds up; the limit's and the head start's do not.
    """
    most = max(1, int(MOST_STATES / limit))
    for parts in range(1, most + 1):
        if all(abs(value * parts - round(value * parts)) < 1e-9 for value in (reference, limit, head_start)):
            return parts
    errors = [abs(reference - round(reference * parts) / parts) for parts in range(1, most + 1)]
    good = [parts for parts, error in enumerate(errors, 1) if error <= CLOSE_REFERENCE * reference]
    return good[0] if good else 1 + errors.index(min(errors))
