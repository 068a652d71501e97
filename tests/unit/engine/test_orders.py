"""What signed-in users order and enter: commands in their names, and facts for the audit trail."""

from __future__ import annotations

from typing import Any

import pytest

from motewatch.engine import Engine
from motewatch.engine.codec import Internal, decode_internal, encode_internal, internal_kind
from motewatch.engine.records import Audited, Entered, Ordered, OrderedAct, Replied
from motewatch.wire.records import SECOND_US
from support.facility import T0, at, engine, heard, reading

ALERT = "location/fill-1/0.5um/alert"


@pytest.mark.parametrize(
    ("what", "kind"),
    [
        (Ordered("console-1", "mira", OrderedAct.SHELVE, ALERT, "door work", 1_780_000_020_000_000), "ordered"),
        (Ordered("console-2", "mira", OrderedAct.SET_OCCUPANCY, "fill", occupancy=None), "ordered"),
        (Entered("mira", "note", "location/a", 'the "door", ñ'), "entered"),
    ],
)
def test_it_is_journaled_and_read_back(what: Internal, kind: str) -> None:
    assert internal_kind(what) == kind
    assert decode_internal(kind, encode_internal(what)) == what


def alarmed() -> Engine:
    """An engine with one standing alarm: a minute of air with 40 particles holds 1 413 per m3."""
    made = engine()
    for number in range(6):
        made.apply(heard(reading("pc-1", number, T0 + (number + 1) * 10 * SECOND_US, (7, 0))))
    made.advance(T0 + 63 * SECOND_US)
    assert ALERT in made.standing()
    return made


def order(ordered: OrderedAct, subject: str = ALERT, **more: Any) -> Ordered:
    """Ada's order."""
    return Ordered(f"console-{ordered.value}", "ada", ordered, subject, **more)


def test_every_order_of_a_user_is_the_command_of_that_name() -> None:
    made = alarmed()
    orders = [
        order(OrderedAct.SHELVE, until_us=T0 + 3_600 * SECOND_US, comment="door work"),
        order(OrderedAct.UNSHELVE),
        order(OrderedAct.REMOVE_FROM_SERVICE, permit="P-17"),
        order(OrderedAct.RETURN_TO_SERVICE),
        order(OrderedAct.ACKNOWLEDGE, comment="seen"),
        order(OrderedAct.SET_OCCUPANCY, "fill", occupancy="at-rest"),
        order(OrderedAct.RESET),
        order(OrderedAct.CONFIRM, "test-1"),
    ]
    replies: dict[str, str] = {}
    audited: list[tuple[str, str]] = []
    for number, each in enumerate(orders):
        outputs = made.apply(at(T0 + (70 + number) * SECOND_US, each))
        replies |= {reply.command_id: reply.text for reply in outputs if isinstance(reply, Replied)}
        audited += [(one.by, one.action) for one in outputs if isinstance(one, Audited)]
    assert set(OrderedAct) == {each.ordered for each in orders}
    assert [action for _, action in audited] == [each.ordered.value for each in orders[:5]] + ["occupancy"]
    assert {by for by, _ in audited} == {"ada"}
    assert replies["console-reset"] == f"'{ALERT}' is acknowledged: nothing to reset"
    assert "test-1" in replies["console-confirm"]


def test_what_a_user_enters_is_audited_and_changes_nothing_else() -> None:
    made = alarmed()
    before = made.standing()
    assert made.apply(at(T0 + 70 * SECOND_US, Entered("mira", "note", "location/fill-1", "filter changed"))) == [
        Audited(T0 + 70 * SECOND_US, "mira", "note", "location/fill-1", "filter changed")
    ]
    assert made.standing() == before
