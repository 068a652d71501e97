"""Links that work once: what the engine remembers of answered calls, and for how long."""

from __future__ import annotations

from dataclasses import replace

import pytest

from motewatch.engine.answers import EXPIRED, USED, Answers
from motewatch.engine.codec import Internal, decode_internal, encode_internal, internal_kind
from motewatch.engine.records import Act, Answered, LinksGuessed

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
        (LinksGuessed(12, 3, 1_780_000_020_000_000), "links-guessed"),
    ],
)
def test_it_is_journaled_and_read_back(what: Internal, kind: str) -> None:
    assert internal_kind(what) == kind
    assert decode_internal(kind, encode_internal(what)) == what
