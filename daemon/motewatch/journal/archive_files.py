"""Archive files: rows of one kind as Parquet, compressed with zstd, in row groups of bounded size.

Rules: what is written is read back and compared with the rows before it counts. A file appears under its name when it
is whole and flushed to the disk. Messages, dead letters and seals stand in the order of the record, samples by location
and time, so that a trend of one location reads a small part of each file. pyarrow is loaded only here, and only where
there are archives. Knows no table of the journal and no rule of retention.
"""

from __future__ import annotations

import hashlib
import importlib
import json
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

from motewatch.journal.archives import Kind
from motewatch.journal.errors import ArchiveError

GROUP: Final = 5_000
"""Rows in a row group: what is held in memory while writing, and read at least."""

_WHOLE, _TEXT, _BYTES = "int64", "string", "binary"
COLUMNS: Final[dict[Kind, dict[str, str]]] = {
    Kind.MESSAGES: {
        "id": _WHOLE,
        "kind": _TEXT,
        "received_us": _WHOLE,
        "applied_us": _WHOLE,
        "topic": _TEXT,
        "payload": _BYTES,
        "sensor": _TEXT,
        "boot": _TEXT,
        "seq": _WHOLE,
        "start_us": _WHOLE,
    },
    Kind.SAMPLES: {
        "id": _WHOLE,
        "cause_id": _WHOLE,
        "body": _TEXT,
        "location": _TEXT,
        "end_us": _WHOLE,
        "revision": _WHOLE,
        "start_us": _WHOLE,
        "input_id": _WHOLE,
        "sampled_us": _WHOLE,
        "readings": _WHOLE,
        "quality": _WHOLE,
    },
    Kind.LETTERS: {
        "id": _WHOLE,
        "received_us": _WHOLE,
        "topic": _TEXT,
        "payload": _BYTES,
        "reason": _TEXT,
        "detail": _TEXT,
        "sensor": _TEXT,
    },
    Kind.SEALS: {
        "id": _WHOLE,
        "input_id": _WHOLE,
        "output_id": _WHOLE,
        "dead_letter_id": _WHOLE,
        "engine_us": _WHOLE,
        "opening": _WHOLE,
        "inputs": _BYTES,
        "outputs": _BYTES,
        "dead_letters": _BYTES,
        "marks": _BYTES,
        "hash": _BYTES,
    },
}
"""Columns of each kind, in the order of the values of a row. Fixed for ever: a file of years ago is still read."""

DATED: Final = {Kind.MESSAGES: 2, Kind.SAMPLES: 4, Kind.LETTERS: 1}
"""Which value tells when it happened."""

_REPEATED: Final = ("kind", "topic", "sensor", "boot", "location", "reason")
"""Texts that come again and again: stored once for each row group."""

_COUNTED: Final = ("id", "location", "end_us", "sensor", "seq")
"""Columns whose least and greatest value each row group tells, so that a reader leaves out what it does not need."""

Row = tuple[Any, ...]


class Rows:
    """Counts what passes through it on the way into a file."""

    def __init__(self, kind: Kind) -> None:
        self._dated = DATED.get(kind)
        self.number = 0
        self.first_us: int | None = None
        self.last_us: int | None = None

    def seen(self, rows: Sequence[Row]) -> None:
        """These are in the file."""
        self.number += len(rows)
        if self._dated is not None and rows:
            times = [row[self._dated] for row in rows]
            self.first_us = min(times) if self.first_us is None else min(self.first_us, *times)
            self.last_us = max(times) if self.last_us is None else max(self.last_us, *times)


