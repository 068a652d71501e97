"""classify and recovery: from a file and from a real journal, as table, JSON and report."""

from __future__ import annotations

import json
from math import exp
from pathlib import Path

import pytest

from motewatch.engine.records import Output
from motewatch.journal.journal import Journal
from motewatch.journal.rows import BY_TIME, Batch
from motewatch.wire.records import HOUR_US
from support.command_line import run, write_site
from support.facility import T0, site_dict
from support.minutes import taken

ROOT = Path(__file__).parents[3]
ROOM = ROOT / "config" / "examples" / "classification-samples.csv"
DECAY = ROOT / "config" / "examples" / "recovery-decay.csv"
BAD = ROOT / "tests" / "data" / "classify-bad.csv"
ASKED = ["--class", "ISO 7", "--state", "at-rest", "--sizes", "0.5,5", "--area", "40", "--flow", "28.3"]


def at_rest(location: str, minute: int, count: int) -> Output:
    return taken(minute, count, count // 50, location=location, occupancy="at-rest")


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """Room prep (ISO 7) at rest with two locations; at prep-2 a decay of 0.35 per minute."""
    outputs = [at_rest("prep-1", minute, 3_000) for minute in range(1, 6)]
    outputs += [taken(6, 900_000, 18_000, location="prep-1")]
    outputs += [at_rest("prep-2", minute, round(1_000_000 * exp(-0.35 * minute))) for minute in range(1, 40)]
    with Journal(tmp_path / "motewatch.db", site="testing") as journal:
        journal.commit(Batch(outputs=[(BY_TIME, output) for output in outputs], engine_us=T0 + HOUR_US))
    return write_site(tmp_path, site_dict())


def test_the_example_as_a_table() -> None:
    result = run("classify", ROOM, *ASKED)
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert lines[0] == "PASS: ISO Class 7; at-rest; 0.5 um, 5 um"
    assert "limit                            352 000        2 930" in lines
    assert "P6              2    56.6        141 307        2 191  within" in lines
    assert any(line.startswith("sampling locations for 40 m2 (Table A.1)") for line in lines)


def test_the_example_for_programs() -> None:
    found = json.loads(run("classify", ROOM, *ASKED, "--json").stdout)
    assert (found["outcome"], found["designation"]) == ("pass", "ISO Class 7; at-rest; 0.5 um, 5 um")
    assert (found["locations_needed"], len(found["locations"])) == (10, 10)
    assert found["least_volume_l"] == pytest.approx(6.826, abs=5e-4)
    assert found["sizes"][1]["limit_per_m3"] == 2930
    six = next(place for place in found["locations"] if place["location"] == "P6")
    assert six["sizes"][0]["per_m3"] == pytest.approx((3921 + 4077) / 0.0566, rel=1e-12)
    assert found["best_class"] == {"class": "7", "shown": True}
    assert found["missing"] == []
    assert any("memory" in text for text in found["assumed"])


def test_a_class_that_is_not_held_gives_status_1_and_the_places() -> None:
    result = run("classify", ROOM, *ASKED, "--class", "6.5")
    assert result.exit_code == 1
    assert result.stdout.startswith("FAIL: ISO 6.5, at-rest\nAbove a limit at 3 of 10 locations: P3, P6, P9.\n")
    assert "141 307 !" in result.stdout


def test_an_incomplete_test_gives_status_1_and_what_is_missing() -> None:
    result = run("classify", ROOM, "--class", "7", "--state", "at-rest", "--sizes", "0.5", "--area", "60")
    assert result.exit_code == 1
    assert result.stdout.startswith("NOT SHOWN: ISO 7, at-rest\n")
    assert "10 of the 12 sampling locations that ISO 14644-1:2015 asks for in 60 m2" in result.stdout
    assert "every sample: neither the duration nor the counter's flow is given" in result.stdout


def test_the_1999_edition_with_either_t(tmp_path: Path) -> None:
    path = tmp_path / "three.csv"
    lines = [f"{name},1000,{count}" for name, count in (("A", 3400), ("B", 3450), ("C", 2000))]
    path.write_text("location,volume_l,ge_0.5um\n" + "\n".join(lines) + "\n")
    asked = ["--class", "5", "--state", "at-rest", "--sizes", "0.5", "--area", "6", "--flow", "28.3", "--json"]
    assert json.loads(run("classify", path, *asked).stdout)["outcome"] == "pass"
    for student, expected in (("printed", 4328.1), ("exact", 4337.6)):
        result = run("classify", path, *asked, "--edition", "1999", "--t", student)
        assert result.exit_code == 1
        found = json.loads(result.stdout)
        assert found["outcome"] == "fail"
        assert found["sizes"][0]["upper_95_per_m3"] == pytest.approx(expected, abs=0.051)
    table = run("classify", path, *asked[:-1], "--edition", "1999").stdout
    assert "The upper confidence limit at 0.5 um is above the class limit." in table
    assert "4 328  exceeds" in table


def test_a_report_is_written_beside_the_result(tmp_path: Path) -> None:
    out = tmp_path / "report.html"
    result = run(
        "classify", ROOM, *ASKED, "--report", out, "--room", "Packing 1.07", "--by", "M. Okafor", "--on", "28 May 2026",
        "--counter", "S-1, calibrated until 2027-03-31",
    )  # fmt: skip
    assert result.exit_code == 0
    assert result.stderr == f"report written to {out}\n"
    text = out.read_text("utf-8")
    for words in ("Packing 1.07", "M. Okafor", "28 May 2026", "S-1, calibrated until 2027-03-31", "<svg"):
        assert words in text, words


def test_every_mistake_of_a_file_is_told() -> None:
    result = run("classify", BAD, *ASKED)
    assert result.exit_code == 1
    assert result.stdout == ""
    assert result.stderr.count(f"{BAD}: line ") == 12
    assert 'line 10, column ge_5um = "41"' in result.stderr


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ([], "give a FILE of samples or --site SITE"),
        ([ROOM, "--site", ROOM], "give a FILE of samples or --site SITE"),
        ([ROOM, "--grade", "A"], "give one of --class and --grade"),
        ([ROOM, "--sizes", "0.5,three"], "'three' is no size"),
        ([ROOM, "--sizes", "0.3"], "has no counts at 0.3 um; it has 0.5, 1, 5 um"),
        ([ROOM, "--sizes", "0.5,0.5"], "1.5 times"),
        ([ROOM, "--class", "ISO 10"], "ISO"),
        ([ROOM, "--area", "0"], "area_m2 = 0"),
        ([ROOM, "--flow", "-1"], "flow_l_min = -1"),
        ([ROOM, "--since", "-2h"], "give --site too"),
    ],
)
def test_what_cannot_be_asked_is_told_in_a_sentence(arguments: list[str | Path], told: str) -> None:
    result = run("classify", *ASKED, *arguments)
    assert result.exit_code == 2
    assert told in " ".join(result.stderr.replace("│", " ").split())


