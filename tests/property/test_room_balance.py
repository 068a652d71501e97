"""The mass balance of random plants: air closes, nothing negative, all particles accounted for, and exact in time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate

from motewatch_simulator.balance import advance_through, step
from motewatch_simulator.plant import AirState, Plant, exchange
from motewatch_simulator.spectra import Array
from support.rooms import plant_of

SIZES_UM = (0.1, 0.3, 0.5, 1.0, 5.0, 10.0, 25.0)


@dataclass(frozen=True)
class Case:
    """A plant, what its doors and fans do, what is in it and what comes in."""

    plant: Plant
    state: AirState
    start: Array
    sources: Array


@st.composite
def cases(draw: st.DrawFn) -> Case:
    count = draw(st.integers(1, 4))
    share = st.floats(0.0, 1.0)
    rooms: list[tuple[float, dict[str, Any]]] = []
    connections: list[dict[str, Any]] = []
    locations = []
    for i in range(count):
        volume, changes = draw(st.floats(5.0, 500.0)), draw(st.floats(1.0, 300.0))
        keys = {
            "air_changes_per_h": changes,
            "fresh_air": draw(share),
            "fine_filter_efficiency": draw(share),
            "terminal_penetration": draw(st.floats(1e-7, 1.0)),
            "terminal_model": draw(st.sampled_from(["simple", "single-fibre"])),
            "friction_velocity_m_s": draw(st.sampled_from([0.0, 0.01, 0.1])),
            "leak_l_min": draw(st.sampled_from([0.0, 0.1])),
            "air_handler": draw(st.sampled_from([None, "one", "two"])),
        }
        rooms.append((volume, keys))
        # Every room leaks to the next one, the last one outwards, and never more than it is supplied with.
        lower = f"room-{i + 1}" if i + 1 < count else "surroundings"
        leak = draw(share) * volume * changes
        connections.append({"higher": f"room-{i}", "lower": lower, "leak_m3_h": min(leak, 1e5), "door": {}})
        if draw(st.booleans()):
            near = {"near_m3": volume / 10.0, "near_exchange_m3_h": draw(st.floats(1.0, 3_000.0))}
            locations.append({"id": f"bench-{i}", **near})
    plant = plant_of(rooms, SIZES_UM, connections=connections, locations=locations)
    fans = tuple(draw(st.floats(0.02, 1.0)) for _ in range(count))
    open_doors = frozenset(draw(st.sets(st.integers(0, count - 1))))
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    shape = (len(SIZES_UM), len(plant.volumes_m3))
    start = rng.uniform(0.0, 1e7, shape) * (rng.random(shape) < 0.7)
    sources = rng.uniform(0.0, 1e5, shape) * (rng.random(shape) < 0.5)
    return Case(plant, AirState(open_doors, fans), start, sources)


@given(cases())
def test_the_air_of_every_zone_closes(case: Case) -> None:
    flows = case.plant.flows(case.state)
    assert (flows.returns >= -1e-9).all()
    assert (flows.between >= 0).all()
    # Air with the same tracer everywhere, in the supply too, must keep it: what comes in is what goes out.
    none = np.zeros((1, len(case.plant.volumes_m3)))
    matrix = flows.matrix(none, none)[0]
    change = matrix.sum(axis=1) * flows.volumes_m3 + flows.supply + flows.inward
    through = flows.supply + flows.inward + flows.between.sum(axis=0)
    assert np.abs(change / np.maximum(through, 1.0)).max() < 1e-9


@given(cases())
def test_zones_only_lose_what_they_hold_and_gain_from_others(case: Case) -> None:
    matrices = case.plant.matrix(case.state)
    others = matrices * (1.0 - np.eye(matrices.shape[-1]))
    assert (others >= 0).all()
    assert (np.linalg.eigvals(matrices).real < 0).all()


@given(cases(), st.floats(0.01, 7_200.0))
def test_every_particle_is_accounted_for(case: Case, seconds: float) -> None:
    plant = case.plant
    flows = plant.flows(case.state)
    inputs = plant.inputs(case.state, case.sources)
    after, integral = step(plant.matrix(case.state), seconds).advance(case.start, inputs)
    assert (after >= 0).all()
    assert (integral >= 0).all()
    volumes = flows.volumes_m3
    brought = ((inputs * volumes) * seconds).sum(axis=1)
    stored = ((after - case.start) * volumes).sum(axis=1)
    back = integral @ flows.mixed_return(plant.together).T
    removed = (integral * (flows.returns + flows.outward) - back * flows.supply * plant.recirculated(case.state)).sum(
        axis=1
    )
    deposited = (integral * plant.settling_m3_s).sum(axis=1)
    whole = brought + (case.start * volumes).sum(axis=1)
    assert stored + removed + deposited == pytest.approx(brought, abs=1e-9 * whole.max() + 1e-6)


@given(cases(), st.lists(st.integers(0, 2), min_size=1, max_size=30))
def test_many_steps_at_once_are_the_same_to_the_last_bit(case: Case, order: list[int]) -> None:
    steps = [step(case.plant.matrix(case.state), seconds) for seconds in (6.0, 12.0, 0.5)]
    inputs = np.array([case.plant.inputs(case.state, case.sources * i) for i in range(len(order))])
    now, integrals = case.start, []
    for kind, given_off in zip(order, inputs, strict=True):
        now, integral = steps[kind].advance(now, given_off)
        integrals.append(integral)
    after, through = advance_through(steps, np.array(order, dtype=np.intp), case.start, inputs)
    assert np.array_equal(after, now)
    assert np.array_equal(through, np.array(integrals))


@settings(max_examples=15)
@given(cases(), st.floats(1.0, 600.0))
def test_the_step_is_what_an_ode_solver_finds(case: Case, seconds: float) -> None:
    matrix, inputs = case.plant.matrix(case.state), case.plant.inputs(case.state, case.sources)
    after, _ = step(matrix, seconds).advance(case.start, inputs)
    for size in (0, len(SIZES_UM) - 1):
        scale = case.start[size].max() + np.abs(inputs[size]).max() * seconds + 1.0

        def change(_: float, now: Array, size: int = size) -> Array:
            result: Array = matrix[size] @ now + inputs[size]
            return result

        found = integrate.solve_ivp(
            change,
            (0.0, seconds),
            case.start[size],
            method="DOP853",
            rtol=1e-11,
            atol=1e-11 * scale,
        )
        assert found.y[:, -1] == pytest.approx(after[size], abs=1e-8 * scale)


@given(cases(), st.floats(0.01, 100.0))
def test_a_door_moves_particles_and_makes_none(case: Case, volume_m3: float) -> None:
    volumes = case.plant.volumes_m3
    last = len(volumes) - 1
    after = exchange(case.start, volumes, 0, last or None, case.plant.surroundings, volume_m3)
    assert (after >= 0).all()
    if last:
        assert (after * volumes).sum() == pytest.approx((case.start * volumes).sum(), rel=1e-12, abs=1e-6)


@given(cases())
def test_weather_scales_what_air_brings_and_nothing_else(case: Case) -> None:
    plant = case.plant
    calm = plant.inputs(case.state, np.zeros_like(case.sources))
    dirty = plant.inputs(case.state, case.sources, 3.0)
    assert dirty - plant.inputs(case.state, case.sources) == pytest.approx(2.0 * calm, rel=1e-9, abs=1e-6)