def write(path: Path, kind: Kind, about: dict[str, Any], groups: Callable[[], Iterable[Sequence[Row]]]) -> Rows:
    """Make the file of the rows that `groups` gives, group by group; it is asked twice, the second time to compare.

    Raises `ArchiveError` where what was written is not what was given, and `OSError`.
    """
    arrow, parquet = load()
    part = path.with_name(f".{path.name}.part")
    schema = _schema(kind).with_metadata({"motewatch": json.dumps(about)})
    counted = Rows(kind)
    settings = {
        "compression": "zstd",
        "use_dictionary": [name for name in COLUMNS[kind] if name in _REPEATED],
        "write_statistics": [name for name in COLUMNS[kind] if name in _COUNTED],
    }
    with parquet.ParquetWriter(part, schema, **settings) as writer:
        for rows in groups():
            columns: list[Any] = [list(column) for column in zip(*rows, strict=True)] or [[] for _ in schema]
            arrays = [arrow.array(column, field.type) for column, field in zip(columns, schema, strict=True)]
            writer.write_table(arrow.Table.from_arrays(arrays, schema=schema), row_group_size=GROUP)
            counted.seen(rows)
    flush(part)
    written = read_groups(part, kind)
    for rows in groups():
        if [tuple(row) for row in rows] != next(written, None):
            raise ArchiveError(str(part), "what was written is not what was to be written. Check the disk.")
    if next(written, None) is not None:
        raise ArchiveError(str(part), "more was written than was to be written. Check the disk.")
    os.replace(part, path)
    flush(path.parent)
    return counted


def read_groups(path: Path, kind: Kind) -> Iterator[list[Row]]:
    """All rows, group by group, in the order of the file. Raises `ArchiveError`."""
    with opened(path) as file:
        for number in range(file.metadata.num_row_groups):
            yield to_rows(_checked(path, kind, lambda n=number: file.read_row_group(n)))  # type: ignore[misc]


class InOrder:
    """All rows of a file in the order of the record, held in memory."""

    def __init__(self, path: Path, kind: Kind) -> None:
        with opened(path) as file:
            table = _checked(path, kind, file.read)
        self._table = table.sort_by("id") if kind is Kind.SAMPLES else table
        self._ids = self._table.column("id").to_numpy()

    def between(self, first_id: int, last_id: int) -> list[Row]:
        """The rows with these ids."""
        begin, end = self._ids.searchsorted([first_id, last_id + 1])
        return to_rows(self._table.slice(int(begin), int(end - begin)))


def in_order(path: Path, kind: Kind) -> InOrder:
    """The same; the two files read last are still in memory, until `forget`: who replays goes on in them."""
    return _in_order(path, kind, _stat(path))


@lru_cache(maxsize=2)
def _in_order(path: Path, kind: Kind, stat: tuple[int, int]) -> InOrder:
    return InOrder(path, kind)


def forget() -> None:
    """Give back the memory of the files read last."""
    _in_order.cache_clear()
    _keys.cache_clear()


def of_sensors(path: Path, sensors: Sequence[str], first_id: int, last_id: int, before_us: int) -> list[Row]:
    """Readings of these sensors among the messages with these ids that began before that instant, in their order."""
    found: list[Row] = []
    arrow, _ = load()
    compute = importlib.import_module("pyarrow.compute")
    with opened(path) as file:
        for number in range(file.metadata.num_row_groups):
            ids = file.metadata.row_group(number).column(0).statistics
            if ids is not None and (ids.max < first_id or ids.min > last_id):
                continue
            table = _checked(path, Kind.MESSAGES, lambda n=number: file.read_row_group(n))  # type: ignore[misc]
            row_ids = table.column("id")
            wanted = compute.and_(compute.greater_equal(row_ids, first_id), compute.less_equal(row_ids, last_id))
            named = compute.is_in(table.column("sensor"), value_set=arrow.array(list(sensors)))
            began = compute.fill_null(compute.less(table.column("start_us"), before_us), False)
            found += to_rows(table.filter(compute.and_(wanted, compute.and_(named, began))))
    return found


