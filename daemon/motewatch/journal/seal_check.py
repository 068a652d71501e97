"""Walking the hash chain: is every row of the record the one that was sealed, and are there no others?

Rules: reads only, seal by seal, beside a running service; what the last seal found at the start covers is one state. A
row that was edited, removed, put in or moved is named by its table and id, the first first. Where a seal itself does
not follow, the walk ends: what comes after it proves nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

from sqlalchemy import func, select

from motewatch.journal import seals, tables
from motewatch.journal.archive_check import all_pages, seals_of_manifests
from motewatch.journal.archives import Kind, registered
from motewatch.journal.paging import RowsInOrder
from motewatch.journal.reach import as_sealed
from motewatch.journal.seals import MARK, Seal
from motewatch.journal.store import Store

FINDINGS: Final = 20
"""How many sentences one walk gives at most: a removed row may spoil thousands after it."""

_SEALED: Final = (tables.inputs, tables.outputs, tables.dead_letters)
_KINDS: Final = (Kind.MESSAGES, Kind.SAMPLES, Kind.LETTERS)
"""Which rows of these tables may stand in archives."""
_HASHES: Final[tuple[Callable[[Any], list[bytes]], ...]] = (
    seals.input_hashes,
    seals.output_hashes,
    seals.dead_letter_hashes,
)
_samples = tables.samples.c


@dataclass(frozen=True, slots=True)
class Chain:
    """How far the chain reaches: number of seals, and the last input and output that were only sealed as found."""

    seals: int
    found_inputs: int
    found_outputs: int


def chain_of(store: Store) -> Chain:
    """What there is of it, unproved."""
    table = tables.seals.c
    with store.reading() as connection:
        count = connection.execute(select(func.max(table.id))).scalar() or 0
        opening = select(func.max(table.input_id), func.max(table.output_id)).where(table.opening == 1)
        inputs, outputs = connection.execute(opening).one()
    return Chain(count, inputs or 0, outputs or 0)


def broken_seals(store: Store) -> list[str]:
    """What the walk finds, as sentences; empty when all is as it was sealed."""
    found: list[str] = []
    for finding in _walk(store):
        found.append(finding)
        if len(found) >= FINDINGS:
            break
    return found


def _walk(store: Store) -> Iterator[str]:
    table = tables.seals
    with store.reading() as connection:
        # One state: a batch and its seal come together.
        newest = connection.execute(select(table).order_by(table.c.id.desc()).limit(1)).first()
        engine_us = connection.execute(select(tables.meta.c.engine_us)).scalar()
        ends = [
            max(
                connection.execute(select(func.max(each.c.id))).scalar() or 0,
                *(archive.last_id for archive in registered(connection, kind)),
                0,
            )
            for each, kind in zip(_SEALED, _KINDS, strict=True)
        ]
        lowest = connection.execute(select(func.min(table.c.id))).scalar()
        said = seals_of_manifests(connection)
    if newest is None:
        yield from _unsealed((0, 0, 0), ends)
        return
    last = Seal(*newest)
    if lowest is not None and lowest < 1:
        yield f"seals: seal {lowest} was put in: they begin at 1"
    walk = _Walk(store, last)
    for page in all_pages(store, Kind.SEALS, select(table), table.c.id, last.id):
        for columns in page:
            link = Seal(*columns)
            yield from walk.next(link)
            if said.get(link.id, link.hash.hex()) != link.hash.hex():
                yield f"archives: a manifest names seal {link.id} with another hash than it has"
            if walk.broken:
                return
    if engine_us != last.engine_us:
        yield f"meta: the engine's time is {engine_us} us, and in the last seal {last.engine_us} us"
    yield from _unsealed(_last_ids(last), ends)


class _Walk:
    """One seal after the other, with the rows that each covers."""

    def __init__(self, store: Store, last: Seal) -> None:
        self._rows = [
            RowsInOrder(all_pages(store, kind, select(table), table.c.id, end, partial(as_sealed, kind)))
            for table, kind, end in zip(_SEALED, _KINDS, _last_ids(last), strict=True)
        ]
        places = select(_samples.output_id, _samples.input_id)
        self._places = RowsInOrder(
            all_pages(store, Kind.SAMPLES, places, _samples.output_id, last.output_id, lambda row: (row[0], row[7]))
        )
        self._previous = seals.FIRST
        self._ends = (0, 0, 0)
        self._expected = 1
        self.broken = False

    def next(self, link: Seal) -> Iterator[str]:
        """What is wrong with this seal and its rows."""
        if link.id != self._expected:
            self.broken = True
            yield f"seals: seal {self._expected} is missing, seal {link.id} stands in its place"
            return
        if link.hash != seals.seal_hash(link, self._previous):
            self.broken = True
            yield f"seals: seal {link.id} was changed, or does not follow from the one before it"
            return
        ends = _last_ids(link)
        covered = [rows.take(end) for rows, end in zip(self._rows, ends, strict=True)]
        digests = (link.inputs, link.outputs, link.dead_letters)
        marks = _split(link, self._ends)
        for place, rows in enumerate(covered):
            hashes = _HASHES[place](rows)
            if seals.digest(hashes) != digests[place]:
                ids = [row[0] for row in rows]
                found = dict(zip(ids, hashes, strict=True))
                wanted = range(self._ends[place] + 1, ends[place] + 1)
                yield _first_strange(_SEALED[place].name, wanted, marks[place], found)
        yield from self._wrong_places(link, covered[1])
        self._previous, self._ends, self._expected = link.hash, ends, link.id + 1

    def _wrong_places(self, link: Seal, outputs: Sequence[tuple[Any, ...]]) -> Iterator[str]:
        """Samples that say of another input that it was the last before them; see `recording`."""
        kept = dict(self._places.take(link.output_id))
        latest = link.input_id
        wrong = []
        for output_id, cause, _, _ in reversed(outputs):
            wanted = latest if cause is None else cause
            latest = latest if cause is None else cause - 1
            # Of rows sealed as they were found it is not known which made one batch.
            if output_id in kept and kept[output_id] != wanted and not (link.opening and cause is None):
                wrong.append(f"samples: output {output_id} was given after input {wanted}, and its row says otherwise")
        yield from reversed(wrong)


def _first_strange(table: str, wanted: range, marks: Sequence[bytes], found: dict[int, bytes]) -> str:
    for row_id, mark in zip(wanted, marks, strict=True):
        if row_id not in found:
            return f"{table}: row {row_id} is missing"
        if found[row_id][:MARK] != mark:
            return f"{table}: row {row_id} is not the one that was recorded"
    return f"{table}: one of the rows {wanted.start} to {wanted.stop - 1} is not the one that was recorded"


def _split(link: Seal, before: Sequence[int]) -> list[list[bytes]]:
    """The marks of a sound seal, by table."""
    marks = [link.marks[at : at + MARK] for at in range(0, len(link.marks), MARK)]
    by_table = []
    for end, start in zip(_last_ids(link), before, strict=True):
        by_table.append(marks[: end - start])
        marks = marks[end - start :]
    return by_table


def _unsealed(sealed: Sequence[int], ends: Sequence[int]) -> Iterator[str]:
    for table, last, end in zip(_SEALED, sealed, ends, strict=True):
        if end > last:
            yield f"{table.name}: row {last + 1} is in no seal: it was put in, or its seal was removed"


def _last_ids(link: Seal) -> tuple[int, int, int]:
    return (link.input_id, link.output_id, link.dead_letter_id)
