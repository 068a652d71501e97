"""Simulated counts: the recursion in blocks is the exact step, and counts are what the air holds."""

from __future__ import annotations

import numpy as np
import pytest

from motewatch_simulator.balance import step
from motewatch_simulator.people import HOLDS_S, LEVELS, SHARES
from motewatch_simulator.study import model as m
from motewatch_simulator.study import streams
from motewatch_simulator.study.room import StudyRoom, at_least
from support.studies import small_study


def test_the_recursion_in_blocks_is_the_exact_step() -> None:
    room = StudyRoom(small_study())
    rng = np.random.default_rng(5)
    gains = rng.gamma(2.0, 50.0, (333, len(room.sizes_um)))
    air = room.mixed(at_rest=True)
    found, last = streams.scan(room, room.state(), air, gains)
    exact = step(room.plant.matrix(room.state()), float(m.STEP_S))
    now = air[:, None]
    for number in range(len(gains)):
        now, integral = exact.advance(now, gains[number][:, None])
        assert found[number] == pytest.approx(integral[:, 0], rel=1e-10)
    assert last == pytest.approx(now[:, 0], rel=1e-10)


def test_no_steps_are_no_change() -> None:
    room = StudyRoom(small_study())
    air = room.mixed(at_rest=True)
    found, last = streams.scan(room, room.state(), air, np.empty((0, len(air))))
    assert found.shape == (0, len(air))
    assert last is air


def test_levels_have_the_shares_of_time_and_change_as_people_do() -> None:
    levels = streams._levels(400_000, np.random.default_rng(6))
    wanted = float(np.dot(LEVELS, SHARES))
    # The mean of some 10^5 independent spells.
    assert float(levels.mean()) == pytest.approx(wanted, rel=0.02)
    assert float(levels.max()) <= max(LEVELS) + 1e-6
    assert float(levels.min()) >= min(LEVELS) - 1e-6
    centred = levels - levels.mean()
    lag_1 = float((centred[1:] * centred[:-1]).mean() / centred.var())
    assert 0.3 < lag_1 < 1.0 - m.STEP_S / max(HOLDS_S) / 2


def test_counts_of_ordinary_work_are_those_of_the_settled_room() -> None:
    study = small_study().model_copy(update={"uncertain": m.Uncertain(persons=0.0, outdoors=0.0)})
    incident = study.incidents[0].model_copy(update={"duration_min": 0.25, "count": 1, "activity": 1e-6})
    room = StudyRoom(study)
    seen = room.mixed(at_rest=False) / 1.1
    wanted = float(at_least(seen, room.sizes_um, 0.5)) * 28.3e-3 / 60 * m.STEP_S
    means = [
        streams.run(study, ("bench",), incident, 7200, 60, np.random.default_rng(n)).counts["bench"][:, 0].mean()
        for n in range(25)
    ]
    spread = float(np.std(means, ddof=1)) / 5
    assert float(np.mean(means)) == pytest.approx(wanted, abs=4 * spread)
    assert spread < 0.1 * wanted


def test_a_month_has_work_in_its_windows_and_quiet_nights() -> None:
    study = small_study()
    stream = streams.month(study, ("bench", "corner"), np.random.default_rng(8))
    present = streams.at_work(study)
    # Monday first: 22 weekdays in 30 days, 8 hours each.
    assert int(present.sum()) * m.STEP_S == 22 * 8 * 3600
    for place in ("bench", "corner"):
        counts = stream.counts[place]
        assert (counts[:, 0] >= counts[:, 1]).all()
        assert counts[present, 1].mean() > 5 * counts[~present, 1].mean()
    # The dead corner sees 2.2 times as much as the bench.
    ratio = stream.counts["corner"][:, 0].sum() / stream.counts["bench"][:, 0].sum()
    assert ratio == pytest.approx(1.1 / 0.5, rel=0.01)
    assert stream.periods("bench", 600)[0].tolist() == stream.counts["bench"][:40].sum(axis=0).tolist()


def test_the_tube_costs_the_large_sizes() -> None:
    study = small_study()
    stream = streams.month(study, ("return",), np.random.default_rng(9))
    place = next(p for p in study.positions if p.id == "return")
    bare = study.model_copy(update={"positions": (place.model_copy(update={"tube": None}),)})
    without = streams.month(bare, ("return",), np.random.default_rng(9))
    small, large = (stream.counts["return"].sum(axis=0) / without.counts["return"].sum(axis=0)).tolist()
    assert 0.95 < small < 1.0
    # Three metres with a bend let 0.7 of 5 um through and hardly any of 10 um.
    assert 0.3 < large < 0.6


def test_an_incident_begins_within_a_sample_and_raises_the_counts() -> None:
    study = small_study()
    stream = streams.run(study, ("bench",), study.incidents[1], 3600, 600, np.random.default_rng(10))
    counts = stream.counts["bench"][:, 0]
    assert 3600 // m.STEP_S <= stream.begins_step < 4200 // m.STEP_S
    before, after = counts[: stream.begins_step], counts[stream.begins_step : stream.begins_step + 20]
    assert after[-1] > 10 * before.mean()
