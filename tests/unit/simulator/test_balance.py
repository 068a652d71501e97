"""The mass balance against worked numbers and against the equations themselves.

The worked numbers were computed independently of this code from the published balance (Whyte and others, 2016 and 2017)
and the published dispersion of people (Whyte and Hejab, 2007); the example numbers are those of the project's physics
reference.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, linalg

from motewatch_simulator.balance import Airflows, steady, step
from motewatch_simulator.plant import Plant, exchange
from motewatch_simulator.spectra import CLEANROOM_GARMENTS, Array
from support.rooms import plant_of
from support.simulated import a_scenario, a_site


def airflows(**changes: Any) -> Airflows:
    """One room of 67.5 m3 with 1.125 m3/s (60 air changes per hour)."""
    parts = {
        "volumes_m3": [67.5],
        "supply": [1.125],
        "between": [[0.0]],
        "inward": [0.0],
        "outward": [0.0],
        **changes,
    }
    return Airflows(**{key: np.array(value, dtype=float) for key, value in parts.items()})


def plain_matrix(flows: Airflows) -> Array:
    """`A` of one bin without settling and recirculation."""
    nothing = np.zeros((1, len(flows.volumes_m3)))
    return flows.matrix(nothing, nothing)


def test_four_gowned_people_settle_at_the_worked_concentrations() -> None:
    # Example 2: 60,444 /m3 at 0.5 um; at 5 um 2,210 without and 2,173 with settling on 25.2 m2.
    def settled(floor_m2: float) -> Array:
        scenario = a_scenario(
            rooms=[{"id": "clean", "air_changes_per_h": 60.0, "fresh_air": 0.0, "floor_m2": floor_m2}],
            connections=[],
            people=[],
        )
        plant = Plant(a_site(), scenario, (0.5, 5.0))
        sources = 4 * CLEANROOM_GARMENTS.bins((0.5, 5.0))[:, None]
        bins = steady(plant.matrix(plant.normal), plant.inputs(plant.normal, sources))[:, 0]
        return np.cumsum(bins[::-1])[::-1]

    assert settled(0.0) == pytest.approx([60_444, 2_210], rel=1e-3)
    assert settled(25.2)[1] == pytest.approx(2_173, rel=1e-3)


@pytest.mark.parametrize(("minutes", "expected"), [(1, 406_088), (2, 187_599), (5, 66_775)])
def test_a_room_approaches_its_steady_state_as_worked(minutes: int, expected: float) -> None:
    # Example 4: 68,000 particles/s from 1e6 /m3.
    one = step(plain_matrix(airflows()), 60.0 * minutes)
    after, _ = one.advance(np.array([[1e6]]), np.array([[68_000 / 67.5]]))
    assert after[0, 0] == pytest.approx(expected, abs=0.5)


@pytest.mark.parametrize(("share", "minutes"), [(0.5, 2.079), (0.01, 13.82)])
def test_a_room_of_20_air_changes_cleans_up_as_worked(share: float, minutes: float) -> None:
    # Example 5: half-life and 100:1 time.
    flows = airflows(supply=[67.5 * 20 / 3600])
    after, _ = step(plain_matrix(flows), minutes * 60).advance(np.array([[1.0]]), np.array([[0.0]]))
    assert after[0, 0] == pytest.approx(share, rel=2e-3)


@pytest.mark.parametrize(
    ("source", "terminal", "expected"), [(0.0, 0.99995, 35.2), (68_000, 0.99995, 60_480), (68_000, 0.0, 910_053)]
)
def test_recirculation_settles_as_worked(source: float, terminal: float, expected: float) -> None:
    # Example 6: 20 % fresh air of 3.52e7 /m3, pre-filter 50 %, fine filter 80 %.
    passed = 0.2 * (1.0 - terminal)
    matrix = airflows().matrix(np.zeros((1, 1)), np.array([[passed * 0.8]]))
    b = np.array([[(1.125 * passed * 0.2 * 0.5 * 3.52e7 + source) / 67.5]])
    assert steady(matrix, b)[0, 0] == pytest.approx(expected, rel=1e-3)


def three_rooms() -> tuple[Airflows, Array]:
    """Example 8: a cascade of three rooms with leaks and two doors passed every 300 s."""
    door = 1.4 / 300
    leaks = np.array([[0, 300, 0], [0, 0, 420], [0, 0, 0]]) / 3600
    doors = np.array([[0, door, 0], [door, 0, door], [0, door, 0]])
    flows = airflows(
        volumes_m3=[67.5, 12, 60],
        supply=np.array([4050, 360, 900]) / 3600,
        between=leaks + doors,
        inward=[0, 0, 0],
        outward=[0, 0, 0],
    )
    return flows, np.array([[34_000, 17_000, 71_000]]) / flows.volumes_m3


def test_three_rooms_settle_as_worked_and_lose_what_they_gain() -> None:
    flows, b = three_rooms()
    assert flows.returns * 3600 == pytest.approx([3750, 240, 1320])
    settled = steady(plain_matrix(flows), b)
    assert settled[0] == pytest.approx([30_542, 107_669, 226_384], rel=1e-3)
    assert (settled[0] * flows.returns).sum() == pytest.approx(122_000, rel=1e-9)
    after, _ = step(plain_matrix(flows), 600.0).advance(np.zeros((1, 3)), b)
    assert after[0] == pytest.approx([30_539, 107_403, 219_973], rel=1e-3)


def test_the_step_is_the_matrix_exponential() -> None:
    flows, b = three_rooms()
    matrix = plain_matrix(flows)
    start = np.array([[1e6, 0.0, 5e5]])
    after, _ = step(matrix, 37.0).advance(start, b)
    exact = linalg.expm(matrix[0] * 37.0)
    expected = exact @ start[0] + np.linalg.solve(matrix[0], (exact - np.eye(3)) @ b[0])
    assert after[0] == pytest.approx(expected, rel=1e-10)


def test_the_integral_is_that_of_the_concentration_and_not_of_its_end() -> None:
    flows, b = three_rooms()
    matrix = plain_matrix(flows)
    start = np.array([[1e6, 0.0, 5e5]])
    _, integral = step(matrix, 60.0).advance(start, b)
    for room in range(3):

        def concentration(t: float, room: int = room) -> float:
            return float(step(matrix, t).advance(start, b)[0][0, room])

        expected, _ = integrate.quad(concentration, 0.0, 60.0, epsrel=1e-9)
        assert integral[0, room] == pytest.approx(expected, rel=1e-7)


def test_the_mean_of_one_room_follows_its_formula() -> None:
    loss, settled, start, length = 1.125 / 67.5, 60_444.4, 1e6, 60.0
    _, integral = step(plain_matrix(airflows()), length).advance(np.array([[start]]), np.array([[settled * loss]]))
    mean = settled + (start - settled) * (1 - np.exp(-loss * length)) / (loss * length)
    assert integral[0, 0] / length == pytest.approx(mean, rel=1e-10)


@given(
    st.lists(st.floats(0.0, 3600.0), min_size=9, max_size=9),
    st.lists(st.floats(0.0, 1e8), min_size=6, max_size=6),
    st.floats(0.001, 3600.0),
)
def test_concentrations_never_fall_below_nothing_and_steps_add_up(
    flows_m3_h: list[float], numbers: list[float], dt_s: float
) -> None:
    between = np.array(flows_m3_h).reshape(3, 3) / 3600
    np.fill_diagonal(between, 0.0)
    # What is not balanced by inflow comes in as supply, so that the air balance can close.
    supply = np.maximum(between.sum(axis=1) - between.sum(axis=0), 0.0) + 0.05
    flows = airflows(volumes_m3=[20.0, 50.0, 80.0], supply=supply, between=between, inward=[0, 0, 0], outward=[0, 0, 0])
    matrix, start, b = plain_matrix(flows), np.array([numbers[:3]]), np.array([numbers[3:]]) / 50
    assert (flows.returns > -1e-9).all()
    whole, integral = step(matrix, dt_s).advance(start, b)
    half = step(matrix, dt_s / 2)
    middle, first = half.advance(start, b)
    end, second = half.advance(middle, b)
    assert (whole >= 0).all()
    assert (integral >= 0).all()
    assert end == pytest.approx(whole, rel=1e-9, abs=1e-6)
    assert first + second == pytest.approx(integral, rel=1e-9, abs=1e-6)
    # Stored + removed = generated.
    gained = (b[0] * flows.volumes_m3).sum() * dt_s
    stored = ((whole - start)[0] * flows.volumes_m3).sum()
    removed = (integral[0] * flows.returns).sum()
    assert stored + removed == pytest.approx(gained, rel=1e-8, abs=1.0)


def test_a_door_pulse_moves_the_worked_amount_and_keeps_all_particles() -> None:
    # Example 9: 1.4 m3 of 3.52e6 /m3 into 67.5 m3 at 35,200: +72,277 /m3.
    volumes = np.array([67.5, 12.0])
    before = np.array([[35_200.0, 3.52e6]])
    after = exchange(before, volumes, 0, 1, np.zeros(1), 1.4)
    assert after[0, 0] - before[0, 0] == pytest.approx(72_277, rel=1e-5)
    assert (after * volumes).sum() == pytest.approx((before * volumes).sum(), rel=1e-12)


def test_a_door_to_the_surroundings_brings_their_air() -> None:
    after = exchange(np.array([[0.0]]), np.array([50.0]), 0, None, np.array([1e6]), 2.0)
    assert after[0, 0] == pytest.approx(40_000)


def test_rooms_on_one_air_handler_share_what_comes_back() -> None:
    # Unfiltered, no fresh air: what one room sheds comes back to both, and leaves by the leak outwards alone.
    keys: dict[str, Any] = {
        "fresh_air": 0.0,
        "fine_filter_efficiency": 0.0,
        "terminal_penetration": 1.0,
        "floor_m2": 0.0,
    }
    keys |= {"air_changes_per_h": 36.0, "air_handler": "one"}
    leak = [{"higher": "room-1", "lower": "surroundings", "leak_m3_h": 360.0}]
    shared = plant_of([(100.0, keys), (100.0, keys)], (0.5,), connections=leak, outdoors={"per_m3_at_0_5_um": 1e-6})
    settled = steady(shared.matrix(shared.normal), shared.inputs(shared.normal, np.array([[1_000.0, 0.0]])))[0]
    # Supply 1 m3/s each; 1 and 0.9 return, and 0.1 of outdoor air must make up for the leak. Without any outdoors the
    # second room settles at the mixed return times 0.95, and what leaves it is what is shed: 1,000 / 0.1.
    assert settled[1] == pytest.approx(10_000.0, rel=1e-5)
    assert settled[0] == pytest.approx(11_000.0, rel=1e-5)
