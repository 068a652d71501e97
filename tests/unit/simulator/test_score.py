"""Alarms against the truth: what counts as found, missed, explained and false, and how it reads."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from motewatch.alarms.lifecycle import Event, State
from motewatch.engine.records import AlarmChanged, Priority
from motewatch_simulator.score import NOTHING, Line, Places, Score, score
from motewatch_simulator.score_text import markdown, remarks, table
from motewatch_simulator.truth import Truth, TruthKind
from support.simulated import START_US

SECOND_US = 1_000_000
PLACES = Places({"pc-1": "bench", "pc-2": "table"}, {"bench": "clean", "zone": "clean", "table": "next"})
GRACE_US = 180 * SECOND_US
END_US = START_US + 3600 * SECOND_US


def at(second: float) -> int:
    return START_US + round(second * SECOND_US)


def alarm(kind: str, second: float, *, since: float | None = None, **place: str) -> AlarmChanged:
    """An alarm that became known at a second; `since` when it is dated earlier."""
    where = place.get("location") or place.get("sensor") or place.get("room")
    return AlarmChanged(
        alarm=f"x/{where}/{kind}",
        kind=kind,
        priority=Priority.MEDIUM,
        event=Event.STARTS,
        before=State.NORMAL,
        after=State.UNACKNOWLEDGED,
        at_us=at(second if since is None else since),
        found_us=at(second),
        text="",
        **place,  # type: ignore[arg-type]
    )


def incident(what: str, begin: float, end: float | None, **subject: str) -> Truth:
    return Truth(TruthKind.INCIDENT, what, subject, at(begin), None if end is None else at(end))


def fault(what: str, begin: float, end: float | None, sensor: str = "pc-1") -> Truth:
    return Truth(TruthKind.MISBEHAVIOUR, what, {"sensor": sensor}, at(begin), None if end is None else at(end))


def excursion(level: str, begin: float, end: float, location: str = "bench") -> Truth:
    detail: dict[str, object] = {"size_um": 0.5, "level": level, "limit_per_m3": 1e5, "peak_per_m3": 2e5}
    return Truth(TruthKind.EXCURSION, "above-level", {"location": location}, at(begin), at(end), detail)


def scored(truths: list[Truth], *alarms: AlarmChanged) -> Score:
    return score(truths, alarms, PLACES, grace_us=GRACE_US, end_us=END_US)


def row(result: Score, what: str) -> Line:
    (found,) = [one for one in result.lines if one.what == what]
    return found


def test_the_first_alarm_that_fits_finds_it_and_gives_the_delay() -> None:
    result = scored(
        [incident("gowning-burst", 100, 400, room="clean")],
        alarm("count-action", 250, location="bench"),
        alarm("count-alert", 220, location="bench"),
    )
    line = row(result, "gowning-burst")
    assert (line.happened, line.found, line.missed, line.false) == (1, 1, 0, 0)
    assert line.delays_us == (120 * SECOND_US,)
    assert line.told_by == (("count-alert", 1),)
    assert (result.alarms, result.explained, result.missed, result.false) == (2, 0, (), ())


@pytest.mark.parametrize(
    "said",
    [
        alarm("count-alert", 90, location="bench"),
        alarm("count-alert", 581, location="bench"),
        alarm("humidity-alert", 200, location="bench"),
        alarm("count-alert", 200, location="table"),
        alarm("sensor-silent", 200, sensor="pc-1"),
    ],
    ids=["before", "too late", "another kind", "another room", "a sensor's own"],
)
def test_an_alarm_that_does_not_fit_finds_nothing(said: AlarmChanged) -> None:
    result = scored([incident("gowning-burst", 100, 400, room="clean")], said)
    assert (row(result, "gowning-burst").found, row(result, "gowning-burst").missed) == (0, 1)
    assert [truth.what for truth in result.missed] == ["gowning-burst"]


def test_what_is_found_late_counts_with_its_whole_delay() -> None:
    late = alarm("count-alert", 1500, since=200, location="bench")
    result = scored([incident("gowning-burst", 100, 400, room="clean")], late)
    assert row(result, "gowning-burst").delays_us == (1400 * SECOND_US,)


def test_air_that_spreads_explains_an_alarm_elsewhere_but_finds_nothing() -> None:
    result = scored([incident("gowning-burst", 100, 400, room="clean")], alarm("count-alert", 200, location="table"))
    assert (result.explained, result.false) == (1, ())
    assert row(result, "gowning-burst").missed == 1


def test_an_intervention_is_found_at_its_location_alone() -> None:
    truths = [incident("intervention", 100, 160, location="zone")]
    assert row(scored(truths, alarm("count-alert", 150, location="zone")), "intervention").found == 1
    assert row(scored(truths, alarm("count-alert", 150, location="bench")), "intervention").found == 0


def test_a_door_is_found_in_either_of_its_rooms() -> None:
    door = Truth(TruthKind.INCIDENT, "door-open", {}, at(100), at(400), {"higher": "clean", "lower": "next"})
    for location in ("bench", "table"):
        assert row(scored([door], alarm("pressure-difference-action", 200, location=location)), "door-open").found == 1


def test_a_count_alarm_from_a_broken_counter_is_false_and_laid_at_its_door() -> None:
    result = scored([fault("electronic-noise", 100, 400)], alarm("count-alert", 200, location="bench"))
    line = row(result, "electronic-noise")
    assert (line.found, line.missed, line.false) == (0, 1, 1)
    assert [word for _, word in result.false] == ["electronic-noise"]


def test_a_refused_message_tells_of_the_sensor_that_sends_what_cannot_be_and_modes_have_rows_of_their_own() -> None:
    wrong = replace(fault("config-error", 100, 900), detail={"mode": "wrong-kind"})
    other = replace(fault("config-error", 1500, 1900), detail={"mode": "per-ft3"})
    result = scored([wrong, other], alarm("dead-letters", 200))
    assert row(result, "config-error wrong-kind").found == 1
    assert row(result, "config-error per-ft3").missed == 1


def test_a_fault_is_found_by_its_own_kind_and_another_fault_by_any_alarm_of_its_counter() -> None:
    stuck = [fault("stuck", 100, 900)]
    assert row(scored(stuck, alarm("sensor-stuck", 300, sensor="pc-1")), "stuck").found == 1
    assert row(scored(stuck, alarm("sensor-stuck", 300, sensor="pc-2")), "stuck").found == 0
    assert row(scored(stuck, alarm("sensor-laser", 300, sensor="pc-1")), "stuck").found == 0
    assert row(scored([fault("odd", 100, 900)], alarm("sensor-laser", 300, sensor="pc-1")), "odd").found == 1


def test_what_is_to_pass_unseen_is_found_by_silence() -> None:
    repeats = [fault("repeats", 100, 400)]
    assert row(scored(repeats), "repeats").found == 1
    spoken = scored(repeats, alarm("sensor-clock", 200, sensor="pc-1"))
    assert (row(spoken, "repeats").found, row(spoken, "repeats").missed, row(spoken, "repeats").false) == (0, 1, 1)


def test_a_true_excursion_is_found_by_its_level_at_its_place() -> None:
    said = alarm("count-alert", 200, location="bench")
    said = replace(said, alarm="location/bench/0.5um/alert")
    result = scored([excursion("alert", 150, 300), excursion("action", 160, 200)], said)
    assert row(result, "above the alert level").found == 1
    assert row(result, "above the action level").missed == 1


def test_an_excursion_is_found_by_the_alarm_that_stands_already_and_not_by_one_that_is_over() -> None:
    start = alarm("count-alert", 200, location="bench")
    start = replace(start, alarm="location/bench/0.5um/alert")
    over = replace(start, event=Event.RETURNS, at_us=at(900), found_us=at(903))
    again, later = excursion("alert", 700, 800), excursion("alert", 1300, 1400)
    line = row(scored([again, later], start, over), "above the alert level")
    assert (line.found, line.missed, line.delays_us) == (1, 1, (0,))


def test_an_alarm_for_nothing_is_false() -> None:
    result = scored([], alarm("count-alert", 200, location="bench"))
    line = row(result, NOTHING)
    assert (line.happened, line.false) == (0, 1)
    assert "x/bench/count-alert, with no cause" in remarks(result, START_US)[0]


def test_what_had_only_begun_when_the_stream_ended_is_open_and_not_missed() -> None:
    late, long = incident("door-open", 3500, None, room="clean"), incident("filter-leak", 3000, None, room="clean")
    result = scored([late, long])
    assert (row(result, "door-open").open, row(result, "door-open").missed) == (1, 0)
    assert (row(result, "filter-leak").open, row(result, "filter-leak").missed) == (0, 1)


def test_the_tables_say_the_same() -> None:
    result = scored(
        [incident("gowning-burst", 100, 400, room="clean"), fault("stuck", 100, 900), fault("noise", 100, 400, "pc-2")],
        alarm("count-alert", 220, location="bench"),
        alarm("count-alert", 300, location="table"),
        alarm("humidity-alert", 2000, location="table"),
    )
    lines = table(result)
    assert " ".join(lines[0].split()) == "what was so happened found missed false delay longest told first by"
    assert "in the rooms" in lines[1]
    assert lines[2].split() == ["gowning-burst", "1", "1", "0", "0", "2.0", "min", "2.0", "min", "count-alert"]
    assert "8.0 min" in table(result, speed=4.0)[2]
    # The burst can have sent its air to the table, too.
    assert lines[-1] == "1 of 3 found, 2 missed, 1 false of 3 alarms; 1 more had a cause elsewhere."
    written: list[Any] = [line for line in markdown(result) if line.startswith("| gowning-burst")]
    assert written == ["| gowning-burst | 1 | 1 | 0 | 0 | 2.0 min | 2.0 min | count-alert |"]
