"""The link in a call: a token for one person, one call and one alarm (or test call), which expires.

    token = base64url( version 1 | key id 2 | expiry 4 | id of the call | HMAC-SHA256, first 16 bytes )

The MAC covers the person and what is answered too; they are not in the token, because it travels in an SMS, but are
derived from the record of the call. A token of another journal, person or alarm therefore has the wrong signature.
128 bits of an HMAC are more than its use needs (RFC 2104, section 5: not less than half the hash, nor than 80 bits).

Rules: pure; the instant, the keys and the record of calls are handed in. Each way to be wrong has its own reason, for
the record; a stranger must not be told them apart. One text for one token: what base64 would read in a second way is
refused. That a token is used only once is not known here: the engine remembers that (`engine.answers`).
"""

from __future__ import annotations

import hmac
from base64 import urlsafe_b64decode, urlsafe_b64encode
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum
from hashlib import sha256
from typing import Final

from motewatch.callout.records import Told
from motewatch.site.people import AnswerPage, TestCalls
from motewatch.wire.records import SECOND_US

KEY_BYTES: Final = 32
"""A key must have at least so many bytes (RFC 2104, section 3: the length of the hash)."""

TOKEN_CHARACTERS: Final = 400
"""Longer texts are not looked at."""

TEST: Final = "test/"
"""What is answered by a link in a test call begins so; the rest is the id of the test."""

_VERSION: Final = 1
_KEY_ID: Final = 2
_EXPIRY: Final = 4
_MAC: Final = 16
_HEAD: Final = 1 + _KEY_ID + _EXPIRY


class AnswerKeyError(ValueError):
    """The key file cannot be used. Says how to mend it, and nothing of its content."""


class Reason(StrEnum):
    """Why a token is no good. One member per branch of `read`."""

    MALFORMED = "malformed"
    UNKNOWN_KEY = "unknown-key"
    """Signed with a key that is not in use (any more)."""
    UNKNOWN_CALL = "unknown-call"
    """Names a call that is not on record here."""
    WRONG_SIGNATURE = "wrong-signature"
    """Forged, damaged, or of another call, person, alarm or expiry than it says."""
    EXPIRED = "expired"
    """Genuine, and too late."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What a genuine token is for."""

    told: str
    person: str
    subject: str
    """An alarm's id, or `test/ID`."""
    expires_us: int

    @property
    def test(self) -> str | None:
        """Id of the test that it confirms, or None where it is about an alarm."""
        return self.subject.removeprefix(TEST) if self.subject.startswith(TEST) else None


CallOf = Callable[[str], tuple[str, str] | None]
"""(id of a call) -> the person it told and what its link answers, or None: from the record."""


@dataclass(frozen=True, slots=True)
class Keys:
    """The keys in use: the first signs, all are taken. Prints as stars."""

    all: tuple[bytes, ...] = field(repr=False)

    @classmethod
    def parse(cls, text: str) -> Keys:
        """Keys from the text of a key file: one, or the new one and those before it with blanks between them.

        With the old key left in the file for as long as links are valid, a change of keys breaks no link on its way.
        Raises `AnswerKeyError`.
        """
        keys = tuple(part.encode() for part in text.split())
        mend = "write one with: openssl rand -hex 32"
        if not keys:
            raise AnswerKeyError(f"there is no key in it; {mend}")
        if any(len(key) < KEY_BYTES for key in keys):
            raise AnswerKeyError(f"a key is shorter than {KEY_BYTES} characters; {mend}")
        if any(len(set(key)) < 8 for key in keys):
            raise AnswerKeyError(f"a key is made of a few characters only and could be guessed; {mend}")
        return cls(keys)

    @property
    def newest(self) -> bytes:
        """The key that signs."""
        return self.all[0]