def test_the_journals_samples(site: Path, tmp_path: Path) -> None:
    out = tmp_path / "room.html"
    result = run(
        "classify", "--site", site, "--room", "prep", "--class", "8", "--state", "at-rest", "--sizes", "0.5,5",
        "--area", "4", "--json", "--report", out,
    )  # fmt: skip
    found = json.loads(result.stdout)
    assert found["outcome"] == "fail"
    one, two = found["locations"]
    assert (one["location"], one["samples"]) == ("prep-1", 1)
    assert one["volume_l"] == pytest.approx(5 * 28.3)
    assert one["sizes"][0]["per_m3"] == pytest.approx(3_000 / 0.0283)
    assert two["verdict"] == "exceeds"
    assert found["room"] == "Preparation, Testing ground"
    assert "The 44 sample periods of the journal are pooled to one sample for each location." in found["assumed"]
    assert "Left out: 1 periods in another occupancy state, 0 without any air." in found["assumed"]
    assert "Preparation, Testing ground" in out.read_text("utf-8")


def test_the_span_of_the_journal_counts(site: Path) -> None:
    result = run(
        "classify", "--site", site, "--room", "prep", "--class", "8", "--state", "at-rest", "--sizes", "0.5",
        "--area", "4", "--since", "2026-05-28T20:50Z", "--json",
    )  # fmt: skip
    found = json.loads(result.stdout)
    assert [place["location"] for place in found["locations"]] == ["prep-2"]
    assert found["outcome"] == "not-shown"


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--room", "prep", "--state", "as-built"], "no air sampled as-built in this room"),
        (["--state", "at-rest"], "which room? One of fill, prep"),
        (["--room", "cellar", "--state", "at-rest"], "no room 'cellar' in this site; there are fill, prep"),
    ],
)
def test_journals_that_have_nothing(site: Path, arguments: list[str], told: str) -> None:
    result = run("classify", "--site", site, "--class", "8", "--sizes", "0.5", "--area", "4", *arguments)
    assert result.exit_code == 2
    assert told in " ".join(result.stderr.replace("│", " ").split())


