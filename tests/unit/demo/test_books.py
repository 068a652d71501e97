"""The demo's books: what is lost, doubled or left over is said, and nothing else is."""

from __future__ import annotations

from motewatch.alarms.lifecycle import Event, State
from motewatch.engine.records import AlarmChanged, Priority
from motewatch_simulator.demo.books import Books, Key, balance, came_and_went
from motewatch_simulator.demo.program import summary


def keys(*numbers: int) -> list[Key]:
    return [Key("pc-01", "b1", number) for number in numbers]


def changed(alarm: str, event: Event) -> AlarmChanged:
    return AlarmChanged(
        alarm, "action", Priority.HIGH, event, State.NORMAL, State.UNACKNOWLEDGED, at_us=1, found_us=1, text=""
    )


def test_nothing_is_wrong_when_all_is_on_record_once() -> None:
    assert balance(keys(0, 1, 2), keys(2, 0, 1)) == []


def test_readings_that_nobody_got_acknowledged_are_no_fault() -> None:
    assert balance(keys(0, 1), keys(0, 1, 2)) == []


def test_a_second_acknowledgement_is_no_fault() -> None:
    assert balance(keys(0, 1, 1), keys(0, 1)) == []


def test_a_lost_reading_is_named() -> None:
    (sentence,) = balance(keys(0, 1, 2), keys(0, 2))
    assert sentence == "LOST: 1 acknowledged readings are not in the journal: pc-01 seq 1 (boot b1)"


def test_many_lost_readings_are_counted_and_some_named() -> None:
    (sentence,) = balance(keys(*range(9)), [])
    assert sentence.startswith("LOST: 9 acknowledged readings")
    assert sentence.endswith("seq 4 (boot b1) and 4 more")


def test_the_same_sequence_of_another_boot_is_another_reading() -> None:
    assert len(balance([Key("pc-01", "b2", 0)], keys(0))) == 1


def test_a_reading_on_record_twice_is_named() -> None:
    (sentence,) = balance(keys(0), keys(0, 0))
    assert sentence == "1 readings are in the journal more than once: pc-01 seq 0 (boot b1)"


def test_an_alarm_came_and_went_only_in_that_order() -> None:
    events = [
        changed("early", Event.RETURNS),
        changed("a", Event.STARTS),
        changed("early", Event.STARTS),
        changed("b", Event.STARTS),
        changed("b", Event.RETURNS_LATCHED),
        changed("a", Event.ACKNOWLEDGE),
        changed("a", Event.RETURNS),
    ]
    assert came_and_went(events) == ("b", "a")


def test_the_summary_says_whether_all_is_there() -> None:
    def lines(wrong: list[str]) -> str:
        return "\n".join(summary(Books(8, 1, 9, 3, 2, 1, 1, 0, 0, ("x",), wrong), 60.2, verified=not wrong))

    good, bad = lines([]), lines(["LOST: 1"])
    assert "8 acknowledged to the sensors (1 of them sent again), 9 on record: every one of them" in good
    assert "2 raised, 1 cleared, 1 still active\n                raised and cleared: x\n" in good
    assert "journal       verified" in good
    assert "every one" not in bad
    assert "verified" not in bad