def sign(key: bytes, told: str, person: str, answer: str, expires_us: int) -> str:
    """The token for one call. The expiry is cut to the second, so it never lasts longer than asked for."""
    expires_s = expires_us // SECOND_US
    head = bytes([_VERSION]) + _key_id(key) + expires_s.to_bytes(_EXPIRY, "big")
    token = head + told.encode()
    return urlsafe_b64encode(token + _mac(key, head, told, person, answer)).rstrip(b"=").decode()


def read(keys: Keys, token: str, now_us: int, call_of: CallOf) -> Answer | Reason:
    """What a token is for, or why it is no good. It expires at its expiry: that instant is too late already."""
    body = _bytes_of(token)
    if body is None or len(body) <= _HEAD + _MAC or body[0] != _VERSION:
        return Reason.MALFORMED
    head, middle, mac = body[:_HEAD], body[_HEAD:-_MAC], body[-_MAC:]
    try:
        told = middle.decode()
    except UnicodeDecodeError:
        return Reason.MALFORMED
    candidates = [key for key in keys.all if _key_id(key) == head[1 : 1 + _KEY_ID]]
    if not candidates:
        return Reason.UNKNOWN_KEY
    call = call_of(told)
    # The MAC is computed for an unknown call too: how long an answer takes must not tell which calls exist.
    person, subject = call or ("", "")
    genuine = False
    for key in candidates:
        genuine |= hmac.compare_digest(mac, _mac(key, head, told, person, subject))
    if call is None:
        return Reason.UNKNOWN_CALL
    if not genuine or not subject:
        return Reason.WRONG_SIGNATURE
    expires_us = int.from_bytes(head[1 + _KEY_ID :], "big") * SECOND_US
    if now_us >= expires_us:
        return Reason.EXPIRED
    return Answer(told, person, subject, expires_us)


def is_genuine(reason: Reason) -> bool:
    """Was the token ours, though it is no good any more? Only then may its bearer be told why."""
    return reason is Reason.EXPIRED


@dataclass(frozen=True, slots=True)
class LinkSigner:
    """Makes the links that go into calls. A test call's is valid for as long as it may be confirmed."""

    keys: Keys
    public_url: str
    valid_us: int
    test_valid_us: int

    @classmethod
    def of(cls, keys: Keys, page: AnswerPage, tests: TestCalls | None) -> LinkSigner:
        """From the site file."""
        valid_us = round(page.valid_min * 60 * SECOND_US)
        within_us = 0 if tests is None else round(tests.confirm_within_h * 3600 * SECOND_US)
        return cls(keys, page.public_url, valid_us, max(valid_us, within_us))

    def link_for(self, told: Told, now_us: int) -> str | None:
        """The link for a call that is delivered now, or None where there is nothing to answer."""
        if not told.answer:
            return None
        valid_us = self.test_valid_us if told.answer.startswith(TEST) else self.valid_us
        # The engine refuses an expired link by its own time, which is ahead where the host's clock was set back.
        begins_us = max(now_us, told.found_us)
        token = sign(self.keys.newest, told.id, told.person, told.answer, begins_us + valid_us)
        return f"{self.public_url.rstrip('/')}/{token}"


def _bytes_of(token: str) -> bytes | None:
    if len(token) > TOKEN_CHARACTERS or not token.isascii():
        return None
    text = token.encode()
    try:
        body = urlsafe_b64decode(text + b"=" * (-len(text) % 4))
    except ValueError:
        return None
    # base64 overlooks foreign characters and unused bits; there must be one text for one token.
    return body if urlsafe_b64encode(body).rstrip(b"=") == text else None


def _key_id(key: bytes) -> bytes:
    return sha256(b"motewatch answer key id\0" + key).digest()[:_KEY_ID]


def _mac(key: bytes, head: bytes, told: str, person: str, answer: str) -> bytes:
    message = b"motewatch answer\0" + head
    for part in (told, person, answer):
        # With its length before it, so that no two lists of parts give one message.
        text = part.encode()
        message += len(text).to_bytes(4, "big") + text
    return hmac.digest(key, message, "sha256")[:_MAC]
