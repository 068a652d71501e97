"""What stays in the journal for ever under seals that leave it, proved without opening the files in which these are.

Alarms, calls, audit trail, commands and configurations stay; so do the seals that anchors and reports name. When a file
of seals is made, each of these rows is held against its seal once more, and their digests go into the file's manifest,
which is on record, follows from the one before it, and is signed where there is a key. From then on a look at the rows
and the register shows that none was edited, removed or put in. So a check of the record need not cost more every year.
Rows that leave are held against their seals in the same way before they do.

Rules: reads only, page by page. Digests are fixed for ever. A row in an archive file is none of this module's.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Any, Final

from sqlalchemy import Connection, Select, func, select

from motewatch.journal import seals, tables
from motewatch.journal.archives import LEAVING_INPUTS, Archived, Kept, Kind, heads, manifests
from motewatch.journal.columns import sample_trouble
from motewatch.journal.errors import ArchiveError
from motewatch.journal.paging import RowsInOrder, pages
from motewatch.journal.seals import MARK, ROW_HASHES, Seal
from motewatch.journal.store import Store

KINDS: Final = (Kind.MESSAGES, Kind.SAMPLES, Kind.LETTERS)
"""Which rows of these tables may stand in archives."""

LETTERS: Final = 2
"""The place of dead letters among them."""

_seals = tables.seals.c


def prove_leaving(store: Store, kind: Kind, first_id: int, last_id: int, before_seal: int, last_seal: int) -> None:
    """Hold the rows that are to leave against their seals, the ones after `before_seal` up to `last_seal`.

    So a file is made of nothing but what was recorded: of a sample its text, and columns that agree with it (after
    which input it was given is proved by the walk through the whole alone). Raises `ArchiveError` where a row is
    another, or missing.
    """
    place = KINDS.index(kind)
    table = tables.SEALED[place]
    query: Select[Any] = select(table)
    if kind is Kind.MESSAGES:
        query = query.where(table.c.kind.in_(LEAVING_INPUTS))
    elif kind is Kind.SAMPLES:
        query = query.where(table.c.kind == "sample")
    with store.reading() as connection:
        inside = select(func.count()).select_from(table).where(table.c.id.between(first_id, last_id))
        # None of them has left: those of the kind leave with this file, and others never do.
        if connection.execute(inside).scalar_one() != last_id - first_id + 1:
            raise _changed(store, f"{table.name}: one of the rows {first_id} to {last_id} is missing")
    rows: list[RowsInOrder] = [RowsInOrder(iter(())) for _ in tables.SEALED]
    rows[place] = RowsInOrder(pages(store, query, table.c.id, last_id, first_id - 1))
    for _ in _proved(store, before_seal + 1, last_seal, rows):
        pass
    if kind is Kind.SAMPLES:
        _prove_columns(store, first_id, last_id)


def _prove_columns(store: Store, first_id: int, last_id: int) -> None:
    samples = tables.samples
    joined = select(tables.outputs.c.id, tables.outputs.c.body, samples).join_from(
        tables.outputs, samples, samples.c.output_id == tables.outputs.c.id, isouter=True
    )
    query = joined.where(tables.outputs.c.kind == "sample")
    for page in pages(store, query, tables.outputs.c.id, last_id, first_id - 1):
        for row in page:
            if trouble := sample_trouble(row.body, row._mapping):
                raise _changed(store, f"samples: output {row.id} {trouble}")


def kept_under(store: Store, first_seal: int, last_seal: int, letters_after: int) -> Kept:
    """What stays under these seals, all of which are still in the journal.

    Raises `ArchiveError` where it is not what they sealed. `letters_after`: the last dead letter that is in an archive.
    """
    with store.reading() as connection:
        before = _seal(connection, first_seal - 1)
        last = _seal(connection, last_seal)
        named = _named(connection, first_seal, last_seal)
    if last is None:
        raise _changed(store, f"seal {last_seal} is missing")
    ends = (0, 0, 0) if before is None else before.last_ids
    rows = [
        RowsInOrder(_stay(store, place, after, end, letters_after))
        for place, (after, end) in enumerate(zip(ends, last.last_ids, strict=True))
    ]
    sums = [hashlib.sha256() for _ in tables.SEALED]
    stay: dict[str, str] = {}
    for columns, hashes in _proved(store, first_seal, last_seal, rows):
        for digest, each in zip(sums, hashes, strict=True):
            digest.update(b"".join(each))
        if columns[0] in named:
            stay[str(columns[0])] = seal_digest(columns)
    inputs, outputs, letters = (each.hexdigest() for each in sums)
    return Kept(*last.last_ids, inputs, outputs, letters, stay)


def _proved(
    store: Store, first_seal: int, last_seal: int, rows: Sequence[RowsInOrder]
) -> Iterator[tuple[Sequence[Any], list[list[bytes]]]]:
    """Each seal as it stands in the journal, and the hashes of the rows under it, once both are proved."""
    with store.reading() as connection:
        before = _seal(connection, first_seal - 1)
    if before is None and first_seal > 1:
        raise _changed(store, f"seal {first_seal - 1} is missing")
    previous, ends = (seals.FIRST, (0, 0, 0)) if before is None else (before.hash, before.last_ids)
    expected = first_seal
    for page in pages(store, select(tables.seals), _seals.id, last_seal, first_seal - 1):
        for columns in page:
            link = Seal(*columns)
            if link.id != expected or link.hash != seals.seal_hash(link, previous):
                raise _changed(
                    store, f"seal {expected} is missing, was changed, or does not follow from the one before"
                )
            marks = seals.marks_by_table(link, ends)
            found: list[list[bytes]] = []
            for place, end in enumerate(link.last_ids):
                taken = rows[place].take(end)
                found.append(ROW_HASHES[place](taken) if taken else [])
                for row, row_hash in zip(taken, found[place], strict=True):
                    if row_hash[:MARK] != marks[place][row[0] - ends[place] - 1]:
                        raise _changed(
                            store, f"{tables.SEALED[place].name}: row {row[0]} is not the one that was recorded"
                        )
            yield columns, found
            previous, ends, expected = link.hash, link.last_ids, link.id + 1


def differing(store: Store, kept: Kept, after: Sequence[int], letters_after: int) -> list[int]:
    """Of which tables the rows that stay are others than when the file was made; their places in `tables.SEALED`.

    `after`: where the seals of the file begin.
    """
    found = []
    wanted = (kept.inputs, kept.outputs, kept.dead_letters)
    for place, (first, end) in enumerate(zip(after, kept.last_ids, strict=True)):
        digest = hashlib.sha256()
        for page in _stay(store, place, first, end, letters_after):
            digest.update(b"".join(ROW_HASHES[place](page)))
        if digest.hexdigest() != wanted[place]:
            found.append(place)
    return found


def broken_kept(store: Store) -> list[str]:
    """Files of seals whose manifests say otherwise what stays under them, in sentences."""
    with store.reading() as connection:
        files = manifests(connection, Kind.SEALS)
        letters_after = heads(connection)[Kind.LETTERS]
    found = []
    for before, manifest in pairwise([None, *files]):
        assert manifest is not None
        if before is not None and before.kept is None:
            # Where its seals begin stands in a file: the walk along the seals reads it.
            continue
        after = (0, 0, 0) if before is None or before.kept is None else before.kept.last_ids
        if manifest.kept is not None:
            for place in differing(store, manifest.kept, after, letters_after):
                if place != LETTERS or letters_after <= after[LETTERS]:
                    found.append(changed_words(place, after, manifest.kept, manifest.name))
    return found


def changed_words(place: int, after: Sequence[int], kept: Kept, name: str) -> str:
    """Which rows are others."""
    table, first, last = tables.SEALED[place].name, after[place] + 1, kept.last_ids[place]
    return (
        f"{table}: what stayed in the journal of rows {first} to {last} is not what stayed when {name} was made: a row "
        "was edited, removed or put in"
    )


def seal_digest(columns: Sequence[Any]) -> str:
    """Over a row of seals as it stands in the journal."""
    plain = [bytes(each).hex() if isinstance(each, bytes | memoryview) else each for each in columns]
    return hashlib.sha256(",".join(map(str, plain)).encode()).hexdigest()


def odd_seals(kept: Kept, archive: Archived, rows: Sequence[tuple[Any, ...]]) -> tuple[list[str], list[Any]]:
    """Seals that stay in the journal although their file has them, against the manifest, which vouches for them.

    Those missing, in sentences, and the rows that it does not vouch for.
    """
    found = {str(row[0]) for row in rows}
    gone = [
        f"seals: seal {seal_id} is missing; it stayed in the journal when {archive.name} was made"
        for seal_id in kept.seals
        if seal_id not in found
    ]
    return gone, [row for row in rows if kept.seals.get(str(row[0])) != seal_digest(row)]


def _stay(store: Store, place: int, after: int, end: int, letters_after: int) -> Iterator[list[Any]]:
    table = tables.SEALED[place]
    query: Select[Any] = select(table)
    if table is tables.inputs:
        query = query.where(table.c.kind.not_in(LEAVING_INPUTS))
    elif table is tables.outputs:
        query = query.where(table.c.kind != "sample")
    else:
        after = max(after, letters_after)
    return pages(store, query, table.c.id, end, after)


def _named(connection: Connection, first: int, last: int) -> set[int]:
    """Seals that stay: see `leaving`."""
    named = {last}
    for column in (tables.anchors.c.seal_id, tables.reports.c.seal):
        named.update(connection.execute(select(column).where(column.between(first, last))).scalars())
    opening = select(func.max(_seals.id)).where(_seals.opening == 1)
    found = connection.execute(opening.where(_seals.id.between(first, last))).scalar()
    if found is not None and connection.execute(opening.where(_seals.id == found + 1)).scalar() is None:
        named.add(found)
    return named


def _seal(connection: Connection, seal_id: int) -> Seal | None:
    row = connection.execute(select(tables.seals).where(_seals.id == seal_id)).first()
    return None if row is None else Seal(*row)


def _changed(store: Store, what: str) -> ArchiveError:
    return ArchiveError(
        str(store.path), f"nothing more is archived, because {what}. motewatch verify says all that was changed."
    )
