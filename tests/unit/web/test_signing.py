"""Signatures as text: written and read back, bound to one thing, and refused where they are not ours."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from motewatch.journal.rows import AuditRow
from motewatch.web.access.signing import MEANS, Meaning, beside, sha256_of, signature_of, written

AT = datetime(2026, 3, 29, 3, 30, 1, tzinfo=timezone(timedelta(hours=2)))
LINE = st.text(st.characters(codec="utf-8", exclude_categories=("C", "Zl", "Zp")), max_size=40)


def row(detail: str, subject: str = "alarm/a/b") -> AuditRow:
    return AuditRow(7, 0, "mira", "signed", subject, detail, "", "")


@given(st.sampled_from(Meaning), LINE.filter(bool), LINE)
def test_what_is_written_is_read_back(meaning: Meaning, name: str, comment: str) -> None:
    sha256 = sha256_of("alarm/a/b", ["one"])
    found = signature_of(row(written(meaning, name, AT, "Europe/Berlin", sha256, comment)))
    assert found is not None
    assert (found.meaning, found.name, found.comment, found.sha256) == (meaning, name, comment, sha256)
    assert found.when == "2026-03-29 03:30:01 +0200 (Europe/Berlin)"


def test_a_name_cannot_pretend_to_be_another_meaning_or_digest() -> None:
    name = 'M"; at 2026-01-01T00:00:00+00:00 UTC; sha256 ' + "0" * 64
    sha256 = sha256_of("s", [])
    found = signature_of(row(written(Meaning.REVIEWED, name, AT, "UTC", sha256, "")))
    assert found is not None
    assert (found.name, found.sha256, found.at) == (name, sha256, AT)


@pytest.mark.parametrize("detail", ["", "approved", 'liked; by "M"; at 2026-01-01 UTC; sha256 ' + "0" * 64])
def test_what_is_no_signature_is_none(detail: str) -> None:
    assert signature_of(row(detail)) is None


def test_the_digest_covers_the_subject_and_how_the_lines_are_cut() -> None:
    digests = [
        sha256_of("sample/a/1", ["one", "two"]),
        sha256_of("sample/a/2", ["one", "two"]),
        sha256_of("sample/a/1", ["one\ntwo"]),
        sha256_of("sample/a/1", ["one", "two", ""]),
        sha256_of("sample/a/1", ["two", "one"]),
    ]
    assert len(set(digests)) == len(digests)


def test_a_signature_says_when_the_thing_has_changed_since() -> None:
    rows = [row(written(Meaning.APPROVED, "Mira", AT, "UTC", sha256_of("s", [text]), "")) for text in ("old", "new")]
    assert [one.changed for one in beside(rows, sha256_of("s", ["new"]))] == [True, False]
    assert [one.changed for one in beside(rows, None)] == [True, True]


def test_every_meaning_is_explained() -> None:
    assert set(MEANS) == set(Meaning)
