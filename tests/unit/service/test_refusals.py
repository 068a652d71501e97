"""Who was refused what stands on the audit trail, in the transaction of the refusal, and replays."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from motewatch.engine.codec import Internal
from motewatch.engine.records import Act, Answered, Commanded, Ordered, OrderedAct, Pressed, Replied
from motewatch.service.refusals import refusal_of
from motewatch.service.writer import Posted
from motewatch.wire.records import Acknowledge
from support.facility import T0
from support.writer_bench import TOPICS, Bench, delivery

ALARM = "location/fill-1/0.5um/action"


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with Bench(tmp_path / "journal.db") as made:
        yield made


def command(**fields: Any) -> Any:
    payload = json.dumps({"v": 1, "id": "c-1", "by": "somebody", **fields}).encode()
    return delivery(TOPICS.command, payload, 1, T0)


def audited(bench: Bench) -> list[tuple[str, str, str, str]]:
    return [(row.by, row.action, row.subject, row.detail) for row in bench.journal.query_audit(100)][1:]


@pytest.mark.parametrize(
    ("what", "row"),
    [
        (
            command(command="acknowledge", alarm=ALARM),
            ("somebody", "refused", ALARM, f"acknowledge: no alarm '{ALARM}' has ever been raised here"),
        ),
        (
            command(command="set-occupancy", room="nowhere", occupancy=None),
            ("somebody", "refused", "nowhere", "set occupancy: no room 'nowhere' in this site; rooms:"),
        ),
        (
            Ordered("o-1", "cy", OrderedAct.RESET, ALARM),
            ("cy", "refused", ALARM, "reset: no alarm"),
        ),
        (Pressed("p-1", "cy", ALARM), ("cy", "refused", ALARM, "acknowledge: no alarm")),
        (
            Answered("a-1", "call-1", T0 - 1, "ada", Act.ACKNOWLEDGE, ALARM),
            ("ada", "refused", ALARM, "acknowledge by the link of call-1: "),
        ),
    ],
)
def test_a_refusal_is_on_the_audit_trail(bench: Bench, what: Any, row: tuple[str, str, str, str]) -> None:
    heard: list[Any] = []
    bench.run_script(Posted(what, heard.append) if isinstance(what, Internal) else what)
    (found,) = audited(bench)
    assert found[:3] == row[:3]
    assert found[3].startswith(row[3])
    (commit,) = [batch for batch in bench.commits()[1:] if batch.inputs]
    assert [each.kind for each in commit.inputs][1:] == ["entered"], "in one transaction with the refusal"
    assert all(len(outputs) == 1 for outputs in heard), "whoever posted it hears the refusal alone"
    assert bench.journal.verify() == []


def test_what_is_accepted_or_no_command_is_no_refusal(bench: Bench) -> None:
    bench.run_script(
        command(command="set-occupancy", room="fill", occupancy=None, comment="back to the schedule"),
        delivery(TOPICS.command, b"{}", 2, T0),
    )
    assert [action for _, action, _, _ in audited(bench)] == ["occupancy"]


def test_a_typed_name_stands_there_as_on_the_rest_of_the_trail_but_a_user_s_does_not_change() -> None:
    said = [Replied("c-1", False, "nothing to acknowledge")]
    typed, ordered = Acknowledge("c-1", " ADA ", ALARM), Ordered("c-1", " ADA ", OrderedAct.ACKNOWLEDGE, ALARM)
    rows = [refusal_of(what, said, lambda by: by.strip().lower()) for what in (Commanded(typed), ordered)]
    assert [row.by for row in rows if row is not None] == ["ada", " ADA "]
