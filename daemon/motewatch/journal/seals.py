"""The record's hash chain: one seal for each batch, over all its inputs, outputs and dead letters.

    row hash   SHA-256 over the row's columns as text, with lengths, so that no two rows have the same text
    digest     SHA-256 over the row hashes of one table in the batch, one after the other; empty where it has no row
    mark       the first 8 bytes of a row hash: only to name the row that was changed
    seal hash  SHA-256 over the hash of the seal before, the last ids, the engine's time, the digests and the marks

A seal says with its last ids up to where it reaches; it begins where the one before ended. So rows can leave for an
archive in whole seals one day: their digests stay, and the archive can be proved against them.

Rules: the texts are fixed for ever. This is on the path of every message: one pass over each row, nothing else. Pure:
no tables, no files.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

FIRST: Final = bytes(32)
"""What the first seal has instead of the hash of a seal before it."""

MARK: Final = 8
"""Bytes of a mark. Nobody finds another row with the same one in passing, and if he did the digest would tell."""

_HEAD: Final = b"motewatch seal 1\n"

Values = tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class Seal:
    """One link of the chain. `marks` are those of its inputs, then outputs, then dead letters.

    `opening`: made over rows that were on record before there were seals, as they were found.
    """

    id: int
    input_id: int
    output_id: int
    dead_letter_id: int
    engine_us: int | None
    opening: int
    inputs: bytes
    outputs: bytes
    dead_letters: bytes
    marks: bytes
    hash: bytes

    @property
    def last_ids(self) -> tuple[int, int, int]:
        """Up to which input, output and dead letter it reaches."""
        return (self.input_id, self.output_id, self.dead_letter_id)


def input_hashes(rows: Iterable[Values]) -> list[bytes]:
    """Row hashes of inputs, given in the order of the table's columns."""
    sha256 = hashlib.sha256
    return [
        sha256(
            f"input,{row_id},{received_us},{applied_us},{seq},{start_us},{len(kind)},{len(topic)},{_size(sensor)},"
            f"{_size(boot)},{len(payload)},{kind}{topic}{sensor}{boot}".encode()
            + payload
        ).digest()
        for row_id, kind, received_us, applied_us, topic, payload, sensor, boot, seq, start_us in rows
    ]


def output_hashes(rows: Iterable[Values]) -> list[bytes]:
    """Row hashes of outputs, given in the order of the table's columns."""
    sha256 = hashlib.sha256
    return [
        sha256(f"output,{row_id},{input_id},{len(kind)},{len(body)},{kind}{body}".encode()).digest()
        for row_id, input_id, kind, body in rows
    ]


def dead_letter_hashes(rows: Iterable[Values]) -> list[bytes]:
    """Row hashes of dead letters, given in the order of the table's columns."""
    sha256 = hashlib.sha256
    return [
        sha256(
            f"dead letter,{row_id},{received_us},{len(topic)},{len(reason)},{len(detail)},{_size(sensor)},"
            f"{len(payload)},{topic}{reason}{detail}{sensor}".encode()
            + payload
        ).digest()
        for row_id, received_us, topic, payload, reason, detail, sensor in rows
    ]


ROW_HASHES: Final[tuple[Callable[[Iterable[Values]], list[bytes]], ...]] = (
    input_hashes,
    output_hashes,
    dead_letter_hashes,
)
"""In the order in which a seal names its tables."""


def digest(hashes: Sequence[bytes]) -> bytes:
    """The digest over row hashes."""
    return hashlib.sha256(b"".join(hashes)).digest() if hashes else b""


def marks(hashes: Iterable[bytes]) -> bytes:
    """The marks of rows."""
    return b"".join([each[:MARK] for each in hashes])


def marks_by_table(link: Seal, before: Sequence[int]) -> list[list[bytes]]:
    """The marks of a sound seal, by table; `before`: the last ids of the seal before it."""
    left = [link.marks[at : at + MARK] for at in range(0, len(link.marks), MARK)]
    by_table = []
    for end, start in zip(link.last_ids, before, strict=True):
        by_table.append(left[: end - start])
        left = left[end - start :]
    return by_table


def seal(
    seal_id: int,
    previous_hash: bytes,
    last_ids: tuple[int, int, int],
    engine_us: int | None,
    hashes: tuple[Sequence[bytes], Sequence[bytes], Sequence[bytes]],
    *,
    opening: bool = False,
) -> Seal:
    """The next link: `last_ids` and row `hashes` are those of inputs, outputs and dead letters."""
    inputs, outputs, dead_letters = (digest(each) for each in hashes)
    row_marks = b"".join([marks(each) for each in hashes])
    link = Seal(seal_id, *last_ids, engine_us, int(opening), inputs, outputs, dead_letters, row_marks, b"")
    return replace(link, hash=seal_hash(link, previous_hash))


def seal_hash(link: Seal, previous_hash: bytes) -> bytes:
    """What the hash of a seal must be that follows one with `previous_hash`."""
    text = (
        f"{link.id},{link.input_id},{link.output_id},{link.dead_letter_id},{link.engine_us},{link.opening},"
        f"{link.inputs.hex()},{link.outputs.hex()},{link.dead_letters.hex()}\n"
    )
    return hashlib.sha256(_HEAD + previous_hash + text.encode() + link.marks).digest()


def _size(text: str | None) -> int | None:
    # "None" for a missing text is no length, so it cannot be taken for a text that reads "None".
    return None if text is None else len(text)
