"""What locations see of rooms with zones, near fields, tools, shifts, weather, wedged doors and failing fans."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from motewatch_simulator.air import Air
from motewatch_simulator.scenario import Scenario
from support.simulated import START_US, a_scenario, an_air, watch

MIDNIGHT_US = 1_780_272_000_000_000
"""A Monday's, UTC, eight hours before `START_US`."""

ZONE = {"id": "zone", "transfer": 1e-4}
NOBODY: dict[str, Any] = {"people": []}


def room(**keys: Any) -> list[dict[str, Any]]:
    """The two rooms, changes go to `clean`."""
    return [
        {"id": "clean", "air_changes_per_h": 60.0, "pressure_pa": 15.0, **keys},
        {"id": "next", "air_changes_per_h": 30.0},
    ]


def test_a_probe_sees_a_tool_upstream_by_its_place_and_the_room_sees_it_mixed() -> None:
    probe = {"location": "zone", "downstream_m": 0.5}
    tool = {"room": "clean", "per_min_at_0_5_um": 6_000.0, "seen_by": [probe]}
    quiet = watch(an_air(a_scenario(locations=[ZONE], **NOBODY)), 60)
    here = watch(an_air(a_scenario(locations=[ZONE], machines=[tool], **NOBODY)), 60)
    # chi 159 s/m3 x 100 /s; and 100 /s in 1.125 m3/s.
    assert (here["zone"] - quiet["zone"]).sum() == pytest.approx(15_915, rel=0.01)
    assert (here["bench"] - quiet["bench"]).sum() == pytest.approx(100 / 1.125, rel=0.01)
    aside = {**tool, "seen_by": [{**probe, "off_axis_m": 0.3}]}
    there = watch(an_air(a_scenario(locations=[ZONE], machines=[aside], **NOBODY)), 60)
    assert (there["zone"] - quiet["zone"]).sum() < 1.0, "a hand's breadth off the axis can miss it"


def test_an_intervention_opens_the_zone_to_the_room_while_it_lasts() -> None:
    hands = {
        "kind": "intervention",
        "location": "zone",
        "at_s": 60,
        "duration_s": 60,
        "per_s_at_0_5_um": 1e-6,
        "disturbed_transfer": 1e-2,
    }
    air = an_air(a_scenario(locations=[ZONE], incidents=[hands]))
    before, during, after = (watch(air, 60) for _ in range(3))
    assert before["zone"].sum() == pytest.approx(1e-4 * before["bench"].sum())
    assert during["zone"].sum() == pytest.approx(1e-2 * during["bench"].sum(), rel=1e-3)
    assert after["zone"].sum() == pytest.approx(1e-4 * after["bench"].sum())


def test_a_leak_above_a_zone_is_a_jet_on_one_probe() -> None:
    leak = {"kind": "filter-leak", "room": "clean", "bypass_l_min": 1.0, "at_s": 60, "duration_s": 600}
    jet = {**leak, "seen_by": [{"location": "zone", "chi_s_m3": 100.0}]}
    air = an_air(a_scenario(locations=[ZONE], incidents=[jet], **NOBODY))
    before = watch(air, 60)["zone"].sum()
    # 3.5e7 x 0.2 x 0.65 /m3 upstream: 1 L/min is 75.8 /s.
    assert watch(air, 60)["zone"].sum() - before == pytest.approx(75.8 * 100, rel=0.01)


def test_a_tool_in_a_near_field_is_seen_stronger_there() -> None:
    place = {"id": "bench", "near_m3": 5.0, "near_exchange_m3_h": 300.0}
    tool = {"room": "clean", "per_min_at_0_5_um": 60_000.0, "near": "bench"}
    air = an_air(a_scenario(locations=[place], machines=[tool], **NOBODY))
    quiet = watch(an_air(a_scenario(locations=[place], **NOBODY)), 60)
    here = watch(air, 60)
    # G/Q + G/beta: 1,000 /s in 1.125 m3/s and 0.0833 m3/s.
    assert (here["bench"] - quiet["bench"]).sum() == pytest.approx(1_000 / 1.125 + 1_000 / (300 / 3600), rel=0.01)
    assert (here["zone"] - quiet["zone"]).sum() == pytest.approx(1_000 / 1.125, rel=0.01)


def test_a_badly_flushed_corner_sees_more() -> None:
    seen = watch(an_air(a_scenario(locations=[{"id": "zone", "effectiveness": 0.5}])), 60)
    assert seen["zone"] == pytest.approx(2.0 * seen["bench"])


