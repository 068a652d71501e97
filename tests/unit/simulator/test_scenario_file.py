"""A wrong scenario is told with file, key, value, what is allowed and how to mend it, all mistakes at once."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from motewatch.links.site_file import load_site
from motewatch_simulator.errors import ScenarioError
from motewatch_simulator.scenario_file import load_scenario, parse_scenario
from support.simulated import a_site, an_air

GOOD = """
format = 1
[scenario]
name = "Test"
[[rooms]]
id = "clean"
air_changes_per_h = 60
[[rooms]]
id = "next"
air_changes_per_h = 30
[[connections]]
higher = "clean"
lower = "next"
leak_m3_h = 100
door = { passages_per_h = 6 }
"""
LEAK = '[[incidents]]\nkind = "filter-leak"\nat_s = 5\nduration_s = 5\n'


def mistakes(text: str) -> str:
    with pytest.raises(ScenarioError) as caught:
        parse_scenario(text, "wrong.toml", a_site())
    return str(caught.value)


def test_a_good_scenario_is_read() -> None:
    scenario = parse_scenario(GOOD, "good.toml", a_site())
    assert [plant.id for plant in scenario.rooms] == ["clean", "next"]
    assert scenario.keeping.resend_s == 30.0


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (("format = 1", "format 1"), ["is not TOML", "line 2"]),
        (("format = 1", ""), ["format: this key is missing"]),
        (('[scenario]\nname = "Test"\n', ""), ["scenario: this table is missing", "Add the table [scenario]."]),
        (("format = 1", "format = 2"), ["format = 2", "must be 1"]),
        (('name = "Test"', 'name = "T"\nphysic_speed = 2'), ["scenario.physic_speed = 2", '"physics_speed"?']),
        (("passages_per_h", "pasages_per_h"), ["connections[0].door.pasages_per_h", 'Did you mean "passages_per_h"?']),
        (("air_changes_per_h = 60", "air_changes_per_h = -1"), ['rooms[0].air_changes_per_h (rooms "clean") = -1']),
        (("air_changes_per_h = 60", 'air_changes_per_h = "60"'), ['= "60"', "without quotes"]),
        (('id = "clean"', 'id = "claen"'), ['rooms[0].id (rooms "claen")', 'Did you mean "clean"?']),
        (('lower = "next"', 'lower = "nxt"'), ['connections[0].lower = "nxt"', 'Did you mean "next"?']),
        (('lower = "next"', 'lower = "clean"'), ["cannot adjoin itself"]),
        (("leak_m3_h = 100", "leak_m3_h = 9000"), ["leaks 9000 m3/h and gains only 4050 m3/h"]),
        (
            ("leak_m3_h = 100", "leak_m2 = 0.02"),
            ["connections[0].leak_m2", "nothing drives air"],
        ),
        (("leak_m3_h = 100", "leak_m3_h = 100\nleak_m2 = 0.02"), ["the leak is given twice"]),
        (
            ("air_changes_per_h = 60", 'air_changes_per_h = 60\nsetback_hours = ["nights"]'),
            ['rooms[0].setback_hours (rooms "clean")', 'Write it as "Mon-Fri 06:00-18:00"'],
        ),
        (
            ('name = "Test"', 'name = "Test"\nsizes_um = [0.3, 0.2, 5]'),
            ["scenario.sizes_um", "must rise", "[0.2, 0.3, 5.0]"],
        ),
    ],
)
def test_a_mistake_is_told_where_it_stands(change: tuple[str, str], expected: list[str]) -> None:
    text = mistakes(GOOD.replace(*change))
    assert "wrong.toml" in text
    for part in expected:
        assert part in text


OPEN = "air_changes_per_h = 30"
SEALED = (
    OPEN
    + """
