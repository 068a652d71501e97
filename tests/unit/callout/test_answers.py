"""The token of a link: what it is good for, and every way in which it is not."""

from __future__ import annotations

import hashlib
import hmac
from base64 import urlsafe_b64decode, urlsafe_b64encode

import pytest
from hypothesis import given
from hypothesis import strategies as st

from motewatch.callout.answers import Answer, AnswerKeyError, Keys, LinkSigner, Reason, is_genuine, read, sign
from motewatch.callout.records import Cause, Told
from motewatch.site import people

KEY = b"0123456789abcdef" * 2
OTHER = b"fedcba9876543210" * 2
NOW_US = 1_780_000_020_000_000
EXPIRES_US = NOW_US + 3_600_000_000
TOLD = "fill-1-action-7-ada-1"
ALARM = "location/fill-1/0.5um/action"
CALLS = {TOLD: ("ada", ALARM), "t-2": ("ben", ALARM), "t-3": ("ada", "test/k7m2qx4c"), "t-4": ("ada", "")}


PAGE = people.AnswerPage(public_url="https://air.example.org/a", key_file="key", valid_min=60)
WEEKLY = people.TestCalls(at="Tue 10:00", confirm_within_h=24)


def signer(public_url: str = "https://air.example.org/a") -> LinkSigner:
    return LinkSigner.of(Keys((KEY,)), PAGE.model_copy(update={"public_url": public_url}), WEEKLY)


def token(key: bytes = KEY, told: str = TOLD, person: str = "ada", answer: str = ALARM, until: int = EXPIRES_US) -> str:
    return sign(key, told, person, answer, until)


def outcome(text: str, now_us: int = NOW_US, keys: tuple[bytes, ...] = (KEY,)) -> Answer | Reason:
    return read(Keys(keys), text, now_us, CALLS.get)


def test_a_token_is_for_one_person_one_call_and_one_alarm() -> None:
    assert outcome(token()) == Answer(TOLD, "ada", ALARM, EXPIRES_US)
    test_call = outcome(token(told="t-3", answer="test/k7m2qx4c"))
    assert isinstance(test_call, Answer)
    assert test_call.test == "k7m2qx4c"
    assert Answer(TOLD, "ada", ALARM, EXPIRES_US).test is None


def test_it_fits_into_a_text_message_and_into_a_url() -> None:
    link = signer("https://air.example.org/a/").link_for(_told(ALARM), NOW_US)
    assert link == f"https://air.example.org/a/{token()}"
    assert len(link) < 120
    assert set(token()) <= set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_")


def test_a_call_without_anything_to_answer_has_no_link() -> None:
    assert signer().link_for(_told(""), NOW_US) is None


def expiry(link: str | None, told: Told) -> int:
    assert link is not None
    found = read(Keys((KEY,)), link.rpartition("/")[2], 0, lambda _: (told.person, told.answer))
    assert isinstance(found, Answer)
    return found.expires_us


def test_it_is_valid_from_its_delivery_on_and_a_test_call_for_as_long_as_it_may_be_confirmed() -> None:
    alarm, trial = _told(ALARM), _told("test/k7m2qx4c")
    assert expiry(signer().link_for(alarm, NOW_US), alarm) == NOW_US + 3_600_000_000
    # Delivered an hour late it still lasts an hour; and where the engine's time is ahead of the clock, from then on.
    assert expiry(signer().link_for(alarm, NOW_US + 3_600_000_000), alarm) == NOW_US + 7_200_000_000
    assert expiry(signer().link_for(alarm, NOW_US - 3_600_000_000), alarm) == NOW_US + 3_600_000_000
    assert expiry(signer().link_for(trial, NOW_US), trial) == NOW_US + 24 * 3_600_000_000
    short = LinkSigner.of(Keys((KEY,)), PAGE, None)
    assert expiry(short.link_for(trial, NOW_US), trial) == NOW_US + 3_600_000_000


def test_the_signature_is_what_the_page_of_the_format_says() -> None:
    """Computed once more, by hand: a change of the format breaks links on their way and must be meant."""
    body = urlsafe_b64decode(token() + "==")
    head, mac = body[:7], body[-16:]
    assert head[0] == 1
    assert head[1:3] == hashlib.sha256(b"motewatch answer key id\0" + KEY).digest()[:2]
    assert int.from_bytes(head[3:7], "big") == EXPIRES_US // 1_000_000
    assert body[7:-16].decode() == TOLD
    message = b"motewatch answer\0" + head
    for part in (TOLD, "ada", ALARM):
        message += len(part).to_bytes(4, "big") + part.encode()
    assert mac == hmac.new(KEY, message, hashlib.sha256).digest()[:16]


def test_every_byte_and_every_character_counts() -> None:
    good = token()
    body = bytearray(urlsafe_b64decode(good + "=" * (-len(good) % 4)))
    seen = set()
    for place in range(len(body)):
        for flip in (0x01, 0x80, 0xFF):
            changed = bytearray(body)
            changed[place] ^= flip
            found = outcome(urlsafe_b64encode(bytes(changed)).rstrip(b"=").decode())
            assert isinstance(found, Reason), f"byte {place} changed by {flip:#x} is taken"
            assert not is_genuine(found)
            seen.add(found)
    assert seen == {Reason.MALFORMED, Reason.UNKNOWN_KEY, Reason.UNKNOWN_CALL, Reason.WRONG_SIGNATURE}
    for place, character in enumerate(good):
        for other in "AZaz09-_":
            if other != character:
                assert isinstance(outcome(good[:place] + other + good[place + 1 :]), Reason)