def test_the_example_of_a_recovery() -> None:
    result = run("recovery", DECAY, "--size", "0.5", "--air-changes", "20", "--target", "3520")
    assert result.exit_code == 0
    lines = dict(line.split("  ", 1) for line in result.stdout.splitlines() if "  " in line)
    assert lines["100:1 recovery time, by the rate"].strip().startswith("15.22 min (95 %: ")
    assert lines["fitted interval"].strip().startswith("30 samples over 14.5 min")
    assert lines["perfectly mixed at 20 air changes/h"].strip() == "100:1 in 13.82 min"


def test_a_recovery_for_programs(tmp_path: Path) -> None:
    out = tmp_path / "decay.html"
    found = json.loads(run("recovery", DECAY, "--size", "0.5", "--json", "--report", out).stdout)
    # Made with 18.4 changes an hour; read a little low because of its background.
    assert 0.95 * 18.4 < 60 * found["rate_per_min"] < 1.005 * 18.4
    assert found["rate_lower_per_min"] < found["rate_per_min"] < found["rate_upper_per_min"]
    assert (found["fitted_from_min"], found["fitted_to_min"], found["fitted_samples"]) == (2.5, 17.0, 30)
    assert "Recovery test" in out.read_text("utf-8")
    printed = json.loads(run("recovery", DECAY, "--size", "0.5", "--json", "--printed").stdout)
    assert printed["rate_per_min"] / found["rate_per_min"] == pytest.approx(0.99888, abs=1e-5)


def test_a_recovery_from_the_journal(site: Path) -> None:
    found = json.loads(run("recovery", "--site", site, "--location", "prep-2", "--size", "0.5", "--json").stdout)
    assert found["rate_per_min"] == pytest.approx(0.35, rel=1e-3)
    assert found["location"] == "prep-2"


def test_what_is_no_decay_is_refused_with_its_reason(site: Path) -> None:
    arguments: list[str | Path] = ["recovery", "--site", site, "--location", "prep-1", "--size", "0.5"]
    arguments += ["--until", "2026-05-28T20:33Z"]
    result = run(*arguments)
    assert result.exit_code == 1
    assert result.stdout == ""
    assert result.stderr.startswith("motewatch: no recovery can be taken from these samples: ")
    refused = json.loads(run(*arguments, "--json").stdout)
    assert (refused["refused"], refused["detail"]) == ("peak-at-the-end", "sample 5 of 5")


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ([DECAY, "--size", "1"], "has no counts at 1 um; it has 0.5, 5 um"),
        ([DECAY, "--size", "nan"], "is no size"),
        ([DECAY, "--size", "0.5", "--location", "A"], "no location 'A'"),
        ([DECAY, "--size", "0.5", "--air-changes", "0"], "0 is not above 0"),
        ([DECAY, "--size", "0.5", "--target", "nan"], "nan is not above 0"),
        ([DECAY, "--size", "0.5", "--until", "now"], "give --site too"),
        (["--size", "0.5"], "give a FILE of samples or --site SITE"),
    ],
)
def test_recoveries_that_cannot_be_asked(arguments: list[str | Path], told: str) -> None:
    result = run("recovery", *arguments)
    assert result.exit_code == 2
    assert told in " ".join(result.stderr.replace("│", " ").split())


def test_recovery_asks_for_the_location(site: Path) -> None:
    result = run("recovery", "--site", site, "--size", "0.5")
    assert result.exit_code == 2
    assert "which location?" in result.stderr
