"""Truth files: lines go there and back, wrong ones are refused by name, and a book keeps what began and ended."""

from __future__ import annotations

import json

import pytest

from motewatch_simulator.errors import TruthError
from motewatch_simulator.truth import Truth, TruthBook, TruthKind, from_line, to_line

AT_US = 1_780_300_800_000_000
STUCK = Truth(TruthKind.MISBEHAVIOUR, "stuck-counts", {"sensor": "pc-1"}, AT_US, AT_US + 5_000_000, {"readings": 5})
OPEN = Truth(TruthKind.EXCURSION, "above-level", {"room": "clean", "location": "bench"}, AT_US, None)


@pytest.mark.parametrize("truth", [STUCK, OPEN])
def test_a_line_comes_back_as_it_went(truth: Truth) -> None:
    line = to_line(truth)
    assert "\n" not in line
    assert from_line(line) == truth


def test_the_line_is_as_promised() -> None:
    assert json.loads(to_line(STUCK)) == {
        "v": 1,
        "kind": "misbehaviour",
        "what": "stuck-counts",
        "subject": {"sensor": "pc-1"},
        "start": "2026-06-01T08:00:00Z",
        "end": "2026-06-01T08:00:05Z",
        "detail": {"readings": 5},
    }


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"v": 2}, '"v": 1'),
        ({"kind": "rumour"}, "rumour"),
        ({"start": "2026-06-01T08:00:00"}, "no time zone"),
        ({"start": 7}, "must be str"),
        ({"subject": "pc-1"}, "objects"),
    ],
)
def test_a_wrong_line_is_refused_by_name(change: dict[str, object], why: str) -> None:
    with pytest.raises(TruthError, match=why):
        from_line(json.dumps({**json.loads(to_line(STUCK)), **change}))


def test_what_is_no_json_or_lacks_a_key_is_refused() -> None:
    with pytest.raises(TruthError, match="not JSON"):
        from_line("{")
    body = json.loads(to_line(STUCK))
    del body["what"]
    with pytest.raises(TruthError, match="what is missing"):
        from_line(json.dumps(body))


def test_a_book_closes_what_it_opened_once() -> None:
    book = TruthBook()
    book.begin("a", OPEN)
    book.begin("a", STUCK)
    assert book.rows() == [OPEN]
    book.note("a", peak_per_m3=7)
    book.end("a", AT_US + 1, seen=2)
    book.end("a", AT_US + 9)
    assert book.rows() == [Truth(OPEN.kind, OPEN.what, OPEN.subject, AT_US, AT_US + 1, {"peak_per_m3": 7, "seen": 2})]
    assert not book.is_open("a")
