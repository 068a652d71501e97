"""What was typed into a refused form: kept for that form alone, secrets never, the fault beside its field."""

from __future__ import annotations

import pytest

from motewatch.web.console.typed import SECRET, UNTOUCHED, Typed, too_long

REFUSED = Typed("make", {"name": "Rea", **dict.fromkeys(SECRET, "hush")}, "Say why.", "reason")


def test_a_form_gets_back_what_was_typed_into_it_and_no_other_does() -> None:
    assert REFUSED.value("make", "name") == "Rea"
    assert REFUSED.value("make", "role", "viewer") == "viewer"
    assert REFUSED.value("other", "name", "before") == "before"
    assert UNTOUCHED.value("make", "name", "before") == "before"


@pytest.mark.parametrize("name", sorted(SECRET))
def test_a_secret_is_never_given_back(name: str) -> None:
    assert REFUSED.value("make", name) == ""
    assert "hush" not in repr(REFUSED)


def test_the_fault_stands_beside_its_field_and_is_pointed_to_above() -> None:
    assert REFUSED.fault("make", "reason") == "Say why."
    assert REFUSED.fault("make", "name") == REFUSED.fault("other", "reason") == ""
    assert REFUSED.within("make")
    assert not REFUSED.within("other")
    assert "look at the field" in REFUSED.above


def test_a_fault_of_no_field_stands_above_whole() -> None:
    assert Typed("make", {}, "Refused: it is over.").above == "Refused: it is over."
    assert UNTOUCHED.above == ""
    assert not UNTOUCHED.within("")


def test_too_long_says_how_much() -> None:
    assert too_long("y" * 523, 500) == "500 characters at most: these are 523."


def test_a_search_left_nothing_undone() -> None:
    assert Typed("search", {}, "no time", "since").above == "Look at the field that is marked."