def test_a_tool_rests_in_turn() -> None:
    tool = {"room": "clean", "per_min_at_0_5_um": 1e6, "on_min": 5.0, "off_min": 15.0}
    air = an_air(a_scenario(machines=[tool], **NOBODY))
    watch(air, 1_200)
    minutes = np.array([watch(air, 60)["bench"].sum() for _ in range(80)])
    assert minutes.mean() == pytest.approx(0.25 * 1e6 / 60 / 1.125, rel=0.1)
    assert (minutes < 0.05 * minutes.max()).mean() > 0.4, "off for minutes on end"


def test_a_tool_keeps_its_hours() -> None:
    tool = {"room": "clean", "per_min_at_0_5_um": 1e6, "hours": ["Mon 08:30-09:00"]}
    air = an_air(a_scenario(machines=[tool], **NOBODY))
    early = watch(air, 1_700)["bench"].sum()
    watch(air, 700)
    assert watch(air, 600)["bench"].sum() > 100 * early
    watch(air, 1_200)
    assert watch(air, 600)["bench"].sum() < 2 * early


def shift() -> Scenario:
    return a_scenario(
        people=[
            {
                "room": "clean",
                "count": 6,
                "activity": 0.3,
                "hours": ["Mon-Fri 06:00-14:00"],
                "breaks": ["Mon-Fri 10:00-10:30"],
                "gowning_room": "next",
            }
        ],
    )


def test_a_shift_fills_the_gowning_room_first_and_leaves_for_its_break() -> None:
    air = an_air(shift(), start_us=MIDNIGHT_US)
    present: dict[float, tuple[int, int]] = {}
    gowning: dict[float, float] = {}
    for minute in range(0, 900, 5):
        gowning[minute / 60] = watch(air, 300)["table"].sum()
        present[(minute + 5) / 60] = (air.present("clean"), air.present("next"))
    assert present[3.0] == (0, 0)
    assert present[8.0] == (6, 0)
    assert present[10.25] == (0, 0)
    assert present[15.0] == (0, 0)
    assert max(there for hour, (_, there) in present.items() if 5.5 < hour < 6.2) >= 4
    at_start = max(value for hour, value in gowning.items() if 5.7 < hour < 6.2)
    assert at_start > 20 * gowning[8.0]


def test_an_empty_room_at_night_is_cooler_and_drier_than_with_its_people() -> None:
    air = an_air(shift(), start_us=MIDNIGHT_US)
    readings: dict[bool, list[tuple[float, float]]] = {False: [], True: []}
    for minute in range(0, 600, 5):
        watch(air, 300)
        climate = air.climate("clean")
        if not 240 < minute < 480:
            readings[minute > 400].append((climate.temperature_c, climate.humidity_pct))
    night, day = (np.mean(readings[key], axis=0) for key in (False, True))
    # Six people give 600 W to 1.125 m3/s: 0.44 C; and 360 g/h, about 0.5 % at 20 C less what the warmth takes.
    assert day[0] - night[0] == pytest.approx(0.44, abs=0.1)


def test_a_fan_trip_costs_pressure_and_cleanliness_and_both_come_back() -> None:
    trip = {"kind": "fan-trip", "at_s": 600, "duration_s": 900}
    air = an_air(a_scenario(incidents=[trip]))
    before = watch(air, 600)["bench"].sum()
    watch(air, 300)
    pressure = air.climate("clean").pressure_pa
    assert pressure is not None
    assert abs(pressure) < 2.0
    assert watch(air, 300)["bench"].sum() > 5 * before
    watch(air, 900)
    assert watch(air, 600)["bench"].sum() == pytest.approx(before, rel=0.05)


def test_a_fan_trip_leaves_the_air_balanced_where_a_room_lived_on_its_neighbours_leak() -> None:
    connections = [
        {"higher": "clean", "lower": "next", "leak_m3_h": 3_000.0},
        {"higher": "next", "lower": "surroundings", "leak_m3_h": 5_500.0},
    ]
    trip = {"kind": "fan-trip", "rooms": ["clean"], "at_s": 10, "duration_s": 300, "share": 0.0}
    air = an_air(a_scenario(connections=connections, incidents=[trip]))
    watch(air, 300)
    assert (air.concentrations >= 0).all()
    assert np.isfinite(air.concentrations).all()


def test_night_set_back_keeps_the_pressure() -> None:
    scenario = a_scenario(rooms=room(setback_hours=["Mon 08:10-12:00"], setback_ramp_min=1.0))
    air = an_air(scenario)
    before = watch(air, 600)["bench"].sum()
    watch(air, 1_200)
    assert watch(air, 600)["bench"].sum() == pytest.approx(2.0 * before, rel=0.01)
    pressure = air.climate("clean").pressure_pa
    assert pressure is not None
    assert abs(pressure - 15.0) < 2.0
    temperatures = []
    for _ in range(60):
        watch(air, 60)
        temperatures.append(air.climate("clean").temperature_c)
    assert float(np.mean(temperatures)) == pytest.approx(21.5, abs=0.2)


