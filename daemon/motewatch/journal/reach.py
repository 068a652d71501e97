"""Reading what stands in the journal and in archive files as if all of it were in the journal.

Samples: `reaching` gives a connection on which `samples` and `outputs` hold the samples of one location (or of all) in
a stretch of time, wherever they stand; where no archive has any of that time, it is an ordinary one. So every question
is written once. Whoever asks about years goes by `windows`, which keep each stretch short.

Inputs, outputs and dead letters in their order: `inputs_between`, `outputs_between`, `letters_between`, by ids.

Rules: what is on record twice, while rows are leaving, is taken once, in one state of the journal. Nothing here writes
into the journal. An archive that is missing or damaged raises `ArchiveError`: no answer is better than a part of one.
Beside `store` the one place that leans on SQLite: a temporary table comes before another of its name.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any, Final

from sqlalchemy import Connection, bindparam, func, insert, select, text

from motewatch.journal import archive_files, tables
from motewatch.journal.archives import Archived, Kind, folder_of, of_ids, of_time
from motewatch.journal.prepared import Prepared
from motewatch.journal.store import Store
from motewatch.wire.records import DAY_US, HOUR_US

ALL_TIME: Final = (-(2**62), 2**62)
"""Whenever."""

WINDOWS_GROW: Final = 32
"""The first window into the archives is as long as asked for, the next twice that, up to so many times."""

_archives, _inputs, _outputs, _samples, _letters = (
    table.c for table in (tables.archives, tables.inputs, tables.outputs, tables.samples, tables.dead_letters)
)
_ANY = Prepared(
    select(
        select(_archives.id)
        .where(_archives.kind == bindparam("kind"), _archives.last_us > bindparam("after"))
        .where(_archives.first_us <= bindparam("until"))
        .exists()
    ),
    ["kind", "after", "until"],
)
_HELD_SAMPLES = text(
    """CREATE TEMP TABLE samples (
        output_id INTEGER NOT NULL PRIMARY KEY, location TEXT NOT NULL, end_us INTEGER NOT NULL,
        revision INTEGER NOT NULL, start_us INTEGER NOT NULL, input_id INTEGER NOT NULL, sampled_us INTEGER NOT NULL,
        readings INTEGER NOT NULL, quality INTEGER NOT NULL, UNIQUE (location, end_us, revision))"""
)
_HELD_OUTPUTS = text(
    """CREATE TEMP TABLE outputs (
        id INTEGER NOT NULL PRIMARY KEY, input_id INTEGER, kind TEXT NOT NULL, body TEXT NOT NULL)"""
)


@contextmanager
def reaching(store: Store, location: str | None, after_us: int, until_us: int) -> Iterator[Connection]:
    """A connection whose `samples` hold at least all that end in `(after_us, until_us]`, with their `outputs`.

    What lies outside that time or of other locations may or may not be seen on it.
    """
    with store.reading() as connection:
        if not is_archived(connection, after_us, until_us):
            yield connection
            return
    with store.scratch() as connection:
        _hold(connection, store, location, after_us, until_us)
        yield connection


def windows(
    store: Store,
    location: str | None,
    after_us: int,
    until_us: int,
    *,
    newest_first: bool,
    width_us: int = DAY_US,
) -> list[tuple[int, int]]:
    """The stretch `(after_us, until_us]` in pieces that `reaching` may hold in memory, in the order wanted.

    Where the location has no samples at all is left out: nobody opens the files of years in which there was no such
    location.
    """
    with store.reading() as connection:
        query = select(func.min(_archives.first_us), func.max(_archives.last_us)).where(
            _archives.kind == Kind.SAMPLES.value
        )
        first, last = connection.execute(query).one()
        if first is None or last <= after_us or first > until_us:
            return [(after_us, until_us)]
        there = None if location is None else _hours_of(connection, location)
    found = [(last, until_us)] if last < until_us else []
    if location is not None:
        if there is None:
            return []
        first, last = max(first, there[0] + 1), min(last, there[1])
    end, begin, width, widest = min(last, until_us), max(first - 1, after_us), width_us, WINDOWS_GROW * width_us
    while end > begin:
        start = max(end - width, begin)
        found.append((start, end))
        end, width = start, min(2 * width, widest)
    if begin > after_us and location is None:
        found.append((after_us, begin))
    return found if newest_first else found[::-1]


def _hours_of(connection: Connection, location: str) -> tuple[int, int] | None:
    """The time in which the location has samples, by their hours: summed up or still to be. None: it has none."""
    ends: list[int] = []
    for table in (tables.sample_hours, tables.stale_hours):
        query = select(func.min(table.c.hour), func.max(table.c.hour)).where(table.c.location == location)
        ends += [hour for hour in connection.execute(query).one() if hour is not None]
    return (min(ends) * HOUR_US, (max(ends) + 1) * HOUR_US) if ends else None


def is_archived(connection: Connection, after_us: int, until_us: int) -> bool:
    """Whether archives have samples of that time."""
    return bool(_ANY.all(connection, (Kind.SAMPLES.value, after_us, until_us))[0][0])


def inputs_between(store: Store, first_id: int, last_id: int) -> list[tuple[Any, ...]]:
    """Inputs with these ids, in their order, as rows of the table."""
    query = select(tables.inputs).where(_inputs.id.between(first_id, last_id)).order_by(_inputs.id)
    return _between(store, Kind.MESSAGES, query, first_id, last_id)


def outputs_between(store: Store, first_id: int, last_id: int) -> list[tuple[Any, ...]]:
    """Outputs with these ids, in their order, as rows of the table."""
    query = select(tables.outputs).where(_outputs.id.between(first_id, last_id)).order_by(_outputs.id)
    return _between(store, Kind.SAMPLES, query, first_id, last_id)


def letters_between(store: Store, first_id: int, last_id: int) -> list[tuple[Any, ...]]:
    """Dead letters with these ids, in their order, as rows of the table."""
    query = select(tables.dead_letters).where(_letters.id.between(first_id, last_id)).order_by(_letters.id)
    return _between(store, Kind.LETTERS, query, first_id, last_id)


def as_sealed(kind: Kind, row: tuple[Any, ...]) -> tuple[Any, ...]:
    """A row of an archive as a row of the table whose rows are sealed."""
    return (row[0], row[1], "sample", row[2]) if kind is Kind.SAMPLES else row


def rows_of(store: Store, archive: Archived, first_id: int, last_id: int) -> list[tuple[Any, ...]]:
    """Rows of one file with these ids, in the order of the record, as they stand in the file."""
    return archive_files.in_order(folder_of(store.path) / archive.name, archive.kind).between(first_id, last_id)


def start_of_reading(store: Store, sensor: str, boot: str, seq: int, before_input_id: int) -> int | None:
    """Start of the archived reading under this key, or None."""
    readings = tables.archived_readings.c
    query = (
        select(_archives.name)
        .join_from(tables.archived_readings, tables.archives, readings.archive == _archives.id)
        .where(readings.sensor == sensor, readings.boot == boot, readings.first_input_id < before_input_id)
        .where(readings.first_seq <= seq, readings.last_seq >= seq, _archives.deleted_us.is_(None))
        .order_by(readings.archive)
    )
    with store.reading() as connection:
        names = connection.execute(query).scalars().all()
    for name in names:
        path = folder_of(store.path) / name
        start = archive_files.start_of_reading(path, sensor, boot, seq, before_input_id)
        if start is not None:
            return start
    return None


def has_boot(store: Store, sensor: str, boot: str, before_input_id: int) -> bool:
    """Whether an archive holds any reading of this boot."""
    readings = tables.archived_readings.c
    query = select(readings.archive).where(readings.sensor == sensor, readings.boot == boot)
    with store.reading() as connection:
        found = connection.execute(query.where(readings.first_input_id < before_input_id).limit(1)).first()
    return found is not None


def _between(store: Store, kind: Kind, query: Any, first_id: int, last_id: int) -> list[tuple[Any, ...]]:
    with store.reading() as connection:
        files = of_ids(connection, kind, first_id, last_id)
        here = [tuple(row) for row in connection.execute(query)]
    if not files or len(here) == last_id - first_id + 1:
        return here
    known = {row[0] for row in here}
    for archive in files:
        if archive.deleted_us is None:
            rows = (as_sealed(kind, row) for row in rows_of(store, archive, first_id, last_id))
            here += [row for row in rows if row[0] not in known]
    return sorted(here, key=lambda row: row[0])


def _hold(connection: Connection, store: Store, location: str | None, after_us: int, until_us: int) -> None:
    connection.execute(_HELD_SAMPLES)
    connection.execute(_HELD_OUTPUTS)
    span: dict[str, Any] = {"after": after_us, "until": until_us}
    here = "end_us > :after AND end_us <= :until"
    if location is not None:
        here += " AND location = :location"
        span["location"] = location
    connection.execute(text(f"INSERT INTO temp.samples SELECT * FROM main.samples WHERE {here}"), span)
    connection.execute(
        text("INSERT INTO temp.outputs SELECT o.* FROM temp.samples AS s JOIN main.outputs AS o ON o.id = s.output_id")
    )
    for archive in of_time(connection, Kind.SAMPLES, after_us + 1, until_us):
        path = folder_of(store.path) / archive.name
        rows = archive_files.of_location(path, location, after_us + 1, until_us)
        _add(connection, rows)


_ADD_SAMPLE = Prepared(
    insert(tables.samples).prefix_with("OR IGNORE"), [column.name for column in tables.samples.columns]
)
_ADD_OUTPUT = Prepared(
    insert(tables.outputs).prefix_with("OR IGNORE"), [column.name for column in tables.outputs.columns]
)


def _add(connection: Connection, rows: Sequence[tuple[Any, ...]]) -> None:
    """Archived samples beside those of the journal; one that is there already is the same."""
    _ADD_SAMPLE.many(
        connection,
        [
            (row_id, location, end_us, revision, start_us, input_id, sampled_us, readings, quality)
            for row_id, _, _, location, end_us, revision, start_us, input_id, sampled_us, readings, quality in rows
        ],
    )
    _ADD_OUTPUT.many(connection, [as_sealed(Kind.SAMPLES, row) for row in rows])
