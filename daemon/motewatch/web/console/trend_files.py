"""Samples of a location as files: CSV, and Parquet where its library is installed.

Rules: the latest revision of each sample, oldest first; numbers as they are, times in UTC; what was not measured is
empty. Read page by page, so that a year is not held in memory as text. Ids hold no sign that a spreadsheet would take
for a formula (`site.basics`). Must not know pages.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator, Sequence
from importlib import import_module
from typing import Any, Final

from motewatch.journal.series import all_samples, series
from motewatch.journal.store import Store
from motewatch.links.publications import iso, quality_words
from motewatch.measure.samples import UL_PER_L, Sample, Spread

HEAD: Final = (
    *("location", "start", "end", "revision", "occupancy", "quality", "coverage_pct", "readings", "sensors"),
    *("temperature_c", "humidity_pct", "pressure_pa"),
)


class NoParquetError(Exception):
    """The library that writes Parquet is not installed."""


def sizes_in(store: Store, location: str, from_us: int, until_us: int) -> list[int]:
    """The sizes that were counted in that time."""
    found = series(store, location, from_us, until_us, (), None, 60, False)
    return sorted({size.size_nm for bucket in found.buckets for size in bucket.stretch.sizes})


def titles(sizes_nm: Sequence[int]) -> list[str]:
    """The head of the table."""
    names = [f"{size / 1000:g}um" for size in sizes_nm]
    return [*HEAD, *(f"{what}_{name}" for name in names for what in ("count", "volume_l", "per_m3"))]


def csv_of(store: Store, location: str, from_us: int, until_us: int) -> Iterator[str]:
    """The table as CSV, piece by piece."""
    sizes = sizes_in(store, location, from_us, until_us)
    yield _lines([titles(sizes)])
    for page in all_samples(store, location, from_us, until_us):
        yield _lines([_row(sample, sizes) for sample in page])


def parquet_of(
    store: Store, location: str, from_us: int, until_us: int, load: Callable[[str], Any] = import_module
) -> bytes:
    """The table as Parquet. Raises `NoParquetError`."""
    try:
        # Only some sites have it, and it takes a while to load.
        pa, pq = load("pyarrow"), load("pyarrow.parquet")
    except ImportError:
        raise NoParquetError from None
    sizes = sizes_in(store, location, from_us, until_us)
    texts = ("location", "occupancy", "quality", "sensors")
    kinds: dict[str, Any] = dict.fromkeys(titles(sizes), pa.float64()) | dict.fromkeys(texts, pa.string())
    kinds |= dict.fromkeys(("start", "end"), pa.timestamp("us", "UTC")) | dict.fromkeys(
        ("revision", "readings"), pa.int64()
    )
    kinds |= {f"count_{size / 1000:g}um": pa.int64() for size in sizes}
    schema, out = pa.schema(list(kinds.items())), io.BytesIO()
    with pq.ParquetWriter(out, schema) as writer:
        for page in all_samples(store, location, from_us, until_us):
            rows = [_row(sample, sizes, plain=True) for sample in page]
            columns = [
                pa.array(list(column), kind)
                for column, kind in zip(zip(*rows, strict=True), kinds.values(), strict=True)
            ]
            writer.write_table(pa.Table.from_arrays(columns, schema=schema))
    return out.getvalue()


def _lines(rows: Sequence[Sequence[Any]]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="\r\n").writerows(rows)
    return out.getvalue()


def _row(sample: Sample, sizes_nm: Sequence[int], plain: bool = False) -> list[Any]:
    def mean(spread: Spread | None) -> float | None:
        return None if spread is None else round(spread.mean, 6)

    row: list[Any] = [
        sample.location,
        sample.start_us if plain else iso(sample.start_us),
        sample.end_us if plain else iso(sample.end_us),
        sample.revision,
        sample.occupancy,
        " ".join(quality_words(int(sample.quality))) or "good",
        round(100 * sample.coverage, 3),
        sample.readings,
        " ".join(sample.sensors),
        mean(sample.temperature),
        mean(sample.humidity),
        mean(sample.pressure),
    ]
    for size_nm in sizes_nm:
        channel = sample.channel(size_nm)
        per_m3 = None if channel is None else channel.per_m3
        if channel is None or per_m3 is None:
            row += [None, None, None]
        else:
            row += [channel.count, channel.volume_ul / UL_PER_L, round(per_m3, 6)]
    return row