@pytest.mark.parametrize(("open_m2", "left_pa"), [(0.005, 6.0), (0.02, 1.3)])
def test_a_wedged_door_leaves_some_pressure(open_m2: float, left_pa: float) -> None:
    # 100 m3/h at 15 Pa is a leak of 0.0085 m2: (0.0085 / 0.0135)^2 x 15 = 6.0.
    wedge = {"kind": "door-open", "higher": "clean", "lower": "next", "at_s": 10, "duration_s": 600}
    scenario = a_scenario(incidents=[{**wedge, "open_m2": open_m2}], rooms=room(pressure_noise_pa=0.0))
    air = an_air(scenario)
    watch(air, 120)
    assert air.climate("clean").pressure_pa == pytest.approx(left_pa, abs=0.1)


def test_a_leak_given_as_an_opening_passes_what_the_pressure_drives() -> None:
    # 0.0085 m2 at 15 Pa is 100 m3/h: both scenarios are one.
    leak = 100 / 3600 / (0.65 * np.sqrt(2 * 15 / 1.2))
    by_area = [{"higher": "clean", "lower": "next", "leak_m2": float(leak)}]
    by_flow = [{"higher": "clean", "lower": "next", "leak_m3_h": 100.0}]
    seen = [watch(an_air(a_scenario(connections=c)), 60)["table"].sum() for c in (by_area, by_flow)]
    assert seen[0] == pytest.approx(seen[1], rel=1e-9)


def test_outdoor_air_that_wanders_moves_what_it_brings() -> None:
    poor = room(terminal_penetration=1.0, fine_filter_efficiency=0.0)
    scenario = a_scenario(rooms=poor, outdoors={"wanders": True}, **NOBODY)
    air = an_air(scenario)
    hours, factors = [], []
    for _ in range(48):
        factors.append(air.outdoor_factor)
        hours.append(watch(air, 3_600)["bench"].sum())
    assert float(np.std(np.log(factors))) > 0.2
    assert float(np.corrcoef(np.log(factors), np.log(hours))[0, 1]) > 0.9
    steady = an_air(a_scenario(rooms=poor, **NOBODY))
    watch(steady, 7_200)
    assert steady.outdoor_factor == 1.0


def test_finer_bins_settle_their_own_way_and_change_little_else() -> None:
    def above(air: Air, size_um: float) -> float:
        return float(watch(air, 60)["bench"][air.sizes_um.index(size_um) :].sum())

    fine = (0.1, 0.2, 0.3, 0.5, 0.7, 1.0, 2.0, 3.0, 5.0, 10.0, 25.0)
    assert above(an_air(sizes_um=fine), 0.5) == pytest.approx(above(an_air(), 0.5), rel=0.02)
    # One open bin settles like 5 um; with finer bins the larger ones settle as they do.
    coarse = above(an_air(), 5.0)
    assert 0.85 * coarse < above(an_air(sizes_um=fine), 5.0) < 0.97 * coarse


def test_the_rooms_live_the_same_in_any_steps() -> None:
    one, other = an_air(shift()), an_air(shift())
    whole = watch(one, 1_200)
    parts = [watch(other, 7.5) for _ in range(160)]
    for location, seen in whole.items():
        assert np.mean([part[location] for part in parts], axis=0) == pytest.approx(seen, rel=1e-9)
    assert one.now_us == other.now_us == START_US + 1_200_000_000


def test_a_room_at_negative_pressure_loses_it_through_the_door_it_is_held_against() -> None:
    rooms = [
        {"id": "clean", "air_changes_per_h": 60.0},
        {"id": "next", "air_changes_per_h": 30.0, "pressure_pa": -15.0, "pressure_noise_pa": 0.0},
    ]
    wedge = {"kind": "door-open", "higher": "clean", "lower": "next", "at_s": 60, "duration_s": 600, "open_m2": 0.005}
    air = an_air(a_scenario(rooms=rooms, incidents=[wedge]))
    watch(air, 50)
    assert air.climate("next").pressure_pa == pytest.approx(-15.0)
    watch(air, 60)
    assert air.climate("next").pressure_pa == pytest.approx(-6.0, abs=0.1)


def test_measured_outdoor_air_goes_from_hour_to_hour_and_begins_anew() -> None:
    air = an_air(a_scenario(outdoors={"hourly_per_m3_at_0_5_um": [3.5e7, 7e7, 1.4e8]}, **NOBODY))
    factors = {}
    for minute in range(0, 240, 10):
        factors[minute] = air.outdoor_factor
        watch(air, 600)
    assert [factors[minute] for minute in (0, 60, 120, 180)] == pytest.approx([1.0, 2.0, 4.0, 1.0])
    assert factors[30] == pytest.approx(2**0.5)
    assert factors[150] == pytest.approx(2.0), "on the way from the last hour to the first"
