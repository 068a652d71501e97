"""rule-power: figures, sentences, refusals, and a usual concentration from the record."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

from motewatch.cli.rule_text import chance, duration, frequency, number, rate
from motewatch.journal.journal import Journal
from motewatch.journal.rows import BY_TIME, Batch
from motewatch.measure.samples import Quality
from motewatch.wire.records import HOUR_US
from support.command_line import run, write_site
from support.facility import T0, site_dict
from support.minutes import taken

A_DAY = 1_440


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A grade A location with one sample of 28.3 litres a minute, each judged alone."""
    return write_site(tmp_path, site_dict())


def figures(site: Path, *more: str) -> list[dict[str, Any]]:
    result = run("rule-power", site, "--location", "fill-1", "--json", *more)
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout)
    assert isinstance(found, list)
    return found


def test_figures_for_programs(site: Path) -> None:
    (found,) = figures(site, "--size", "5", "--usual", "1,2")
    assert (found["level_per_m3"], found["sample_l"], found["period_s"], found["size_um"]) == (29, 28.3, 60, 5)
    assert "Annex 1 (2022)" in found["source"]
    assert found["no_count_excludes_above_per_m3"] == pytest.approx(105.9, abs=0.05)
    assert found["volume_to_show_with_no_count_l"] == pytest.approx(103.3, abs=0.05)
    own, two_of_three, three_of_five, cubic_metre = found["rules"]
    assert [rule["own"] for rule in found["rules"]] == [True, False, False, False]
    assert own["rule"] == {"kind": "per-sample"}
    assert two_of_three["rule"] == {"kind": "k-of-n", "k": 2, "n": 3}
    assert (three_of_five["window_samples"], cubic_metre["window_samples"]) == (5, 36)
    assert (own["smallest_alarming_count"], cubic_metre["smallest_alarming_count"]) == (1, 30)

    one_per_m3 = own["at_usual"][0]
    p = -math.expm1(-0.0283)
    assert one_per_m3["probability_one_exceeds"] == pytest.approx(p, rel=1e-9)
    assert one_per_m3["alarms_per_day"] == pytest.approx(A_DAY * p * (1 - p), rel=1e-9)
    assert one_per_m3["alarms_per_30_days"] == pytest.approx(30 * A_DAY * p * (1 - p), rel=1e-9)
    assert one_per_m3["alarms_per_day_window_cleared_after_each"] == pytest.approx(40.2, abs=0.05)
    assert A_DAY / two_of_three["at_usual"][0]["alarms_per_day_window_cleared_after_each"] == pytest.approx(
        687.1, abs=0.05
    )

    assert [cell["multiple"] for cell in own["at_multiples_of_the_level"]] == [1, 1.5, 2, 5, 10]
    at_limit = two_of_three["at_multiples_of_the_level"][0]
    assert at_limit["per_m3"] == 29
    assert at_limit["mean_samples_to_alarm"] == pytest.approx(4.001, abs=5e-4)
    assert at_limit["mean_time_to_alarm_s"] == pytest.approx(60 * at_limit["mean_samples_to_alarm"])
    assert at_limit["probability_within_1_h"] > 0.999
    assert at_limit["method"] == "exact"
    rolling = cubic_metre["at_multiples_of_the_level"][0]
    assert rolling["method"] == "simulated"
    assert rolling["probability_one_exceeds"] == pytest.approx(0.491, abs=5e-4)
    assert 0 < rolling["mean_samples_to_alarm_standard_error"] < 1


def test_the_same_question_has_the_same_answer(site: Path) -> None:
    assert figures(site, "--size", "5", "--usual", "20") == figures(site, "--size", "5", "--usual", "20")


def test_every_size_with_a_level_is_told(site: Path) -> None:
    found = figures(site)
    assert [item["size_um"] for item in found] == [0.5, 5]
    assert found[1]["rules"][0]["at_usual"][0]["per_m3"] == 0.97
    assert found[1]["usual_source"].startswith("assumed")