@pytest.mark.parametrize(
    "text",
    ["", "a", "AQ", token()[:-1], token() + "A", token() + "=", token() + " ", " " + token(), token() + "\n",
     token()[:20] + "+" + token()[20:], token() + "é", "A" * 10_000, token()[:5], "../../etc/passwd", "%00", "a.b.c"],
)  # fmt: skip
def test_what_is_no_token_is_refused(text: str) -> None:
    assert outcome(text) in (Reason.MALFORMED, Reason.UNKNOWN_KEY, Reason.UNKNOWN_CALL, Reason.WRONG_SIGNATURE)


def test_there_is_one_text_for_one_token() -> None:
    """base64 leaves bits of the last character unused: another last character would read as the same bytes."""
    good = next(text for told in ("ab", "abc", "abcd") if len(text := token(told=told)) % 4 == 2)
    body = urlsafe_b64decode(good + "==")
    twins = [good[:-1] + last for last in "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"]
    same = [twin for twin in twins if twin != good and urlsafe_b64decode(twin + "==") == body]
    assert same
    assert {outcome(twin) for twin in same} == {Reason.MALFORMED}


@given(st.binary(max_size=120))
def test_guesses_are_never_taken_and_never_raise(guess: bytes) -> None:
    text = urlsafe_b64encode(guess).rstrip(b"=").decode()
    assert isinstance(outcome(text), Reason)


@given(st.text(max_size=200))
def test_any_text_at_all_is_refused_and_never_raises(text: str) -> None:
    assert isinstance(outcome(text), Reason)


def test_it_expires_at_the_very_instant() -> None:
    assert isinstance(outcome(token(), EXPIRES_US - 1), Answer)
    assert outcome(token(), EXPIRES_US) is Reason.EXPIRED
    assert outcome(token(), EXPIRES_US + 10**15) is Reason.EXPIRED
    assert is_genuine(Reason.EXPIRED)


def test_it_never_lasts_longer_than_asked_for() -> None:
    assert outcome(token(until=EXPIRES_US + 999_999), EXPIRES_US) is Reason.EXPIRED


def test_a_forged_token_that_has_expired_as_well_is_told_nothing() -> None:
    assert outcome(token(key=OTHER), EXPIRES_US) is Reason.UNKNOWN_KEY
    assert outcome(token(person="ben"), EXPIRES_US) is Reason.WRONG_SIGNATURE


@pytest.mark.parametrize(
    ("wrong", "reason"),
    [
        (token(person="ben"), Reason.WRONG_SIGNATURE),
        (token(answer="location/fill-1/0.5um/alert"), Reason.WRONG_SIGNATURE),
        (token(told="t-2"), Reason.WRONG_SIGNATURE),
        (token(told="t-9"), Reason.UNKNOWN_CALL),
        (token(told="t-4", answer=""), Reason.WRONG_SIGNATURE),
        (token(key=OTHER), Reason.UNKNOWN_KEY),
    ],
    ids=["person", "alarm", "call of another", "call that never was", "call without an answer", "key"],
)
def test_signed_for_something_else(wrong: str, reason: Reason) -> None:
    assert outcome(wrong) is reason


def test_parts_cannot_be_shifted_into_one_another() -> None:
    calls = {"c": ("ab", "cd")}
    assert isinstance(read(Keys((KEY,)), sign(KEY, "c", "ab", "cd", EXPIRES_US), NOW_US, calls.get), Answer)
    for person, answer in (("a", "bcd"), ("abc", "d"), ("abcd", "")):
        assert read(Keys((KEY,)), sign(KEY, "c", person, answer, EXPIRES_US), NOW_US, calls.get) is (
            Reason.WRONG_SIGNATURE
        )


def test_keys_are_changed_without_breaking_links_on_their_way() -> None:
    old, new = token(), token(key=OTHER)
    both = (OTHER, KEY)
    assert isinstance(outcome(old, keys=both), Answer)
    assert isinstance(outcome(new, keys=both), Answer)
    assert outcome(old, keys=(OTHER,)) is Reason.UNKNOWN_KEY
    assert Keys(both).newest == OTHER


def test_two_keys_under_one_id_are_both_tried() -> None:
    """Two bytes of key id can be the same by chance; found by search, so that the branch is really walked."""
    by_id: dict[bytes, bytes] = {}
    for number in range(5_000):
        key = f"{number:032d}".encode()
        id_ = hashlib.sha256(b"motewatch answer key id\0" + key).digest()[:2]
        if id_ in by_id:
            for signing in (key, by_id[id_]):
                assert isinstance(outcome(token(key=signing), keys=(by_id[id_], key)), Answer)
            return
        by_id[id_] = key
    raise AssertionError("no two keys with one id among 5 000")


def test_a_key_file() -> None:
    new, old = "k" * 20 + "abcdefghijkl", "0123456789abcdef" * 4
    assert Keys.parse(f"{new}\n").all == (new.encode(),)
    assert Keys.parse(f"  {new}   {old} ").all == (new.encode(), old.encode())
    assert new not in repr(Keys.parse(new))
    for text, words in [
        ("", "no key"),
        ("  \n", "no key"),
        ("abcdefghijklmnop" * 2 + " short", "shorter than 32"),
        ("abcdefghijklmno" * 2, "shorter than 32"),
        ("a" * 64, "guessed"),
    ]:
        with pytest.raises(AnswerKeyError, match=words) as caught:
            Keys.parse(text)
        assert "openssl rand -hex 32" in str(caught.value)
        assert text.strip() == "" or text.strip() not in str(caught.value)


def _told(answer: str) -> Told:
    return Told(
        id=TOLD,
        at_us=NOW_US,
        found_us=NOW_US,
        cause=Cause.RAISED,
        person="ada",
        channel="sms",
        address="+00 0000",
        urgent=True,
        facts=(),
        answer=answer,
    )
