"""Walking the hash chain: is every row of the record the one that was sealed, and are there no others?

Whole, the walk goes through the archive files from the first seal on. Otherwise it begins where the newest file of
seals ends, and reads what the journal holds of rows: each against its mark in its seal, and all that a seal covers
against its digest where none of them has left. What stays in the journal under seals that have left is held against the
manifests of their files (`kept`).

Rules: reads only, seal by seal, beside a running service; what the last seal found at the start covers is one state. A
row that was edited, removed, put in or moved is named by its table and id, the first first. Where a seal itself does
not follow, the walk ends: what comes after it proves nothing.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import islice
from typing import Any, Final

from sqlalchemy import func, select

from motewatch.journal import seals, tables
from motewatch.journal.archive_check import all_pages, seals_of_manifests
from motewatch.journal.archive_files import read_groups
from motewatch.journal.archives import Kind, Manifest, folder_of, heads, manifests, registered
from motewatch.journal.kept import KINDS, LETTERS, changed_words, differing
from motewatch.journal.paging import RowsInOrder, pages
from motewatch.journal.reach import as_sealed
from motewatch.journal.seals import MARK, ROW_HASHES, Seal
from motewatch.journal.store import Store

FINDINGS: Final = 20
"""How many sentences one walk gives at most: a removed row may spoil thousands after it."""

TRIES: Final = 4
"""So often a walk begins anew because rows left while it was under way: they leave once a day."""

_samples = tables.samples.c


@dataclass(frozen=True, slots=True)
class Chain:
    """How far the chain reaches.

    Number of seals, the last input and output that were only sealed as found, the last seal that is in an archive file.
    """

    seals: int
    found_inputs: int
    found_outputs: int
    archived: int = 0


@dataclass(frozen=True, slots=True)
class _Place:
    """Between two seals: the one before, its hash, and where it reaches."""

    seal: int = 0
    hash: bytes = seals.FIRST
    ends: tuple[int, int, int] = (0, 0, 0)


def chain_of(store: Store) -> Chain:
    """What there is of it, unproved."""
    table = tables.seals.c
    with store.reading() as connection:
        count = connection.execute(select(func.max(table.id))).scalar() or 0
        opening = select(func.max(table.input_id), func.max(table.output_id)).where(table.opening == 1)
        inputs, outputs = connection.execute(opening).one()
        archived = heads(connection)[Kind.SEALS]
    return Chain(count, inputs or 0, outputs or 0, archived)


def broken_seals(store: Store, whole: bool = True) -> list[str]:
    """What the walk finds, as sentences; empty when all is as it was sealed. `whole`: through archive files, too."""
    for _ in range(TRIES):
        known = _files(store)
        found = list(islice(_walk(store, whole), FINDINGS))
        # By hashes, a row that left meanwhile looks as if it was missing; the whole walk finds it in its file.
        if whole or not found or _files(store) == known:
            break
    return found


def _files(store: Store) -> int | None:
    with store.reading() as connection:
        return connection.execute(select(func.max(tables.archives.c.id))).scalar()


def _walk(store: Store, whole: bool) -> Iterator[str]:
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
            for each, kind in zip(tables.SEALED, KINDS, strict=True)
        ]
        lowest = connection.execute(select(func.min(table.c.id))).scalar()
        said = seals_of_manifests(connection)
        archived = heads(connection)
    if newest is None:
        yield from _unsealed((0, 0, 0), ends)
        return
    last = Seal(*newest)
    if lowest is not None and lowest < 1:
        yield f"seals: seal {lowest} was put in: they begin at 1"
    if whole:
        walk = _Walk(store, last)
        seal_pages = all_pages(store, Kind.SEALS, select(table), table.c.id, last.id)
    else:
        left = (archived[Kind.MESSAGES], archived[Kind.SAMPLES], archived[Kind.LETTERS])
        place = yield from _beside_files(store, last, left)
        if place is None:
            return
        walk = _Walk(store, last, place, left)
        seal_pages = pages(store, select(table), table.c.id, last.id, place.seal)
    for page in seal_pages:
        for columns in page:
            link = Seal(*columns)
            yield from walk.next(link)
            if said.get(link.id, link.hash.hex()) != link.hash.hex():
                yield f"archives: a manifest names seal {link.id} with another hash than it has"
            if walk.broken:
                return
    if engine_us != last.engine_us:
        yield f"meta: the engine's time is {engine_us} us, and in the last seal {last.engine_us} us"
    yield from _unsealed(last.last_ids, ends)


def _beside_files(store: Store, last: Seal, left: tuple[int, int, int]) -> Generator[str, None, _Place | None]:
    """What stays in the journal under seals that are in files; returns where these end, None where they do not follow.

    A file of seals is opened only where its manifest does not say what stays, or what stays is not what it says.
    """
    place = _Place()
    with store.reading() as connection:
        files = manifests(connection, Kind.SEALS)
    for manifest in files:
        if (manifest.seal_before, manifest.seal_before_hash) != (place.seal, place.hash.hex()):
            yield f"archives: {manifest.name} does not begin where the seals before it end"
        kept = manifest.kept
        changed = [] if kept is None else differing(store, kept, place.ends, left[LETTERS])
        if kept is not None and not changed:
            place = _Place(manifest.seal_after, bytes.fromhex(manifest.seal_after_hash), kept.last_ids)
            continue
        walk = _Walk(store, last, place, left)
        yield from _through(store, manifest, walk)
        if walk.broken:
            return None
        if kept is not None:
            for table in changed:
                # Dead letters may have left after the seals over them, and then they are not what stayed.
                if table != LETTERS or left[LETTERS] <= place.ends[LETTERS]:
                    yield changed_words(table, place.ends, kept, manifest.name)
        place = walk.place
        if place.hash.hex() != manifest.seal_after_hash:
            yield f"archives: a manifest names seal {manifest.seal_after} with another hash than it has"
    return place


def _through(store: Store, manifest: Manifest, walk: _Walk) -> Iterator[str]:
    """The rows that the journal holds against the seals of a file."""
    for rows in read_groups(folder_of(store.path) / manifest.name, Kind.SEALS):
        for columns in rows:
            yield from walk.next(Seal(*columns))
            if walk.broken:
                return


class _Walk:
    """One seal after the other from a place on, with the rows that each covers.

    `left`: up to which input, output and dead letter rows may have left for files, and only those in the journal are
    looked at; absent: files are read like the journal.
    """

    def __init__(
        self, store: Store, last: Seal, place: _Place | None = None, left: tuple[int, int, int] | None = None
    ) -> None:
        self.place = place or _Place()
        self._left = left or (0, 0, 0)
        places = select(_samples.output_id, _samples.input_id)
        if left is None:
            self._rows = [
                RowsInOrder(all_pages(store, kind, select(table), table.c.id, end, partial(as_sealed, kind)))
                for table, kind, end in zip(tables.SEALED, KINDS, last.last_ids, strict=True)
            ]
            samples = all_pages(
                store, Kind.SAMPLES, places, _samples.output_id, last.output_id, lambda row: (row[0], row[7])
            )
        else:
            self._rows = [
                RowsInOrder(pages(store, select(table), table.c.id, end, after))
                for table, end, after in zip(tables.SEALED, last.last_ids, self.place.ends, strict=True)
            ]
            samples = pages(store, places, _samples.output_id, last.output_id, self.place.ends[1])
        self._places = RowsInOrder(samples)
        self.broken = False

    def next(self, link: Seal) -> Iterator[str]:
        """What is wrong with this seal and its rows."""
        before = self.place
        if link.id != before.seal + 1:
            self.broken = True
            yield f"seals: seal {before.seal + 1} is missing, seal {link.id} stands in its place"
            return
        if link.hash != seals.seal_hash(link, before.hash):
            self.broken = True
            yield f"seals: seal {link.id} was changed, or does not follow from the one before it"
            return
        ends = link.last_ids
        covered = [rows.take(end) for rows, end in zip(self._rows, ends, strict=True)]
        digests = (link.inputs, link.outputs, link.dead_letters)
        marks = seals.marks_by_table(link, before.ends)
        for place, rows in enumerate(covered):
            hashes = ROW_HASHES[place](rows)
            if seals.digest(hashes) != digests[place]:
                ids = [row[0] for row in rows]
                found = dict(zip(ids, hashes, strict=True))
                wanted = range(before.ends[place] + 1, ends[place] + 1)
                if trouble := _first_strange(tables.SEALED[place].name, wanted, marks[place], found, self._left[place]):
                    yield trouble
        yield from self._wrong_places(link, covered[1])
        self.place = _Place(link.id, link.hash, ends)

    def _wrong_places(self, link: Seal, outputs: Sequence[tuple[Any, ...]]) -> Iterator[str]:
        """Samples that say of another input that it was the last before them; see `recording`."""
        kept = dict(self._places.take(link.output_id))
        latest = link.input_id
        wrong = []
        expected = link.output_id
        for output_id, cause, _, _ in reversed(outputs):
            if expected != output_id <= self._left[1]:
                # Outputs in between have left; those before them are held against their file (`strays`).
                break
            wanted = latest if cause is None else cause
            latest = latest if cause is None else cause - 1
            # Of rows sealed as they were found it is not known which made one batch.
            if output_id in kept and kept[output_id] != wanted and not (link.opening and cause is None):
                wrong.append(f"samples: output {output_id} was given after input {wanted}, and its row says otherwise")
            expected = output_id - 1
        yield from reversed(wrong)


def _first_strange(table: str, wanted: range, marks: Sequence[bytes], found: dict[int, bytes], left: int) -> str | None:
    """None: nothing is strange but that some of them have left."""
    gone = False
    for row_id, mark in zip(wanted, marks, strict=True):
        if row_id not in found:
            if row_id > left:
                return f"{table}: row {row_id} is missing"
            gone = True
        elif found[row_id][:MARK] != mark:
            return f"{table}: row {row_id} is not the one that was recorded"
    if gone:
        return None
    return f"{table}: one of the rows {wanted.start} to {wanted.stop - 1} is not the one that was recorded"


def _unsealed(sealed: Sequence[int], ends: Sequence[int]) -> Iterator[str]:
    for table, last, end in zip(tables.SEALED, sealed, ends, strict=True):
        if end > last:
            yield f"{table.name}: row {last + 1} is in no seal: it was put in, or its seal was removed"
