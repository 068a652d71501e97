"""A score adds up, whatever was so and whatever was said: each truth and each alarm is in one place alone."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from motewatch.alarms.lifecycle import Event, State
from motewatch.engine.records import AlarmChanged, Priority
from motewatch.site.alarm_kinds import ALARM_KINDS
from motewatch_simulator.score import SIGNS, UNSEEN, Places, score
from motewatch_simulator.score_text import markdown, remarks, table
from motewatch_simulator.truth import Truth, TruthKind

SECOND_US = 1_000_000
END_US = 3600 * SECOND_US
GRACE_US = 180 * SECOND_US
LOCATIONS = {"bench": "clean", "table": "next"}
SENSORS = {"pc-1": "bench", "pc-2": "table"}

seconds = st.integers(0, 3600).map(lambda s: s * SECOND_US)


@st.composite
def truths(draw: st.DrawFn) -> Truth:
    kind = draw(st.sampled_from(list(TruthKind)))
    begin_us = draw(seconds)
    end_us = draw(st.none() | st.integers(begin_us, END_US))
    if kind is TruthKind.EXCURSION:
        detail: dict[str, object] = {"size_um": 0.5, "level": draw(st.sampled_from(["alert", "action"]))}
        return Truth(
            kind, "above-level", {"location": draw(st.sampled_from(list(LOCATIONS)))}, begin_us, end_us, detail
        )
    what = draw(st.sampled_from([*SIGNS, "something new"]))
    if kind is TruthKind.MISBEHAVIOUR:
        return Truth(kind, what, {"sensor": draw(st.sampled_from(list(SENSORS)))}, begin_us, end_us)
    return Truth(kind, what, {"room": draw(st.sampled_from(["clean", "next"]))}, begin_us, end_us)


@st.composite
def changes(draw: st.DrawFn) -> AlarmChanged:
    sensor = draw(st.none() | st.sampled_from(list(SENSORS)))
    location = draw(st.sampled_from(list(LOCATIONS)))
    kind = draw(st.sampled_from(ALARM_KINDS))
    found_us = draw(seconds)
    return AlarmChanged(
        alarm=f"{sensor or location}/0.5um/{kind}",
        kind=kind,
        priority=Priority.LOW,
        event=draw(st.sampled_from([Event.STARTS, Event.RETURNS])),
        before=State.NORMAL,
        after=State.UNACKNOWLEDGED,
        at_us=draw(st.integers(0, found_us)),
        found_us=found_us,
        text="",
        sensor=sensor,
        location=None if sensor else location,
    )


@given(st.lists(truths(), max_size=12), st.lists(changes(), max_size=20))
def test_a_score_adds_up(was: list[Truth], said: list[AlarmChanged]) -> None:
    result = score(was, said, Places(SENSORS, LOCATIONS), grace_us=GRACE_US, end_us=END_US)
    assert result.alarms == sum(one.event is Event.STARTS for one in said)
    for line in result.lines:
        assert line.happened == line.found + line.missed + line.open
        assert len(line.delays_us) == sum(number for _, number in line.told_by)
        assert len(line.delays_us) == (0 if line.what in UNSEEN else line.found)
        assert list(line.delays_us) == sorted(line.delays_us)
        assert all(0 <= us <= END_US for us in line.delays_us)
    assert sum(line.happened for line in result.lines) == len(was)
    assert sum(line.missed for line in result.lines) == len(result.missed)
    assert sum(line.false for line in result.lines) == len(result.false)
    assert result.explained + len(result.false) <= result.alarms
    assert len({line.what for line in result.lines}) == len(result.lines)
    # Nothing in it keeps it from being told.
    assert len(markdown(result)) == len(result.lines) + 4
    assert len(table(result)) >= len(result.lines) + 3
    assert len(remarks(result, 0)) == len(result.missed) + len(result.false)


@given(st.lists(truths(), max_size=8), st.lists(changes(), max_size=12))
def test_the_order_in_which_alarms_are_handed_over_changes_nothing(was: list[Truth], said: list[AlarmChanged]) -> None:
    at_different_times = {one.found_us: one for one in said}
    ordered = [at_different_times[us] for us in sorted(at_different_times)]
    backwards = ordered[::-1]
    places = Places(SENSORS, LOCATIONS)
    first = score(was, ordered, places, grace_us=GRACE_US, end_us=END_US)
    assert first == score(was, backwards, places, grace_us=GRACE_US, end_us=END_US)
