"""The simulator's rooms against worked examples: clean-up, steady states, recirculation, near field, rooms, doors.

All of it goes through the plant that plays scenarios. Examples that were worked for this project from an equation are
"recomputed"; where the table or the figures themselves were found in public, that stands beside them.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import optimize

from motewatch_simulator.balance import steady, step
from motewatch_simulator.plant import AirState, exchange
from motewatch_simulator.spectra import GARMENTS, OUTDOOR_SHAPE, Array
from support.checks import check
from support.rooms import BARE, bare_room, plant_of

PURGE = "Simulated room: purge times"
ROOM = "Simulated room: one well-mixed room"
ROOMS = "Simulated rooms: several zones"

CDC = "CDC, 2003, Table B.1; MMWR 43(RR-13), 1994, Table S3-1"
MIXED = "mass balance of a well-mixed room, exact solution"
PEOPLE = "Whyte and Hejab, EJPPS 12(2), 2007, abstract, in the mass balance"
NICAS = "two zones with exchange, Nicas, 1996"

PURGE_MIN = {2: (138, 207), 4: (69, 104), 6: (46, 69), 8: (35, 52), 10: (28, 41), 12: (23, 35), 15: (18, 28),
             20: (14, 21), 50: (6, 8)}  # fmt: skip


def each(*numbers: float) -> Array:
    """Sources or concentrations of one bin, by zone."""
    return np.array([numbers])


@pytest.mark.parametrize("air_changes", PURGE_MIN)
def test_purge_times(air_changes: int) -> None:
    # Example 1.
    plant = bare_room(67.5, air_changes, (0.5,))
    loss_per_min = -float(plant.matrix(plant.normal)[0, 0, 0]) * 60.0
    for share, minutes in zip((0.99, 0.999), PURGE_MIN[air_changes], strict=True):
        time_min = -np.log(1.0 - share) / loss_per_min
        kept = step(plant.matrix(plant.normal), time_min * 60.0).advance(each(1.0), each(0.0))[0][0, 0]
        assert kept == pytest.approx(1.0 - share, rel=1e-9)
        what = f"{air_changes} air changes/h, {share:.1%} removed, min"
        check(PURGE, what, minutes, round(time_min), source=CDC, confirmed="found, recomputed")


def test_four_gowned_people() -> None:
    # Example 2.
    people = 4.0 * GARMENTS["cleanroom"].bins((0.5, 5.0))[:, None]
    for floor_m2, at_5 in ((0.0, 2_210), (25.2, 2_173)):
        plant = bare_room(67.5, 60.0, floor_m2=floor_m2, friction_velocity_m_s=0.0)
        bins = steady(plant.matrix(plant.normal), plant.inputs(plant.normal, people))[:, 0]
        deposition = "with" if floor_m2 else "without"
        if not floor_m2:
            check(ROOM, "four gowned people, 60 air changes/h, 0.5 um, per m3", 60_444, bins.sum(), source=PEOPLE,
                  confirmed="found, recomputed", rel=1e-3)  # fmt: skip
        what = f"the same, 5 um, {deposition} settling on the floor, per m3"
        check(ROOM, what, at_5, bins[1], source=PEOPLE, confirmed="found, recomputed", rel=1e-3)


@pytest.mark.parametrize(
    ("size_um", "limit", "supply", "changes"), [(0.5, 352_000, 0.1932, 10.3), (5.0, 2_930, 0.8487, 45.3)]
)
def test_supply_for_iso_7(size_um: float, limit: float, supply: float, changes: float) -> None:
    # Example 3. With clean supply the concentration goes as one over the supply.
    people = each(4.0 * float(GARMENTS["cleanroom"].cumulative((size_um,))[0]))
    plant = bare_room(67.5, 20.0, (size_um,))
    found = steady(plant.matrix(plant.normal), plant.inputs(plant.normal, people))[0, 0]
    needed = 20.0 * 67.5 / 3600.0 * found / limit
    what = f"supply that holds ISO 7 at {size_um:g} um with four gowned people"
    check(ROOM, f"{what}, m3/s", supply, needed, source=PEOPLE, confirmed="found, recomputed", rel=1e-3)
    check(ROOM, f"{what}, air changes/h", changes, needed * 3600 / 67.5, source=PEOPLE, confirmed="found, recomputed",
          abs=0.05)  # fmt: skip
    held = bare_room(67.5, needed * 3600 / 67.5, (size_um,))
    assert steady(held.matrix(held.normal), held.inputs(held.normal, people))[0, 0] == pytest.approx(limit)


@pytest.mark.parametrize(("minutes", "expected"), [(1, 406_088), (2, 187_599), (5, 66_775)])
def test_approach_to_the_steady_state(minutes: int, expected: float) -> None:
    # Example 4; the figures are printed to one particle.
    plant = bare_room(67.5, 60.0, (0.5,))
    inputs = plant.inputs(plant.normal, each(68_000.0))
    after = plant.step(plant.normal, minutes * 60_000_000, 1.0).advance(each(1e6), inputs)[0][0, 0]
    what = f"68 000/s into 67.5 m3 at 60 air changes/h, from 1e6 per m3, after {minutes} min"
    check(ROOM, what, expected, after, source=MIXED, confirmed="recomputed", abs=0.5)
    exact = 68_000 / 1.125 + (1e6 - 68_000 / 1.125) * np.exp(-minutes)
    assert after == pytest.approx(exact, rel=1e-6)


@pytest.mark.parametrize(
    ("share", "minutes", "half_digit", "name"), [(0.5, 2.079, 5e-4, "half-life"), (0.01, 13.82, 5e-3, "100:1 time")]
)
def test_clean_up(share: float, minutes: float, half_digit: float, name: str) -> None:
    # Example 5; to half the last printed digit, and to its formula.
    matrix = bare_room(67.5, 20.0, (0.5,)).matrix(AirState(frozenset(), (1.0,)))
    found = optimize.brentq(lambda t: step(matrix, t * 60).advance(each(1.0), each(0.0))[0][0, 0] - share, 1, 60)
    check(
        ROOM, f"{name} at 20 air changes/h, min", minutes, found, source=MIXED, confirmed="recomputed", abs=half_digit
    )
    assert found == pytest.approx(-np.log(share) * 3.0, rel=1e-9)


@pytest.mark.parametrize(
    ("source", "terminal", "expected", "name"),
    [
        (0.0, 5e-5, 35.2, "no source"),
        (68_000.0, 5e-5, 60_480, "68 000/s"),
        (68_000.0, 1.0, 910_053, "68 000/s, no terminal filter"),
    ],
)
def test_recirculation(source: float, terminal: float, expected: float, name: str) -> None:
    # Example 6, at the worst size of the terminal filter, where its efficiency is that of its class.
    worst_um = 0.21
    outdoors = 3.52e7 / float(OUTDOOR_SHAPE.cumulative((worst_um,))[0])
    room = {
        "air_changes_per_h": 60.0,
        "fresh_air": 0.2,
        "pre_filter_efficiency": 0.5,
        "fine_filter_efficiency": 0.8,
        "terminal_penetration": terminal,
        "floor_m2": 0.0,
    }
    plant = plant_of([(67.5, room)], (worst_um,), outdoors={"per_m3_at_0_5_um": outdoors})
    found = steady(plant.matrix(plant.normal), plant.inputs(plant.normal, each(source)))[0, 0]
    what = f"recirculating plant, 20 % fresh air, {name}, per m3"
    check(ROOM, what, expected, found, source=MIXED, confirmed="recomputed", rel=1e-3)


def test_near_and_far_field() -> None:
    # Example 7, in minutes as printed.
    plant = plant_of(
        [(92.0, {**BARE, "air_changes_per_h": 20.0 * 60.0 / 92.0})],
        (0.5,),
        locations=[{"id": "bench-0", "near_m3": 8.0, "near_exchange_m3_h": 300.0}],
    )
    matrix = plant.matrix(plant.normal)
    far, near = 0, plant.near_index["bench-0"]
    known: dict[str, Any] = {"source": NICAS, "confirmed": "from memory, recomputed"}
    slow, fast = sorted(np.linalg.eigvals(matrix[0]).real * 60.0, reverse=True)
    check(ROOMS, "near and far field, slow eigenvalue, per min", -0.193094, slow, rel=1e-4, **known)
    check(ROOMS, "near and far field, fast eigenvalue, per min", -0.703645, fast, rel=1e-4, **known)
    sources = np.zeros((1, 2))
    sources[0, near] = 100.0 / 60.0
    inputs = plant.inputs(plant.normal, sources)
    for minutes, in_near, in_far in (
        (1, 9.3436, 0.25464),
        (5, 20.7571, 2.43194),
        (15, 24.4490, 4.61952),
    ):
        found = step(matrix, minutes * 60.0).advance(np.zeros((1, 2)), inputs)[0][0]
        check(ROOMS, f"near field after {minutes} min, per m3", in_near, found[near], rel=1e-4, **known)
        check(ROOMS, f"far field after {minutes} min, per m3", in_far, found[far], rel=1e-4, **known)
    settled = steady(matrix, inputs)[0]
    check(ROOMS, "near field in the end, per m3", 25, settled[near], rel=1e-4, **known)
    check(ROOMS, "far field in the end, per m3", 5, settled[far], rel=1e-4, **known)


def test_three_rooms() -> None:
    # Example 8.
    door = {"standing_open_m3_s": 1.4 / 300.0}
    volumes, supply = (67.5, 12.0, 60.0), (4050.0, 360.0, 900.0)
    plant = plant_of(
        [(v, {**BARE, "air_changes_per_h": q / v}) for v, q in zip(volumes, supply, strict=True)],
        (0.5,),
        connections=[
            {"higher": "room-0", "lower": "room-1", "leak_m3_h": 300.0, "door": door},
            {"higher": "room-1", "lower": "room-2", "leak_m3_h": 420.0, "door": door},
        ],
    )
    state = AirState(frozenset({0, 1}), (1.0, 1.0, 1.0))
    flows = plant.flows(state)
    assert flows.returns * 3600 == pytest.approx([3750, 240, 1320])
    inputs = plant.inputs(state, each(34_000.0, 17_000.0, 71_000.0))
    settled = steady(plant.matrix(state), inputs)
    after = plant.step(state, 600_000_000, 1.0).advance(np.zeros((1, 3)), inputs)[0]
    known: dict[str, Any] = {"source": MIXED, "confirmed": "recomputed", "rel": 1e-3}
    for room, (end, soon) in enumerate(((30_542, 30_539), (107_669, 107_403), (226_384, 219_973))):
        check(ROOMS, f"three rooms, room {room + 1}, in the end, per m3", end, settled[0, room], **known)
        check(ROOMS, f"three rooms, room {room + 1}, after 600 s from none, per m3", soon, after[0, room], **known)
    removed = float((settled[0] * flows.returns).sum())
    check(ROOMS, "three rooms, removed per second", 122_000, removed, **known)


def test_a_door_pulse() -> None:
    # Example 9; printed to one particle.
    after = exchange(each(35_200.0, 3.52e6), np.array([67.5, 12.0]), 0, 1, np.zeros(1), 1.4)
    what = "1.4 m3 of 3.52e6 per m3 into 67.5 m3 at 35 200, change per m3"
    check(ROOMS, what, 72_277, after[0, 0] - 35_200, source=MIXED, confirmed="recomputed", abs=0.5)
    assert after[0, 0] - 35_200 == pytest.approx(1.4 * (3.52e6 - 35_200) / 67.5, rel=1e-6)


def test_clean_up_to_a_floor() -> None:
    # Example 20: the floor is what a steady source holds.
    plant = bare_room(67.5, 20.0, (0.5,))
    matrix = plant.matrix(plant.normal)
    inputs = each(-float(matrix[0, 0, 0]) * 1_000.0)
    found = optimize.brentq(lambda t: step(matrix, t * 60).advance(each(352_000.0), inputs)[0][0, 0] - 3_520, 1, 60)
    what = "from 352 000 to 3 520 per m3 above a floor of 1 000, 20 air changes/h, min"
    check(ROOM, what, 14.81, found, source=MIXED, confirmed="recomputed", rel=1e-3)


LEAKY = {
    "air_changes_per_h": 60.0,
    "fresh_air": 0.2,
    "pre_filter_efficiency": 0.5,
    "fine_filter_efficiency": 1.0,
    "floor_m2": 0.0,
}


def test_a_leak_past_the_terminal_filter() -> None:
    """Outdoors 6.4e7 per m3, 20 % fresh air, pre-filter 50 %, 1 L/min past the seal of a room of 4,050 m3/h."""
    known: dict[str, Any] = {"source": "bypass flow of upstream air", "confirmed": "recomputed"}
    outdoors = {"per_m3_at_0_5_um": 6.4e7}
    whole, leaky = (
        plant_of([(67.5, {**LEAKY, "leak_l_min": litres})], (0.5,), outdoors=outdoors) for litres in (0.0, 1.0)
    )
    check(ROOM, "leak of 1 L/min lets through, per min", 6_400, whole.upstream[0, 0] / 1_000, rel=1e-3, **known)
    above = [steady(p.matrix(p.normal), p.inputs(p.normal, each(0.0)))[0, 0] for p in (whole, leaky)]
    check(ROOM, "leak of 1 L/min raises 4 050 m3/h by, per m3", 95, above[1] - above[0], rel=5e-3, **known)


@pytest.mark.parametrize(("size_um", "more"), [(5.0, 0.05), (10.0, 0.20)])
def test_large_particles_clean_up_faster(size_um: float, more: float) -> None:
    plant = bare_room(68.04, 20.0, (size_um,), floor_m2=25.2)
    rate = -float(plant.matrix(plant.normal)[0, 0, 0]) * 3_600.0 / 20.0 - 1.0
    what = f"recovery of {size_um:g} um at 20 air changes/h, faster by"
    check(ROOM, what, more, rate, source="deposition on the surfaces", confirmed="recomputed", abs=0.006)


DEMO_ROOMS = [
    ("grade B", 67.5, 60.0, "cleanroom", 2, 9_067, 332),
    ("grade C", 100.0, 30.0, "cleanroom", 3, 18_360, 671),
    ("grade D", 150.0, 15.0, "smock", 4, 34_080, 5_312),
]


@pytest.mark.parametrize(("name", "volume", "changes", "garment", "people", "at_0_5", "at_5"), DEMO_ROOMS)
def test_rooms_in_operation(
    name: str, volume: float, changes: float, garment: str, people: int, at_0_5: float, at_5: float
) -> None:
    plant = bare_room(volume, changes)
    sources = 0.3 * people * GARMENTS[garment].bins((0.5, 5.0))[:, None]
    bins = steady(plant.matrix(plant.normal), plant.inputs(plant.normal, sources))[:, 0]
    what = f"{name} in operation, {people} people at 0.3 of exercise"
    check(ROOM, f"{what}, 0.5 um, per m3", at_0_5, bins.sum(), source=PEOPLE, confirmed="recomputed", rel=1e-3)
    check(ROOM, f"{what}, 5 um, per m3", at_5, bins[1], source=PEOPLE, confirmed="recomputed", rel=2e-3)
