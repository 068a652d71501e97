"""Differences of configurations: by name and not by place, and nothing where nothing changed."""

from __future__ import annotations

import json
from typing import Any

import pytest

from motewatch.site.canonical import canonical_text
from motewatch.site.differences import Difference, differences
from motewatch.site.models import Site
from support.live import live_site

Change = tuple[str, str | None, str | None]


def found(before: Any, after: Any) -> list[Change]:
    return [(one.path, one.before, one.after) for one in differences(json.dumps(before), json.dumps(after))]


def text(**changes: Any) -> str:
    return canonical_text(Site.model_validate({**live_site({"port": 1883}), **changes}))


def test_the_same_has_none() -> None:
    assert differences(text(), text()) == []


def test_a_site_with_other_levels_in_another_order() -> None:
    site = live_site({"port": 1883})
    rooms = [dict(site["rooms"][1]), {**site["rooms"][0], "name": "Filling line"}]
    levels = [{"room": "fill", "size_um": 0.5, "alert_per_m3": 1000}]
    changed = differences(text(), text(rooms=rooms, levels=levels))
    assert Difference("rooms[fill].name", "Filling", "Filling line") in changed
    assert [one.path for one in changed] == ["levels[fill 0.5]", "rooms[fill].name"]
    (level, _) = changed
    assert level.before is None
    assert json.loads(level.after or "") == {"room": "fill", "size_um": 0.5, "alert_per_m3": 1000}


@pytest.mark.parametrize(
    ("before", "after", "expected"),
    [
        ({"a": 1}, {"a": 2}, [("a", "1", "2")]),
        ({"a": None}, {"a": True}, [("a", None, "true")]),
        ({"a": "x"}, {}, [("a", "x", None)]),
        ({}, {"a": None, "b": [], "c": {}}, []),
        ({"a": [1.5, 2]}, {"a": []}, [("a", "1.5, 2", "(none)")]),
        ({"a": {"b": {"c": "x"}}}, {"a": {"b": {"c": "y"}}}, [("a.b.c", "x", "y")]),
        ({"a": {"b": 1}}, {"a": 3}, [("a", '{"b": 1}', "3")]),
        ({"a": [{"id": "x", "n": 1}]}, {"a": [{"id": "y", "n": 1}, {"id": "x", "n": 2}]},
         [("a[x].n", "1", "2"), ("a[y]", None, '{"id": "y", "n": 1}')]),
        # Without names of their own they are counted.
        ({"a": [{"n": 1}, {"n": 1}]}, {"a": [{"n": 1}, {"n": 2}]}, [("a[2].n", "1", "2")]),
        ({"a": [{"id": "x"}, {"id": "x", "n": 1}]}, {"a": [{"id": "x"}]}, [("a[2]", '{"id": "x", "n": 1}', None)]),
    ],
)  # fmt: skip
def test_values(before: Any, after: Any, expected: list[Change]) -> None:
    assert found(before, after) == expected
