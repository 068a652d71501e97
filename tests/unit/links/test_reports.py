"""The printed reports: whole, self-contained, escaped, and saying what they rest on."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from math import log

import pytest

from motewatch.limits.classification import Edition, classify, grade_target, iso_target
from motewatch.limits.recovery import DecaySample, recovery
from motewatch.limits.single_samples import SingleSample
from motewatch.limits.standards.verdict import CellVerdict
from motewatch.links.classification_report import Given, classification_report
from motewatch.links.figures import concentration
from motewatch.links.floor_plan import Spot, floor_plan
from motewatch.links.recovery_report import RecoveryGiven, recovery_report
from motewatch.links.report_page import SAFETY_NOTE, page, typeset
from motewatch.measure.samples import Channel
from motewatch.site.models import Occupancy
from motewatch.wire.records import MINUTE_US

GIVEN = Given(version="9.9.9", made="2026-05-28 20:27 UTC", source="file <room>.csv", where='Room "1" & <2>')
VOID = {"meta", "path", "circle", "rect", "br"}


class Tags(HTMLParser):
    """Balanced tags, and everything that could fetch something."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.attributes: list[tuple[str, str]] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.attributes += [(name, value or "") for name, value in attrs]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.attributes += [(name, value or "") for name, value in attrs]

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def sample(location: str, *counts: int, at: tuple[float, float] | None = None) -> SingleSample:
    channels = tuple(Channel(size, count, 28_300_000) for size, count in zip((500, 5000), counts, strict=False))
    x_m, y_m = at or (None, None)
    return SingleSample(location, 1, channels, x_m, y_m)


def classified(count: int = 100, edition: Edition = Edition.OF_2015) -> str:
    samples = [sample("<b>A</b>", count, 2, at=(1, 1)), sample("B m3", 90, 1, at=(3, 2)), sample("C", 80, 1)]
    target = iso_target("7", Occupancy.AT_REST, edition)
    return classification_report(classify(samples, target, [500, 5000], 6, 28.3), GIVEN)


def decayed() -> str:
    stream = [DecaySample(n * MINUTE_US, round(100_000 * 0.7**n), 28_300_000, suspect=n == 0) for n in range(25)]
    given = RecoveryGiven(
        "9.9.9", "2026", "file", 500, location="<i>L</i>", air_changes_per_h=20.0, target_per_m3=350_000
    )
    return recovery_report(stream, recovery(stream), given)


@pytest.mark.parametrize("text", [classified(), classified(10**6), classified(edition=Edition.OF_1999), decayed()])
def test_a_report_is_one_sound_document_that_asks_nobody_for_anything(text: str) -> None:
    tags = Tags(text)
    assert tags.open == []
    assert text.startswith("<!DOCTYPE html>")
    assert "size: A4" in text
    assert not {name for name, _ in tags.attributes} & {"src", "href", "xlink:href", "onload", "onclick"}
    assert "http" not in re.sub(r'http-equiv="[^"]*"', "", text)
    assert "url(" not in text
    assert "@import" not in text
    assert "<script" not in text
    assert SAFETY_NOTE in text
    assert "9.9.9" in text


def test_what_people_named_is_escaped_and_left_as_it_is() -> None:
    text = classified()
    assert "<b>A</b>" not in text
    assert "&lt;b&gt;A&lt;/b&gt;" in text
    assert "Room &quot;1&quot; &amp; &lt;2&gt;" in text
    # A location's name is no unit.
    assert "B m3" in text
    assert "B m³" not in text
    assert "<i>L</i>" not in decayed()


def test_verdict_designation_limits_and_assumptions_are_there() -> None:
    text = " ".join(Tags(classified()).words)
    for words in (
        "PASS: ISO Class 7; at-rest; 0.5 µm, 5 µm", "352 000", "2 930", "3 534", "at least 3", "Table A.1", "Assumed",
        "from memory", "Signature".lower(),
    ):  # fmt: skip
        assert words in text, words
    assert "1 location without a position not shown." in text


def test_a_failed_room_says_where() -> None:
    text = " ".join(Tags(classified(10**6)).words)
    assert "FAIL: ISO 7, at-rest" in text
    assert "Above a limit at 1 of 3 locations: <b>A</b>." in text
    assert "EXCEEDS" in text
    assert "35 335 689 !" in text


def test_1999_shows_its_upper_limits() -> None:
    text = " ".join(Tags(classified(edition=Edition.OF_1999)).words)
    assert "95 % upper confidence limit" in text
    assert "replaced in 2015" in text


def test_without_positions_there_is_no_plan_but_a_word_about_it() -> None:
    grade = grade_target("A", Occupancy.OPERATIONAL)
    text = classification_report(classify([sample("A", 3, 0)], grade, [500, 5000], 2, 28.3), GIVEN)
    assert "No positions were given" in text
    assert "Plan of the sampling locations" not in text
    assert "not specified" in text


def test_a_recovery_report_shows_rate_interval_and_what_is_wrong_with_its_start() -> None:
    text = " ".join(Tags(decayed()).words)
    assert f"{-log(0.7):.3f} per min" in text
    assert "fitted interval" in text
    assert "is below 100 times the target of 350 000, which" in text
    assert "100:1 in 13.82 min" in text
    assert "suspect" in text


def test_the_running_foot_cannot_break_out_of_the_style() -> None:
    text = page("t", 'a"; } </style><b>\\', [])
    assert text.count("</style>") == 1
    assert "<b>" not in text


def test_print_signs() -> None:
    assert typeset(">= 0.5 um, 20 per m3 in 4 m2; um1 sum m30") == "≥ 0.5 µm, 20 per m³ in 4 m²; um1 sum m30"


@pytest.mark.parametrize(
    ("value", "limit", "text"),
    [(3520, 3520, "3 520"), (3520.004, 3520, "3 520.004"), (3519.9, 3520, "3 520"), (12.34, None, "12.3"), (0, 5, "0")],
)
def test_rounding_never_hides_an_exceeded_limit(value: float, limit: int | None, text: str) -> None:
    assert concentration(value, limit) == text


def test_a_plan_of_close_locations_shows_names_only() -> None:
    def spots(apart: float) -> list[Spot]:
        within = CellVerdict.WITHIN
        return [Spot(str(n), n * apart, (n % 2) * 20.0, within, (f"value {n}",)) for n in range(6)]

    assert "value 3" in floor_plan(spots(5.0))
    close = [Spot(str(n), n * 0.2, 0.0, CellVerdict.EXCEEDS, (f"value {n}",)) for n in range(40)]
    assert "value 3" not in floor_plan(close)
    assert ">39</text>" in floor_plan(close)
    assert "the averages are in the table" in floor_plan(close)


def test_a_single_location_has_a_plan() -> None:
    drawn = floor_plan([Spot("A", 0.0, 0.0, CellVerdict.NOT_APPLICABLE, ())])
    assert "not judged" in drawn
    assert "nan" not in drawn
