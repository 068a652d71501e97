"""How problems and key paths read."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from motewatch.site.problems import Problem, Severity, errors, key_text, quoted, table_text, value_text
from motewatch.site.shape import homes_of, range_text, shape_at, tags_on

DATA: dict[str, Any] = {
    "rooms": [{"id": "a"}, {"id": "gown-in", "climate": {"humidity": {"high_pct": 120}}}],
    "programmes": [{"id": "p", "rule": {"kind": "k-of-n"}, "size_rules": [{"rule": {"kind": "confidence"}}]}],
}


def test_one_problem_in_two_lines() -> None:
    problem = Problem(
        "site.toml",
        "rooms[1].climate.humidity.high_pct",
        "120",
        "must be less than or equal to 100",
        "Give a number from 0 to 100.",
        table='rooms "gown-in"',
    )
    assert str(problem) == (
        'site.toml: rooms[1].climate.humidity.high_pct (rooms "gown-in") = 120: must be less than or equal to 100\n'
        "    Give a number from 0 to 100."
    )
    bare = Problem("site.toml", "", "", "the file is empty", "Fill it.", Severity.WARNING)
    assert str(bare) == "site.toml: warning: the file is empty\n    Fill it."
    assert errors([problem, bare]) == [problem]


@pytest.mark.parametrize(
    ("path", "text"),
    [
        (("rooms", 2, "climate", "humidity", "high_pct"), "rooms[2].climate.humidity.high_pct"),
        (("two words", 0), '"two words"[0]'),
        ((), ""),
    ],
)
def test_key_paths(path: tuple[str | int, ...], text: str) -> None:
    assert key_text(path) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (True, "true"),
        (28.3, "28.3"),
        ("a\x1b[31m\n", '"a\\u001b[31m\\u000a"'),
        ('say "hi" \\', '"say \\"hi\\" \\\\"'),
        (date(2027, 3, 31), "2027-03-31"),
        ([0.5, "x"], '[0.5, "x"]'),
        ({}, "{}"),
        ({"a": 1}, "{...}"),
        (None, ""),
        ("x" * 100, '"' + "x" * 57 + '..."'),
        ("http://me:pw@host", '"http://*****@host"'),
    ],
)
def test_values(value: Any, text: str) -> None:
    assert value_text(value) == text


def test_secrets_are_stars_and_their_files_are_not() -> None:
    assert value_text("hunter2", "password") == "*****"
    assert value_text("hunter2", "API_Token") == "*****"
    assert value_text("secrets/token", "token_file") == '"secrets/token"'
    assert quoted("ü") == '"ü"'


def test_the_innermost_table_with_an_id_is_named() -> None:
    assert table_text(DATA, ("rooms", 1, "climate", "humidity", "high_pct")) == 'rooms "gown-in"'
    assert table_text(DATA, ("programmes", 0, "size_rules", 0, "rule")) == 'programmes "p"'
    assert table_text(DATA, ("site", "id")) == ""
    assert table_text(DATA, ("rooms", 7, "id")) == ""


def test_tags_of_variants_leave_the_path() -> None:
    assert tags_on(DATA, ("programmes", 0, "rule", "k-of-n", "k")) == ("programmes", 0, "rule", "k")
    assert tags_on(DATA, ("programmes", 0, "size_rules", 0, "rule", "confidence", "confidence_pct")) == (
        "programmes",
        0,
        "size_rules",
        0,
        "rule",
        "confidence_pct",
    )
    assert tags_on(DATA, ("rooms", 0, "k-of-n")) == ("rooms", 0, "k-of-n")


def test_shapes_and_ranges() -> None:
    assert range_text(shape_at(DATA, ("rooms", 1, "climate", "humidity", "high_pct"))) == "from 0 to 100"
    assert range_text(shape_at(DATA, ("sensors", 0, "flow_l_min"))) == "above 0, at most 2000"
    assert range_text(shape_at(DATA, ("service", "broker", "session_expiry_s"))) == "from 60 to 4294967294"
    assert range_text(shape_at(DATA, ("programmes", 0, "rule", "k"))) == "from 1 to 100"
    assert shape_at(DATA, ("rooms", 0, "nothing")) == {}
    assert homes_of("flow_l_min") == ["[[sensors]]"]
    assert homes_of("period_s") == ["[[programmes]]"]
    assert homes_of("high_pct") == ["[rooms.climate.humidity]"]
    assert homes_of("nothing") == []
