"""The history of alarms: newest first, no step lost or repeated between pages, narrowed by all that is given."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from motewatch.alarms.lifecycle import Event, State
from motewatch.alarms.priority import Priority
from motewatch.engine.records import AlarmChanged, Output
from motewatch.journal.alarm_history import Narrowed, Place, alarm_history
from motewatch.journal.journal import Journal
from support.report_record import commit

T0 = 1_780_000_000_000_000
MINUTE = 60_000_000


def step(number: int) -> AlarmChanged:
    """Steps in pairs of one instant; every third in the room `prep`, every fifth of high priority."""
    return AlarmChanged(
        f"location/l{number}/0.5um/action",
        "count-action" if number % 2 else "count-alert",
        Priority.MEDIUM if number % 5 else Priority.HIGH,
        Event.STARTS,
        State.NORMAL,
        State.UNACKNOWLEDGED,
        T0 + number // 2 * MINUTE,
        T0 + number // 2 * MINUTE,
        f"text {number}",
        location=f"l{number}",
        room="fill" if number % 3 else "prep",
    )


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Journal]:
    with Journal(tmp_path_factory.mktemp("history") / "journal.db", site="testing") as made:
        outputs: list[Output] = [step(number) for number in range(30)]
        commit(made, outputs, T0 + 30 * MINUTE)
        yield made


def numbers(journal: Journal, wanted: Narrowed, limit: int) -> list[int]:
    """Of the steps found, page by page."""
    found: list[int] = []
    after: Place | None = None
    for _ in range(40):
        page, after = alarm_history(journal.store, wanted, after, limit)
        assert len(page) <= limit
        found += [int(one.text.removeprefix("text ")) for _, one in page]
        if after is None:
            return found
    raise AssertionError("it does not end")


@pytest.mark.parametrize("limit", [1, 3, 7, 30, 100])
def test_every_step_is_told_once_whatever_the_page(journal: Journal, limit: int) -> None:
    assert numbers(journal, Narrowed(), limit) == [*range(29, -1, -1)]


@pytest.mark.parametrize(
    ("wanted", "expected"),
    [
        (Narrowed(priority="high"), [25, 20, 15, 10, 5, 0]),
        (Narrowed(kind="count-alert", room="prep"), [24, 18, 12, 6, 0]),
        (Narrowed(since_us=T0 + 14 * MINUTE), [29, 28]),
        (Narrowed(until_us=T0 + MINUTE), [1, 0]),
        (Narrowed(room="attic"), []),
    ],
)
def test_all_that_is_given_must_hold(journal: Journal, wanted: Narrowed, expected: list[int]) -> None:
    assert numbers(journal, wanted, 2) == expected


def test_what_comes_later_moves_no_page(tmp_path: Path) -> None:
    with Journal(tmp_path / "journal.db", site="testing") as made:
        outputs: list[Output] = [step(number) for number in range(4)]
        commit(made, outputs, T0 + 9 * MINUTE)
        first, after = alarm_history(made.store, Narrowed(), None, 2)
        commit(made, [step(9)], T0 + 10 * MINUTE)
        second, more = alarm_history(made.store, Narrowed(), after, 2)
    assert [one.text for _, one in first + second] == ["text 3", "text 2", "text 1", "text 0"]
    assert more is None
