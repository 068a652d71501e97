"""Each incident does what its name says, where it says, for as long as it says, and nothing elsewhere."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from motewatch_simulator.simulation import Came, Counted, Measurement, Went
from support.simulated import START_US, a_scenario, a_simulation, a_site, measured, second_of, until


def mean_count(measurements: list[Measurement], first_s: float, last_s: float, channel: int = 0) -> float:
    """Mean count of the readings that ended in `(first_s, last_s]`."""
    values = [m.values[channel] for m in measurements if first_s < second_of(m) <= last_s]
    return float(np.mean(values))


def played(incident: dict[str, Any], seconds: float = 120, sensor: str = "pc-1", **changes: Any) -> list[Measurement]:
    scenario = a_scenario(incidents=[{"at_s": 30, "duration_s": 30, **incident}], **changes)
    return measured(a_simulation(scenario, speed=20.0), seconds, sensor)


def test_a_gowning_burst_lifts_its_room_and_the_room_recovers() -> None:
    here = played({"kind": "gowning-burst", "room": "next", "people": 4}, sensor="pc-2", seconds=150)
    calm, burst = mean_count(here, 0, 30, 1), mean_count(here, 45, 60, 1)
    # 8 x 35,500 /s in 0.833 m3/s: 0.34e6 /m3, in 0.4717 L.
    assert burst == pytest.approx(0.34e6 * 0.4717e-3 + calm, rel=0.1)
    assert mean_count(here, 110, 150, 1) == pytest.approx(calm, rel=0.3)


def test_a_burst_next_door_stays_there_while_air_flows_outwards() -> None:
    here = played({"kind": "gowning-burst", "room": "next", "people": 4})
    assert mean_count(here, 40, 60) == pytest.approx(mean_count(here, 0, 30), rel=0.35)


def test_a_filter_leak_brings_fine_particles_and_hardly_any_coarse() -> None:
    here = played({"kind": "filter-leak", "room": "clean", "bypass_l_min": 2_000})
    # 3.5e7 x 0.2 x 0.65 /m3 upstream, 2,000 L/min of it into 1.125 m3/s: 134,800 /m3 more, in 0.4717 L.
    assert mean_count(here, 45, 60) - mean_count(here, 0, 30) == pytest.approx(134_800 * 0.4717e-3, rel=0.05)
    assert mean_count(here, 45, 60, 1) == pytest.approx(mean_count(here, 0, 30, 1), abs=0.2)


def test_a_door_left_open_takes_the_pressure_and_lets_the_neighbour_in() -> None:
    dirty = [{"room": "next", "count": 10, "garment": "indoor", "activity": 1.0}]
    here = played({"kind": "door-open", "higher": "clean", "lower": "next"}, people=dirty)
    pressures = {second_of(m): m.pressure_pa for m in here}
    assert pressures[29.0] == pytest.approx(15.0, abs=2.0)
    assert pressures[31.0] == pytest.approx(0.0, abs=2.0)
    assert pressures[60.0] == pytest.approx(0.0, abs=2.0)
    assert pressures[65.0] == pytest.approx(15.0, abs=2.0)
    assert mean_count(here, 45, 60) > 10 * (mean_count(here, 0, 30) + 0.5)


def test_people_passing_a_door_dip_the_pressure_for_a_moment() -> None:
    scenario = a_scenario(
        connections=[{"higher": "clean", "lower": "next", "leak_m3_h": 100.0, "door": {"passages_per_h": 60.0}}]
    )
    pressures = [m.pressure_pa for m in measured(a_simulation(scenario), 1_800)]
    low = sum(p < 5 for p in pressures if p is not None) / len(pressures)
    # One passage a minute that keeps the door open for 8 s, and the way back.
    assert 0.08 < low < 0.25


def test_humidity_drifts_up_and_comes_back() -> None:
    rooms = [
        {"id": "clean", "air_changes_per_h": 60.0, "humidity_tau_min": 2.0},
        {"id": "next", "air_changes_per_h": 30.0},
    ]
    here = played({"kind": "humidity-drift", "room": "clean", "change_pct": 20, "ramp_s": 10}, rooms=rooms)
    humidity = {second_of(m): m.humidity_pct for m in here}
    assert humidity[30.0] == pytest.approx(45, abs=2)
    assert humidity[60.0] == pytest.approx(65, abs=3)
    assert humidity[120.0] == pytest.approx(45, abs=2)
    temperature = {second_of(m): m.temperature_c for m in here}
    assert temperature[60.0] == pytest.approx(20.0, abs=0.6)


def test_temperature_drifts_and_humidity_follows_the_other_way() -> None:
    rooms = [
        {"id": "clean", "air_changes_per_h": 60.0, "temperature_tau_min": 1.0},
        {"id": "next", "air_changes_per_h": 30.0},
    ]
    here = played({"kind": "temperature-drift", "room": "clean", "change_c": 4}, rooms=rooms)
    last = next(m for m in here if second_of(m) == 60.0)
    assert last.temperature_c == pytest.approx(24.0, abs=0.6)
    assert last.humidity_pct == pytest.approx(45 * 2_339 / 2_984, abs=2.0)


def test_a_slow_fan_costs_pressure_and_cleanliness() -> None:
    here = played({"kind": "supply-drop", "room": "clean", "share": 0.5})
    assert mean_count(here, 50, 60) == pytest.approx(2 * mean_count(here, 0, 30), rel=0.3)
    last = next(m for m in here if second_of(m) == 60.0)
    assert last.pressure_pa == pytest.approx(15.0 / 4, abs=1.5)


def test_an_intervention_is_seen_in_its_zone_alone() -> None:
    scenario = a_scenario(
        locations=[{"id": "zone", "transfer": 1e-4}],
        sensors=[{"id": "pc-1", "location": "zone"}],
        incidents=[
            {"kind": "intervention", "location": "zone", "at_s": 30, "duration_s": 30, "per_s_at_0_5_um": 100.0}
        ],
    )
    site = a_site(kind="portable", location=None)
    here = measured(a_simulation(scenario, site), 90)
    assert mean_count(here, 0, 30) < 0.1, "a ten-thousandth of the room's 9,067 /m3"
    # chi 159 s/m3 x 100 /s = 15,900 /m3, in 0.4717 L.
    assert mean_count(here, 30, 60) == pytest.approx(15_900 * 0.4717e-3, rel=0.15)
    assert mean_count(here, 60, 90) < 0.1
    assert {m.location for m in here} == {"zone"}


@pytest.mark.parametrize(("presence", "abrupt"), [("will", True), ("explicit", False)])
def test_an_unplugged_sensor_is_silent_and_comes_back_with_another_boot(presence: str, abrupt: bool) -> None:
    incident = {"kind": "sensor-unplugged", "sensor": "pc-1", "at_s": 10.5, "duration_s": 10, "presence": presence}
    mine = [
        e for e in until(a_simulation(a_scenario(incidents=[incident])), 30) if e.sensor == "pc-1"
    ]  # fmt: skip
    went = next(e for e in mine if isinstance(e, Went))
    assert (went.due_us - START_US, went.abrupt) == (10_500_000, abrupt)
    came = [e for e in mine if isinstance(e, Came)]
    assert [e.due_us - START_US for e in came] == [0, 20_500_000]
    assert len({e.boot for e in came}) == 2
    sent = [e.measurement for e in mine if isinstance(e, Counted)]
    # The interval that was cut, and the one that would have begun without power, are missing.
    assert [second_of(m) for m in sent] == [*range(1, 11), *range(22, 31)]
    assert [m.seq for m in sent] == [*range(10), *range(9)]
    assert [m.boot for m in sent] == [came[0].boot] * 10 + [came[1].boot] * 9


def test_a_lost_network_sends_everything_late_and_in_order() -> None:
    incident = {"kind": "network-lost", "sensor": "pc-1", "at_s": 10, "duration_s": 5}
    mine = [e for e in until(a_simulation(a_scenario(incidents=[incident])), 20) if e.sensor == "pc-1"]
    sent = [e for e in mine if isinstance(e, Counted)]
    assert [e.measurement.seq for e in sent] == list(range(20))
    assert {e.measurement.boot for e in sent} == {sent[0].measurement.boot}
    late = [e for e in sent if e.due_us == START_US + 15_000_000]
    assert [second_of(e.measurement) for e in late] == [11.0, 12.0, 13.0, 14.0, 15.0]
    assert [type(e) for e in mine if not isinstance(e, Counted)] == [Came, Went, Came]


def test_repeats_are_the_same_message_again() -> None:
    incident = {"kind": "repeats", "sensor": "pc-1", "at_s": 10, "duration_s": 5}
    here = measured(a_simulation(a_scenario(incidents=[incident])), 20)
    assert len(here) == 25
    twice = [m.seq for m in here if sum(other.seq == m.seq for other in here) == 2]
    assert sorted(set(twice)) == [10, 11, 12, 13, 14]
    assert all(a == b for a, b in pairwise(here) if a.seq == b.seq)


def test_a_weak_pump_counts_less_and_says_so() -> None:
    here = played({"kind": "flow-fault", "sensor": "pc-1", "share": 0.0})
    assert [m.flow_ok for m in here if 31 < second_of(m) <= 60] == [False] * 29
    assert mean_count(here, 31, 60) == 0
    assert mean_count(here, 0, 30) > 2
    assert {m.volume_ul for m in here} == {471_667}
