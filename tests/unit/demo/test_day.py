"""The demo day finds what it promises, for any seed and start; and how its hours and happenings are told."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from motewatch.callout.ladders import Ladders
from motewatch.wire.messages import PersonCallMessage
from motewatch_simulator.demo.day import DAY, LENGTH_S
from motewatch_simulator.demo.day_talk import HAPPENINGS, DayClock, called, happening
from motewatch_simulator.library import Play, open_play
from motewatch_simulator.scoring import score_play
from motewatch_simulator.simulation import Simulation
from motewatch_simulator.truth import Truth, TruthKind

CONFIG = Path(__file__).parents[3] / "config"
SECOND_US = 1_000_000


@pytest.fixture(scope="module")
def play() -> Play:
    return open_play(CONFIG / DAY.scenario)


@pytest.mark.parametrize(("seed", "offset_us"), [(21, 0), (1, 1_370_000), (2, 2_999_999), (3, 400_000)])
def test_every_incident_of_the_day_is_found_and_nothing_else(play: Play, seed: int, offset_us: int) -> None:
    start_us = play.start_us + offset_us
    simulation = Simulation(play.site, play.scenario, rng=np.random.default_rng(seed), start_us=start_us)
    result = score_play(play, simulation, start_us, start_us + play.length_us())
    assert {one.what: one.missed for one in result.lines if one.kind is not TruthKind.EXCURSION and one.missed} == {}
    assert [(alarm.alarm, word) for alarm, word in result.false] == []
    # A pinhole below every level shows as a trend alone.
    (leak,) = [one for one in result.lines if one.what == "filter-leak"]
    assert leak.told_by == (("trend", 1),)


def test_the_day_lasts_as_long_as_its_scenario_and_tells_every_incident(play: Play) -> None:
    assert play.scenario.scenario.length_s == LENGTH_S
    assert {incident.kind for incident in play.scenario.incidents} <= set(HAPPENINGS)
    assert LENGTH_S * play.scenario.scenario.physics_speed == 16 * 3600
    assert play.site.trends
    assert play.site.suspicion is not None


@pytest.mark.parametrize(("second", "hour"), [(0, "06:00"), (5, "06:20"), (119.9, "13:59"), (240, "22:00")])
def test_the_hour_of_the_day(second: float, hour: str) -> None:
    clock = DayClock(1_000, 240.0)
    assert clock.hour(1_000 + round(second * SECOND_US)) == hour


def test_a_happening_is_told_with_the_names_of_its_places() -> None:
    names = {"filling": "Filling room", "preparation": "Solution preparation"}
    door = Truth(TruthKind.INCIDENT, "door-open", {}, 0, 1, {"higher": "filling", "lower": "preparation"})
    assert happening(door, names) == "a door is wedged open: Filling room and Solution preparation"
    fault = Truth(TruthKind.MISBEHAVIOUR, "repeats", {"sensor": "pc-3"}, 0, 1)
    assert happening(fault, names) == "counter pc-3 sends each message twice"
    other = Truth(TruthKind.INCIDENT, "odd", {"room": "filling"}, 0, 1)
    assert happening(other, names) == "odd (Filling room)"


def test_a_call_is_told_with_its_reason_and_place() -> None:
    alarm = {
        "alarm": "location/needles/0.5um/action",
        "priority": "high",
        "state": "unacknowledged",
        "what": "too many particles",
        "where": "Filling needles, Filling room",
        "since": "2026-03-02T06:00:00Z",
    }
    body = {
        "v": 1,
        "id": "call-1-1",
        "site": "s",
        "at": "2026-03-02T06:00:00Z",
        "cause": "climbed",
        "person": "cleo",
        "name": "Cleo",
        "address": "phone 3",
        "urgent": True,
        "maybe_repeat": False,
        "subject": "-",
        "text": "-",
        "short": "-",
        "alarms": [alarm, alarm],
    }
    said = called(PersonCallMessage.model_validate_json(json.dumps(body)))
    assert said == "Cleo: is called, because nobody has answered (2 alarms, Filling needles, Filling room)"


def test_the_day_calls_whoever_is_on_for_high_priority(play: Play) -> None:
    ladders = Ladders.of(play.site)
    assert ladders.for_alarm("high", None, 0) is not None
    assert ladders.for_alarm("medium", None, 0) is None
