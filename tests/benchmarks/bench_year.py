"""One year of one-minute samples from 100 locations: how long does judging and trending them take?

Run by hand: python tests/benchmarks/bench_year.py [locations] [cores]

52.6 million samples of two sizes, 28.3 litres each: Poisson counts of an intensity that wanders over the day, with
poor air now and then. Making them is not counted. Judging takes each location by itself, which keeps its year in
memory that the processor reaches quickly; threads share the locations, as numpy lets them run side by side. Trending
steps through time with all locations side by side (a sum depends on the one before), month by month, with what is
remembered handed on; many small steps do not run side by side in threads, so processes share the locations. Run rules
take each location by itself again. The target is 60 s on two cores for both halves together.
"""

from __future__ import annotations

import multiprocessing
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field

import numpy as np

from motewatch.limits.judging_arrays import REASONS, VERDICTS, Series, judge_series, series, verdicts
from motewatch.measure.charts import THREE_SIGMA_TAIL, UChart
from motewatch.measure.charts_arrays import count_ewma, deviations, poisson_cusum, run_rules, u_chart
from motewatch.measure.cusum import PoissonCusumSettings
from motewatch.measure.run_rules import NELSON, WESTERN_ELECTRIC
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


# Trends


MONTH = 30 * 24 * 60
SMALL_PER_M3, LARGE_PER_M3 = 30 * 0.6 / 0.0283, 0.1 * 0.6 / 0.0283
"""About what `year` makes of 0.5 um and of 5 um."""
SUMS = PoissonCusumSettings.between(LARGE_PER_M3, 4 * LARGE_PER_M3, 6.0)
TRENDS = (
    "trended: 0.5 um, EWMA with start-up limits",
    "trended: 5 um, Poisson CUSUM",
    "trended: 5 um, u-chart, exact limits",
    "trended: 0.5 um, Western Electric and Nelson rules",
)


@dataclass(frozen=True)
class Block:
    """Locations side by side: time along the first axis."""

    small: np.ndarray[tuple[int, ...], np.dtype[np.int64]]
    large: np.ndarray[tuple[int, ...], np.dtype[np.int64]]
    volumes: np.ndarray[tuple[int, ...], np.dtype[np.int64]]
    valid: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]


def block(numbers: list[int]) -> Block:
    shape = (MINUTES, len(numbers))
    found = Block(
        np.empty(shape, np.int64), np.empty(shape, np.int64), np.empty(shape, np.int64), np.empty(shape, np.bool_)
    )
    for column, number in enumerate(numbers):
        small, large = year(number)
        found.small[:, column], found.large[:, column] = small.counts, large.counts
        found.volumes[:, column] = small.volumes_ul
        found.valid[:, column] = small.sufficient & ~small.suspect
    return found


def trended(numbers: list[int]) -> tuple[Tally, float]:
    """One process's share; also the wall clock of it, without the making of the samples."""
    air, tally = block(numbers), Tally()
    begin = time.perf_counter()

    @contextmanager
    def timed(name: str) -> Iterator[None]:
        start = time.process_time()
        yield
        tally.seconds[name] += time.process_time() - start  # type: ignore[assignment]

    averages = sums = None
    chart = UChart(LARGE_PER_M3, error=THREE_SIGMA_TAIL, upper_only=True)
    for first in range(0, MINUTES, MONTH):
        here = slice(first, first + MONTH)
        small, large, volumes, valid = air.small[here], air.large[here], air.volumes[here], air.valid[here]
        with timed(TRENDS[0]):
            ewma = count_ewma(small, volumes, SMALL_PER_M3, None, 0.1, valid, averages)
            averages = ewma.end
        with timed(TRENDS[1]):
            cusum = poisson_cusum(large, volumes, SUMS, valid, sums)
            sums = cusum.end
        with timed(TRENDS[2]):
            beyond = u_chart(large, volumes, chart, valid)
        for name, found in zip(TRENDS, (ewma.sides, cusum.signals, beyond), strict=False):
            tally.above[name] += int((found == 1).sum())
    for column in range(len(numbers)):
        with timed(TRENDS[3]):
            valid = air.valid[:, column]
            sigmas = deviations(air.small[:, column], air.volumes[:, column], SMALL_PER_M3, 0.1, valid)
            for sides in run_rules(sigmas, (*WESTERN_ELECTRIC, *NELSON), valid).values():
                tally.above[TRENDS[3]] += int(np.count_nonzero(sides))
    return tally, time.perf_counter() - begin


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
    judged_s = wall
    shares = [list(range(first, locations, threads)) for first in range(threads)]
    with ProcessPoolExecutor(threads, multiprocessing.get_context("spawn")) as processes:
        shared = list(processes.map(trended, shares))
    for tally, _ in shared:
        total.seconds.update(tally.seconds)
        total.above.update(tally.above)
    # The processes make their samples at the same time and then work at the same time; the slowest counts.
    trended_s = max(seconds for _, seconds in shared)
    wall += trended_s
    samples = locations * MINUTES
    print(f"{locations} locations, {samples:,} samples of two sizes, {threads} cores, {len(REASONS)} reasons known")
    print(f"{'stage':<52} {'CPU s':>8} {'ns/sample':>10} {'found':>12}")
    for name in (*STAGES, *TRENDS):
        cpu = total.seconds[name]
        print(f"{name:<52} {cpu:8.2f} {cpu / samples * 1e9:10.1f} {total.above[name]:12,}")
    for name, seconds in (("judged", judged_s), ("trended", trended_s), ("all", wall)):
        print(f"{name + ', wall clock':<52} {seconds:8.2f} {seconds / samples * 1e9:10.1f}")
    scaled = wall * 100 / locations
    print(f"100 locations: {scaled:.1f} s, target {TARGET_S:.0f} s: {'met' if scaled < TARGET_S else 'MISSED'}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
