"""One gzip stream for each client out of pieces that are packed once for all clients.

Rules: a piece is packed without regard to what came before, and ends where its bytes end, so it fits after any other
piece. A stream begins with `HEAD` and has no end: whoever reads it is cut off, as with any endless stream. Nothing
secret goes in, so that its size tells nothing. Must not know what is packed.
"""

from __future__ import annotations

import zlib
from typing import Final

HEAD: Final = b"\x1f\x8b\x08" + bytes(6) + b"\xff"
"""RFC 1952: deflate, no name, no time, no system."""

LEVEL: Final = 1
"""Pieces repeat the same markup many times: a higher level takes three times as long for a fifth less."""


def packed(piece: bytes) -> bytes:
    """The piece, compressed."""
    made = zlib.compressobj(LEVEL, zlib.DEFLATED, -zlib.MAX_WBITS)
    return made.compress(piece) + made.flush(zlib.Z_SYNC_FLUSH)


def wanted(accepted: str) -> bool:
    """Does a client with this `Accept-Encoding` take gzip?"""
    for each in accepted.split(","):
        coding, _, weight = each.partition(";")
        if coding.strip().lower() == "gzip":
            return weight.replace(" ", "").rstrip(".0") not in ("q=", "Q=")
    return False