fresh_air = 0
floor_m2 = 0
fine_filter = "merv-8"
terminal_penetration = 1
air_handler = "one"
"""
)


def test_a_room_that_nothing_ever_leaves_is_told() -> None:
    text = GOOD.replace("leak_m3_h = 100", "").replace(OPEN, SEALED)
    assert 'rooms[1].fresh_air (rooms "next") = 0: nothing ever takes a particle out' in mistakes(text)
    shared = text.replace("air_changes_per_h = 60", 'air_changes_per_h = 60\nair_handler = "one"')
    for settles in (shared, GOOD.replace(OPEN, SEALED), text.replace("fine_filter", "pre_filter")):
        air = an_air(parse_scenario(settles, "good.toml", a_site()))
        assert np.isfinite(air.concentrations).all()


@pytest.mark.parametrize(
    ("more", "expected"),
    [
        (LEAK + 'room = "clean"\n', ["incidents[0].bypass_l_min: this key is missing"]),
        (LEAK + 'room = "clena"\nbypass_l_min = 1\n', ['incidents[0].room = "clena"', '"clean"?']),
        (LEAK + 'rom = "clean"\nbypass_l_min = 1\n', ["incidents[0].rom", 'Did you mean "room"?']),
        (LEAK.replace("filter-leak", "filter-leek"), ['incidents[0].kind = "filter-leek"', "no such kind", "repeats"]),
        (
            LEAK.replace('kind = "filter-leak"', ""),
            ["the kind of this incident is missing", "one of gowning-burst, "],
        ),
        ('[[rooms]]\nid = "next"\nair_changes_per_h = 3\n', ["rooms[2].id", "stands twice"]),
        ('[[sensors]]\nid = "pc-9"\n', ['sensors[0].id (sensors "pc-9") = "pc-9"', "no such sensor"]),
        ('[[sensors]]\nid = "pc-1"\nlocation = "zone"\n', ["hangs where the site file says", "Remove location."]),
        (
            '[[people]]\nroom = "clean"\ncount = 1\nhours = "Mon-Fri 06:00-14:00"\n',
            ["must be a list", "Write hours = ["],
        ),
        (
            "[outdoors]\nwanders = true\nhourly_per_m3_at_0_5_um = [1e7]\n",
            ["outdoors.wanders = true: the outdoor air is measured", "Remove one of the two."],
        ),
        ("[response]\ncoincidence = 3\n", ["response.coincidence = 3: must be 'paralyzable', "]),
        ("[[locations]]\nid = 3\n", ["locations[0].id = 3: must be a text", "Write it in quotes."]),
        ('[[sensors]]\nid = "pc-1"\ntube = 3\n', ["must be a table", "Write tube = { ... }"]),
        ('[[people]]\nroom = "attic"\ncount = 1\n', ['people[0].room = "attic"', "Give one of clean, next"]),
        (
            '[[incidents]]\nkind = "fan-trip"\nrooms = ["attic"]\nat_s = 1\nduration_s = 600\n',
            ['incidents[0].rooms[0] = "attic"', "no such room in this scenario"],
        ),
        (
            '[[incidents]]\nkind = "fan-trip"\nat_s = 1\nduration_s = 10\n',
            ["runs up before it has run out", "Lengthen duration_s."],
        ),
        (
            '[[machines]]\nroom = "clean"\nper_min_at_0_5_um = 1\nnear = "bench"\n',
            ["machines[0].near", "no such location with near_m3 here"],
        ),
        (
            '[[machines]]\nroom = "clean"\nper_min_at_0_5_um = 1\nseen_by = [{ location = "bench", chi = 1 }]\n',
            ["machines[0].seen_by[0].chi", "Known keys: chi_s_m3, "],
        ),
        ('[[locations]]\nid = "zone"\ntransfer = 0.1\nnear_m3 = 2\n', ["a unidirectional zone is not mixed"]),
        ('[[people]]\nroom = "clean"\ncount = 1\nbreaks = ["Mon 09:00-09:15"]\n', ["breaks need working hours"]),
        (
            '[[incidents]]\nkind = "door-open"\nhigher = "next"\nlower = "clean"\nat_s = 1\nduration_s = 1\n',
            ["no door leads from here to lower", "Doors here: clean to next."],
        ),
        (
            '[[incidents]]\nkind = "intervention"\nlocation = "zone"\nat_s = 1\nduration_s = 1\nper_s_at_0_5_um = 1\n',
            ["no such location with a transfer here"],
        ),
    ],
)
def test_a_mistake_among_the_incidents_is_told_too(more: str, expected: list[str]) -> None:
    text = mistakes(GOOD + more)
    for part in expected:
        assert part in text


def test_an_incident_must_end_before_the_scenario_repeats() -> None:
    text = mistakes(
        GOOD.replace('name = "Test"', 'name = "Test"\nrepeat_s = 8') + LEAK + 'room = "clean"\nbypass_l_min = 1\n'
    )
    assert "would end after scenario.repeat_s, which is 8" in text


def test_a_sensor_needs_a_room_with_a_plant_and_a_portable_a_place() -> None:
    one_room = GOOD[: GOOD.index('[[rooms]]\nid = "next"')]
    with pytest.raises(ScenarioError) as caught:
        parse_scenario(one_room, "wrong.toml", a_site(kind="portable", location=None))
    text = str(caught.value)
    assert 'the room "next" of the sensor "pc-2" has no plant' in text
    assert 'the portable sensor "pc-1" stands nowhere' in text


def test_all_mistakes_of_tables_are_told_at_once_and_then_all_between_tables() -> None:
    text = GOOD.replace("air_changes_per_h = 60", "colour = 1").replace('name = "Test"', "name = 5")
    with pytest.raises(ScenarioError) as caught:
        parse_scenario(text, "wrong.toml", a_site())
    keys = {problem.key for problem in caught.value.problems}
    assert keys == {"scenario.name", "rooms[0].air_changes_per_h", "rooms[0].colour"}
    text = GOOD.replace('lower = "next"', 'lower = "nxt"') + '[[people]]\nroom = "attic"\ncount = 1\n'
    with pytest.raises(ScenarioError) as caught:
        parse_scenario(text, "wrong.toml", a_site())
    assert {problem.key for problem in caught.value.problems} == {"connections[0].lower", "people[0].room"}


def test_a_file_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(ScenarioError, match=r"none\.toml: cannot be read"):
        load_scenario(tmp_path / "none.toml", a_site())


def test_the_demo_scenario_fits_the_demo_site() -> None:
    config = Path(__file__).parents[3] / "config"
    scenario = load_scenario(config / "demo-scenario.toml", load_site(config / "demo-site.toml"))
    assert {incident.kind for incident in scenario.incidents} >= {
        "gowning-burst",
        "humidity-drift",
        "door-open",
        "sensor-unplugged",
        "filter-leak",
    }
