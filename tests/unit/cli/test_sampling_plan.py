"""sampling-plan: figures, reasons, refusals.

The figures are those of tests/reference (Table A.1, single sample volume); here is what the command makes of them.
"""

from __future__ import annotations

import json

import pytest

from support.command_line import run

ASKED = ["--class", "ISO 7", "--state", "at-rest", "--sizes", "0.5,5", "--area", "40", "--flow", "28.3"]


def plan(*asked: str) -> dict[str, object]:
    result = run("sampling-plan", *asked, "--json")
    assert result.exit_code == 0, result.output
    found: dict[str, object] = json.loads(result.stdout)
    return found


def test_locations_air_and_time_of_a_class() -> None:
    found = plan(*ASKED)
    assert found["locations"] == 10
    assert found["by_table_a1"] is True
    assert found["volume_l"] == pytest.approx(6.8259, abs=1e-4)
    assert found["minutes"] == 1.0
    assert found["total_minutes"] == 10.0


def test_without_a_flow_no_time_is_told() -> None:
    text = run("sampling-plan", *ASKED[:-2]).stdout
    assert "locations           10" in text
    assert "air of each sample  6.9 L" in text
    assert " min" not in text


def test_the_largest_size_with_a_limit_sets_the_air() -> None:
    # Annex 1 (2022), Table 1: grade A has no limit at 5 um for classification, so 0.5 um sets it.
    found = plan("--grade", "A", "--state", "operational", "--sizes", "0.5,5", "--area", "4", "--flow", "28.3")
    assert found["sizes_um"] == [0.5]
    assert found["volume_l"] == pytest.approx(20 / 3520 * 1000)
    assert found["minutes"] == 1.0
    text = run("sampling-plan", "--grade", "A", "--state", "operational", "--sizes", "0.5,5", "--area", "4").stdout
    assert "no limit at 5 um: not specified" in text


def test_the_floor_of_two_litres_is_explained() -> None:
    text = run("sampling-plan", "--class", "8", "--state", "at-rest", "--sizes", "0.5", "--area", "1").stdout
    assert "air of each sample  2 L" in text
    assert "would need 0.00568 L; at least 2 L" in text


def test_another_confidence_is_told_to_be_our_own_use() -> None:
    # 50 squares of 4 m2, 5 of them bad: 22 sampled miss them all with C(45, 22)/C(50, 22) = 0.046, 29 with 0.0096.
    wide = [*ASKED, "--area", "200"]
    assert plan(*wide)["locations"] == 22
    assert plan(*wide, "--confidence", "99")["locations"] == 29
    text = run("sampling-plan", *wide, "--confidence", "99").stdout
    assert "99 % confident that 90 % of it complies" in text
    assert "The standard asks for 22 locations" in text
    assert "our own use of the plan" in text


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        (["--area", "0"], "area_m2"),
        (["--flow", "-1"], "flow_l_min"),
        (["--sizes", "0.5,0.7"], "give sizes that ISO 7 has"),
        (["--confidence", "100"], "confidence"),
        (["--grade", "B"], "one of --class and --grade"),
    ],
)
def test_what_cannot_be_is_refused_with_a_sentence(wrong: list[str], sentence: str) -> None:
    result = run("sampling-plan", *ASKED, *wrong)
    assert result.exit_code == 2
    assert sentence in result.output
    assert "Traceback" not in result.output


def test_a_grade_without_any_limit_at_the_sizes_says_so() -> None:
    asked = ["--grade", "A", "--state", "operational", "--sizes", "5", "--area", "4"]
    result = run("sampling-plan", *asked)
    assert result.exit_code == 2
    assert "has no limit at any of these sizes" in result.output
