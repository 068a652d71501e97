"""The signature of a webhook: HMAC-SHA256 (RFC 2104) over time stamp, a full stop, and the body. Pure.

    Motewatch-Timestamp: 1772439302
    Motewatch-Signature: sha256=6f1a...      hexadecimal, small letters
    Idempotency-Key: call-1772439300-17      the same for every repeat of one call

The time stamp is that of the sending, in whole seconds since 1970, so a receiver can refuse what somebody recorded and
sends again later. `verify` is what a receiver does; deploy/docs/channels.md shows it without this program.
"""

from __future__ import annotations

import hmac
from hashlib import sha256
from typing import Final

TIMESTAMP: Final = "Motewatch-Timestamp"
SIGNATURE: Final = "Motewatch-Signature"
IDEMPOTENCY: Final = "Idempotency-Key"
_SCHEME: Final = "sha256="


def sign(key: bytes, timestamp_s: int, body: bytes) -> str:
    """The value of the signature's header."""
    return _SCHEME + hmac.new(key, str(timestamp_s).encode("ascii") + b"." + body, sha256).hexdigest()


def verify(key: bytes, timestamp: str, signature: str, body: bytes, now_s: int, tolerance_s: int = 300) -> bool:
    """Whether a request is genuine and was made within `tolerance_s` of now. Headers as they came."""
    if not (timestamp.isascii() and timestamp.isdigit() and len(timestamp) <= 12):
        return False
    genuine = hmac.compare_digest(sign(key, int(timestamp), body).encode(), signature.encode("utf-8", "replace"))
    return genuine and str(int(timestamp)) == timestamp and abs(now_s - int(timestamp)) <= tolerance_s
