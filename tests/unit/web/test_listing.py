"""Cursors of the HTTP API: there and back, and everything else is refused."""

from __future__ import annotations

from base64 import urlsafe_b64encode

import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.exceptions import HTTPException

from motewatch.web.console.listing import HIGHEST, cursor_of, place_of


@given(st.integers(-HIGHEST, HIGHEST), st.text(st.characters(codec="utf-8"), max_size=60))
def test_a_cursor_leads_back_to_its_place(us: int, id_: str) -> None:
    assert place_of("notes", cursor_of("notes", us, id_), int, str) == (us, id_)


def test_without_a_cursor_it_is_the_first_page() -> None:
    assert place_of("notes", "", int) is None


def made(text: str) -> str:
    return urlsafe_b64encode(text.encode()).decode().rstrip("=")


@pytest.mark.parametrize(
    "cursor",
    [
        "x",
        "%%%",
        "\u00e9",
        cursor_of("alarms", 1),
        cursor_of("notes", "1"),
        cursor_of("notes", 1, 2),
        cursor_of("notes", 2**63),
        cursor_of("notes", 1) + "=",
        cursor_of("notes", 1) + "\n",
        made('["notes", 1]'),
        made('["notes",true]'),
        made('["notes",1.0]'),
        made('{"notes":1}'),
        made("[" * 100_000),
    ],
)
def test_anything_else_is_refused(cursor: str) -> None:
    with pytest.raises(HTTPException) as caught:
        place_of("notes", cursor, int)
    assert caught.value.status_code == 400
