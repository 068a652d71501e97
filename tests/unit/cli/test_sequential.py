"""sequential: what it says after each sample, how it ends, and a journal that grows while it runs."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from queue import SimpleQueue
from threading import Thread
from typing import IO

import pytest

from motewatch.engine.records import SampleTaken
from motewatch.journal.journal import Journal
from motewatch.journal.rows import BY_TIME, Batch
from motewatch.links.sample_csv import SampleFileError, stream_of
from motewatch.measure.samples import Quality
from support.command_line import run, write_site
from support.facility import site_dict
from support.minutes import taken

HEAD = "volume_l,ge_0.5um,ge_5um\n"


def csv(folder: Path, *counts: int) -> Path:
    path = folder / "samples.csv"
    path.write_text(HEAD + "".join(f"28.3,{count},0\n" for count in counts), encoding="utf-8")
    return path


def test_clean_air_passes_with_a_fifth_of_the_full_sample(tmp_path: Path) -> None:
    # 35 per m3: 0.99 a sample; 0 passes from E = 3.96 / 1.03 = 3.84 on. The fifth line is never asked for.
    result = run("sequential", "--from-csv", csv(tmp_path, 0, 0, 0, 0, 9999), "--size", "0.5", "--limit", "35")
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert len(lines) == 4
    assert lines[0] == (
        "   1  go on   0 counted, 0.99 expected at the limit; none would pass, fails at 5; 5% of the full sample"
    )
    assert lines[3] == (
        "   4  passes  0 counted, 3.96 expected at the limit; passes at 0 or fewer, fails at 9; 20% of the full sample"
    )


def test_dirty_air_fails_at_once(tmp_path: Path) -> None:
    # E = 0.99: 3.96 + 1.02 = 4.98.
    result = run("sequential", "--from-csv", csv(tmp_path, 5, 0), "--size", "0.5", "--limit", "35", "--json")
    assert result.exit_code == 1
    (told,) = [json.loads(line) for line in result.stdout.splitlines()]
    assert told == {
        "sample": 1, "decision": "fails", "count": 5, "expected": pytest.approx(0.9905), "passes_at": None,
        "fails_at": 5, "share": pytest.approx(0.9905 / 20),
    }  # fmt: skip


def test_a_file_that_ends_before_the_decision_has_not_passed(tmp_path: Path) -> None:
    result = run("sequential", "--from-csv", csv(tmp_path, 1, 1), "--size", "0.5", "--limit", "35")
    assert result.exit_code == 1
    assert "the samples end after 2, and nothing is decided yet" in result.stderr
    empty = tmp_path / "empty.csv"
    empty.write_text(HEAD, encoding="utf-8")
    result = run("sequential", "--from-csv", empty, "--size", "0.5", "--limit", "35")
    assert (result.exit_code, result.stdout) == (1, "")
    assert "there was no sample" in result.stderr


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ([], "one of the two"),
        (["--from-csv", "x.csv", "--since", "-1h"], "--since is for the journal's samples"),
        (["--from-csv", "x.csv", "--location", "fill-1"], "--location is for the journal's samples"),
    ],
)
def test_options_that_mean_nothing(options: list[str], sentence: str) -> None:
    result = run("sequential", "--size", "0.5", "--limit", "35", *options)
    assert result.exit_code == 2
    assert sentence in " ".join(result.stderr.split())


def test_a_location_that_is_not_there(tmp_path: Path) -> None:
    site = write_site(tmp_path, site_dict())
    for more, sentence in ((["--location", "roof"], "no location 'roof'"), ([], "which location?")):
        result = run("sequential", "--size", "0.5", "--limit", "35", "--site", site, *more)
        assert result.exit_code == 2
        assert sentence in result.stderr
        assert "fill-1, prep-1, prep-2" in " ".join(result.stderr.split())


def test_mistakes_are_told_with_their_line() -> None:
    lines = ["# a test\n", "\n", HEAD, "28.3,4,0\n", "28.3,x,0\n"]
    stream = stream_of(lines, 500, "f.csv")
    assert next(stream) == (4, 28_300_000)
    with pytest.raises(SampleFileError, match=r"f.csv: line 5, column ge_0.5um"):
        next(stream)
    with pytest.raises(SampleFileError, match=r"f.csv: line 3: no column counts 1 um"):
        next(stream_of(lines, 1000, "f.csv"))
    with pytest.raises(SampleFileError, match="the column volume_l is missing"):
        next(stream_of(["ge_0.5um\n", "3\n"], 500))


def commit(journal: Journal, *outputs: SampleTaken) -> None:
    end_us = outputs[-1].sample.end_us
    journal.commit(Batch([], [(BY_TIME, output) for output in outputs], [], [], end_us))


def pour(stream: IO[str], lines: SimpleQueue[str]) -> None:
    for line in stream:
        lines.put(line)


def test_it_follows_a_journal_that_grows_and_ends_by_itself(tmp_path: Path) -> None:
    site = write_site(tmp_path, site_dict())
    with Journal(tmp_path / "motewatch.db", site="testing") as journal:
        commit(journal, taken(1, 900), taken(2, 1))
        since = "2026-05-28T20:28:30Z"
        command = [
            sys.executable, "-c", "from motewatch.cli import main; main()", "sequential", "--site", str(site),
            "--location", "fill-1", "--size", "0.5", "--limit", "35", "--since", since, "--every", "0.05", "--json",
        ]  # fmt: skip
        with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
            assert process.stdout is not None
            assert process.stderr is not None
            lines: SimpleQueue[str] = SimpleQueue()
            reader = Thread(target=pour, args=(process.stdout, lines))
            reader.start()
            try:
                # What ended before --since is no part of the test; what is there already is told.
                first = json.loads(lines.get(timeout=60))
                assert (first["sample"], first["count"], first["decision"]) == (1, 1, "go on")
                commit(journal, taken(3, 500, location="prep-2"), taken(3, 700, quality=Quality.LASER_FAULT))
                commit(journal, taken(4, 0))
                second = json.loads(lines.get(timeout=60))
                assert (second["sample"], second["count"]) == (2, 1)
                commit(journal, taken(5, quality=Quality.MISSING), taken(6, 0), taken(7, 0), taken(8, 0), taken(9, 0))
                assert process.wait(timeout=60) == 0
            finally:
                process.kill()
                reader.join(timeout=60)
            rest = []
            while not lines.empty():
                rest.append(json.loads(lines.get()))
            # One particle passes from E = 4.96 / 1.03 = 4.82 on: with the fifth sample, 4.95.
            assert [(line["sample"], line["decision"]) for line in rest] == [(3, "go on"), (4, "go on"), (5, "passes")]
            told = process.stderr.read()
        assert "a sample is left out, its air is suspect" in told
        assert "a sample is left out, it holds no air counted in this size" in told
