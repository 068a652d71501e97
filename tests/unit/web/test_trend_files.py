"""Samples as files: sizes that come and go, and no library for Parquet."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import pytest

from motewatch.engine.records import Output, SampleTaken
from motewatch.journal.journal import Journal
from motewatch.journal.rows import BY_TIME, Batch
from motewatch.web.console.trend_files import NoParquetError, csv_of, parquet_of
from motewatch.wire.records import MINUTE_US
from support.trend_journal import START_US, minutes

END_US = START_US + 400 * MINUTE_US


@pytest.fixture
def journal(tmp_path: Path) -> Any:
    with Journal(tmp_path / "journal.db") as made:
        outputs: list[tuple[int, Output]] = [(BY_TIME, SampleTaken(one)) for one in minutes("bench", START_US, 400)]
        made.commit(Batch(outputs=outputs, engine_us=END_US))
        yield made


def test_each_sample_is_a_line_under_the_titles_of_all_sizes(journal: Journal) -> None:
    text = "".join(csv_of(journal.store, "bench", START_US, END_US))
    rows = list(csv.DictReader(io.StringIO(text)))
    assert len(rows) == 400
    assert list(rows[0])[-3:] == ["count_5um", "volume_l_5um", "per_m3_5um"]
    assert float(rows[0]["per_m3_0.5um"]) == pytest.approx(int(rows[0]["count_0.5um"]) / 0.0283)
    assert rows[300]["quality"] == "missing"
    assert rows[300]["count_0.5um"] == ""


def test_a_time_without_samples_is_an_empty_table(journal: Journal) -> None:
    assert "".join(csv_of(journal.store, "bench", 0, 1000)).count("\r\n") == 1


def test_without_its_library_there_is_no_parquet(journal: Journal) -> None:
    def load(name: str) -> Any:
        raise ModuleNotFoundError(name)

    with pytest.raises(NoParquetError):
        parquet_of(journal.store, "bench", START_US, END_US, load)
