"""Links in calls: whatever is tried, in whatever order and across restarts, each link does its work at most once."""

from __future__ import annotations

from collections import Counter

from hypothesis import given
from hypothesis import strategies as st

from motewatch.callout.answers import Answer, Keys, read, sign
from motewatch.engine.answers import Answers
from motewatch.engine.records import Act, Answered

_tries = st.tuples(
    st.sampled_from(["call-1", "call-2", "call-3"]),
    st.sampled_from([50, 100, 150]),
    st.integers(0, 40),
    st.sampled_from(list(Act)),
    st.booleans(),
    st.booleans(),
)
"""(call, expiry of the link, time that passes before, what is done, would the engine accept it, restart before)"""


@given(st.lists(_tries, max_size=60))
def test_a_link_is_accepted_at_most_once_and_never_after_its_expiry(
    tries: list[tuple[str, int, int, Act, bool, bool]],
) -> None:
    answers, now_us = Answers(), 0
    accepted: Counter[tuple[str, int]] = Counter()
    for number, (told, expires_us, passes_us, act, willing, restart) in enumerate(tries):
        now_us += passes_us
        if restart:
            answers = Answers.from_state(answers.to_state())
        answered = Answered(f"answer-{number}", told, expires_us, "ada", act, "alarm")
        refusal = answers.refusal(answered, now_us)
        # Who is refused is refused for a reason that holds.
        if refusal:
            assert now_us >= expires_us or any(call == told and accepted[call, end] for call, end in accepted)
        elif willing:
            answers.accepted(answered, "done", now_us)
            accepted[told, expires_us] += 1
            assert now_us < expires_us
        assert len(answers.used) <= 3
    assert all(times == 1 for times in accepted.values())


_texts = st.text(st.characters(codec="utf-8", exclude_characters="\x00"), min_size=1, max_size=40)


@given(st.binary(min_size=32, max_size=64), _texts, _texts, _texts, st.integers(1, 2**32 - 1), st.integers(0, 2**33))
def test_what_is_signed_is_read_and_nothing_else_is_in_it(
    key: bytes, told: str, person: str, subject: str, expires_s: int, now_s: int
) -> None:
    token = sign(key, told, person, subject, expires_s * 1_000_000)
    found = read(Keys((key,)), token, now_s * 1_000_000, {told: (person, subject)}.get)
    if now_s < expires_s:
        assert found == Answer(told, person, subject, expires_s * 1_000_000)
    else:
        assert not isinstance(found, Answer)
    assert not isinstance(read(Keys((key,)), token, 0, {told: (person + "x", subject)}.get), Answer)
    assert not isinstance(read(Keys((key + b"x",)), token, 0, {told: (person, subject)}.get), Answer)
