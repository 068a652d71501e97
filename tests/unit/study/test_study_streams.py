"""Simulated counts: the recursion in blocks is the exact step, and counts are what the air holds."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from motewatch_simulator.balance import step
from motewatch_simulator.people import HOLDS_S, LEVELS, SHARES
from motewatch_simulator.study import model as m
from motewatch_simulator.study import streams
from motewatch_simulator.study.room import StudyRoom, at_least
from motewatch_simulator.study.tubes import optics
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


def counts_with(response: dict[str, Any] | None, place: str = "bench", **counter: Any) -> streams.Counts:
    """The counts of a month of calm work, with a counter of such optics."""
    study = small_study().model_copy(update={"uncertain": m.Uncertain(persons=0.0, outdoors=0.0)})
    made = m.Counter.model_validate({"response": response, **counter})
    stream = streams.month(study.model_copy(update={"counter": made}), (place,), np.random.default_rng(9))
    return stream.counts[place]


@pytest.mark.parametrize("place", ["bench", "return"])
def test_sharp_optics_count_what_an_ideal_counter_counts(place: str) -> None:
    sharp = {"width": 0.01, "false_per_min": 0, "coincidence": "none"}
    found, ideal = (counts_with(response, place).mean(axis=0) for response in (sharp, None))
    assert found[0] == pytest.approx(ideal[0], rel=0.005)
    # Finer bins for real optics: of the largest particles more settle than of their bin's lower edge.
    assert 0.9 < found[1] / ideal[1] < 1.0


def test_optics_lose_by_coincidence_and_count_what_is_not_there() -> None:
    calm = {"width": 0.15, "false_per_min": 0, "coincidence": "none"}
    plain = counts_with(calm)
    noisy = counts_with(calm | {"false_per_min": 600}).mean(axis=0)
    # By the third power of the size: a thousandth of them at 5 um.
    assert noisy - plain.mean(axis=0) == pytest.approx([150.0, 0.15], rel=0.02, abs=0.02)
    # A tenth is lost at 1e4 per m3, and more where there are more.
    slow = counts_with(calm | {"coincidence": "non-paralyzable"}, max_concentration_per_m3=1e4)[:, 0].mean()
    loads = plain[:, 0] / (28.3e-3 / 60 * m.STEP_S) / 1e4 / 9
    assert slow == pytest.approx((plain[:, 0] / (1 + loads)).mean(), rel=0.01)
    assert slow < 0.9 * plain[:, 0].mean()


def test_counters_of_different_months_differ_as_far_as_they_scatter() -> None:
    study = small_study()
    counter = m.Counter.model_validate({"response": {"flow_spread_pct": 5, "false_per_min": 0}})
    study = study.model_copy(update={"counter": counter})
    position = study.positions[0]
    flows = [optics(position, counter, (0.5, 5.0), np.random.default_rng(n)).flow_factor for n in range(400)]
    assert np.std(flows) == pytest.approx(0.05, rel=0.15)


def test_an_incident_begins_within_a_sample_and_raises_the_counts() -> None:
    study = small_study()
    stream = streams.run(study, ("bench",), study.incidents[1], 3600, 600, np.random.default_rng(10))
    counts = stream.counts["bench"][:, 0]
    assert 3600 // m.STEP_S <= stream.begins_step < 4200 // m.STEP_S
    before, after = counts[: stream.begins_step], counts[stream.begins_step : stream.begins_step + 20]
    assert after[-1] > 10 * before.mean()
