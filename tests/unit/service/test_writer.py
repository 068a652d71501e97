"""The writer: commit before acknowledge, what is kept, what is told, and how time is held."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise
from pathlib import Path

import pytest

from motewatch.engine.records import AlarmChanged, Link, LinkChanged, Output
from motewatch.journal.errors import DiskFullError
from motewatch.journal.rows import Batch
from motewatch.measure.samples import Quality
from motewatch.service.letter_budget import LetterBudget
from motewatch.service.writer import BATCH, CATCH_UP_US, SNAPSHOT_REPLAYED, Posted
from motewatch.wire.records import MINUTE_US, SECOND_US
from support.dialogue import transcript
from support.facility import T0, site_dict
from support.links_fakes import FakeClock
from support.writer_bench import TOPICS, Bench, Step, count, delivery, event

S = SECOND_US


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with Bench(tmp_path / "journal.db") as made:
        yield made


def live(bench: Bench, seconds: float) -> object:
    """A step of the script: the backlog is drained and time goes on."""
    return lambda: bench.clock.go(seconds)


# ---- commit, then acknowledge


def test_what_is_acknowledged_is_on_record_before(bench: Bench) -> None:
    bench.run_script(
        event("up"),
        event("drained"),
        lambda: bench.clock.go(11),
        count("pc-1", 0, T0 + 10 * S),
        count("pc-2", 0, T0 + 10 * S),
        lambda: bench.clock.go(10),
        count("pc-1", 1, T0 + 20 * S, mid=7),
    )
    bench.order.pop(0)  # the first configuration
    words = [(word, [row.seq for row in what.inputs] if word == "commit" else what) for word, what in bench.order]
    assert [entry for entry in words if entry != ("commit", []) and entry[0] != "snapshot"] == [
        ("commit", [0, 0]),
        ("acknowledge", [1, 1]),
        ("commit", [1]),
        ("acknowledge", [7]),
    ]


def test_nothing_is_acknowledged_when_the_commit_fails(bench: Bench) -> None:
    bench.journal.failure = DiskFullError("journal.db")
    bench.journal.failing = bench.writer.stop
    turned_s = bench.writer.turned_s
    bench.clock.go(1)
    with pytest.raises(DiskFullError):
        bench.run_script(event("up"), event("drained"), count("pc-1", 0, T0 + 10 * S), count("pc-1", 1, T0 + 20 * S))
    assert bench.writer.turned_s == turned_s, "a loop that has failed does not turn"
    assert [what for word, what in bench.order if word == "acknowledge"] == []
    bench.journal.failure = None
    assert bench.inputs() == []


def test_who_posted_an_input_hears_what_was_said_to_it_once_it_is_on_record(bench: Bench) -> None:
    def done(word: str) -> Callable[[Sequence[Output]], None]:
        return lambda outputs: bench.order.append((word, transcript(outputs, AlarmChanged)))

    bench.run_script(
        event("up"),
        event("drained"),
        lambda: None,
        Posted(LinkChanged(Link.TIME_SERIES, False, T0, "refused"), done("down")),
        count("pc-1", 0, T0 + 10 * S),
        Posted(LinkChanged(Link.TIME_SERIES, False, T0, "refused"), done("again")),
    )
    words = [(word, what) for word, what in bench.order if word not in ("commit", "acknowledge") or what_holds(what)]
    place = [word for word, _ in words].index("down")
    assert [word for word, _ in words[place - 2 :]] == ["commit", "acknowledge", "down", "again", "snapshot"]
    assert words[place][1] == ["service/time-series starts at +0 -> unacknowledged"]
    assert words[place + 1][1] == []


def test_who_posted_an_input_hears_nothing_when_the_commit_fails(bench: Bench) -> None:
    heard: list[object] = []
    bench.journal.failure = DiskFullError("journal.db")
    bench.journal.failing = bench.writer.stop
    with pytest.raises(DiskFullError):
        bench.run_script(Posted(LinkChanged(Link.TIME_SERIES, False, T0, "refused"), heard.append))
    assert heard == []


def what_holds(what: object) -> bool:
    """Is this commit or acknowledgement one with something in it?"""
    return bool(what.inputs if isinstance(what, Batch) else what)


def test_a_group_is_one_transaction_and_has_a_limit(bench: Bench) -> None:
    bench.run_script(*[count("pc-1", n, T0 + n * S, seconds=1.0) for n in range(BATCH + 50)])
    sizes = [len(batch.inputs) for batch in bench.commits()]
    assert sizes[1:] == [BATCH, 50, 0]
    assert [len(what) for word, what in bench.order if word == "acknowledge"] == [BATCH, 50]


def test_a_repeat_is_acknowledged_and_not_recorded(bench: Bench) -> None:
    one = count("pc-1", 0, T0 + 10 * S, (5, 0))
    bench.run_script(one, one, lambda: None, one)
    assert [row.seq for row in bench.inputs()] == [0]
    assert [what for word, what in bench.order if word == "acknowledge"] == [[1, 1], [1]]
    assert bench.writer.figures.repeats == 2
    assert bench.writer.figures.messages == 3


def test_a_cleared_presence_means_nothing_and_is_acknowledged(bench: Bench) -> None:
    bench.run_script(delivery(TOPICS.presence("pc-1"), b"", 4, T0))
    assert bench.inputs() == []
    assert ("acknowledge", [4]) in bench.order


def test_what_was_due_before_a_repeat_is_kept_although_the_repeat_is_not(bench: Bench) -> None:
    """The engine works off a period when the repeat comes; that sample belongs to time, not to the repeat."""
    one = count("pc-1", 0, T0 + 10 * S, (5, 0))
    bench.run_script(event("up"), event("drained"), lambda: bench.clock.go(11), one, lambda: bench.clock.go(60), one)
    samples = [sample for sample in bench.samples() if sample.location == "fill-1"]
    assert [(sample.end_us, sample.readings) for sample in samples] == [(T0 + 60 * S, 1)]
    assert bench.journal.verify() == []


# ---- dead letters


def test_a_flood_of_what_cannot_be_used_does_not_fill_the_record(tmp_path: Path) -> None:
    garbage = b"{" * 1_000
    with Bench(tmp_path / "journal.db", letters=LetterBudget(10, 1_000_000)) as bench:
        flood: list[Step] = [event("up"), event("drained")]
        for second in range(300):
            flood += [delivery(TOPICS.counts("pc-1"), garbage, 10 * second + n, T0 + second * S) for n in range(10)]
            flood.append(lambda: bench.clock.go(1))
        # Another sensor has its own share, and what can be used goes on.
        bench.run_script(
            *flood, delivery(TOPICS.counts("pc-2"), garbage, 3_001, T0 + 300 * S), count("pc-2", 0, T0 + 300 * S)
        )
        letters = bench.journal.query_dead_letters(10_000)
        lines = [each for each in letters if not each.payload]
        assert Counter(each.sensor for each in letters if each.payload) == {"pc-1": 10, "pc-2": 1}
        assert 5 <= len(lines) <= 6, "a line a minute, and one for the rest at the end"
        assert {each.reason for each in lines} == {"not-json"}
        stood_for = [int(found[1]) for each in lines if (found := re.search(r"(\d+) more like this", each.detail))]
        of_their_own = [each for each in lines if not each.detail[0].isdigit()]
        assert 10 + len(of_their_own) + sum(stood_for) == 3_000
        assert bench.writer.figures.dead_letters == 3_001
        assert len([row for row in bench.inputs() if row.kind == "refused"]) == 11 + len(of_their_own)
        # All of them are taken from the broker.
        assert sum(len(what) for word, what in bench.order if word == "acknowledge") == 3_002
        assert bench.journal.verify() == []


def test_dead_letters_keep_reason_and_bytes_whoever_refused_them(bench: Bench) -> None:
    garbage = b'{"v": 1, \xff'
    bench.run_script(
        delivery(TOPICS.counts("pc-1"), garbage, 1, T0),
        delivery(TOPICS.counts("pc-9"), count("pc-9", 0, T0 + S, seconds=1.0).payload, 2, T0 + S),
        delivery(TOPICS.counts("pc-2"), count("pc-1", 0, T0 + S, seconds=1.0).payload, 3, T0 + S),
    )
    letters = bench.journal.query_dead_letters()
    assert [(letter.reason, letter.topic, letter.sensor) for letter in letters] == [
        ("not-json", TOPICS.counts("pc-1"), "pc-1"),
        ("unknown-sensor", TOPICS.counts("pc-9"), "pc-9"),
        ("foreign-sensor", TOPICS.counts("pc-2"), "pc-2"),
    ]
    assert letters[0].payload == garbage
    assert json.loads(letters[1].payload)["sensor"] == "pc-9"
    assert [what for word, what in bench.order if word == "acknowledge"] == [[1, 2, 3]]
    assert bench.writer.figures.dead_letters == 3


# ---- answers


def command(id_: str, mid: int, response_topic: str | None) -> object:
    body = {"v": 1, "id": id_, "command": "set-occupancy", "by": "ada", "room": "prep", "occupancy": "at-rest"}
    return delivery(TOPICS.command, json.dumps(body).encode(), mid, T0, response_topic)


@pytest.mark.parametrize(
    ("asked", "answered"),
    [
        (None, []),
        ("desk/7/answers", ["desk/7/answers"]),
        (TOPICS.reply("another"), [TOPICS.reply("another")]),
        # These would let a sender write among our own publications, or among the sensors'.
        (TOPICS.sample("fill-1"), []),
        (TOPICS.alarm("location/fill-1/0.5um/action"), []),
        (TOPICS.counts("pc-1"), []),
        (TOPICS.command, []),
        (TOPICS.service, []),
        ("motewatch/v1/another-site/counts/pc-1", []),
    ],
)
def test_a_response_topic_inside_our_own_tree_is_ignored(bench: Bench, asked: str | None, answered: list[str]) -> None:
    bench.run_script(command("c-1", 1, asked))  # type: ignore[arg-type]
    replies = [row.topic for row in bench.outbox if b'"accepted":true' in row.payload]
    assert replies == [TOPICS.reply("c-1"), *answered]


# ---- the engine's time


def test_while_the_backlog_comes_no_period_closes(bench: Bench) -> None:
    bench.clock.go(600)
    bench.run_script(
        event("up"),
        *[count("pc-1", n, T0 + 10 * (n + 1) * S, (1, 0)) for n in range(30)],
        lambda: bench.clock.go(1),
        *[count("pc-1", n, T0 + 10 * (n + 1) * S, (1, 0)) for n in range(30, 60)],
        event("drained"),
    )
    samples = [sample for sample in bench.samples() if sample.location == "fill-1"]
    assert [(sample.readings, sample.quality, sample.revision) for sample in samples] == [(6, Quality.GOOD, 1)] * 9
    # Nothing came from pc-2: that is its own silence, and no fault of the backlog.
    assert bench.engine.standing() == ["sensor/pc-2/silent"]


class TickingClock(FakeClock):
    """Goes on a little whenever it is read, as real ones do."""

    def now_us(self) -> int:
        self.go(0.000_05)
        return self.wall_us


def test_held_inputs_never_lie_before_an_input_of_the_group_in_which_the_hold_began(tmp_path: Path) -> None:
    """The broker goes in the very group in which its last message came."""
    with Bench(tmp_path / "journal.db", clock=TickingClock(T0), known_before=True) as bench:
        hold_begins_after_a_message(bench)
        inputs = bench.inputs()
        kinds = ["session-lost", "message", "link-changed", "session-lost", "message", "message"]
        assert [row.kind for row in inputs] == kinds
        applied = [row.applied_us for row in inputs]
        assert applied == sorted(applied)
        # Held from the broker's going on: these stand at the instant of the last message.
        assert applied[1] == applied[2] == applied[3] == applied[4]
        assert bench.journal.verify() == []


def hold_begins_after_a_message(bench: Bench) -> None:
    bench.run_script(
        event("session-lost"),
        event("up"),
        event("drained"),
        lambda: bench.clock.go(10.5),
        count("pc-1", 0, T0 + 10 * S),
        event("down", T0 + 10 * S),
        Posted(LinkChanged(Link.TIME_SERIES, False, T0, "refused")),
        lambda: bench.clock.go(5),
        event("session-lost"),
        event("up"),
        count("pc-1", 1, T0 + 15 * S, seconds=5.0),
        event("drained"),
        lambda: bench.clock.go(5),
        count("pc-1", 2, T0 + 20 * S, seconds=5.0),
    )


def test_a_broker_that_stays_away_becomes_an_alarm_and_time_goes_on(tmp_path: Path) -> None:
    with Bench(tmp_path / "journal.db", hold_limit_s=30.0) as bench:
        bench.run_script(
            event("up"),
            event("drained"),
            lambda: bench.clock.go(5),
            lambda: None,
            event("down", T0 + 5 * S, "the connection broke"),
            lambda: bench.clock.go(29),
            lambda: bench.order.append(("mark", bench.engine.passed_us)),
            lambda: bench.clock.go(2),
            lambda: None,
            lambda: bench.order.append(("mark", bench.engine.passed_us)),
        )
        marks = [what for word, what in bench.order if word == "mark"]
        assert marks == [T0 + 5 * S, T0 + 36 * S]
        (alarm,) = bench.journal.query_alarm_events()
        assert (alarm.alarm, alarm.event.value, alarm.at_us) == ("service/broker", "starts", T0 + 5 * S)
        assert "the connection broke" in alarm.text


def test_for_how_long_a_loss_is_untold_and_when_the_loop_turned(tmp_path: Path) -> None:
    seen: list[tuple[float, float]] = []
    with Bench(tmp_path / "journal.db", hold_limit_s=30.0) as bench:

        def look(go_s: float) -> Callable[[], None]:
            def step() -> None:
                away_s = bench.writer.untold_loss_s
                bench.clock.go(go_s)
                seen.append((away_s, bench.clock.monotonic_s() - bench.writer.turned_s))

            return step

        bench.run_script(
            look(5),  # no broker yet
            look(0),
            event("up", T0),
            event("drained", T0),
            look(7),
            look(0),
            event("down", T0),
            look(20),
            look(20),  # longer than the hold limit: it is an alarm then
            look(1),
            look(0),
        )
    assert [away_s for away_s, _ in seen] == [0, 5, 0, 0, 0, 20, 0, 0]
    assert [turned_s for _, turned_s in seen] == [5, 0, 7, 0, 20, 20, 1, 0], "each turn is one"


def test_a_broker_that_is_back_ends_its_alarm_and_time_is_held_again(tmp_path: Path) -> None:
    with Bench(tmp_path / "journal.db", hold_limit_s=1.0) as bench:
        bench.run_script(
            lambda: bench.clock.go(2),
            lambda: None,
            lambda: bench.clock.go(100),
            event("up", T0 + 102 * S),
            lambda: bench.order.append(("mark", bench.engine.passed_us)),
            lambda: bench.clock.go(0.5),
            lambda: bench.order.append(("mark", bench.engine.passed_us)),
            event("drained"),
            lambda: bench.order.append(("mark", bench.engine.passed_us)),
        )
        marks = [what for word, what in bench.order if word == "mark"]
        assert marks[0] == marks[1] <= T0 + 102 * S
        assert marks[2] == T0 + 102_500_000
        assert [(e.alarm, e.event.value, e.at_us) for e in bench.journal.query_alarm_events("service/broker")] == [
            ("service/broker", "starts", T0),
            ("service/broker", "returns", T0 + 102 * S),
        ]


def test_a_broker_that_is_back_after_a_restart_ends_the_alarm_of_the_run_before(tmp_path: Path) -> None:
    """Else it would stand for ever, and hide the silence of every sensor."""
    with Bench(tmp_path / "journal.db", hold_limit_s=1.0) as bench:
        bench.run_script(lambda: bench.clock.go(2), lambda: None)
        assert [each.alarm for each in bench.journal.standing_alarms()] == ["service/broker"]
        clock = bench.clock
    clock.go(60)
    with Bench(tmp_path / "journal.db", clock, hold_limit_s=1.0, again=True) as bench:
        assert bench.writer.untold_loss_s == 0, "it was told"
        bench.run_script(event("up", T0 + 62 * S), event("drained"), lambda: bench.clock.go(200))
        last = {each.alarm: each.after.value for each in bench.journal.last_alarm_events()}
        assert last.pop("service/broker") == "returned-unacknowledged"
        assert last.pop("sensor/pc-1/silent") == "unacknowledged"


def test_the_return_of_the_broker_is_found_after_the_time_without_a_service_and_nobody_is_silent_in_it(
    tmp_path: Path,
) -> None:
    with Bench(tmp_path / "journal.db", hold_limit_s=1.0) as bench:
        bench.run_script(lambda: bench.clock.go(2), lambda: None)
        clock = bench.clock
    clock.go(3600)
    back_us = clock.now_us()
    with Bench(tmp_path / "journal.db", clock, hold_limit_s=1.0, again=True) as bench:
        steps: list[Step] = [event("up", back_us), event("drained"), lambda: clock.go(1)]
        for n in range(3):
            at_us = back_us + 10 * n * S
            steps += [count(sensor, n, at_us) for sensor in ("pc-1", "pc-2")]
            steps += [lambda: clock.go(10)]
        bench.run_script(*steps)
        events = bench.journal.query_alarm_events()
        (returned,) = [each for each in events if (each.alarm, each.event.value) == ("service/broker", "returns")]
        assert returned.at_us == back_us
        assert returned.found_us >= back_us
        assert [each.alarm for each in events if each.kind == "sensor-silent"] == []


def test_a_broker_that_goes_again_before_its_backlog_is_read_is_still_away(tmp_path: Path) -> None:
    with Bench(tmp_path / "journal.db", hold_limit_s=1.0) as bench:
        bench.run_script(lambda: bench.clock.go(2), lambda: None)
        clock = bench.clock
    clock.go(60)
    with Bench(tmp_path / "journal.db", clock, hold_limit_s=1.0, again=True) as bench:
        bench.run_script(event("up"), event("down"), lambda: clock.go(5), lambda: None)
        steps_of_it = [each.event.value for each in bench.journal.query_alarm_events("service/broker")]
        assert steps_of_it == ["starts"]


def test_an_end_of_the_backlog_that_is_long_in_coming_is_known_outside_and_an_alarm_once_it_is_given_up(
    tmp_path: Path,
) -> None:
    sought: list[float] = []

    def look(bench: Bench, go_s: float) -> Callable[[], None]:
        def step() -> None:
            sought.append(bench.writer.untold_hold_s)
            bench.clock.go(go_s)

        return step

    with Bench(tmp_path / "journal.db", hold_limit_s=30.0) as bench:
        steps: list[Step] = [look(bench, 5), event("up")]
        for n in range(4):
            # Messages go on coming, so nobody can say that the broker has no more.
            steps += [count("pc-1", n, T0 + (20 * n + 5) * S), look(bench, 20)]
        steps += [event("drained", detail="taken for granted: no marker"), event("marker-lost", detail="no marker")]
        steps += [look(bench, 1), event("up"), event("drained", detail="taken for granted: slow"), look(bench, 1)]
        bench.run_script(*steps)
        assert sought == [0, 0, 20, 40, 60, 0, 0]
        (alarm,) = bench.journal.query_alarm_events("service/marker")
        assert (alarm.kind, alarm.after.value, alarm.at_us) == ("marker-lost", "unacknowledged", T0 + 85 * S)
        assert alarm.text.endswith("what waited there: no marker")
        clock = bench.clock
    with Bench(tmp_path / "journal.db", clock, known_before=True, again=True) as bench:
        bench.run_script(event("up"), event("drained"), event("up"), event("drained"))
        steps_of_it = [each.event.value for each in bench.journal.query_alarm_events("service/marker")]
        assert steps_of_it == ["starts", "returns"]


def test_a_backlog_longer_than_the_hold_limit_is_not_a_broker_that_is_away(tmp_path: Path) -> None:
    with Bench(tmp_path / "journal.db", hold_limit_s=10.0) as bench:
        bench.clock.go(125)
        steps: list[object] = [event("up")]
        for n in range(12):
            steps += [count("pc-1", n, T0 + 10 * (n + 1) * S), lambda: bench.clock.go(5)]
        bench.run_script(*steps, event("drained"))  # type: ignore[arg-type]
        assert bench.journal.query_alarm_events("service/broker") == []
        first = next(sample for sample in bench.samples() if sample.location == "fill-1")
        assert (first.readings, first.quality) == (6, Quality.GOOD)


def test_an_end_of_the_backlog_that_never_comes_does_not_stop_time(tmp_path: Path) -> None:
    with Bench(tmp_path / "journal.db", hold_limit_s=10.0) as bench:
        bench.run_script(event("up"), lambda: bench.clock.go(11), lambda: None, lambda: bench.clock.go(60))
        assert bench.engine.passed_us == T0 + 71 * S
        assert bench.journal.query_alarm_events("service/broker") == []


def test_a_long_absence_is_worked_off_in_pieces(bench: Bench) -> None:
    bench.clock.go(3 * 3600)
    before = len(bench.commits())
    bench.run_script(event("up"), event("drained"))
    times = [batch.engine_us for batch in bench.commits()[before - 1 :]]
    steps = [b - a for a, b in pairwise(times)]
    assert max(steps) <= CATCH_UP_US == 10 * MINUTE_US
    assert bench.engine.passed_us == T0 + 3 * 3600 * S
    assert len([sample for sample in bench.samples() if sample.location == "fill-1"]) == 179
    assert max(len(batch.outputs) for batch in bench.commits()) < 30


def test_a_stop_is_heeded_in_the_middle_of_a_long_catch_up(bench: Bench) -> None:
    bench.clock.go(72 * 3600)
    bench.writer.stop()
    bench.run_script(event("up"), event("drained"), count("pc-1", 0, T0 + 10 * S))
    assert bench.engine.passed_us == T0 + CATCH_UP_US
    assert bench.journal.engine_us() == bench.engine.passed_us
    snapshot = bench.journal.latest_snapshot()
    assert snapshot is not None
    assert snapshot.engine_us == bench.engine.passed_us
    # The reading waits for the next start: it is neither recorded nor acknowledged.
    assert bench.inputs() == []
    assert [what for word, what in bench.order if word == "acknowledge"] == []


def test_a_message_right_behind_the_backlog_does_not_make_one_transaction_of_the_absence(bench: Bench) -> None:
    bench.clock.go(3 * 3600)
    bench.run_script(event("up"), event("drained"), count("pc-1", 0, T0 + 3 * 3600 * S))
    assert max(len(batch.outputs) for batch in bench.commits()) < 30
    assert len([sample for sample in bench.samples() if sample.location == "fill-1"]) == 179


def test_the_broker_is_told_to_be_away_before_its_sensors_are_found_silent(tmp_path: Path) -> None:
    with Bench(tmp_path / "journal.db", hold_limit_s=120.0) as bench:
        bench.run_script(
            event("up"),
            event("drained"),
            lambda: bench.clock.go(10),
            count("pc-1", 0, T0 + 10 * S),
            event("down", T0 + 10 * S, "it does not answer"),
            lambda: bench.clock.go(121),
            lambda: bench.clock.go(600),
        )
        assert bench.engine.standing() == ["service/broker"]
        (alarm,) = bench.journal.query_alarm_events()
        assert alarm.text == "the broker cannot be reached: it does not answer"
        assert alarm.at_us <= alarm.found_us <= T0 + 11 * S


def test_a_service_that_was_away_and_finds_no_broker_accuses_no_sensor(tmp_path: Path) -> None:
    """Nobody listened for three days, and nobody can be heard now: one alarm, not one for each sensor."""
    with Bench(tmp_path / "journal.db", hold_limit_s=30.0, known_before=True) as bench:
        bench.clock.go(3 * 86_400)
        bench.run_script(event("down", bench.clock.wall_us, "refused"), lambda: bench.clock.go(31), lambda: None)
        assert bench.engine.standing() == ["service/broker"]
        (alarm,) = bench.journal.query_alarm_events()
        assert alarm.at_us <= alarm.found_us
        assert max(len(batch.outputs) for batch in bench.commits()) < 30


def test_a_step_of_the_host_clock_is_said_once(bench: Bench) -> None:
    def step_back() -> None:
        bench.clock.wall_us -= 3600 * S
        bench.clock.elapsed_s += 1.5

    bench.run_script(
        event("up"),
        event("drained"),
        lambda: bench.clock.go(60),
        step_back,
        lambda: bench.clock.go(2),
        lambda: bench.clock.go(2),
        count("pc-1", 0, T0 + 50 * S),
    )
    events = bench.journal.query_alarm_events("service/clock")
    assert [(e.event.value, e.text) for e in events] == [
        ("starts", "the host's clock was stepped by -3601.5 s"),
        ("returns", "the host's clock was stepped by -3601.5 s"),
    ]
    applied = [row.applied_us for row in bench.inputs()]
    assert applied == sorted(applied)
    # Half speed after the step back: 60 s, then half of 1.5, 2 and 2 seconds.
    assert bench.engine.passed_us == T0 + 62_750_000


def test_the_first_configuration_is_on_record_before_anything_else(bench: Bench) -> None:
    (first,) = bench.journal.inputs_after(0, 1)
    assert first.kind == "configured"
    assert json.loads(json.loads(first.payload)["text"])["site"]["id"] == site_dict()["site"]["id"]
    assert bench.engine.passed_us == T0


def test_a_start_that_replayed_much_leaves_a_snapshot_at_once(tmp_path: Path) -> None:
    for replayed, kept in ((SNAPSHOT_REPLAYED - 1, 1), (SNAPSHOT_REPLAYED, 2)):
        with Bench(tmp_path / f"{replayed}.db", replayed=replayed) as bench:
            bench.run_script(event("up"), event("drained"), count("pc-1", 0, T0 + 10 * S))
            snapshots = [at_us for what, at_us in bench.order if what == "snapshot"]
            assert len(snapshots) == kept, "the clean end makes one in any case"
