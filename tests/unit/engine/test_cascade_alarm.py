"""The alarm that two rooms no longer stand in the stated order, as dialogues with the engine."""

from __future__ import annotations

import json
from typing import Any

import pytest

from motewatch.engine import Engine
from motewatch.engine.plan import compile_plan
from motewatch.engine.records import AlarmChanged, Input, Memory, Output
from motewatch.engine.register import alarm_register
from motewatch.site.models import Site
from motewatch.wire.records import SECOND_US
from support.dialogue import transcript
from support.facility import T0, at, configured, engine, heard, reading, run, site_dict

S = SECOND_US
ALARM = "cascade/fill/prep"


def site(delay_s: float = 0.0, above: tuple[str | None, str | None] = ("prep", None), **changes: Any) -> dict[str, Any]:
    """`pc-1` hangs in `fill` and `pc-2` in `prep`; `above`: what each is measured against."""
    made = site_dict(**changes)
    for sensor, place in zip(made["sensors"], above, strict=False):
        sensor["silent_after_s"] = 45.0
        if place is not None:
            sensor["pressure_above"] = place
    step = {"higher": "fill", "lower": "prep", "low_pa": 10, "on_delay_s": delay_s, "off_delay_s": delay_s}
    made["cascade"] = [{**step, "delay_justification": "a passage takes so long"}]
    return made


def shows(sensor: str, second: int, pa: float | None, received_s: float | None = None) -> Input:
    """A gauge's reading that ends at that second."""
    made = reading(sensor, second, T0 + second * S, seconds=1.0, pressure_mpa=None if pa is None else round(pa * 1000))
    when = None if received_s is None else T0 + round(received_s * S)
    return heard(made, when, when)


def said(outputs: list[Output]) -> list[str]:
    return [line for line in transcript(outputs, AlarmChanged) if line.startswith("cascade/")]


def test_a_step_that_is_lost_is_an_alarm_of_the_higher_room_until_it_holds_again() -> None:
    inputs = [shows("pc-1", 10, 15), shows("pc-1", 20, 10), shows("pc-1", 30, 9.9), shows("pc-1", 40, 10)]
    outputs = run(engine(site()), inputs)
    assert said(outputs) == [
        "cascade/fill/prep starts at +30 -> unacknowledged",
        "cascade/fill/prep returns at +40 -> returned-unacknowledged",
    ]
    starts, returns = [one for one in outputs if isinstance(one, AlarmChanged) and one.alarm == ALARM]
    assert (starts.kind, starts.priority.value, starts.room, starts.area) == ("cascade", "high", "fill", "north")
    assert (starts.value, starts.limit, starts.unit) == (9.9, 10.0, "Pa")
    assert (starts.location, starts.sensor) == ("fill-1", "pc-1"), "where the room's gauge hangs"
    assert starts.text == "Filling: only 9.9 Pa above Preparation; at least 10 Pa wanted"
    assert returns.text == "Filling: 10.0 Pa above Preparation again, at least 10 Pa wanted"


def test_air_that_is_pushed_the_wrong_way_is_said() -> None:
    outputs = run(engine(site()), [shows("pc-1", 10, -3)])
    (starts,) = [one for one in outputs if isinstance(one, AlarmChanged) and one.alarm == ALARM]
    assert starts.text == "Filling: only -3.0 Pa above Preparation, air is pushed the wrong way; at least 10 Pa wanted"


def test_a_passage_shorter_than_the_delay_is_no_alarm_and_one_that_lasts_is_dated_by_its_end() -> None:
    short = [shows("pc-1", second, pa) for second, pa in ((10, 15), (20, 2), (40, 2), (49, 15), (60, 15))]
    assert said(run(engine(site(30)), short, T0 + 200 * S)) == []
    lasting = [shows("pc-1", second, pa) for second, pa in ((10, 15), (20, 2), (40, 2), (60, 2), (70, 15), (101, 15))]
    assert said(run(engine(site(30)), lasting)) == [
        "cascade/fill/prep starts at +50 -> unacknowledged",
        "cascade/fill/prep returns at +100 -> returned-unacknowledged",
    ]


