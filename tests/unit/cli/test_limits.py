"""The limits as printed. The figures are those of tests/reference; here it is their way to the reader."""

from __future__ import annotations

import json

import pytest

from support.command_line import run


def test_a_class_as_a_table() -> None:
    result = run("limits", "--class", "ISO 5")
    assert result.exit_code == 0
    assert result.stdout == (
        "ISO 14644-1:2015, Table 1, class 5\n"
        "\n"
        "     size        per m3  per ft3\n"
        "---------  ------------  -------\n"
        ">= 0.1 um       100 000    2 832\n"
        ">= 0.2 um        23 700      671\n"
        ">= 0.3 um        10 200      289\n"
        ">= 0.5 um         3 520     99.7\n"
        "  >= 1 um           832     23.6\n"
        "  >= 5 um  M descriptor\n"
        "\n"
        "M descriptor: Too few particles and sampling loss; if this size is wanted, use the M descriptor\n"
        "  beside at least one other size (ISO 14644-1:2015, notes d, e and f).\n"
    )


def test_a_class_for_programs() -> None:
    found = json.loads(run("limits", "--class", "ISO 5", "--json").stdout)
    half = next(row for row in found if row["size_um"] == 0.5)
    assert (half["limit_per_m3"], half["blank"]) == (3520, None)
    assert half["limit_per_ft3"] == pytest.approx(3520 * 0.028316846592, rel=1e-5)
    five = next(row for row in found if row["size_um"] == 5.0)
    assert (five["limit_per_m3"], five["limit_per_ft3"], five["blank"]) == (None, None, "M descriptor")
    assert "notes d, e and f" in five["reason"]


@pytest.mark.parametrize(
    ("arguments", "at_5_um", "table"),
    [
        (["--grade", "A"], 29, "Table 5 (9.15)"),
        (["--grade", "a", "--state", "at-rest"], 29, "Table 5 (9.15)"),
        (["--grade", "A", "--use", "classification"], None, "Table 1 (4.27)"),
        (["--grade", "B", "--state", "operational", "--use", "monitoring"], 2930, "Table 5 (9.15)"),
        (["--grade", "D", "--state", "operational"], None, "Table 5 (9.15)"),
    ],
)
def test_grades_by_state_and_use(arguments: list[str], at_5_um: int | None, table: str) -> None:
    found = json.loads(run("limits", *arguments, "--json").stdout)
    assert [row["size_um"] for row in found] == [0.5, 5.0]
    assert found[1]["limit_per_m3"] == at_5_um
    assert table in found[1]["source"]
    assert (found[1]["reason"] is None) == (at_5_um is not None)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ([], "give one of --class and --grade"),
        (["--class", "5", "--grade", "A"], "give one of --class and --grade"),
        (["--class", "10"], "ISO class '10' is in no table"),
        (["--class", "five"], "ISO class 'five' is in no table"),
    ],
)
def test_what_is_in_no_table(arguments: list[str], message: str) -> None:
    result = run("limits", *arguments)
    assert result.exit_code == 2
    assert message in result.stderr
