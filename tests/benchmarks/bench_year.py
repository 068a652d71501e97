"""One year of one-minute samples from 100 locations: how long does judging and trending them take?

Run by hand: python tests/benchmarks/bench_year.py [locations] [threads]

52.6 million samples of two sizes, 28.3 litres each: Poisson counts of an intensity that wanders over the day, with
poor air now and then. Making them is not counted. Each location is judged and trended by itself, which keeps its year
in memory that the processor reaches quickly; threads share the locations, as numpy lets them run side by side. The
target is 60 s on two cores.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

import numpy as np

from motewatch.limits.judging_arrays import REASONS, VERDICTS, Series, judge_series, series, verdicts
from motewatch.site.models import Confidence, KOfN, PerSample, RollingVolume

MINUTES = 365 * 24 * 60
NOMINAL_UL = 28_300_000
TARGET_S = 60.0

Stage = Callable[[Series, Series], int]
"""Takes a location's year at 0.5 um and at 5 um and says how many samples or points it found to be above."""


def judged(size: int, limit: int, rule: PerSample | KOfN | RollingVolume | Confidence) -> Stage:
    def stage(small: Series, large: Series) -> int:
        found = verdicts(judge_series(rule, small if size == 500 else large, limit))
        return int((found == len(VERDICTS) - 1).sum())

    return stage


STAGES: dict[str, Stage] = {
    "judged: 0.5 um, each sample, limit 3 520": judged(500, 3_520, PerSample(kind="per-sample")),
    "judged: 5 um, 3 of 10, limit 29": judged(5000, 29, KOfN(kind="k-of-n", k=3, n=10)),
    "judged: 5 um, rolling m3, limit 29": judged(5000, 29, RollingVolume(kind="rolling-volume", volume_l=1000)),
    "judged: 0.5 um, 95 % confidence, limit 3 520": judged(
        500, 3_520, Confidence(kind="confidence", confidence_pct=95)
    ),
}


def year(number: int) -> tuple[Series, Series]:
    """One location's year; the same one each time."""
    draw = np.random.default_rng(number)
    minutes = np.arange(MINUTES)
    day = 0.6 + 0.4 * np.sin(2 * np.pi * minutes / 1440)
    wander = np.exp(np.repeat(draw.normal(0, 0.3, MINUTES // 60), 60))
    larger = draw.poisson(0.1 * day * wander)
    smaller = larger + draw.poisson(30 * day * wander)
    poor = draw.random(MINUTES) < 0.001
    volume = np.where(poor, NOMINAL_UL // 2, NOMINAL_UL)
    suspect = draw.random(MINUTES) < 0.001
    small, large = (series(counts, volume, ~poor, suspect, NOMINAL_UL) for counts in (smaller, larger))
    return small, large


@dataclass
class Tally:
    """What came out, over all locations."""

    seconds: Counter[str] = field(default_factory=Counter)
    above: Counter[str] = field(default_factory=Counter)


def one_location(air: tuple[Series, Series]) -> Tally:
    tally = Tally()
    for name, stage in STAGES.items():
        start = time.thread_time()
        tally.above[name] = stage(*air)
        tally.seconds[name] = time.thread_time() - start  # type: ignore[assignment]
    return tally


def main(locations: int = 100, threads: int = 2) -> None:
    total, wall = Tally(), 0.0
    with ThreadPoolExecutor(threads) as pool:
        for first in range(0, locations, 10):
            # Ten locations at a time, so that a year of all of them need not be in memory.
            airs = list(pool.map(year, range(first, min(first + 10, locations))))
            start = time.perf_counter()
            tallies = list(pool.map(one_location, airs))
            wall += time.perf_counter() - start
            for tally in tallies:
                total.seconds.update(tally.seconds)
                total.above.update(tally.above)
    samples = locations * MINUTES
    print(f"{locations} locations, {samples:,} samples of two sizes, {threads} threads, {len(REASONS)} reasons known")
    print(f"{'stage':<46} {'CPU s':>8} {'ns/sample':>10} {'above':>12}")
    for name in STAGES:
        seconds = total.seconds[name]
        print(f"{name:<46} {seconds:8.2f} {seconds / samples * 1e9:10.1f} {total.above[name]:12,}")
    print(f"{'all, wall clock':<46} {wall:8.2f} {wall / samples * 1e9:10.1f}")
    scaled = wall * 100 / locations
    print(f"100 locations: {scaled:.1f} s, target {TARGET_S:.0f} s: {'met' if scaled < TARGET_S else 'MISSED'}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
