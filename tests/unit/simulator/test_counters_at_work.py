"""Counters in the stream: schedules, channels, tours, manifolds, real optics, tubes, spread."""

from __future__ import annotations

from itertools import groupby
from typing import Any

import numpy as np
import pytest
from scipy import stats

from motewatch.site.models import Site
from motewatch_simulator.simulation import Measurement
from motewatch_simulator.tubes import Tube, penetration
from support.simulated import START_US, a_scenario, a_simulation, a_site, measured, second_of

DIRTY = [
    {"room": "clean", "count": 20, "activity": 1.0, "garment": "indoor"},
    {"room": "next", "count": 1, "activity": 0.3},
]
QUIET_OPTICS = {"coincidence": "none", "false_per_min": 0}


def counts(
    settings: dict[str, Any] | None = None, seconds: float = 200, site: Site | None = None, **changes: Any
) -> list[Measurement]:
    scenario = a_scenario(people=DIRTY, sensors=[{"id": "pc-1", **(settings or {})}], **changes)
    return measured(a_simulation(scenario, site, speed=20.0), seconds)


def means(measurements: list[Measurement]) -> list[float]:
    return [float(x) for x in np.array([m.values for m in measurements]).mean(axis=0)]


IDEAL = means(counts())


def test_a_pause_lies_between_samples() -> None:
    site = a_site(interval_s=30)
    here = counts({"sample_s": 10}, 300, site)
    assert [second_of(m) for m in here] == [10 + 30 * i for i in range(10)]
    assert {(m.duration_us, m.volume_ul) for m in here} == {(10_000_000, 4_716_667)}
    assert np.mean([m.values[0] for m in here[1:]]) == pytest.approx(10 * IDEAL[0], rel=0.05)


def test_channels_can_be_set() -> None:
    here = counts({"sizes_um": [0.3, 1.0, 5.0]})
    assert {m.sizes_um for m in here} == {(0.3, 1.0, 5.0)}
    # Indoor clothing: slope 0.81.
    assert means(here)[0] == pytest.approx(IDEAL[0] * (0.5 / 0.3) ** 0.81, rel=0.03)


def test_a_portable_is_carried_round_and_says_where_it_is() -> None:
    tour = {"stops": [{"location": "bench", "stay_s": 30}, {"location": "table", "stay_s": 20}], "travel_s": 10}
    here = counts({"tour": tour}, 140, a_site(kind="portable", location=None))
    stretches = [(where, [second_of(m) for m in part]) for where, part in groupby(here, lambda m: m.location)]
    assert [(where, seconds[0], seconds[-1]) for where, seconds in stretches] == [
        ("bench", 1, 30),
        ("table", 41, 60),
        ("bench", 71, 100),
        ("table", 111, 130),
    ]
    assert [m.seq for m in here] == list(range(len(here)))
    by_place = {
        where: np.mean([m.values[0] for m in here if m.location == where and second_of(m) > 20])
        for where in ("bench", "table")
    }
    assert by_place["bench"] > 10 * by_place["table"]


def test_a_manifold_counts_port_by_port_and_carries_some_over() -> None:
    manifold = {
        "ports": [{"location": "bench"}, {"location": "table"}],
        "dwell_s": 20,
        "purge_s": 5,
        "line_l": 2.0,
    }
    portable = a_site(kind="portable", location=None)
    here = counts({"manifold": manifold}, 2_000, portable)
    assert [(m.location, second_of(m)) for m in here[:3]] == [("bench", 25), ("table", 50), ("bench", 75)]
    assert {m.duration_us for m in here} == {20_000_000}
    table = np.mean([m.values[0] for m in here[3:] if m.location == "table"])
    clean = counts({"manifold": {**manifold, "line_l": 0.0}}, 2_000, portable)
    alone = np.mean([m.values[0] for m in clean[3:] if m.location == "table"])
    bench = np.mean([m.values[0] for m in clean[3:] if m.location == "bench"])
    # 2 L at 0.4717 L/s: 4.24 s a change; exp(-5/4.24) of it for 4.24 (1 - exp(-20/4.24)) of 20 s.
    share = np.exp(-5 / 4.24) * 4.24 * (1 - np.exp(-20 / 4.24)) / 20
    assert table - alone == pytest.approx(share * (bench - alone), rel=0.06)
    walls = counts({"manifold": {**manifold, "line_l": 0.0, "wall_share": 0.1}}, 2_000, portable)
    given = np.mean([m.values[0] for m in walls[3:] if m.location == "table"])
    assert given - alone == pytest.approx(0.1 * bench, rel=0.06)


