"""An input as it was recorded, as an input of the engine again.

Rules: an input means now what it meant then; what means nothing is a defect of the record and raises. Pure.
"""

from __future__ import annotations

import json
from typing import Final

from motewatch.engine.codec import decode_internal
from motewatch.engine.records import Commanded, Heard, Input, Refused, Seen, What
from motewatch.journal.rows import InputRow
from motewatch.wire.decode import decode
from motewatch.wire.records import Presence, Reading, Refusal, RefusalReason
from motewatch.wire.topics import Topics

MESSAGE: Final = "message"
REFUSED: Final = "refused"


def what_of(topics: Topics, topic: str, payload: bytes) -> What | None:
    """The input that a message is, or None for one that means nothing (a cleared presence)."""
    decoded = decode(topics, topic, payload)
    if decoded is None:
        return None
    if isinstance(decoded, Reading):
        return Heard(decoded)
    if isinstance(decoded, Refusal):
        return Refused(decoded)
    if isinstance(decoded, Presence):
        return Seen(decoded)
    return Commanded(decoded)


def encode_refusal(refusal: Refusal) -> bytes:
    """A refusal as it is journaled; the bytes it is about are with the dead letters."""
    plain = [refusal.reason.value, refusal.detail, refusal.sensor, refusal.command_id]
    return json.dumps(plain, ensure_ascii=False).encode()


def input_of(topics: Topics, row: InputRow) -> Input:
    """The input that a journal row holds."""
    what: What | None
    if row.kind == MESSAGE:
        what = what_of(topics, row.topic, row.payload)
    elif row.kind == REFUSED:
        reason, detail, sensor, command_id = json.loads(row.payload)
        what = Refused(Refusal(RefusalReason(reason), detail, sensor, command_id))
    else:
        what = decode_internal(row.kind, row.payload)
    if what is None:
        raise ValueError(f"input {row.id} means nothing: topic {row.topic!r}")
    return Input(row.received_us, row.applied_us, what)