def test_dispersion_costs_false_alarms(site: Path) -> None:
    poisson, scattered = (
        figures(site, "--size", "0.5", "--usual", "2500", "--dispersion", alpha)[0]["rules"][0]["at_usual"][0]
        for alpha in ("0", "0.2")
    )
    assert poisson["alarms_per_day"] == pytest.approx(A_DAY * 6.0e-4, rel=0.01)
    assert scattered["alarms_per_day"] > 100 * poisson["alarms_per_day"]


def test_the_text(site: Path) -> None:
    result = run("rule-power", site, "--location", "fill-1", "--size", "5", "--usual", "1,100,0")
    assert result.exit_code == 0
    text = result.stdout
    lines = text.splitlines()
    assert lines[0] == "Needle side (fill-1): particles of at least 5 um, state operational"
    assert lines[2] == "Programme minute: a sample is 28.3 L of air, one every 1 min; rule: each sample"
    assert max(len(line) for line in lines) <= 100
    assert "each sample (programme) 1 172 lasting below 0.001" in " ".join(text.split())
    told = " ".join(text.split())
    assert (
        "At 1 per m3 this rule alarms 39 times a day without cause. Others: 2 of 3 (twice a day); 3 of 5 (once in 6 "
        "days); rolling 1 m3 (once in more than 1 000 years)." in told
    )
    assert "100 per m3 is above the level: alarms there are no false ones." in told
    assert "Air without particles never alarms." in told
    assert "a sample exceeds with a chance of 56 %, and the alarm comes after 1 min 47 s on average" in told
    assert "no more than 106 per m3; to show 29 with no count takes 103.3 L, 4 min of samples" in told
    assert "in alarm more than half of the time" in told
    assert "standard error" in told


def test_a_rule_whose_chain_is_too_large(tmp_path: Path) -> None:
    held = site_dict()
    held["programmes"][0]["rule"] = {"kind": "k-of-n", "k": 20, "n": 60}
    site = write_site(tmp_path, held)
    own = figures(site, "--size", "5", "--usual", "5")[0]["rules"][0]
    assert own["at_usual"][0]["mean_samples_to_alarm"] is None
    assert own["at_usual"][0]["alarms_per_day"] > 0
    text = run("rule-power", site, "--location", "fill-1", "--size", "5").stdout
    assert "20 of 60 (programme)           ?" in text
    assert "?: the rule's exact chain is too large to be built." in text


def test_usual_from_the_journal(site: Path) -> None:
    """Sound samples of the asked state alone: 3 particles in 4 samples, the suspect 900 and those at rest left out."""
    outputs = [
        taken(1, 10, 0),
        taken(2, 13, 3),
        taken(3, 910, 900, quality=Quality.LASER_FAULT),
        taken(4, 10, 0),
        taken(5, 60, 50, occupancy="at-rest"),
        taken(6, 10, 0),
    ]
    with Journal(site.parent / "motewatch.db", site="testing") as journal:
        journal.commit(Batch(outputs=[(BY_TIME, out) for out in outputs], engine_us=T0 + HOUR_US))
    asked = ("--size", "5", "--usual-from-journal", "--since", "2020-01-01")
    (found,) = figures(site, *asked)
    assert found["rules"][0]["at_usual"][0]["per_m3"] == pytest.approx(3 / (4 * 0.0283))
    assert found["usual_source"].startswith("3 particles in 4 samples on record (0.113 m3)")
    # Variance 2.25 about a mean of 0.75: (2.25 - 0.75) / 0.75^2, with the sum over 4 where 3 would be unbiased.
    assert "alpha = 1.7" in found["usual_source"]
    (at_rest,) = figures(site, *asked, "--state", "at-rest")
    assert at_rest["rules"][0]["at_usual"][0]["per_m3"] == pytest.approx(50 / 0.0283)
    result = run("rule-power", site, "--location", "fill-1", *asked, "--state", "as-built")
    assert result.exit_code == 2
    assert "no sound sample" in " ".join(result.stderr.replace("│", " ").split())


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (("--location", "nowhere"), "no location 'nowhere' in this site"),
        (("--location", "fill-1", "--size", "1"), "no action level for 1 um in the state operational"),
        (("--location", "fill-1", "--level", "alert", "--size", "5"), "no alert level for 5 um"),
        (("--location", "fill-1", "--usual", "1,x"), "'1,x' is no list of concentrations"),
        (("--location", "fill-1", "--usual", "nan"), "'nan' is no list of concentrations"),
        (("--location", "fill-1", "--usual", "-1"), "'-1' is no list of concentrations"),
        (("--location", "fill-1", "--usual", "1", "--usual-from-journal"), "give one of --usual and"),
        (("--location", "fill-1", "--usual-from-journal", "--since", "soon"), "'soon' is no time"),
        (("--location", "fill-1", "--dispersion", "11"), "Invalid value for '--dispersion'"),
    ],
)
def test_refusals(site: Path, more: tuple[str, ...], told: str) -> None:
    result = run("rule-power", site, *more)
    assert result.exit_code == 2
    assert told in " ".join(result.stderr.split())


