"""Between air and count: shares are shares, channels stay in order, and coincidence can be undone."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from motewatch.measure.coincidence import Loss, Optics, shown_per_m3, true_per_m3
from motewatch_simulator.misbehaviour import Ongoing, burst_counts, said, shown
from motewatch_simulator.response import coincide, efficiency, false_counts, fine_grid, registration
from motewatch_simulator.scenario import ChannelOrder, Stuck, TubeBurst
from motewatch_simulator.sensor_clock import SensorClock
from support.simulated import a_scenario, a_simulation, a_site, measured

SIZES = st.lists(st.sampled_from([0.3, 0.5, 0.7, 1.0, 2.0, 3.0, 5.0, 10.0, 25.0]), min_size=1, unique=True).map(sorted)
WIDTHS = st.floats(0.01, 1.0)
COUNTS = st.lists(st.integers(0, 10**6), min_size=1, max_size=8).map(tuple)
WHEN: dict[str, Any] = {"sensor": "pc-1", "at_s": 0, "duration_s": 60}


@given(size=st.floats(0.1, 50.0), threshold=st.floats(0.1, 25.0), width=WIDTHS, more=st.floats(1.0, 5.0))
def test_an_efficiency_is_a_share_and_rises_with_size(size: float, threshold: float, width: float, more: float) -> None:
    here = efficiency(size, threshold, width)
    assert 0.0 <= here <= efficiency(size * more, threshold, width) <= 1.0
    assert efficiency(size, threshold * more, width) <= here


@given(sizes=SIZES, width=WIDTHS, shift=st.floats(0.7, 1.5), share=st.floats(0.0, 1.0))
@settings(max_examples=30)
def test_no_particle_is_counted_twice(sizes: list[float], width: float, shift: float, share: float) -> None:
    table = registration(fine_grid(sizes), sizes, width=width, shift=shift, passes=lambda _: share)
    assert (table >= -1e-15).all()
    assert (table.sum(axis=0) <= share + 1e-12).all()


@given(
    bins=st.lists(st.floats(0.0, 1e9), min_size=1, max_size=8),
    seconds=st.floats(0.1, 600.0),
    flow=st.floats(0.5, 100.0),
    pulse_us=st.floats(0.1, 50.0),
    model=st.sampled_from(Loss),
)
def test_coincidence_takes_and_never_gives(
    bins: list[float], seconds: float, flow: float, pulse_us: float, model: Loss
) -> None:
    before = np.array(bins)
    after = coincide(before, seconds, Optics(flow, pulse_us * 1e-6, model))
    assert (after >= 0).all()
    above = [x[::-1].cumsum()[::-1] for x in (after, before)]
    assert above[0][0] <= above[1][0] * (1 + 1e-12)


@given(load=st.floats(0.0, 0.95), pulse_us=st.floats(0.1, 50.0), model=st.sampled_from(Loss))
def test_coincidence_is_undone_below_its_peak(load: float, pulse_us: float, model: Loss) -> None:
    optics = Optics(28.3, pulse_us * 1e-6, model)
    true = load / optics.busy_m3
    assert np.isclose(true_per_m3(shown_per_m3(true, optics), optics), true, rtol=1e-6, atol=1e-6)


@given(sizes=SIZES, rate=st.floats(0.0, 1e4), seconds=st.floats(0.1, 600.0))
def test_false_counts_add_up_to_their_rate(sizes: list[float], rate: float, seconds: float) -> None:
    bins = false_counts(sizes, rate, seconds)
    assert (bins >= 0).all()
    assert np.isclose(bins.sum(), rate * seconds / 60)


@given(counted=COUNTS, before=st.none() | COUNTS)
def test_what_a_faulty_sensor_shows_are_counts(counted: tuple[int, ...], before: tuple[int, ...] | None) -> None:
    stuck = [Ongoing(0, Stuck(kind="stuck", **WHEN), 0)]
    assert shown(counted, before, stuck) == (counted if before is None else before)
    swapped = said(counted, [Ongoing(0, ChannelOrder(kind="channel-order", **WHEN), 0)])
    assert sorted(swapped) == sorted(counted)


@given(sizes=SIZES, seed=st.integers(0, 2**32), per_min=st.floats(0.01, 100.0))
def test_a_burst_reaches_no_channel_below_it(sizes: list[float], seed: int, per_min: float) -> None:
    burst = TubeBurst(kind="tube-burst", per_min=per_min, **WHEN)
    extra = burst_counts([Ongoing(0, burst, 0)], sizes, 60.0, np.random.default_rng(seed))
    assert all(count >= 0 for count in extra)
    below = [count for size, count in zip(sizes[:-1], extra, strict=False) if size < 5.0]
    assert sum(below) == 0


@given(ppm=st.floats(-50_000, 50_000), steps=st.lists(st.integers(1, 10**9), min_size=1, max_size=50))
def test_a_clock_loses_no_microsecond(ppm: float, steps: list[int]) -> None:
    clock = SensorClock(ppm)
    true = [clock.true_us(step) for step in steps]
    assert sum(true) + clock.drift_us == sum(steps)
    assert abs(sum(true) - sum(steps) / (1 + ppm * 1e-6)) <= 1.0


@given(
    seed=st.integers(0, 2**32),
    width=WIDTHS,
    spread=st.floats(0, 30),
    alpha=st.floats(0.01, 5),
    kind=st.sampled_from(["stuck", "all-zero", "laser-ageing", "tube-burst", "drop-out", "repeats", "network-lost"]),
)
@settings(max_examples=15, deadline=None)
def test_whatever_is_set_counts_are_whole_and_in_order(
    seed: int, width: float, spread: float, alpha: float, kind: str
) -> None:
    chance = {"per_day": 20_000, "mean_s": 3}
    scenario = a_scenario(
        response={"width": width, "threshold_spread_pct": spread, "flow_spread_pct": spread, "pulse_us": 20},
        sensors=[{"id": "pc-2", "dispersion": {"kind": "negative-binomial", "alpha": alpha}, "clock_ppm": 40}],
        incidents=[{"kind": kind, "sensor": "*", "at_s": 3, "duration_s": 15, "random": chance}],
    )
    readings = measured(a_simulation(scenario, a_site(), seed=seed), 25, "pc-2")
    for m in readings:
        assert all(type(count) is int and count >= 0 for count in m.values)
        assert all(a >= b for a, b in pairwise(m.values))
