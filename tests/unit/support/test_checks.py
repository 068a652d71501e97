"""The helper that records reference checks: it must be able to fail, and its page must not depend on order."""

from __future__ import annotations

import math
from collections.abc import Iterator

import pytest

from motewatch.limits.tables import Blank
from support import checks
from support.checks import Check, check, page


@pytest.fixture(autouse=True)
def _restored() -> Iterator[None]:
    """What is recorded here is not for the page."""
    before = len(checks.RECORDED)
    yield
    del checks.RECORDED[before:]


def _check(expected: object, actual: object, **tolerance: float) -> None:
    check("topic", "what", expected, actual, source="a table", confirmed="found", **tolerance)


@pytest.mark.parametrize(
    ("expected", "actual", "tolerance"),
    [
        (29, 29, {}),
        (29, 29.0, {}),
        (3.689, 3.6889, {"abs": 5e-4}),
        (100.0, 101.0, {"rel": 0.011}),
        (100.0, 101.0, {"rel": 0.001, "abs": 1.0}),
        (Blank.TOO_FEW, Blank.TOO_FEW, {}),
        ("pass", "pass", {}),
        (None, None, {}),
        (math.inf, math.inf, {"rel": 0.1}),
        ((1, 2), (1, 2), {}),
    ],
)
def test_agreement_is_recorded(expected: object, actual: object, tolerance: dict[str, float]) -> None:
    _check(expected, actual, **tolerance)
    assert checks.RECORDED[-1].passed


@pytest.mark.parametrize(
    ("expected", "actual", "tolerance"),
    [
        (29, 30, {}),
        (29, 29.000001, {}),
        (3.689, 3.69, {"abs": 5e-4}),
        (100.0, 102.0, {"rel": 0.011}),
        (1.0, math.nan, {"abs": 100.0}),
        (1.0, math.inf, {"rel": 100.0}),
        (Blank.TOO_FEW, 0, {}),
        (Blank.TOO_FEW, Blank.TOO_MANY, {}),
        (0, None, {}),
        (True, False, {}),
    ],
)
def test_disagreement_fails_and_is_recorded(expected: object, actual: object, tolerance: dict[str, float]) -> None:
    with pytest.raises(AssertionError, match="topic: what: expected"):
        _check(expected, actual, **tolerance)
    assert not checks.RECORDED[-1].passed


def test_a_check_without_a_source_is_refused() -> None:
    with pytest.raises(ValueError, match="source"):
        check("topic", "what", 1, 1, source="", confirmed="found")


def _made(what: str, expected: str = "1", passed: bool = True, source: str = "a table") -> Check:
    return Check("topic", what, expected, "", source, "found", passed)


def test_page_is_the_same_in_any_order_and_sorted_by_number() -> None:
    made = [_made("class 10"), _made("class 2"), _made("class 2.5"), _made("class 2")]
    text = page(made)
    assert text == page(reversed(made))
    assert text.index("class 2 |") < text.index("class 2.5") < text.index("class 10")
    assert "3 checks in 1 sections, 3 passed." in text


def test_page_shows_a_failure_and_each_source_where_they_differ() -> None:
    text = page([_made("a", passed=False), _made("b", source="another | table")])
    assert "| a | 1 | a table | **FAIL** |" in text
    assert "| b | 1 | another \\| table | pass |" in text


def test_two_checks_of_one_name_are_refused() -> None:
    with pytest.raises(ValueError, match="two different checks"):
        page([_made("a", "1"), _made("a", "2")])
