"""Weekly test calls under everything that can come between: the same in any chopping and over restarts, and no way to
a person is ever taken to work on the word of somebody else."""

from __future__ import annotations

import json
from collections import Counter

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from motewatch.callout.records import Cause, Delivered, Outcome, Told
from motewatch.callout.test_calls import Trials, Way
from motewatch.engine import Engine
from motewatch.engine.codec import canonical
from motewatch.engine.records import Act, AlarmChanged, Answered, Commanded, Input, Memory, Output, Replied, What
from motewatch.wire.records import DAY_US, HOUR_US, MINUTE_US, Confirm
from support.facility import T0, configured
from support.reachable import reachable

FIRST_US = T0 + 3 * MINUTE_US
"""Thursday 20:30 UTC."""

WAYS = (Way("ada", "mail", "ada@example.org"), Way("ada", "sms", "+00 1"), Way("ben", "sms", "+00 2"))
SITE = reachable("Thu 20:30")
TRIALS = {
    (week, way): trial
    for week in range(3)
    for way, trial in zip(
        WAYS, Trials().begin(WAYS, FIRST_US + 7 * week * DAY_US, FIRST_US + (7 * week + 1) * DAY_US), strict=True
    )
}

_events = st.tuples(
    st.sampled_from(sorted(TRIALS)),
    st.sampled_from(["confirm", "link", "refused", "given-up", "delivered"]),
    st.sampled_from(["ada", "ben", "Ada", "nobody"]),
    st.sampled_from([0, MINUTE_US, HOUR_US, 20 * HOUR_US, 3 * DAY_US]),
)


def what_of(number: int, event: tuple[tuple[int, Way], str, str, int], at_us: int) -> What:
    key, kind, by, _ = event
    trial = TRIALS[key]
    if kind == "confirm":
        return Commanded(Confirm(f"c-{number}", by, trial.id))
    if kind == "link":
        return Answered(f"a-{number}", trial.told, trial.confirm_by_us, by, Act.CONFIRM, trial.id)
    return Delivered(trial.told, Outcome(kind), at_us, 1, "no such number")


def stream(events: list[tuple[tuple[int, Way], str, str, int]]) -> list[Input]:
    at_us, made = FIRST_US + 1, []
    for number, event in enumerate(events):
        at_us += event[3]
        made.append(Input(at_us, at_us, what_of(number, event, at_us)))
    return made


def play(inputs: list[Input], pauses: list[int], restarts: set[int]) -> list[Output]:
    history = Memory()
    engine = Engine(history)
    said = engine.apply(Input(T0, T0, configured(SITE)))
    waiting = sorted(pauses)
    for number, item in enumerate(inputs):
        while waiting and waiting[0] < item.applied_at_us:
            said += engine.advance(waiting.pop(0))
        if number in restarts:
            engine = Engine.restore(json.loads(engine.snapshot_text()), history)
        said += engine.apply(item)
    return said + engine.advance(max(FIRST_US + 15 * DAY_US, inputs[-1].applied_at_us if inputs else 0))


def ours(said: list[Output]) -> list[Output]:
    return [
        one
        for one in said
        if (isinstance(one, Told) and one.cause is Cause.TEST)
        or (isinstance(one, AlarmChanged) and one.alarm.startswith("callout/test/"))
        or isinstance(one, Replied)
    ]


@given(
    st.lists(_events, max_size=25),
    st.lists(st.integers(T0, FIRST_US + 15 * DAY_US), max_size=10),
    st.sets(st.integers(0, 25), max_size=4),
)
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_the_same_in_any_chopping_and_over_restarts(
    events: list[tuple[tuple[int, Way], str, str, int]], pauses: list[int], restarts: set[int]
) -> None:
    inputs = stream(events)
    straight, chopped = play(inputs, [], set()), play(inputs, pauses, restarts)
    assert [canonical(one) for one in straight] == [canonical(one) for one in chopped]
    said = ours(straight)
    # Each way is called once a week, whatever happens in between.
    calls = Counter((one.at_us, one.person, one.channel) for one in said if isinstance(one, Told))
    weeks = {at_us for at_us, _, _ in calls}
    assert calls == Counter({(at_us, way.person, way.channel): 1 for at_us in weeks for way in WAYS})
    assert {FIRST_US, FIRST_US + 7 * DAY_US, FIRST_US + 14 * DAY_US} <= weeks
    # An alarm ends only by a confirmation that was accepted at that very instant, of the person it is about.
    accepted = {(one.what.command.by.lower(), one.applied_at_us) for one in inputs if isinstance(one.what, Commanded)
                and isinstance(one.what.command, Confirm)}  # fmt: skip
    accepted |= {(one.what.by.lower(), one.applied_at_us) for one in inputs if isinstance(one.what, Answered)}
    for change in said:
        if isinstance(change, AlarmChanged) and change.event.value == "returns":
            assert (change.alarm.split("/")[2], change.at_us) in accepted


def test_the_words_of_this_file_are_those_of_the_engine() -> None:
    """If the ids were others, the events above would all be refused, and the test would prove nothing."""
    said = ours(play([], [], set()))
    assert {one.id for one in said if isinstance(one, Told)} == {trial.told for trial in TRIALS.values()}
    key = (0, WAYS[1])
    late = play(stream([(key, "given-up", "ada", 0), (key, "link", "ada", MINUTE_US)]), [], set())
    mine = [one for one in ours(late) if isinstance(one, AlarmChanged) and one.alarm == "callout/test/ada/sms"]
    assert [change.event.value for change in mine][:2] == ["starts", "returns"]