def of_location(path: Path, location: str | None, first_us: int, last_us: int) -> list[Row]:
    """Samples of one location (None: of all) that end from `first_us` to `last_us`, both included."""
    found: list[Row] = []
    arrow, _ = load()
    compute = importlib.import_module("pyarrow.compute")
    with opened(path) as file:
        names = list(COLUMNS[Kind.SAMPLES])
        for number in range(file.metadata.num_row_groups):
            group = file.metadata.row_group(number)
            places, ends = (group.column(names.index(name)).statistics for name in ("location", "end_us"))
            if location is not None and places is not None and not places.min <= location <= places.max:
                continue
            if ends is not None and (ends.max < first_us or ends.min > last_us):
                continue
            table = _checked(path, Kind.SAMPLES, lambda n=number: file.read_row_group(n))  # type: ignore[misc]
            ends_us = table.column("end_us")
            wanted = compute.and_(compute.greater_equal(ends_us, first_us), compute.less_equal(ends_us, last_us))
            if location is not None:
                wanted = compute.and_(wanted, compute.equal(table.column("location"), arrow.scalar(location)))
            found += to_rows(table.filter(wanted))
    return found


@lru_cache(maxsize=2)
def _keys(path: Path, stat: tuple[int, int]) -> Any:
    with opened(path) as file:
        return file.read(columns=["id", "sensor", "boot", "seq", "start_us"])


def start_of_reading(path: Path, sensor: str, boot: str, seq: int, before_id: int) -> int | None:
    """Start of the reading with this key among the messages before that one."""
    compute = importlib.import_module("pyarrow.compute")
    table = _keys(path, _stat(path))
    # The sequence number first: hardly any row has it.
    table = table.filter(compute.equal(table.column("seq"), seq))
    for row_id, of_sensor, of_boot, _, start_us in to_rows(table):
        if of_sensor == sensor and of_boot == boot and row_id < before_id:
            return int(start_us)
    return None


def to_rows(table: Any) -> list[Row]:
    """As plain values."""
    return list(zip(*(column.to_pylist() for column in table.columns), strict=True))


def opened(path: Path) -> Any:
    """The file, to be read. Raises `ArchiveError`."""
    arrow, parquet = load()
    try:
        return parquet.ParquetFile(path, pre_buffer=False)
    except FileNotFoundError:
        raise ArchiveError(str(path), "this archive file is missing. Lay it back from a backup.") from None
    except (OSError, arrow.ArrowInvalid) as error:
        raise ArchiveError(str(path), f"this archive file is damaged ({error}). Lay it back from a backup.") from None


def _checked(path: Path, kind: Kind, read: Callable[[], Any]) -> Any:
    arrow, _ = load()
    try:
        table = read()
    except (OSError, arrow.ArrowInvalid) as error:
        raise ArchiveError(str(path), f"this archive file is damaged ({error}). Lay it back from a backup.") from None
    if not table.schema.equals(_schema(kind)):
        raise ArchiveError(str(path), f"this is no archive of {kind.value}. Lay the true one back from a backup.")
    return table


def sha256_of(path: Path) -> str:
    """Of the file's bytes."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def flush(path: Path) -> None:
    """Bring a file, or the names in a folder, onto the disk."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _stat(path: Path) -> tuple[int, int]:
    # In the key of what is kept in memory: a file that somebody changed is read anew.
    try:
        stat = path.stat()
    except OSError:
        return (0, 0)
    return stat.st_mtime_ns, stat.st_size


@lru_cache(maxsize=4)
def _schema(kind: Kind) -> Any:
    arrow, _ = load()
    return arrow.schema([arrow.field(name, type_) for name, type_ in COLUMNS[kind].items()])


@lru_cache(maxsize=1)
def load() -> tuple[Any, Any]:
    """pyarrow and its Parquet. Raises `ArchiveError` where it is not installed."""
    try:
        return importlib.import_module("pyarrow"), importlib.import_module("pyarrow.parquet")
    except ModuleNotFoundError:
        raise ArchiveError(
            "archives",
            "archive files need pyarrow, which is not installed: pip install 'motewatch[files]'.",
        ) from None