def test_silence_starts_what_has_begun_and_ends_nothing() -> None:
    outputs = run(engine(site(30)), [shows("pc-1", 10, 2)], T0 + 400 * S)
    assert said(outputs) == ["cascade/fill/prep starts at +40 -> unacknowledged"]


def test_gauges_against_one_place_add_up() -> None:
    both = site(above=("plant-room", "plant-room"))
    inputs = [shows("pc-1", 10, 45), shows("pc-2", 11, 30), shows("pc-2", 20, 36), shows("pc-1", 21, 50)]
    assert said(run(engine(both), inputs)) == [
        "cascade/fill/prep starts at +20 -> unacknowledged",
        "cascade/fill/prep returns at +21 -> returned-unacknowledged",
    ]


def test_a_higher_room_without_a_gauge_of_its_own_is_told_all_the_same() -> None:
    """The lower room's gauge is over the same door: there the higher room is beneath by so much, with the sign."""
    outputs = run(engine(site(above=(None, "fill"))), [shows("pc-2", 10, -15), shows("pc-2", 20, -4)])
    (starts,) = [one for one in outputs if isinstance(one, AlarmChanged) and one.alarm == ALARM]
    assert (starts.value, starts.location, starts.room) == (4.0, None, "fill")


def test_a_gauge_that_is_not_heard_any_more_shows_nothing() -> None:
    both = site(above=("plant-room", "plant-room"))
    inputs = [shows("pc-1", 10, 45), shows("pc-2", 11, 30), shows("pc-1", 57, 20)]
    assert said(run(engine(both), inputs)) == [], "pc-2 was last heard 46 s before"
    assert said(run(engine(both), [*inputs[:2], shows("pc-1", 56, 20)])) != []


@pytest.mark.parametrize("late_s", [5, 9])
def test_a_reading_that_comes_late_changes_nothing(late_s: int) -> None:
    late = reading("pc-1", 900 + late_s, T0 + late_s * S, seconds=1.0, pressure_mpa=0)
    inputs = [shows("pc-1", 10, 15), heard(late, T0 + 20 * S, T0 + 20 * S)]
    assert said(run(engine(site()), inputs)) == []


def test_a_buffer_of_one_gauge_is_not_set_against_what_others_show_now() -> None:
    both = site(above=("plant-room", "plant-room"))
    now = [shows("pc-2", second, 30) for second in range(10, 200, 10)]
    buffer = [shows("pc-1", second, 20, 200 + second / 1000) for second in range(10, 150, 10)]
    assert said(run(engine(both), [*now, *buffer])) == []
    assert said(run(engine(both), [*now, *buffer, shows("pc-1", 190, 20, 201)])) != []


def loop(*pairs: tuple[str, str, float]) -> tuple[dict[str, Any], list[Input]]:
    """A site with a gauge for each pair of rooms, and one reading of each: (above, below, difference)."""
    made = site(above=(None, None))
    made["rooms"] = [
        {"id": room, "name": room.title(), "area": "north", "iso_class": 7}
        for room in dict.fromkeys(room for above, below, _ in pairs for room in (above, below))
    ]
    made["levels"] = []
    made["locations"] = [
        {"id": f"at-{n}", "name": f"At {n}", "room": above, "programme": "minute"}
        for n, (above, _, _) in enumerate(pairs)
    ]
    made["sensors"] = [
        {
            "id": f"g-{n}",
            "serial": f"S-{n}",
            "location": f"at-{n}",
            "sizes_um": [0.5, 5.0],
            "flow_l_min": 28.3,
            "interval_s": 10.0,
            "pressure_above": below,
        }
        for n, (_, below, _) in enumerate(pairs)
    ]
    made["cascade"] = [{"higher": "a", "lower": "b"}]
    return made, [shows(f"g-{n}", 10 + n, pa) for n, (_, _, pa) in enumerate(pairs)]


def test_gauges_that_contradict_each_other_around_a_loop_say_nothing() -> None:
    made, inputs = loop(("a", "c", 30), ("b", "c", 15), ("a", "b", 5))
    plan = compile_plan(Site.model_validate(made), "").cascade
    assert plan.steps["a/b"].gauges == ("g-0", "g-1", "g-2")
    assert said(run(engine(made), inputs)) == [], "30 less 15 is not 5"
    made, inputs = loop(("a", "c", 21), ("b", "c", 15), ("a", "b", 5))
    assert said(run(engine(made), [*inputs[:2], inputs[2]]))[-1] == "cascade/a/b starts at +11 -> unacknowledged"
    # It began while two gauges showed 6 Pa, and the third agrees; one that contradicts them does not end it.
    wrong = shows("g-2", 30, 15)
    assert [line for line in said(run(engine(made), [*inputs, wrong])) if "returns" in line] == []


