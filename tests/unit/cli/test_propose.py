"""propose-levels: evidence, methods side by side, caps, lines to paste that a site file takes, refusals, no changes."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from motewatch.engine.records import SampleTaken
from motewatch.journal.journal import Journal
from motewatch.journal.rows import BY_TIME, Batch
from motewatch.measure.samples import Quality
from motewatch.wire.records import MINUTE_US
from support.command_line import run, write_site
from support.facility import T0, site_dict
from support.minutes import taken

LONG_AGO = ("--since", "2020-01-01")


def with_samples(folder: Path, outputs: list[SampleTaken]) -> Path:
    site = write_site(folder, site_dict())
    with Journal(folder / "motewatch.db", site="testing") as journal:
        journal.commit(Batch(outputs=[(BY_TIME, out) for out in outputs], engine_us=T0 + len(outputs) * MINUTE_US))
    return site


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """600 minutes of about 20 particles of 0.5 um, some poor samples, one excursion, and 5 um now and then."""
    draw = np.random.default_rng(3)
    outputs = [taken(m, int(draw.poisson(20)) + 1, int(draw.random() < 0.05)) for m in range(600)]
    outputs[100] = taken(100, 95, 1)
    outputs += [
        taken(600, 9_000, 900, quality=Quality.FLOW_FAULT),
        taken(601, 2, 0, quality=Quality.PARTIAL),
        taken(602, 0, 0, occupancy="at-rest"),
    ]
    return with_samples(tmp_path, outputs)


def proposed(site: Path, *more: str) -> list[dict[str, Any]]:
    result = run("propose-levels", site, "--location", "fill-1", *LONG_AGO, "--json", *more)
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout)
    assert found["changed"] is False
    sizes = found["sizes"]
    assert isinstance(sizes, list)
    return sizes


def rows(found: dict[str, Any]) -> dict[tuple[str, str], dict[str, Any]]:
    return {(row["level"], row["method"]): row for row in found["proposals"]}


def test_evidence(site: Path) -> None:
    small, large = proposed(site)
    assert (small["size_um"], large["size_um"]) == (0.5, 5)
    evidence = small["evidence"]
    assert (evidence["samples"], evidence["spacing_s"], evidence["sample_l"]) == (600, 60, 28.3)
    assert evidence["left_out"] == {"another occupancy state": 1, "suspect air": 1, "too little air": 1}
    assert evidence["greatest_per_m3"] == pytest.approx(95 / 0.0283)
    assert evidence["mean_lower_95_per_m3"] < evidence["mean_per_m3"] < evidence["mean_upper_95_per_m3"]
    assert 300 < evidence["effective_samples"] <= 600
    assert small["capped_by"]["per_m3"] == 3520
    assert "Annex 1 (2022)" in small["capped_by"]["source"]


def test_methods_side_by_side(site: Path) -> None:
    found = rows(proposed(site)[0])
    assert len(found) == 10
    wanted = found[("alert", "negative-binomial")]
    assert wanted["expected_alarms_per_30_days"] <= 1 < found[("alert", "three-sigma")]["expected_alarms_per_30_days"]
    # 5 % of the 43 200 samples of a month, and fewer where many samples equal the percentile.
    assert 800 < found[("alert", "percentile")]["seen_alarms_per_30_days"] <= 2160
    for method in ("percentile", "tolerance", "three-sigma", "poisson", "negative-binomial"):
        assert found[("alert", method)]["asks_per_m3"] <= found[("action", method)]["asks_per_m3"]
        assert found[("alert", method)]["within_cap"]
    few = rows(proposed(site, "--alert-alarms", "100")[0])[("alert", "negative-binomial")]
    assert few["level_per_m3"] < wanted["level_per_m3"]
    (only,) = {row["method"] for row in proposed(site, "--method", "poisson")[0]["proposals"]}
    assert only == "poisson"


def test_excursions_are_left_out_only_when_asked(site: Path) -> None:
    with_it, without = (proposed(site, "--size", "0.5", *more)[0] for more in ((), ("--leave-out-above", "3000")))
    assert without["left_out_above_per_m3"] == 3000
    assert without["evidence"]["left_out"]["above the stated concentration"] == 1
    assert without["evidence"]["samples"] == with_it["evidence"]["samples"] - 1
    assert without["evidence"]["dispersion_alpha"] < with_it["evidence"]["dispersion_alpha"]
    nb = ("alert", "negative-binomial")
    assert rows(without)[nb]["level_per_m3"] < rows(with_it)[nb]["level_per_m3"]


def test_a_level_above_the_cap_is_not_given(site: Path) -> None:
    """At 5 um one particle in 28.3 litres is above 29 per m3: no alert level in single samples fits below it."""
    found = rows(proposed(site, "--size", "5")[0])
    asked = found[("alert", "negative-binomial")]
    assert asked["asks_per_m3"] > 29
    assert asked["level_per_m3"] is None
    text = " ".join(run("propose-levels", site, "--location", "fill-1", *LONG_AGO, "--size", "5").stdout.split())
    assert "leaves no room for such" in text
    assert "Nothing to paste" in text


def test_lines_to_paste_are_taken_by_a_site_file(site: Path, tmp_path: Path) -> None:
    before = (tmp_path / "site.toml").read_bytes()
    result = run("propose-levels", site, "--location", "fill-1", *LONG_AGO, "--size", "0.5")
    assert result.exit_code == 0
    assert (tmp_path / "site.toml").read_bytes() == before
    assert "Nothing was changed" in " ".join(result.stdout.split())
    pasted = result.stdout.split("into the site file:")[1].split("False alarms:")[0]
    (level,) = tomllib.loads(pasted)["levels"]
    expected = rows(proposed(site, "--size", "0.5")[0])
    assert level["alert_per_m3"] == expected[("alert", "negative-binomial")]["level_per_m3"]
    with (tmp_path / "site.toml").open("a", encoding="utf-8") as file:
        file.write(pasted)
    checked = run("check", site)
    assert checked.exit_code == 0, checked.output


def test_text_tells_the_cap_and_what_was_left_out(site: Path) -> None:
    text = " ".join(run("propose-levels", site, "--location", "fill-1", *LONG_AGO, "--size", "0.5").stdout.split())
    assert "Capped by the action level in force, 3 520 per m3: EU GMP Annex 1 (2022)" in text
    assert "Left out: 1 (another occupancy state), 1 (suspect air), 1 (too little air)" in text
    assert "Excursions are in it" in text
    assert "percentile" in text


def test_a_history_cut_short_is_told(site: Path) -> None:
    asked = ("--size", "0.5", "--limit", "200")
    found = proposed(site, *asked)[0]
    assert found["newest_samples_only"] is True
    assert found["evidence"]["samples"] + sum(found["evidence"]["left_out"].values()) == 200
    assert (
        "Only the newest samples were read"
        in run("propose-levels", site, "--location", "fill-1", *LONG_AGO, *asked).stdout
    )
    assert proposed(site, "--size", "0.5")[0]["newest_samples_only"] is False


def test_a_sum_that_finds_a_doubling(site: Path) -> None:
    small, large = proposed(site)
    assert "an EWMA suits them better" in small["poisson_cusum"]["needs"]
    found = large["poisson_cusum"]
    assert found["usual_run_length"] >= 43_200 > 10 * found["risen_run_length"]
    usual = large["evidence"]["mean_per_m3"]
    # (2 - 1) / ln 2 times the usual mean.
    assert found["reference_per_m3"] == pytest.approx(1.4427 * usual, rel=1e-4)
    often = proposed(site, "--size", "5", "--alert-alarms", "10")[0]["poisson_cusum"]
    assert often["limit_particles"] < found["limit_particles"]
    text = " ".join(run("propose-levels", site, "--location", "fill-1", *LONG_AGO).stdout.split())
    assert f"limit {found['limit_particles']} particles" in text


def test_too_few_samples(tmp_path: Path) -> None:
    site = with_samples(tmp_path, [taken(minute, minute % 30, 0) for minute in range(99)])
    result = run("propose-levels", site, "--location", "fill-1", *LONG_AGO, "--size", "0.5")
    assert result.exit_code == 1
    assert "99 sound samples are too few to propose a level: 100 are needed" in result.stdout


def test_samples_that_repeat_each_other(tmp_path: Path) -> None:
    """200 samples, but two levels of dirt of a hundred minutes each: two stories."""
    site = with_samples(tmp_path, [taken(minute, 10 if minute < 100 else 40, 0) for minute in range(200)])
    result = run("propose-levels", site, "--location", "fill-1", *LONG_AGO, "--size", "0.5")
    assert result.exit_code == 1
    assert "so alike" in result.stdout


def test_hardly_any_particles(tmp_path: Path) -> None:
    """Clean air: the percentile is told, the methods that need a mean say how much air would do."""
    site = with_samples(tmp_path, [taken(minute, 0, int(minute in (50, 300))) for minute in range(500)])
    found = rows(proposed(site, "--size", "5")[0])
    assert "there are 2 in 14.2 m3, so about 142 m3 are needed" in found[("alert", "poisson")]["needs"]
    assert found[("alert", "percentile")]["asks_per_m3"] == 0
    assert "20 particles; there are 2" in proposed(site, "--size", "5")[0]["poisson_cusum"]["needs"]


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (("--location", "nowhere"), "no location 'nowhere' in this site"),
        (("--location", "prep-2", *LONG_AGO), "there is no sample of 'prep-2' on record"),
        (("--location", "fill-1", *LONG_AGO, "--size", "1"), "1 um was not measured at 'fill-1'; there are 0.5, 5 um"),
        (("--location", "fill-1", "--since", "soon"), "'soon' is no time"),
        (("--location", "fill-1", "--action-alarms", "2"), "must not have more false alarms than the alert level"),
    ],
)
def test_refusals(site: Path, more: tuple[str, ...], told: str) -> None:
    result = run("propose-levels", site, *more)
    assert result.exit_code == 2
    assert told in " ".join(result.stderr.replace("│", " ").split())


def test_no_sample_in_the_state(site: Path) -> None:
    result = run("propose-levels", site, "--location", "fill-1", *LONG_AGO, "--state", "as-built")
    assert result.exit_code == 1
    assert "there is no sound sample in the state as-built" in result.stdout
