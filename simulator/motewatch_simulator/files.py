"""Writes a stream into a file at full speed: JSON lines, or Parquet by pyarrow (the extra `files`).

JSON lines hold every message as a subscriber would see it. Parquet holds the count messages alone, a row each, with
sizes and values as lists: it is for tables and studies, where presence would only be in the way. The same stream gives
the same bytes, with one version of pyarrow.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np

from motewatch_simulator.bulk import Block
from motewatch_simulator.emissions import Counted, Emission, Measurement
from motewatch_simulator.errors import StreamError
from motewatch_simulator.timeline import SECOND_US

ROWS_AT_ONCE: Final = 50_000
"""Rows of a group: large enough to compress well, small enough to hold (about 20 MB)."""

PARQUET: Final = frozenset({".parquet", ".pq"})
"""Endings of file names that ask for Parquet."""

COLUMNS: Final[dict[str, tuple[str, Callable[[Measurement], object]]]] = {
    "sensor": ("string", lambda m: m.sensor),
    "boot": ("string", lambda m: m.boot),
    "seq": ("int64", lambda m: m.seq),
    "start": ("time", lambda m: m.start_us),
    "duration_s": ("float64", lambda m: m.duration_us / SECOND_US),
    "volume_l": ("float64", lambda m: m.volume_ul / 1_000_000),
    "kind": ("string", lambda m: m.kind),
    "sizes_um": ("floats", lambda m: m.sizes_um),
    "values": ("ints", lambda m: m.values),
    "temperature_c": ("float64", lambda m: m.temperature_c),
    "humidity_pct": ("float64", lambda m: m.humidity_pct),
    "pressure_difference_pa": ("float64", lambda m: m.pressure_pa),
    "flow_ok": ("bool", lambda m: m.flow_ok),
    "laser_ok": ("bool", lambda m: m.laser_ok),
    "location": ("string", lambda m: m.location),
}
"""Behind `at`, when the message is due: its columns, as the fields of the count message."""


def wants_parquet(path: Path) -> bool:
    """Whether the name of the file asks for Parquet."""
    return path.suffix.lower() in PARQUET


def write_parquet(emissions: Iterator[Emission], path: Path, end_us: int) -> int:
    """Write every count message up to an instant; returns the number of rows.

    Raises `StreamError` without pyarrow, or where the file cannot be written.
    """
    arrow, parquet = _arrow()
    schema = arrow.schema([("at", _type(arrow, "time")), *((n, _type(arrow, t)) for n, (t, _) in COLUMNS.items())])
    rows = 0
    try:
        with path.open("wb") as file, parquet.ParquetWriter(file, schema, compression="zstd") as writer:
            for group in _groups(emissions, end_us):
                columns: list[list[object]] = [[one.due_us for one in group]]
                columns += [[read(one.measurement) for one in group] for _, read in COLUMNS.values()]
                arrays = [arrow.array(column, type=field.type) for column, field in zip(columns, schema, strict=True)]
                writer.write_table(arrow.Table.from_arrays(arrays, schema=schema))
                rows += len(group)
    except OSError as error:
        raise StreamError(f"{path}: cannot be written: {error.strerror or error}") from None
    return rows


def write_counts(blocks: Iterable[Block], path: Path) -> int:
    """Write blocks of counts, as differential count messages without climate; returns the number of rows.

    Much faster than messages one by one. Rows come by blocks: a stretch of time, and in it sensor by sensor. Raises
    `StreamError` without pyarrow, where the file cannot be written, or where a sensor needs the stream.
    """
    arrow, parquet = _arrow()
    words = arrow.dictionary(arrow.int32(), arrow.string())
    types = {"sensor": words, "start": "time", "duration_s": arrow.float64(), "kind": words}
    types |= {"sizes_um": "floats", "values": "ints"}
    schema = arrow.schema([(n, _type(arrow, t) if isinstance(t, str) else t) for n, t in types.items()])
    rows = 0
    try:
        with path.open("wb") as file, parquet.ParquetWriter(file, schema, compression="zstd") as writer:
            for block in blocks:
                number, channels = block.differential.shape
                offsets = np.arange(number + 1, dtype=np.int32) * channels
                columns = [
                    _same(arrow, block.sensor, number),
                    arrow.array(block.start_us, type=schema.field("start").type),
                    arrow.array(np.full(number, block.duration_us / SECOND_US)),
                    _same(arrow, "differential", number),
                    arrow.ListArray.from_arrays(offsets, np.tile(np.array(block.sizes_um, dtype=float), number)),
                    arrow.ListArray.from_arrays(offsets, block.differential.ravel()),
                ]
                writer.write_table(arrow.Table.from_arrays(columns, schema=schema))
                rows += number
    except OSError as error:
        raise StreamError(f"{path}: cannot be written: {error.strerror or error}") from None
    return rows


def _same(arrow: Any, word: str, number: int) -> Any:
    return arrow.DictionaryArray.from_arrays(np.zeros(number, dtype=np.int32), [word])


def _groups(emissions: Iterator[Emission], end_us: int) -> Iterator[list[Counted]]:
    group: list[Counted] = []
    for emission in emissions:
        if emission.due_us > end_us:
            break
        if isinstance(emission, Counted):
            group.append(emission)
            if len(group) == ROWS_AT_ONCE:
                yield group
                group = []
    if group:
        yield group


def _arrow() -> tuple[Any, Any]:
    try:
        return importlib.import_module("pyarrow"), importlib.import_module("pyarrow.parquet")
    except ImportError:
        raise StreamError(
            "Parquet needs pyarrow, which is not installed: pip install 'motewatch[files]'. "
            "A name that does not end in .parquet gives JSON lines."
        ) from None


def _type(arrow: Any, word: str) -> Any:
    match word:
        case "time":
            return arrow.timestamp("us", tz="UTC")
        case "floats":
            return arrow.list_(arrow.float64())
        case "ints":
            return arrow.list_(arrow.int64())
        case "bool":
            return arrow.bool_()
    return getattr(arrow, word)()
