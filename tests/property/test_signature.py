"""The signature of a webhook: genuine holds, and nothing else does."""

from __future__ import annotations

import hashlib
import hmac

from hypothesis import assume, given
from hypothesis import strategies as st

from motewatch.links.channels.signature import sign, verify

KEYS = st.binary(min_size=1, max_size=100)
TIMES = st.integers(0, 4_102_444_800)
BODIES = st.binary(max_size=300)


@given(KEYS, TIMES, BODIES, st.integers(-300, 300))
def test_what_was_signed_holds_for_a_while(key: bytes, at_s: int, body: bytes, later_s: int) -> None:
    assert verify(key, str(at_s), sign(key, at_s, body), body, at_s + later_s)


@given(KEYS, TIMES, BODIES, st.integers(301, 10**9), st.booleans())
def test_what_was_recorded_does_not_hold_later(key: bytes, at_s: int, body: bytes, off_s: int, ahead: bool) -> None:
    now_s = at_s - off_s if ahead else at_s + off_s
    assert not verify(key, str(at_s), sign(key, at_s, body), body, now_s)


@given(KEYS, TIMES, BODIES, KEYS, TIMES, BODIES)
def test_nothing_else_holds(key: bytes, at_s: int, body: bytes, key2: bytes, at2_s: int, body2: bytes) -> None:
    # A key longer than a block is hashed, a shorter one filled with zeros (RFC 2104): such keys are the same key.
    assume((key.ljust(128, b"\0"), at_s, body) != (key2.ljust(128, b"\0"), at2_s, body2))
    assume(max(len(key), len(key2)) <= 64)
    assert not verify(key2, str(at2_s), sign(key, at_s, body), body2, at2_s)


@given(KEYS, TIMES, BODIES)
def test_no_part_can_be_moved_into_the_other(key: bytes, at_s: int, body: bytes) -> None:
    text = str(at_s)
    assume(len(text) > 1)
    moved = text[-1:].encode() + b"." + body
    assert not verify(key, text[:-1], sign(key, at_s, body), moved, int(text[:-1]))


@given(KEYS, st.text(max_size=30), st.text(max_size=90), BODIES)
def test_any_text_may_come(key: bytes, timestamp: str, signature: str, body: bytes) -> None:
    assert not verify(key, timestamp, signature, body, 1_772_439_302)


@given(KEYS, TIMES, BODIES)
def test_a_leading_nought_or_another_script_is_not_the_same_time(key: bytes, at_s: int, body: bytes) -> None:
    signature = sign(key, at_s, body)
    for text in (f"0{at_s}", f"+{at_s}", f" {at_s}", str(at_s).translate({48 + n: 0x660 + n for n in range(10)})):
        assert not verify(key, text, signature, body, at_s)


@given(KEYS, TIMES, BODIES)
def test_it_is_the_plain_hmac(key: bytes, at_s: int, body: bytes) -> None:
    plain = hmac.new(key, f"{at_s}.".encode() + body, hashlib.sha256).hexdigest()
    assert sign(key, at_s, body) == f"sha256={plain}"
