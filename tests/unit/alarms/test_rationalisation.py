"""What an alarm means: the matrix, which table wins, and that the shipped table gives the priorities the engine has."""

from __future__ import annotations

import tomllib
from itertools import pairwise
from typing import Any

import pytest

from motewatch.alarms.default_advice import OTHER, SHIPPED
from motewatch.alarms.priority import RANK, Priority, Severity
from motewatch.alarms.rationalisation import MATRIX, WITHIN_US, Advisor, Matrix, advice_for
from motewatch.site.alarm_kinds import ALARM_KINDS, PLACELESS
from motewatch.site.models import Site
from motewatch.wire.records import MINUTE_US

BASE = """
format = 1
site = { id = "s", name = "Site", time_zone = "UTC" }
areas = [{ id = "a", name = "Area" }]
rooms = [{ id = "r", name = "Room", area = "a", iso_class = 7 }, { id = "q", name = "Room", area = "a", iso_class = 8 }]
programmes = [{ id = "p" }]
locations = [
    { id = "l", name = "L", room = "r", programme = "p" },
    { id = "m", name = "M", room = "r", programme = "p" },
    { id = "n", name = "N", room = "q", programme = "p" },
]
sensors = []
"""


def site(*tables: dict[str, Any], **others: Any) -> Site:
    return Site.model_validate(tomllib.loads(BASE) | {"rationalisation": list(tables)} | others)


def test_every_kind_has_its_line_and_no_line_is_for_nothing() -> None:
    assert set(SHIPPED) == set(ALARM_KINDS)
    assert len(ALARM_KINDS) == len(SHIPPED)
    assert set(ALARM_KINDS) >= PLACELESS


@pytest.mark.parametrize("kind", ALARM_KINDS)
def test_a_line_fits_into_a_message(kind: str) -> None:
    line = SHIPPED[kind]
    assert 10 <= len(line.action) <= 160, "one text message"
    assert all(0 < len(text) <= 400 for text in (line.cause, line.consequence))
    assert line.action.endswith(".")


def test_the_matrix_falls_with_time_and_with_severity() -> None:
    """The same rules that a site's own matrix must keep."""
    columns = len(WITHIN_US) + 1
    rows = [[RANK[priority] for priority in MATRIX[severity]] for severity in Severity]
    assert list(Severity) == [Severity.MINOR, Severity.MAJOR, Severity.SEVERE]
    assert all(len(row) == columns and row == sorted(row, reverse=True) for row in rows)
    assert all(a <= b for lower, upper in pairwise(rows) for a, b in zip(lower, upper, strict=True))


def test_a_time_equal_to_a_bound_belongs_to_it() -> None:
    matrix = Matrix()
    asked = [10 * MINUTE_US, 10 * MINUTE_US + 1, 60 * MINUTE_US, 60 * MINUTE_US + 1]
    told = [matrix.priority(Severity.MAJOR, us).value for us in asked]
    assert told == ["high", "medium", "medium", "low"]


def test_the_narrowest_place_wins_for_each_key_by_itself() -> None:
    found = site(
        {"kind": "count-action", "cause": "everywhere", "consequence": "everywhere", "what_to_do": "everywhere"},
        {"kind": "count-action", "area": "a", "consequence": "in the area", "what_to_do": "in the area"},
        {"kind": "count-action", "room": "r", "what_to_do": "in the room"},
        {"kind": "count-action", "location": "l", "respond_within_min": 5},
        {"kind": "count-alert", "what_to_do": "another kind"},
    )
    here = advice_for(found, "count-action", location="l")
    assert (here.cause, here.consequence, here.action) == ("everywhere", "in the area", "in the room")
    assert here.respond_within_us == 5 * MINUTE_US
    assert advice_for(found, "count-action", location="m").respond_within_us == 10 * MINUTE_US
    assert advice_for(found, "count-action", location="n").action == "in the area"
    assert advice_for(found, "count-action", room="r").action == "in the room"
    assert advice_for(found, "count-action", area="a").action == "in the area"
    assert advice_for(found, "count-action").action == "everywhere"
    assert advice_for(found, "trend", location="l").action == SHIPPED["trend"].action


def test_who_says_so_is_told() -> None:
    part = {"kind": "trend", "room": "r", "cause": "c"}
    whole = {"kind": "trend", "consequence": "c", "what_to_do": "d", "respond_within_min": 1, "severity": "minor"}
    found = site(part, whole)
    assert advice_for(found, "trend", location="l").source == "the site file"
    assert advice_for(found, "trend", location="n").source.startswith("the site file; the rest: shipped text: common")
    assert advice_for(found, "count-alert").source.startswith("shipped text: common practice, no source")


def test_a_kind_that_nobody_wrote_about_is_said_to_be_so() -> None:
    advice = advice_for(site(), "kind-of-tomorrow")
    assert (advice.cause, advice.action, advice.priority) == (OTHER.cause, OTHER.action, Priority.MEDIUM)


def test_the_engine_keeps_its_own_priority_where_the_site_states_none() -> None:
    advisor = Advisor.of(site({"kind": "count-alert", "what_to_do": "look"}))
    assert advisor.priority("count-alert", Priority.HIGH, location="l") is Priority.HIGH


def test_a_severity_or_a_time_of_the_site_decides_the_priority() -> None:
    advisor = Advisor.of(site({"kind": "count-alert", "room": "r", "respond_within_min": 10}))
    assert advisor.priority("count-alert", Priority.MEDIUM, location="l") is Priority.HIGH
    assert advisor.priority("count-alert", Priority.MEDIUM, location="n") is Priority.MEDIUM
    assert advisor.priority("count-action", Priority.HIGH, location="l") is Priority.HIGH


def test_a_matrix_of_the_site_decides_every_priority() -> None:
    matrix = {"within_min": [30], "severe": ["high", "medium"], "major": ["low", "low"], "minor": ["low", "low"]}
    advisor = Advisor.of(site(priority_matrix=matrix))
    told = {
        kind: advisor.priority(kind, Priority.MEDIUM).value for kind in ("count-action", "count-alert", "broker-down")
    }
    assert told == {"count-action": "high", "count-alert": "low", "broker-down": "high"}
