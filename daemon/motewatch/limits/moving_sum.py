"""When the counts of the last w samples together first reach a number: the rolling volume's run length.

Exactly known are: the chance that one window of w samples reaches it (the sum is Poisson or negative binomial again),
the chance in each sample that an alarm begins (the sum reaches it and the one before did not; one convolution), and,
since a sum only grows while the window fills, the chance of an alarm within the first w samples. The time to the
first alarm is not: its chain would have to remember w - 1 counts. It is simulated with the random generator given,
and says its standard error:

- Frequent alarms: runs from the empty window to the alarm, many at once.
- Rare alarms (more than `SAMPLES` / `LEAST_RUNS` samples apart): windows are drawn that do reach the number (the
  total from its tail, then shared out among the samples), then the samples before them; the share of windows without
  an earlier one that reached it within 2 w samples, times the exact chance of a window, is the chance of a first alarm
  in a sample. Windows more than w apart share no air, so that chance has settled by then, and the rest of the
  distribution is a geometric series. No alarm is too rare for this.

`bounds` gives an exact interval for the mean to check against. Counts are independent from sample to sample.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from motewatch.limits.run_length import LEAST_CHANCE_LOG10, Method, RunLength, never, of_independent_samples
from motewatch.measure.dispersion import at_most, probabilities, smallest_count_beyond, tail

SAMPLES = 3_000_000
"""About so many counts are drawn for one run length."""
LEAST_RUNS, MOST_RUNS = 1_000, 20_000

_NEGLIGIBLE = 1e-30


@dataclass(frozen=True, slots=True)
class MovingSum:
    """`width` successive samples, each with this mean count and dispersion; an alarm at `reaches` counts or more.

    `reaches_filling`: the number that alarms while there are fewer samples than `width`; not above `reaches`.
    """

    width: int
    mean: float
    alpha: float
    reaches: int
    reaches_filling: int

    def chance(self) -> float:
        """That one window reaches the number. Exact."""
        return tail(self.reaches, self.width * self.mean, self.alpha / self.width)

    def begin_chance(self) -> float:
        """That a window reaches it and the one a sample earlier did not. Exact (parts below 1e-30 left out)."""
        single = self.mean, self.alpha
        if self.mean == 0:
            return 0.0
        if self.width == 1:
            return tail(self.reaches, *single) * at_most(self.reaches - 1, *single)
        # The samples in both windows hold `reaches` - needed: the new one brings at least that, the old one had less.
        needed = np.arange(1, min(self.reaches, smallest_count_beyond(_NEGLIGIBLE, *single)) + 1)
        new = _tails(needed, *single)
        both = self.width - 1
        shared = probabilities(self.reaches - int(needed[-1]), self.reaches - 1, both * self.mean, self.alpha / both)[
            ::-1
        ]
        return float(np.sum(shared * new * _lower_tails(needed, *single)))

    def filling_chances(self) -> NDArray[np.float64]:
        """Chance of an alarm within 0, 1, ... `width` - 1 samples from an empty window. Exact."""
        found = [0.0]
        found += [tail(self.reaches_filling, t * self.mean, self.alpha / t) for t in range(1, self.width)]
        return np.array(found)

    def bounds(self) -> tuple[float, float]:
        """Least and greatest mean number of samples to the first alarm. Exact, and wide.

        Greatest: windows that share no sample are independent, so the alarm is there after width / chance samples at
        the latest. Least: sums that share samples are associated (Esary, Proschan and Walkup, 1967), so no alarm so
        far is at least as likely as it would be with independent windows.
        """
        chance = self.chance()
        if chance == 0:
            return math.inf, math.inf
        filling = 1 - self.filling_chances()
        missed = np.cumprod(filling)
        return float(missed.sum() + missed[-1] * (1 - chance) / chance), self.width / chance

    def run_length(self, rng: np.random.Generator) -> RunLength:
        """Samples to the first alarm from an empty window."""
        chance = self.chance()
        if chance < 10.0**LEAST_CHANCE_LOG10:
            return never()
        if self.width == 1:
            return of_independent_samples(chance)
        runs = int(min(MOST_RUNS, SAMPLES * chance / self.width))
        return self._by_runs(rng, runs) if runs >= LEAST_RUNS else self._by_windows(rng, chance)

    def _by_runs(self, rng: np.random.Generator, runs: int) -> RunLength:
        width = self.width
        lengths = np.zeros(runs, dtype=np.int64)
        alive = np.arange(runs)
        recent = np.zeros((runs, width), dtype=np.int64)
        done = 0
        while alive.size:
            stretch = max(width, 64)
            counts = np.concatenate((recent, self._draw(rng, (alive.size, stretch))), axis=1)
            sums = np.cumsum(counts, axis=1)
            sums = sums[:, width:] - sums[:, :-width]
            reached = sums >= np.where(
                np.arange(done + 1, done + stretch + 1) < width, self.reaches_filling, self.reaches
            )
            over = reached.any(axis=1)
            lengths[alive[over]] = done + 1 + reached[over].argmax(axis=1)
            alive, recent = alive[~over], counts[~over, -width:]
            done += stretch
        alarmed = np.cumsum(np.bincount(lengths)) / runs
        filling = self.filling_chances()[: alarmed.size]
        alarmed[: filling.size] = filling
        alarmed = np.maximum.accumulate(alarmed)
        error = float(lengths.std(ddof=1)) / math.sqrt(runs)
        return RunLength(float(lengths.mean()), error, Method.SIMULATED, alarmed, 0.0, 1.0, runs)

    def _by_windows(self, rng: np.random.Generator, chance: float) -> RunLength:
        width, back = self.width, 2 * self.width
        draws = int(np.clip(2 * SAMPLES // (width + back), 2_000, MOST_RUNS))
        alone = np.zeros(back + 1)
        at_once = max(1, min(draws, 2_000_000 // (width + back)))
        for first in range(0, draws, at_once):
            size = min(at_once, draws - first)
            window = self._draw_reaching(rng, size, chance)
            counts = np.concatenate((window, self._draw(rng, (size, back))), axis=1)
            sums = np.cumsum(counts, axis=1)
            # Newest first: the window i samples earlier holds the columns from i on.
            earlier = sums[:, width:] - sums[:, :-width]
            none_yet = np.logical_and.accumulate(earlier < self.reaches, axis=1)
            alone[0] += size
            alone[1:] += none_yet.sum(axis=0)
        alone /= draws
        full = chance * np.cumsum(alone[:-1])
        alarmed = np.maximum.accumulate(np.concatenate((self.filling_chances(), full)))
        left = float(1 - alarmed[-1])
        settled = max(float(alone[-1]), 1 / draws)
        hazard = chance * settled / left
        mean = float(np.sum(1 - alarmed[:-1])) + left / hazard
        error = mean * math.sqrt((1 - settled) / (settled * draws))
        return RunLength(mean, error, Method.SIMULATED, alarmed, left, hazard)

    def _draw(self, rng: np.random.Generator, shape: tuple[int, int]) -> NDArray[np.int64]:
        if self.alpha == 0:
            return rng.poisson(self.mean, shape)
        return rng.poisson(rng.gamma(1 / self.alpha, self.alpha * self.mean, shape))

    def _draw_reaching(self, rng: np.random.Generator, size: int, chance: float) -> NDArray[np.int64]:
        """Windows given that they reach the number: the total from its tail, then shared out among the samples."""
        total = self.width * self.mean, self.alpha / self.width
        last = smallest_count_beyond(max(chance * 1e-12, 1e-290), *total)
        shares = np.cumsum(probabilities(self.reaches, max(last, self.reaches), *total))
        totals = self.reaches + np.searchsorted(shares, rng.random(size) * shares[-1])
        even = np.full(self.width, 1 / self.width)
        if self.alpha == 0:
            return rng.multinomial(totals, even)
        weights = rng.gamma(1 / self.alpha, 1.0, (size, self.width))
        return rng.multinomial(totals, weights / weights.sum(axis=1, keepdims=True))


def _tails(counts: NDArray[np.int64], mean: float, alpha: float) -> NDArray[np.float64]:
    """P(X >= count) for successive counts, from the far end so that small ones keep their digits."""
    last = int(counts[-1])
    beyond = tail(last + 1, mean, alpha)
    inner = probabilities(int(counts[0]), last, mean, alpha)
    return np.minimum(1.0, np.cumsum(inner[::-1])[::-1] + beyond)


def _lower_tails(counts: NDArray[np.int64], mean: float, alpha: float) -> NDArray[np.float64]:
    """P(X < count) for successive counts from 1 on."""
    return np.minimum(1.0, np.cumsum(probabilities(0, int(counts[-1]) - 1, mean, alpha)))