def test_each_port_has_its_own_tube() -> None:
    long = {"length_m": 30, "diameter_mm": 10}
    manifold = {"ports": [{"location": "bench"}, {"location": "bench", "tube": long}], "dwell_s": 20, "line_l": 0.0}
    here = counts({"manifold": manifold}, 3_000, a_site(kind="portable", location=None))
    coarse = [np.mean([m.values[1] for m in here[port::2]]) for port in (0, 1)]
    # Through 30 m 0.36 of 5 um arrives, and none of 10 um.
    assert coarse[1] < 0.3 * coarse[0]
    fine = [np.mean([m.values[0] - m.values[1] for m in here[port::2]]) for port in (0, 1)]
    assert fine[1] == pytest.approx(0.9 * fine[0], rel=0.08)


def test_a_tube_takes_the_coarse_and_leaves_the_fine() -> None:
    here = means(counts({"tube": {"length_m": 10, "diameter_mm": 10}}, 1_000))
    # Indoor clothing has slope 0.81 all the way; what arrives of it, by plain summation over log size.
    sizes = np.geomspace(0.5, 200.0, 3_000)
    whole = sizes**-0.81
    arrives = whole * np.array([penetration(size, Tube(10, 0.010), 28.3) for size in sizes])
    coarse = sizes >= 5.0
    assert here[0] / IDEAL[0] == pytest.approx(arrives.sum() / whole.sum(), rel=0.02)
    # Coarse particles also settle in the room, so those that are left are finer than their source.
    assert here[1] / IDEAL[1] == pytest.approx(arrives[coarse].sum() / whole[coarse].sum(), rel=0.2)


def test_the_flow_may_be_off_while_the_stated_volume_is_not() -> None:
    here = counts({"response": {**QUIET_OPTICS, "flow_error_pct": -20}})
    right = counts({"response": QUIET_OPTICS})
    assert means(here)[0] / means(right)[0] == pytest.approx(0.8, rel=0.01)
    assert {m.volume_ul for m in here} == {471_667}


def test_thresholds_may_be_off() -> None:
    here = counts({"response": {**QUIET_OPTICS, "threshold_error_pct": 10}})
    right = counts({"response": QUIET_OPTICS})
    assert means(here)[0] / means(right)[0] == pytest.approx(1.1**-0.81, rel=0.02)


def test_sensors_differ_by_their_spread_and_keep_their_difference() -> None:
    response = {**QUIET_OPTICS, "flow_spread_pct": 10}
    scenario = a_scenario(people=DIRTY, response=response)
    ratios = [means(measured(a_simulation(scenario, seed=seed, speed=20.0), 60))[0] / IDEAL[0] for seed in range(1, 9)]
    assert 0.03 < np.std(ratios) < 0.25
    again = means(measured(a_simulation(scenario, seed=1, speed=20.0), 60))[0] / IDEAL[0]
    assert again == ratios[0]


def test_coincidence_takes_what_the_stated_maximum_says() -> None:
    # The room's 1.2e6 /m3 (all sizes counted) as the stated maximum: 10 % are lost.
    true = IDEAL[0] / 0.471667e-3
    site = a_site(max_concentration_per_m3=true)
    here = means(counts({"response": {"false_per_min": 0}}, site=site))
    free = means(counts({"response": QUIET_OPTICS}, site=site))
    assert here[0] / free[0] == pytest.approx(0.9, abs=0.01)


