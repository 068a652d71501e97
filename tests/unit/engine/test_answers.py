"""Links that work once: what the engine remembers of answered calls, and for how long."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from motewatch.engine import Engine
from motewatch.engine.answers import EXPIRED, USED, Answers
from motewatch.engine.codec import Internal, decode_internal, encode_internal, internal_kind
from motewatch.engine.records import (
    Accessed,
    Act,
    AlarmChanged,
    Answered,
    Audited,
    Input,
    LinksGuessed,
    Memory,
    Output,
    PartChanged,
    Pressed,
    RecordHeldUp,
    Replied,
    SessionTaken,
    SignInsFailed,
)
from motewatch.wire.records import SECOND_US
from support.dialogue import transcript
from support.facility import T0, at, engine, heard, reading

FIRST = Answered("answer-1", "call-1", 1_000, "ada", Act.ACKNOWLEDGE, "location/fill-1/0.5um/action")


def test_an_answer_uses_its_call_up() -> None:
    answers = Answers()
    assert answers.refusal(FIRST, 10) == ""
    answers.accepted(FIRST, "it is acknowledged", 10)
    for again in (FIRST, replace(FIRST, id="answer-2", act=Act.SHELVE, minutes=30, comment="x")):
        assert answers.refusal(again, 11) == f"{USED}: it is acknowledged"
    assert answers.refusal(replace(FIRST, told="call-2"), 11) == ""


def test_at_no_instant_is_a_used_link_taken_again() -> None:
    answers = Answers()
    answers.accepted(FIRST, "done", 10)
    for now_us in (10, 999, 1_000, 1_001, 10**15):
        # Others come and go, and the memory is tidied with each.
        answers.accepted(replace(FIRST, told=f"other-{now_us}", expires_us=now_us + 5), "done", now_us)
        assert answers.refusal(FIRST, now_us) == (f"{USED}: done" if now_us < 1_000 else EXPIRED)


def test_it_expires_by_the_engines_own_time_at_the_very_instant() -> None:
    assert Answers().refusal(FIRST, 999) == ""
    assert Answers().refusal(FIRST, 1_000) == EXPIRED


def test_no_more_is_kept_than_can_still_be_tried() -> None:
    answers = Answers()
    for number in range(1_000):
        answers.accepted(replace(FIRST, told=f"call-{number}", expires_us=number + 50), "done", number)
    assert len(answers.used) == 50
    assert "call-999" in answers.used
    assert "call-949" not in answers.used


def test_the_memory_goes_through_a_snapshot() -> None:
    answers = Answers()
    answers.accepted(FIRST, "done", 10)
    again = Answers.from_state(answers.to_state())
    assert again == answers
    assert again.refusal(FIRST, 20) == f"{USED}: done"


@pytest.mark.parametrize(
    ("what", "kind"),
    [
        (FIRST, "answered"),
        (replace(FIRST, act=Act.SHELVE, minutes=30, comment='"door" seal, ñ'), "answered"),
        (PartChanged("channel/mail", False, 1_780_000_020_000_000, "mail.password cannot be read"), "part-changed"),
        (LinksGuessed(12, 3, 1_780_000_020_000_000), "links-guessed"),
        (SignInsFailed(10, 2, 3, "mira", 1_780_000_020_000_000), "sign-ins-failed"),
        (SessionTaken(3, "daemon-x", 1_780_000_020_000_000, True), "session-taken"),
        (RecordHeldUp(1_780_000_020_000_000, 1_780_000_080_000_000, "no space left"), "record-held-up"),
        (Accessed("console", "sign-in-failed", "mira", "wrong password"), "accessed"),
        (Pressed("console-1", "mira", "location/a/0.5um/action", 'the "door"'), "pressed"),
    ],
)
def test_it_is_journaled_and_read_back(what: Internal, kind: str) -> None:
    assert internal_kind(what) == kind
    assert decode_internal(kind, encode_internal(what)) == what


# ---- through the engine

ALERT = "location/fill-1/0.5um/alert"
"""1 000 per m3 there; a minute of air with 40 particles holds 1 413."""


def alarmed() -> Engine:
    """An engine with one standing alarm, one minute and three seconds after the beginning."""
    made = engine()
    for number in range(6):
        made.apply(heard(reading("pc-1", number, T0 + (number + 1) * 10 * SECOND_US, (7, 0))))
    made.advance(T0 + 63 * SECOND_US)
    assert ALERT in made.standing()
    return made


def by_link(second: float, **changes: object) -> Input:
    """An answer by the link of a call, so many seconds after the beginning."""
    answer = Answered("answer-1", "call-1", T0 + 600 * SECOND_US, "ada", Act.ACKNOWLEDGE, ALERT)
    return at(T0 + round(second * SECOND_US), replace(answer, **changes))  # type: ignore[arg-type]


def said(outputs: list[Output]) -> list[str]:
    return transcript(outputs, Replied, AlarmChanged, Audited)


def test_an_alarm_is_acknowledged_by_link_and_the_link_is_used_up_after_a_restart_too() -> None:
    made = alarmed()
    assert said(made.apply(by_link(70))) == [
        f"{ALERT} acknowledge at +70 -> acknowledged by ada",
        f"audit acknowledge {ALERT} by ada",
        f"reply answer-1 yes: '{ALERT}' is now acknowledged",
        "audit answer-by-link call-1 by ada",
    ]
    made = Engine.restore(json.loads(made.snapshot_text()), Memory())
    # However many commands came between: this is not the memory of command ids.
    for number in range(600):
        made.apply(by_link(71, id=f"other-{number}", told=f"other-{number}"))
    assert said(made.apply(by_link(80, id="answer-2"))) == [f"reply answer-2 no: {USED}: '{ALERT}' is now acknowledged"]
    assert said(made.apply(by_link(600, id="answer-3")))[-1:] == [f"reply answer-3 no: {EXPIRED}"]


def test_a_refused_answer_leaves_the_link_as_it_was() -> None:
    made = alarmed()
    (refusal,) = said(made.apply(by_link(70, subject="location/attic/5um/action")))
    assert refusal.startswith("reply answer-1 no: no alarm")
    assert said(made.apply(by_link(71, id="answer-2")))[-1] == "audit answer-by-link call-1 by ada"


def test_tried_links_are_audited_and_many_of_them_are_an_alarm() -> None:
    made = engine()
    assert said(made.apply(at(T0 + 1, LinksGuessed(3, 1, T0)))) == ["audit links-guessed answer-page by answer-page"]
    assert said(made.apply(at(T0 + 2, LinksGuessed(20, 2, T0)))) == [
        "audit links-guessed answer-page by answer-page",
        "service/links-guessed starts at +0 -> unacknowledged",
        "service/links-guessed returns at +0 -> returned-unacknowledged",
    ]


def test_what_happens_to_access_is_audited_and_an_order_from_the_console_is_a_command() -> None:
    made = alarmed()
    assert made.apply(at(T0 + 70_000_000, Accessed("console", "sign-in-failed", "mira", "wrong password")))[-1:] == [
        Audited(T0 + 70_000_000, "console", "sign-in-failed", "mira", "wrong password")
    ]
    assert said(made.apply(at(T0 + 72_000_000, Pressed("console-2", "ada", ALERT, "seen"))))[-2:] == [
        f"audit acknowledge {ALERT} by ada",
        f"reply console-2 yes: '{ALERT}' is now acknowledged",
    ]


def test_failed_sign_ins_are_an_alarm_and_on_the_audit_trail() -> None:
    made = engine()
    assert said(made.apply(at(T0 + 1, SignInsFailed(10, 1, 2, "mira", T0)))) == [
        "audit sign-ins-failed console by console",
        "service/sign-ins-failed starts at +0 -> unacknowledged",
        "service/sign-ins-failed returns at +0 -> returned-unacknowledged",
    ]