def test_a_step_is_judged_by_the_gauges_of_its_chain_alone_where_there_is_no_other() -> None:
    made, inputs = loop(("a", "c", 30), ("b", "c", 15), ("d", "c", 0))
    plan = compile_plan(Site.model_validate(made), "").cascade
    assert plan.steps["a/b"].gauges == ("g-0", "g-1")
    assert plan.steps_of == {"g-0": ("a/b",), "g-1": ("a/b",)}
    assert said(run(engine(made), inputs)) == []


def test_of_several_gauges_over_one_door_the_lowest_counts() -> None:
    made, inputs = loop(("a", "b", 15), ("a", "b", 14))
    assert said(run(engine(made), inputs)) == []
    made, inputs = loop(("a", "b", 10.5), ("a", "b", 9.5))
    assert said(run(engine(made), inputs)) == ["cascade/a/b starts at +11 -> unacknowledged"]


def test_without_gauges_or_without_a_step_all_is_as_before() -> None:
    plain = site(above=(None, None))
    assert said(run(engine(plain), [shows("pc-1", 10, 0)])) == []
    assert "cascade" not in engine(plain).snapshot()
    assert compile_plan(Site.model_validate(plain), "").cascade.steps == {}
    without = site()
    without["cascade"] = []
    assert said(run(engine(without), [shows("pc-1", 10, 0)])) == []
    elsewhere = site(above=("plant-room", None))
    assert compile_plan(Site.model_validate(elsewhere), "").cascade.steps == {}


def test_readings_without_a_pressure_say_nothing() -> None:
    outputs = run(engine(site()), [shows("pc-1", 10, 0), shows("pc-1", 20, None), shows("pc-1", 30, None)])
    assert said(outputs) == ["cascade/fill/prep starts at +10 -> unacknowledged"]


@pytest.mark.parametrize("cut", range(1, 6))
def test_a_restored_engine_says_the_same(cut: int) -> None:
    inputs = [shows("pc-1", second, pa) for second, pa in ((10, 15), (20, 2), (40, 2), (60, 2), (70, 15), (101, 15))]
    whole = engine(site(30))
    expected = run(whole, inputs, T0 + 200 * S)
    first = engine(site(30))
    outputs = run(first, inputs[:cut])
    restored = Engine.restore(json.loads(first.snapshot_text()), Memory())
    outputs += run(restored, inputs[cut:], T0 + 200 * S)
    assert said(outputs) == said(expected)
    assert restored.snapshot()["cascade"] == whole.snapshot()["cascade"]


def test_a_new_configuration_carries_a_running_delay_on_and_ends_what_it_has_no_more() -> None:
    made = engine(site(30))
    outputs = run(made, [shows("pc-1", 10, 2), at(T0 + 20 * S, configured(site(30, levels=[])))], T0 + 60 * S)
    assert said(outputs) == ["cascade/fill/prep starts at +40 -> unacknowledged"]
    outputs = run(made, [at(T0 + 70 * S, configured(site(above=(None, None))))])
    assert said(outputs) == ["cascade/fill/prep returns at +70 -> returned-unacknowledged"]


def test_it_stands_in_the_register_with_its_bound_and_a_rule_can_hide_it() -> None:
    made = site(30, suppressions=[{"id": "cleaning", "reason": "Doors stand open", "hides": ["cascade"],
                                   "rooms": ["fill"], "occupancy": ["at-rest"]}])  # fmt: skip
    (row,) = [row for row in alarm_register(Site.model_validate(made)) if row.kind == "cascade"]
    assert (row.alarm, row.location, row.room, row.area) == (ALARM, "fill-1", "fill", "north")
    assert row.advice.priority.value == "high"
    assert [(limit.value, limit.unit) for limit in row.limits] == [(10.0, "Pa")]
    assert (row.on_delay_us, row.hidden_by) == (30 * S, ("cleaning",))
