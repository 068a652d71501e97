"""The alarm register: it lists what the engine raises, with the limits it judges by."""

from __future__ import annotations

from typing import Any

from motewatch.engine.agenda import Agenda
from motewatch.engine.alarm_book import AlarmBook
from motewatch.engine.desk import Desk
from motewatch.engine.locations import LocationDesk, new_state
from motewatch.engine.plan import compile_plan
from motewatch.engine.records import AlarmChanged, Input, Link, LinkChanged, Memory, Seen
from motewatch.engine.register import RegisterLimit, RegisterRow, alarm_register
from motewatch.site.models import Site
from motewatch.wire.records import SECOND_US, Presence
from support.facility import T0, at, engine, heard, reading, run, site_dict

S = SECOND_US


def register(**changes: Any) -> dict[str, RegisterRow]:
    rows = alarm_register(Site.model_validate(site_dict(**changes)))
    found = {row.alarm: row for row in rows}
    assert len(found) == len(rows), "an alarm stands twice"
    return found


def test_what_the_engine_raises_stands_in_it_with_priority_and_place() -> None:
    bad = [
        heard(reading("pc-1", n, T0 + 10 * n * S, (50_000, 500), temperature_mc=26_000, humidity_mpct=70_000))
        for n in range(30)
    ]
    faulty = [
        heard(reading("pc-2", 0, T0 + 301 * S, (9_000_000, 900_000), volume_ul=1)),
        at(T0 + 302 * S, Seen(Presence(sensor="pc-2", online=False, boot="boot-1", at_us=T0 + 302 * S))),
        at(T0 + 303 * S, LinkChanged(Link.BROKER, False, T0 + 303 * S)),
        at(T0 + 304 * S, LinkChanged(Link.TIME_SERIES, False, T0 + 304 * S)),
    ]
    inputs: list[Input] = [*bad, *faulty]
    said = [one for one in run(engine(start_us=T0 - S), inputs, T0 + 900 * S) if isinstance(one, AlarmChanged)]
    rows = register()
    assert len({one.alarm for one in said}) >= 8
    for one in said:
        row = rows[one.alarm]
        assert (row.kind, row.advice.priority) == (one.kind, one.priority), one.alarm
        assert (row.location, row.room, row.area) == (one.location, one.room, one.area), one.alarm
        if one.limit is not None:
            assert one.limit in {limit.value for limit in row.limits}, one.alarm
            assert one.unit == row.limits[0].unit


WATCHED: dict[str, Any] = {
    "suspicion": {},
    "trends": [
        {"room": "fill", "size_um": 0.5, "method": "ewma", "usual_per_m3": 200.0},
        {"area": "north", "size_um": 5.0, "method": "u-chart", "occupancy": "at-rest", "learn_samples": 1000},
    ],
}


def test_it_holds_every_alarm_that_a_location_can_raise() -> None:
    rows = register(**WATCHED)
    plan = compile_plan(Site.model_validate(site_dict(**WATCHED)), "")
    desk = Desk(plan, Memory(), Agenda(), AlarmBook(), {}, T0)
    for where in plan.locations.values():
        possible = set(LocationDesk(desk, where, new_state(where, T0)).alarms())
        # A count's alarm is possible for both grades, and listed for those with a level in some state.
        unset = {alarm for alarm in possible if alarm.endswith(("um/alert", "um/action"))} - set(rows)
        levels = {(level.size_nm, level.grade) for state in where.levels.values() for level in state}
        assert len(unset) == 2 * len(where.rules) - len(levels)
        listed = {row.alarm for row in rows.values() if row.location == where.id}
        others = {f"sensor/{where.sensor}/{word}" for word in ("silent", "flow", "laser", "clock", "calibration")}
        assert listed - others == possible - unset


def test_trends_and_doubts_have_their_kinds_and_say_how_they_are_judged() -> None:
    rows = register(**WATCHED)
    ewma = rows["location/fill-1/0.5um/trend-ewma"]
    assert (ewma.kind, ewma.advice.priority.value) == ("trend", "low")
    assert ewma.judged == "ewma about a usual mean of 200 /m3, as stated, periods of 60 s"
    learned = rows["location/prep-1/5um/trend-u-chart/at-rest"]
    assert learned.judged == "u-chart about the mean of the first 1000 samples, each reading"
    stuck = rows["sensor/pc-1/stuck"]
    assert (stuck.kind, stuck.advice.priority.value, stuck.location) == ("sensor-stuck", "medium", "fill-1")
    assert "sensor/hand-1/stuck" not in rows


def test_limits_delays_and_sources() -> None:
    rows = register()
    alert = rows["location/fill-1/0.5um/alert"]
    assert alert.limits == (RegisterLimit((), 1000, "/m3", "the site's own alert level"),)
    assert alert.judged == "each sample, periods of 60 s"
    humid = rows["location/fill-1/humidity-high/action"]
    assert (humid.on_delay_us, humid.off_delay_us, humid.deadband) == (120 * S, 60 * S, 2.0)
    assert rows["sensor/pc-1/silent"].limits[0].value == 45
    assert rows["sensor/pc-1/silent"].location == "fill-1"


def test_limits_of_each_state() -> None:
    rooms = site_dict()["rooms"]
    rooms[0]["grade"] = "B"
    action = register(rooms=rooms)["location/fill-1/0.5um/action"]
    assert [(limit.states, limit.value) for limit in action.limits] == [
        (("as-built", "at-rest"), 3_520),
        (("operational",), 352_000),
    ]


def test_a_portable_is_never_silent() -> None:
    rows = register()
    assert "sensor/hand-1/silent" not in rows
    assert "sensor/hand-1/flow" in rows


def test_the_sites_own_words_and_priorities() -> None:
    rows = register(
        rationalisation=[{"kind": "count-alert", "room": "fill", "what_to_do": "Look.", "severity": "minor"}]
    )
    assert rows["location/fill-1/0.5um/alert"].advice.action == "Look."
    assert rows["location/fill-1/0.5um/alert"].advice.priority.value == "low"


def test_alarms_of_the_callout_are_in_it_once_there_is_something_to_fail() -> None:
    people = {
        "persons": [{"id": "p1", "name": "P. One", "reach": [{"channel": "m", "address": "x"}]}],
        "channels": [{"id": "m", "kind": "mqtt"}],
        "rotas": [{"id": "r", "name": "R", "rotation": {"members": ["p1"], "first": "2026-01-01"}}],
        "escalations": [{"id": "e", "steps": [{"after_min": 0, "tell": ["rota:r"]}]}],
    }
    assert not any(alarm.startswith("callout/") for alarm in register(**(people | {"escalations": []})))
    rows = register(**people)
    found = [
        (row.alarm, row.kind, row.advice.priority.value) for row in rows.values() if row.kind.startswith("callout")
    ]
    assert found == [
        ("callout/nobody-reached", "callout-nobody-reached", "high"),
        ("callout/gap/r", "callout-gap", "medium"),
    ]
    rows = register(**people, callout={"test_calls": {"at": "Tue 10:00"}})
    assert rows["callout/test/p1/m"].kind == "callout-test"
