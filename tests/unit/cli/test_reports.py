"""The commands `report` and `check-report`."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from motewatch.picture.report import content_hash
from support.command_line import run, write_site
from support.report_record import make_record, report_site


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("site")
    made = report_site(service={"journal": "journal.db"})
    made["site"]["shifts"] = ["06:00", "14:00", "22:00"]
    make_record(folder / "journal.db")
    return write_site(folder, made)


@pytest.mark.parametrize("form", ["pdf", "html", "json"])
def test_a_report_is_written(site: Path, tmp_path: Path, form: str) -> None:
    out = tmp_path / "out"
    result = run("report", site, "--day", "2026-03-02", "--format", form, "--out", out)
    assert result.exit_code == 0
    assert "report  day-20260302-0000-" in result.output
    start = {"pdf": b"%PDF-1.7", "html": b"<!DOCTYPE html>", "json": b"{"}[form]
    assert out.read_bytes().startswith(start)


def test_what_was_written_is_checked(site: Path, tmp_path: Path) -> None:
    out = tmp_path / "batch.json"
    window = ("--batch", "B-7", "--from", "2026-03-02T08:00", "--until", "2026-03-02T12:00", "--room", "fill")
    assert run("report", site, *window, "--format", "json", "--out", out).exit_code == 0
    data = json.loads(out.read_text())
    assert [place["id"] for place in data["locations"]] == ["fill-1"]
    assert data["scope"]["batch"] == "B-7"
    good = run("check-report", site, out)
    assert good.exit_code == 0
    assert "The same:" in good.output
    assert content_hash(data) in good.output
    data["locations"][0]["samples"] += 1
    out.write_text(json.dumps(data))
    bad = run("check-report", site, out)
    assert bad.exit_code == 1
    assert ": samples: 241 in the report, 240 by the record" in bad.output


def test_a_shift_is_the_one_that_holds_the_time(site: Path, tmp_path: Path) -> None:
    out = tmp_path / "shift.json"
    assert run("report", site, "--shift", "2026-03-02T15:30", "--format", "json", "--out", out).exit_code == 0
    scope = json.loads(out.read_text())["scope"]
    assert scope["end_us"] - scope["start_us"] == 8 * 3_600_000_000


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "give one of --shift"),
        (("--day", "2026-03-02", "--month", "2026-03"), "give one of --shift"),
        (("--day", "2026-02-30"), "write 2026-03-02"),
        (("--day", "2026-03-02", "--until", "2026-03-03"), "are for --batch"),
        (("--batch", "B-7"), "needs --from and --until"),
        (("--day", "2026-03-02", "--format", "doc"), "'doc' is none of"),
        (("--day", "2026-03-02", "--location", "moon"), "no location 'moon'"),
        (("--day", "2026-03-02", "--room", "moon"), "no room 'moon'"),
        (("--day", "1999-01-01"), "nothing was monitored"),
    ],
)
def test_what_makes_no_sense_is_refused_in_a_sentence(site: Path, arguments: tuple[str, ...], words: str) -> None:
    result = run("report", site, *arguments)
    assert result.exit_code == 2
    # The frame around the sentence breaks it.
    assert words in " ".join(result.output.replace("│", " ").split())


def test_what_is_no_report_is_told(site: Path, tmp_path: Path) -> None:
    page = tmp_path / "report.pdf"
    page.write_bytes(b"%PDF-1.7")
    assert "give the id that is printed on it" in run("check-report", site, page).output
    assert "there is no report" in run("check-report", site, "day-1").output
