"""Rows leave the journal: a file that is whole is registered, then its rows are deleted in small transactions.

Rules: the register comes first, so at every instant each row is in the journal, in a registered file, or in both, and
whoever reads takes it once (`reach`). A run that ends in the middle is taken up again by the next. Only the process
that writes the journal does this. The database itself lets no row go that no registered file holds (migration 10).
Reads no clock.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection, delete, func, insert, literal_column, or_, select, update

from motewatch.journal import tables
from motewatch.journal.archive_files import sha256_of
from motewatch.journal.archives import (
    LEAVING_INPUTS,
    Archived,
    Kind,
    Manifest,
    folder_of,
    heads,
    last_registered,
    registered,
    waiting,
)
from motewatch.journal.errors import ArchiveError
from motewatch.journal.rollups import HOUR_US, Rollups
from motewatch.journal.store import Store

STEP: Final = 250
"""Ids in one transaction: readings wait for no more than their deletion."""

SUMS: Final = 40
"""Hours of samples that are summed up in one transaction where that was not done yet."""

_archives, _inputs, _outputs, _samples, _letters, _seals = (
    table.c
    for table in (
        *(tables.archives, tables.inputs, tables.outputs),
        *(tables.samples, tables.dead_letters, tables.seals),
    )
)
_PLACES: Final[dict[Kind, tuple[tuple[Any, Any], ...]]] = {
    Kind.MESSAGES: ((tables.inputs, _inputs.id),),
    # The columns first: they name the text.
    Kind.SAMPLES: ((tables.samples, _samples.output_id), (tables.outputs, _outputs.id)),
    Kind.LETTERS: ((tables.dead_letters, _letters.id),),
    Kind.SEALS: ((tables.seals, _seals.id),),
}


@dataclass(frozen=True, slots=True)
class Left:
    """What one run has done."""

    files: int
    rows: int


def let_go(
    store: Store,
    now_us: int,
    turn: Callable[[], bool] = lambda: True,
    registered_now: Callable[[Manifest], object] = lambda manifest: None,
) -> Left:
    """Register what lies ready, and delete what is registered; `turn` is called before each transaction.

    Where it says no, the rest is left for the next time. Raises `JournalError`, `OSError`.
    """
    rows = 0
    for manifest in waiting(store):
        if not turn():
            break
        if manifest.kind is Kind.SAMPLES:
            # Sums of hours stay for good, so they are made first.
            while Rollups(store).sum_up(SUMS) and turn():
                pass
        register(store, manifest)
        registered_now(manifest)
    files = 0
    with store.reading() as connection:
        open_ = [each for each in registered(connection) if each.left_us is None]
    for archive in open_:
        deleted, done = _delete(store, archive, turn)
        rows += deleted
        if not done:
            break
        if archive.kind is Kind.SAMPLES and archive.first_us is not None:
            _let_parts_go(store, archive, turn)
        with store.writing() as connection:
            connection.execute(update(tables.archives).where(_archives.id == archive.id).values(left_us=now_us))
        files += 1
    return Left(files, rows)


def is_leaving(store: Store) -> bool:
    """Whether a file lies ready, or rows of a registered one are still in the journal."""
    with store.reading() as connection:
        if connection.execute(select(_archives.id).where(_archives.left_us.is_(None)).limit(1)).first() is not None:
            return True
    return bool(waiting(store))


def register(store: Store, manifest: Manifest) -> None:
    """Put a file on record, after a last look at it. Raises `ArchiveError` where it does not fit the journal."""
    path = folder_of(store.path) / manifest.name
    if sha256_of(path) != manifest.sha256:
        raise ArchiveError(str(path), "is not as it was when it was made. Remove it and its manifest; it is made anew.")
    with store.reading() as connection:
        site = connection.execute(select(tables.meta.c.site)).scalar() or ""
        last = last_registered(connection)
        head = heads(connection)[manifest.kind]
        there = _count(connection, manifest)
        readings = _readings(connection, manifest) if manifest.kind is Kind.MESSAGES else []
    before = (0, "0" * 64) if last is None else (last.number, last.hash)
    fits = (manifest.number, manifest.previous, manifest.first_id, manifest.rows, manifest.site)
    if fits != (before[0] + 1, before[1], head + 1, there, site):
        raise ArchiveError(
            str(path), "does not follow what is archived so far. Remove it and its manifest; it is made anew."
        )
    with store.writing() as connection:
        connection.execute(
            insert(tables.archives),
            {
                "id": manifest.number,
                "kind": manifest.kind.value,
                "name": manifest.name,
                "first_id": manifest.first_id,
                "last_id": manifest.last_id,
                "first_us": manifest.first_us,
                "last_us": manifest.last_us,
                "rows": manifest.rows,
                "bytes": manifest.size,
                "sha256": manifest.sha256,
                "manifest": manifest.text(),
                "hash": manifest.hash,
            },
        )
        if readings:
            connection.execute(insert(tables.archived_readings), readings)


def _count(connection: Connection, manifest: Manifest) -> int:
    table, row_id = _PLACES[manifest.kind][0]
    query = select(func.count()).select_from(table).where(row_id.between(manifest.first_id, manifest.last_id))
    if manifest.kind is Kind.MESSAGES:
        query = query.where(_inputs.kind.in_(LEAVING_INPUTS))
    return connection.execute(query).scalar_one()


def _readings(connection: Connection, manifest: Manifest) -> list[dict[str, Any]]:
    query = (
        select(_inputs.sensor, _inputs.boot, func.min(_inputs.seq), func.max(_inputs.seq), func.min(_inputs.id))
        .where(_inputs.id.between(manifest.first_id, manifest.last_id), _inputs.seq.is_not(None))
        .where(_inputs.kind.in_(LEAVING_INPUTS))
        .group_by(_inputs.sensor, _inputs.boot)
    )
    names = ("sensor", "boot", "first_seq", "last_seq", "first_input_id")
    return [
        dict(zip(names, row, strict=True)) | {"archive": manifest.number} for row in connection.execute(query).all()
    ]


def _delete(store: Store, archive: Archived, turn: Callable[[], bool]) -> tuple[int, bool]:
    """The rows of a registered file, step by step; how many were there, and whether none is left."""
    deleted = 0
    with store.reading() as connection:
        table, row_id = _PLACES[archive.kind][0]
        inside = row_id.between(archive.first_id, archive.last_id)
        at = connection.execute(select(func.min(row_id)).where(inside)).scalar()
    while at is not None and at <= archive.last_id:
        if not turn():
            return deleted, False
        end = min(at + STEP - 1, archive.last_id)
        with store.writing() as connection:
            for table, row_id in _PLACES[archive.kind]:
                query = delete(table).where(row_id.between(at, end))
                if archive.kind is Kind.MESSAGES:
                    query = query.where(_inputs.kind.in_(LEAVING_INPUTS))
                elif table is tables.outputs:
                    query = query.where(_outputs.kind == "sample")
                elif archive.kind is Kind.SEALS:
                    query = query.where(*_free_seals(archive))
                removed = connection.execute(query).rowcount
        deleted += removed
        at = end + 1
    return deleted, True


def _free_seals(archive: Archived) -> Iterator[Any]:
    """Seals that nobody in the journal names. The last one of each file stays: the next file begins after it.

    So does the last one over what was sealed as it was found: it says from where on the chain holds.
    """
    following = tables.seals.alias()
    yield _seals.id < archive.last_id
    yield or_(
        _seals.opening == 0,
        select(literal_column("1")).where(following.c.id == _seals.id + 1, following.c.opening == 1).exists(),
    )
    yield ~select(tables.anchors.c.id).where(tables.anchors.c.seal_id == _seals.id).exists()
    yield ~select(literal_column("1")).select_from(tables.reports).where(tables.reports.c.seal == _seals.id).exists()


def _let_parts_go(store: Store, archive: Archived, turn: Callable[[], bool]) -> None:
    """Parts of hours are quickly made from the archive again; whole hours stay for ever."""
    table = tables.sample_parts
    with store.reading() as connection:
        oldest = connection.execute(select(func.min(_samples.end_us))).scalar()
        assert archive.last_us is not None
        before = (archive.last_us if oldest is None else min(oldest, archive.last_us)) // HOUR_US
        places = connection.execute(
            select(table.c.location, func.min(table.c.hour)).where(table.c.hour < before).group_by(table.c.location)
        ).all()
    for location, first in places:
        for hour in range(first, before, STEP):
            if not turn():
                return
            with store.writing() as connection:
                upto = min(hour + STEP, before)
                connection.execute(
                    delete(table).where(table.c.location == location, table.c.hour.between(hour, upto - 1))
                )
