"""Studies of random rooms: air, sources and time do what they must, whatever the plant."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from motewatch_simulator.study import model as m
from motewatch_simulator.study.class_held import cells, recovery_min, settled, supply_factor
from motewatch_simulator.study.room import Draw, StudyRoom
from motewatch_simulator.study.streams import scan
from support.studies import small_study

BASE = small_study()


@st.composite
def studies(draw: st.DrawFn) -> m.Study:
    """The turbulent example with a plant, people and surroundings of any kind."""
    room = BASE.room.model_copy(
        update={
            "area_m2": draw(st.floats(4, 400)),
            "air_changes_per_h": draw(st.floats(1, 200)),
            "effectiveness": draw(st.floats(0.3, 2)),
            "fresh_air": draw(st.floats(0, 1)),
            "terminal_penetration": draw(st.floats(1e-6, 1e-1)),
            "inflow_m3_h": draw(st.floats(0, 4)),
        }
    )
    garment = draw(st.sampled_from(["cleanroom", "smock", "indoor"]))
    people = (m.People(count=draw(st.integers(1, 20)), garment=garment),)
    return BASE.model_copy(update={"room": room, "people": people})


@settings(deadline=None, max_examples=60)
@given(studies(), st.floats(1.1, 5))
def test_more_people_never_clean_a_room_and_the_supply_found_meets_the_limit(study: m.Study, factor: float) -> None:
    room = StudyRoom(study)
    for cell in cells(study):
        now = settled(room, cell)
        assert 0 <= now < math.inf
        assert settled(StudyRoom(study, Draw(persons=factor)), cell) >= now
        found = supply_factor(room, cell, cell.limit_per_m3)
        if 0 < found < math.inf:
            assert settled(room, cell, room.state(found)) <= cell.limit_per_m3 * (1 + 1e-9)
            assert settled(room, cell, room.state(found / 1.01)) > cell.limit_per_m3 * (1 - 1e-9)


@settings(deadline=None, max_examples=40)
@given(studies(), st.integers(1, 200), st.integers(0, 2**32 - 1))
def test_air_is_never_negative_and_cut_anywhere_it_is_the_same(study: m.Study, steps: int, seed: int) -> None:
    room = StudyRoom(study)
    rng = np.random.default_rng(seed)
    gains = rng.gamma(0.5, 100.0, (steps, len(room.sizes_um)))
    air = room.mixed(at_rest=True)
    whole, last = scan(room, room.state(), air, gains)
    assert (whole >= 0).all()
    cut = int(rng.integers(0, steps + 1))
    first, between = scan(room, room.state(), air, gains[:cut])
    second, end = scan(room, room.state(), between, gains[cut:])
    np.testing.assert_allclose(np.concatenate([first, second]), whole, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(end, last, rtol=1e-9, atol=1e-9)


@settings(deadline=None, max_examples=40)
@given(studies(), st.floats(1.01, 100))
def test_a_looser_limit_is_never_reached_later(study: m.Study, looser: float) -> None:
    room = StudyRoom(study)
    tight = recovery_min(room, "room", 0.5, 1000)
    assert recovery_min(room, "room", 0.5, round(1000 * looser)) <= tight
