"""Sign-ins on their way: bound to a cookie, good once, for ten minutes."""

from __future__ import annotations

import pytest

from motewatch.web.access import flows
from motewatch.web.access.flows import KEPT, LIFE_S, FlowError, Flows
from motewatch.web.console.house import ERRAND_S
from support.links_fakes import FakeClock


def test_one_comes_back_with_what_it_left_with() -> None:
    clock = FakeClock()
    made = Flows(clock)
    flow = made.begin("/alarms", "a session", signing=True)
    words = [made.word(flow, what) for what in ("state", "nonce", "verifier")]
    # RFC 7636 4.1: 43 to 128 characters; all of a kind that needs no escape, and all different.
    assert [len(word) for word in words] == [43] * 3
    assert len(set(words)) == 3
    cookie = made.cookie(flow)
    assert "alarms" not in cookie
    assert made.take(cookie, words[0]) == flow
    with pytest.raises(FlowError):
        made.take(cookie, words[0])
    assert made.word(made.begin("/"), "state") != words[0]


def test_what_was_not_made_here_or_is_too_old_is_not_taken() -> None:
    clock = FakeClock()
    made, other = Flows(clock), Flows(clock)
    flow, another = made.begin("/"), made.begin("/")
    state, cookie = made.word(flow, "state"), made.cookie(flow)
    for wrong_cookie, wrong_state in (
        ("", state),
        ("é", state),
        (cookie[:-2], state),
        (other.cookie(flow), state),
        (cookie, ""),
        (cookie, "é"),
        (cookie, made.word(another, "state")),
        (cookie, made.word(flow, "nonce")),
    ):
        with pytest.raises(FlowError):
            made.take(wrong_cookie, wrong_state)
    clock.go(LIFE_S - 1)
    assert made.take(cookie, state) == flow
    late = made.begin("/")
    clock.go(LIFE_S + 1)
    with pytest.raises(FlowError):
        made.take(made.cookie(late), made.word(late, "state"))


def test_however_many_are_used_none_is_taken_twice() -> None:
    clock = FakeClock()
    made = Flows(clock)
    first = made.begin("/")
    made.take(made.cookie(first), made.word(first, "state"))
    clock.go(1)
    for _ in range(KEPT + 1):
        flow = made.begin("/")
        made.take(made.cookie(flow), made.word(flow, "state"))
        clock.go(0.001)
    with pytest.raises(FlowError):
        made.take(made.cookie(first), made.word(first, "state"))
    assert len(made._used) <= KEPT
    clock.go(1)
    fresh = made.begin("/")
    assert made.take(made.cookie(fresh), made.word(fresh, "state")) == fresh


def test_the_cookie_lives_as_long_as_what_it_holds() -> None:
    assert flows.LIFE_S == ERRAND_S