def test_no_journal_is_told(site: Path) -> None:
    result = run("rule-power", site, "--location", "fill-1", "--usual-from-journal")
    assert result.exit_code == 1
    assert "no journal here" in result.stderr


def test_a_place_of_portables_needs_to_be_told_its_samples(tmp_path: Path) -> None:
    held = site_dict()
    held["sensors"] = [sensor for sensor in held["sensors"] if sensor.get("location") != "prep-1"]
    site = write_site(tmp_path, held)
    asked: list[str | Path] = ["rule-power", site, "--location", "prep-1"]
    assert "give --every" in run(*asked).stderr
    assert "give --volume" in run(*asked, "--every", "60").stderr
    result = run(*asked, "--every", "60", "--volume", "28.3", "--json")
    assert result.exit_code == 0
    assert json.loads(result.stdout)[0]["sample_l"] == 28.3


# Words


def test_figures_for_people() -> None:
    assert [number(x) for x in (0.966, 29, 43.5, 3520, 352_000)] == ["0.966", "29", "43.5", "3 520", "352 000"]
    assert [rate(x) for x in (1e-9, 0.0049, 1.74, 39.1, 4265.6)] == ["below 0.001", "0.0049", "1.7", "39", "4 266"]
    assert [chance(x) for x in (0, 1e-9, 0.00002, 0.0123, 0.56, 0.995, 0.99951, 1)] == [
        "0 %", "below 0.001 %", "0.002 %", "1.2 %", "56 %", "99.5 %", "over 99.9 %", "over 99.9 %",
    ]  # fmt: skip
    assert chance(None) == duration(None) == "?"


def test_durations() -> None:
    for seconds, text in (
        (5.28, "5.3 s"),
        (59.97, "1 min"),
        (107, "1 min 47 s"),
        (1_234, "21 min"),
        (3_599, "1 h"),
        (7_500, "2 h 05 min"),
        (5 * 86_400, "5 days"),
        (250 * 86_400, "250 days"),
        (14.2 * 365.25 * 86_400, "14 years"),
        (450 * 365.25 * 86_400, "450 years"),
        (1e30, "over 1 000 years"),
        (math.inf, "never"),
    ):
        assert duration(seconds) == text


def test_frequencies() -> None:
    for a_day, text in (
        (142.3, "142 times a day"),
        (6.2, "6 times a day"),
        (2.2, "twice a day"),
        (1.1, "once a day"),
        (0.5, "once in 2 days"),
        (0.058, "once in 17 days"),
        (1 / 400, "once in 400 days"),
        (1e-9, "once in more than 1 000 years"),
        (0.0, "once in more than 1 000 years"),
    ):
        assert frequency(a_day) == text