def test_a_zero_count_finds_the_false_counts_alone() -> None:
    scenario = a_scenario(
        locations=[{"id": "zone", "transfer": 0.0}],
        sensors=[{"id": "pc-1", "location": "zone", "response": {"false_per_min": 6}}],
    )
    here = measured(a_simulation(scenario, a_site(kind="portable", location=None)), 3_000)
    total = sum(m.values[0] for m in here)
    assert total == pytest.approx(300, abs=60)
    assert sum(m.values[1] for m in here) <= 3, "a thousandth of them at ten times the size"


@pytest.mark.parametrize("alpha", [0.2])
def test_spread_of_its_own_is_on_top_of_the_counting_noise(alpha: float) -> None:
    here = np.array([m.values[0] for m in counts({"dispersion": {"kind": "negative-binomial", "alpha": alpha}}, 1_500)])
    mean = here.mean()
    assert here.var() == pytest.approx(mean + alpha * mean**2, rel=0.2)
    lagged = np.corrcoef(here[1:], here[:-1])[0, 1]
    assert abs(lagged) < 0.1, "independent from reading to reading"


def test_a_wandering_zone_is_correlated_and_keeps_its_mean() -> None:
    zone = [{"id": "zone", "transfer": 1e-2}]
    settings = {"location": "zone", "dispersion": {"kind": "log-ou", "sd": 0.5, "tau_min": 1}}
    site = a_site(kind="portable", location=None, interval_s=10)
    here = np.array([m.values[0] for m in counts(settings, 30_000, site, locations=zone)])
    assert here.mean() == pytest.approx(IDEAL[0] * 10 / 100, rel=0.1)
    assert here.var() / here.mean() == pytest.approx(1 + here.mean() * np.expm1(0.25), rel=0.25)
    assert np.corrcoef(here[1:], here[:-1])[0, 1] > 0.5


def test_counts_are_whole_and_monotone_with_everything_on() -> None:
    settings = {
        "response": {"false_per_min": 30, "flow_spread_pct": 5, "threshold_spread_pct": 5, "pulse_us": 6.3},
        "tube": {"length_m": 3, "bends": 2},
        "dispersion": {"kind": "negative-binomial", "alpha": 0.5},
        "sizes_um": [0.3, 0.5, 1.0, 5.0, 10.0],
        "clock_ppm": 15,
    }
    faults = [
        {"kind": kind, "sensor": "*", "at_s": at, "duration_s": 20, **more}
        for at, kind, more in (
            (20, "stuck", {}),
            (45, "laser-ageing", {"power": 0.6}),
            (50, "electronic-noise", {"per_min_at_0_3_um": 900}),
            (60, "tube-burst", {"per_min": 30}),
            (90, "config-error", {"mode": "per-ft3"}),
        )
    ]
    here = counts(settings, 150, incidents=faults)
    assert len(here) == 150
    for m in here:
        assert all(type(count) is int and count >= 0 for count in m.values)
        assert list(m.values) == sorted(m.values, reverse=True)
    assert here[0].start_us == START_US


def test_the_bins_of_a_real_counter_in_a_steady_room_are_independent_and_poisson() -> None:
    settings = {
        "response": {"pulse_us": 6.3, "false_per_min": 60},
        "tube": {"length_m": 2, "bends": 1},
        "counts": "differential",
        "sizes_um": [0.5, 1.0, 5.0],
    }
    people = [{"room": "clean", "count": 4, "activity": 1.0, "garment": "smock"}]
    scenario = a_scenario(people=people, connections=[], sensors=[{"id": "pc-1", **settings}])
    draws = np.array([m.values for m in measured(a_simulation(scenario, seed=3), 4_000)])
    for column in range(3):
        mean = draws[:, column].mean()
        edges = np.unique(stats.poisson.ppf(np.linspace(0.05, 0.95, 15), mean))
        observed = np.bincount(np.searchsorted(edges, draws[:, column]), minlength=len(edges) + 1)
        expected = np.diff(np.concatenate([[0.0], stats.poisson.cdf(edges, mean), [1.0]])) * len(draws)
        assert stats.chisquare(observed, expected, ddof=1).pvalue > 0.01
    assert abs(np.corrcoef(draws.T) - np.eye(3)).max() < 0.05
