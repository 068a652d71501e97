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


def test_the_list_of_standards() -> None:
    result = run("limits", "--list")
    assert result.exit_code == 0
    lines = {line.split()[0]: line for line in result.stdout.splitlines()}
    assert {"iso-14644-1-2015", "iso-14644-1-1999", "fed-std-209e", "eu-gmp-annex-1-2022", "usp-800"} <= lines.keys()
    assert "cancelled since 2001-11-29, replaced by ISO 14644-1" in lines["fed-std-209e"]
    found = {item["id"]: item for item in json.loads(run("limits", "--list", "--json").stdout)}
    assert (found["eu-gmp-annex-1-2008"]["status"], found["eu-gmp-annex-1-2008"]["since"]) == (
        "superseded",
        "2023-08-25",
    )


@pytest.mark.parametrize(
    ("arguments", "limits"),
    [
        (["--standard", "iso-14644-1-1999", "--class", "ISO 5"], {0.5: 3520, 5.0: 29}),
        (["--standard", "ISO 14644-1:1999", "--class", "4.8"], {0.5: 2220, 5.0: 18}),
        (["--standard", "iso-14644-1-2015", "--class", "5"], {0.5: 3520, 5.0: None}),
        (["--standard", "eu-gmp-annex-1-2008", "--grade", "A"], {0.5: 3520, 5.0: 20}),
        (["--standard", "eu-gmp-annex-1-2008", "--class", "C", "--state", "at-rest"], {0.5: 352_000, 5.0: 2900}),
        (["--standard", "fed-std-209e", "--class", "class 1 000"], {0.5: 35_300, 5.0: 247}),
        (["--standard", "fda-aseptic-2004", "--class", "ISO 7"], {0.5: 352_000}),
        (["--standard", "fda-aseptic-2004", "--class", "ISO 7", "--state", "at-rest"], {0.5: None}),
    ],
)
def test_other_standards_and_legacy_editions(arguments: list[str], limits: dict[float, int | None]) -> None:
    found = {row["size_um"]: row["limit_per_m3"] for row in json.loads(run("limits", *arguments, "--json").stdout)}
    assert {size: found[size] for size in limits} == limits


def test_a_legacy_edition_says_so() -> None:
    """On the other stream, so that programs read only the limits."""
    result = run("limits", "--standard", "fed-std-209e", "--class", "100", "--json")
    assert "FED-STD-209E is cancelled since 2001-11-29" in result.stderr
    assert run("limits", "--standard", "iso-14644-1-2015", "--class", "5").stderr == ""


def test_a_standard_whole() -> None:
    result = run("limits", "--standard", "fed-std-209e")
    assert result.exit_code == 0
    assert "Table I (English): particles per ft3, at or above the size" in result.stdout
    assert [line.split() for line in result.stdout.splitlines() if line.startswith("M 4.5")][1][-2:] == ["000", "7.0"]
    assert "confirmed: found; from-memory" in result.stdout
    facts = run("limits", "--standard", "usp-800").stdout
    assert "0.01 to 0.03 inch water" in facts
    assert "found-secondary" in facts


def test_a_standard_whole_for_programs() -> None:
    found = json.loads(run("limits", "--standard", "iso-14644-1-2015", "--json").stdout)
    class_5 = found["tables"][0]["rows"][4]
    assert class_5["class"] == "5"
    assert class_5["cells"][3]["limit"] == 3520
    assert class_5["cells"][5]["limit"] is None
    assert (class_5["cells"][5]["blank"], class_5["cells"][5]["letter"]) == ("M descriptor", "d,e,f")
    half = found["tables"][1]["rows"][0]
    assert [cell["confirmed"] for cell in half["cells"][:2]] == [["recomputed"], ["from-memory"]]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--standard", "fed-std-209"], 'Did you mean "fed-std-209e"?'),
        (["--standard", "fed-std-209e", "--class", "5"], "class '5' is not in FED-STD-209E"),
        (["--standard", "usp-800", "--class", "7"], "class '7' is not in USP <800>: it has no table of limits"),
        (["--standard", "fed-std-209e", "--class", "1", "--grade", "A"], "give one of --class and --grade"),
    ],
)
def test_standards_that_do_not_have_it(arguments: list[str], message: str) -> None:
    result = run("limits", *arguments)
    assert result.exit_code == 2
    assert message in " ".join(result.stderr.replace("\u2502", " ").split())
