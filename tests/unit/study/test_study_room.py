"""A study's room: the simple sums, the supply needed, recovery, the plume, what binds, and the ranking of inputs."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from motewatch_simulator.study import model as m
from motewatch_simulator.study.class_held import (
    Cell,
    cells,
    chunk,
    drawn,
    exceeded,
    hundredth_min,
    joined,
    recovery_min,
    settled,
    simple_supply_m3_s,
    supply_factor,
    wilson,
)
from motewatch_simulator.study.file import load_study
from motewatch_simulator.study.room import Draw, StudyRoom, at_least, transfer_s_m3
from motewatch_simulator.study.sensitivity import influences, spearman

STUDIES = Path(__file__).parents[3] / "config" / "studies"


def room_study(**room: Any) -> m.Study:
    """The turbulent example with another room."""
    study = load_study(STUDIES / "grade-c-room.toml")
    return study.model_copy(update={"room": study.room.model_copy(update=room)})


def exact(study: m.Study) -> m.Study:
    """Nothing uncertain."""
    return study.model_copy(update={"uncertain": m.Uncertain(**dict.fromkeys(m.Uncertain.model_fields, 0.0))})


def cell_of(study: m.Study, key: str) -> Cell:
    return next(cell for cell in cells(study) if cell.key == key)


def test_the_settled_concentration_is_source_over_air_where_nothing_else_matters() -> None:
    study = load_study(STUDIES / "grade-c-room.toml")
    plain = study.model_copy(
        update={
            "room": study.room.model_copy(
                update={"fresh_air": 0.0, "effectiveness": 1.0, "terminal_penetration": 1e-12}
            ),
            "machines": (),
            "air": m.Air(),
        }
    )
    room = StudyRoom(plain, Draw(settling=0.0))
    source = float(at_least(room.people, room.sizes_um, 0.5))
    supplied = 30.0 * 37.0 * 2.7 / 3600.0
    cell = cell_of(plain, "room/in-operation/0.5")
    assert settled(room, cell) == pytest.approx(source / supplied, rel=1e-3)
    # Three people at 0.3 of what the source figure gives.
    assert source == pytest.approx(3 * 0.3 * 1_020_000 / 60, rel=1e-9)
    # The simple sum at safety 1 is the air at which the limit is met.
    flow = simple_supply_m3_s(source, cell.limit_per_m3, 1.0, 1.0)
    assert supply_factor(room, cell, cell.limit_per_m3) * supplied == pytest.approx(flow, rel=2e-3)


def test_the_supply_needed_meets_the_limit_and_a_little_less_does_not() -> None:
    study = room_study()
    room, cell = StudyRoom(study), cell_of(room_study(), "room/at-rest/0.5")
    factor = supply_factor(room, cell, 2000.0)
    assert settled(room, cell, room.state(factor)) <= 2000.0 < settled(room, cell, room.state(factor * 0.999))
    assert supply_factor(room, cell, 1e-9) == math.inf
    assert supply_factor(room, cell, 1e12) == 0.0


def test_without_uncertainty_every_room_is_the_nominal_one() -> None:
    study = exact(room_study())
    columns = joined([chunk(study, 5, np.random.default_rng(1))])
    for cell in cells(study):
        assert columns[f"per-m3/{cell.key}"] == pytest.approx([settled(StudyRoom(study), cell)] * 5, rel=1e-12)


def test_a_lognormal_source_spreads_the_concentration_as_the_formula_says() -> None:
    study = exact(room_study(fresh_air=0.0)).model_copy(update={"machines": (), "air": m.Air()})
    spread = study.model_copy(update={"uncertain": study.uncertain.model_copy(update={"garments": 0.5})})
    rng, cell = np.random.default_rng(13), cell_of(spread, "room/in-operation/0.5")
    values = np.array([settled(StudyRoom(spread, drawn(spread, rng)), cell) for _ in range(1000)])
    limit = 1.6 * float(np.median(values))
    above = float((values > limit).mean())
    # Of a thousand rooms, within three standard errors.
    wanted = exceeded(1 / 1.6, 0.5)
    assert above == pytest.approx(wanted, abs=3 * math.sqrt(wanted * (1 - wanted) / 1000))


def test_supply_and_dispersion_dominate_settling_is_less_filters_matter_little() -> None:
    """The ranking that the literature on air supply rates states; at 5 um settling counts most."""
    study = room_study(effectiveness=1.0).model_copy(update={"air": m.Air(), "machines": ()})
    columns = joined([chunk(study, 200, np.random.default_rng(3))])
    for size in (0.5, 5.0):
        cell = cell_of(study, f"room/in-operation/{size:g}")
        found = {one.name: one for one in influences(study, cell, columns)}
        assert found["garments"].elasticity > 0.85
        assert found["supply"].elasticity < -0.85
        assert abs(found["settling"].elasticity) < 0.15
        assert abs(found["filters"].elasticity) < 0.01
        assert (found["settling"].rank, found["supply"].rank is None) == (None, False)
    assert found["persons"].rank is not None
    assert found["persons"].rank > 0.3


def test_recovery_follows_the_effective_air_changes() -> None:
    study = room_study(air_changes_per_h=20.0, effectiveness=0.7)
    room = StudyRoom(study)
    # 20 changes at 0.7 behave as 14: 100:1 in 19.7 minutes, a little less for what settles.
    assert hundredth_min(room, 0.5) == pytest.approx(19.7, rel=0.01)
    end = float(at_least(room.seen("room", room.mixed(at_rest=True)), room.sizes_um, 0.5))
    start = float(at_least(room.seen("room", room.mixed(at_rest=False)), room.sizes_um, 0.5))
    half = end + (start - end) / 2
    assert recovery_min(room, "room", 0.5, round(half)) == pytest.approx(math.log(2) / 14 * 60, rel=0.02)
    assert recovery_min(room, "room", 0.5, round(start * 2)) == 0.0
    assert recovery_min(room, "room", 0.5, round(end * 0.9)) == math.inf


def test_a_plume_is_seen_downstream_and_nowhere_else() -> None:
    study = load_study(STUDIES / "grade-ab-filling.toml")
    assert study.zone is not None
    source = next(i for i in study.incidents if isinstance(i, m.ZoneSource))
    needle = next(p for p in study.positions if p.id == "needle")
    below = needle.model_copy(update={"x_m": source.x_m, "y_m": source.y_m, "z_m": source.z_m - 0.5})
    assert transfer_s_m3(study.zone, source, below) == pytest.approx(159.2, rel=1e-3)
    aside = below.model_copy(update={"x_m": source.x_m + 0.1})
    assert transfer_s_m3(study.zone, source, aside) == pytest.approx(16.8, rel=0.02)
    above = below.model_copy(update={"z_m": source.z_m + 0.1})
    assert transfer_s_m3(study.zone, source, above) == 0.0
    outside = below.model_copy(update={"zone": "room"})
    assert transfer_s_m3(study.zone, source, outside) == 0.0


def test_an_open_door_and_a_weak_fan_raise_the_room() -> None:
    study = room_study()
    room = StudyRoom(study)
    calm = room.mixed(at_rest=False)
    for incident in study.incidents:
        if isinstance(incident, m.Door | m.SupplyDrop):
            there, state = room.during(incident)
            raised = there.mixed(at_rest=False, state=state)
            assert (raised[:-1] > calm[:-1] * 1.5).all()
    # A door passes air both ways: what it brings over what it takes.
    door = next(i for i in study.incidents if isinstance(i, m.Door))
    there, state = room.during(door)
    assert there.loss(state) - room.loss() == pytest.approx([door.exchange_m3_s / room.volume_m3] * len(calm), rel=1e-9)
    brought = there.gain(np.zeros_like(calm), state) - room.gain(np.zeros_like(calm))
    assert brought == pytest.approx(room.plant.surroundings * door.exchange_m3_s / room.volume_m3, rel=1e-9)


def test_wilson_and_spearman() -> None:
    assert wilson(0, 10) == pytest.approx((0.0, 0.2775), abs=1e-4)
    assert wilson(10, 20) == pytest.approx((0.2993, 0.7007), abs=1e-4)
    assert wilson(0, 0) == (0.0, 1.0)
    rising = np.array([1.0, 2.0, 3.0, 4.0])
    assert spearman(rising, rising**3) == pytest.approx(1.0)
    assert spearman(rising, -rising) == pytest.approx(-1.0)
    assert spearman(rising, np.ones(4)) == 0.0
    # Ties share their rank: with scipy's own answer.
    assert spearman(rising, np.array([1.0, 1.0, 2.0, 2.0])) == pytest.approx(0.8944, abs=1e-4)


def test_draws_are_medians_of_one_and_people_means_of_one() -> None:
    study = room_study()
    rng = np.random.default_rng(12)
    draws = [drawn(study, rng) for _ in range(4000)]
    outdoors = np.array([draw.outdoors for draw in draws])
    assert float(np.mean([draw.persons for draw in draws])) == pytest.approx(1.0, abs=0.02)
    assert float(np.median(outdoors)) == pytest.approx(1.0, abs=0.05)
    assert float(np.log(outdoors).std()) == pytest.approx(0.8, rel=0.05)


def test_a_draw_of_the_supply_is_a_change_of_the_supply() -> None:
    study = room_study()
    doubled = StudyRoom(study, replace(Draw(), supply=2.0))
    stated = StudyRoom(room_study(air_changes_per_h=60.0))
    assert doubled.mixed(at_rest=False) == pytest.approx(stated.mixed(at_rest=False), rel=1e-12)
