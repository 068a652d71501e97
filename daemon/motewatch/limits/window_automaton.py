"""k of n as an exact Markov chain: the fewest states that remember enough of the last samples.

A state is the set of ages of those exceedances among the last n - 1 samples that can still help to make an alarm. The
i-th newest of them helps only while k - i further ones fit in before it leaves the window; so there are
C(n, k - 1) states: 10 for 2 of 10, 45 for 3 of 10, 167 960 for 10 of 20. Up to `MOST_STATES` are built, which holds
every rule up to n = 20, and 2 and 3 of n up to n = 100. Samples are independent and exceed with one chance.

The distribution of the first alarm is followed step by step until the chance of an alarm, given none before, has
settled to 1e-13; beyond that it is a geometric series. Only positive terms are added, so means of 10^12 samples are
as good as small ones (relative error below 1e-10).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from motewatch.limits.errors import TooManyStatesError
from motewatch.limits.run_length import LEAST_CHANCE_LOG10, Method, RunLength, never

MOST_STATES = 200_000

_SETTLED = 1e-14
_MOST_STEPS = 10_000


@dataclass(frozen=True, slots=True, eq=False)
class Automaton:
    """States by number, 0 the empty window: where a sample leads that is within the limit, and one that exceeds."""

    within: NDArray[np.int64]
    above: NDArray[np.int64]
    """-1: the alarm."""


def states_of(k: int, n: int) -> int:
    """How many states k of n needs."""
    return math.comb(n, k - 1)


@lru_cache(maxsize=32)
def automaton(k: int, n: int) -> Automaton:
    """The automaton of k of n (1 <= k <= n). Raises `TooManyStatesError` where it has more than `MOST_STATES`."""
    if states_of(k, n) > MOST_STATES:
        raise TooManyStatesError(f"{k} of {n}", states_of(k, n), MOST_STATES)
    numbers = {0: 0}
    masks = [0]
    within: list[int] = []
    above: list[int] = []
    full = (1 << (n - 1)) - 1

    def number(mask: int) -> int:
        useful = _useful(mask & full, k, n)
        if useful not in numbers:
            numbers[useful] = len(masks)
            masks.append(useful)
        return numbers[useful]

    for mask in masks:  # grows while it is walked
        within.append(number(mask << 1))
        above.append(-1 if mask.bit_count() + 1 >= k else number(mask << 1 | 1))
    return Automaton(np.array(within, dtype=np.int64), np.array(above, dtype=np.int64))


def _useful(mask: int, k: int, n: int) -> int:
    """The exceedances that can still help: bit 0 is the newest sample."""
    kept = 0
    order = 1
    while mask:
        newest = mask & -mask
        # The one with this order needs k - order further ones before it leaves, one a sample at best.
        if newest.bit_length() > n - k + order:
            break
        kept |= newest
        mask ^= newest
        order += 1
    return kept


def first_alarm(k: int, n: int, above: float, within: float) -> RunLength:
    """Samples to the first alarm of k of n from an empty window.

    `above`: chance of a sample to exceed; `within`: its complement, given on its own so that no digits are lost where
    either is small.
    """
    if above <= 0 or k * math.log10(above) < LEAST_CHANCE_LOG10:
        return never()
    chain = automaton(k, n)
    going_on = np.flatnonzero(chain.above >= 0)
    alarming = np.flatnonzero(chain.above < 0)
    to_above = chain.above[going_on]
    size = chain.within.size
    at: NDArray[np.float64] = np.zeros(size)
    at[0] = 1.0
    alarmed = [0.0]
    mean = 0.0
    left = 1.0
    hazard = 0.0
    settled = 0
    for _ in range(_MOST_STEPS):
        alarm = above * float(at[alarming].sum())
        before, hazard = hazard, alarm / left
        settled = settled + 1 if hazard > 0 and abs(hazard - before) <= _SETTLED * hazard else 0
        if settled > n:
            break
        mean += left
        by_above = np.bincount(to_above, above * at[going_on], size)
        at = np.asarray(np.bincount(chain.within, within * at, size) + by_above, dtype=np.float64)
        alarmed.append(alarmed[-1] + alarm)
        left = float(at.sum())
        if left <= 1e-18:
            left, hazard = 0.0, 1.0
            break
    if left > 0:
        mean += left / hazard
    return RunLength(mean, 0.0, Method.EXACT, np.minimum(np.array(alarmed), 1.0), left, hazard)
