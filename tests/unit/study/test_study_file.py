"""A ROOM.toml: the examples are good, and every mistake is named with its key, its value and the mend."""

from __future__ import annotations

from pathlib import Path

import pytest

from motewatch_simulator.errors import ScenarioError
from motewatch_simulator.study.file import load_study, parse_study

STUDIES = Path(__file__).parents[3] / "config" / "studies"
GOOD = (STUDIES / "grade-c-room.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize("path", sorted(STUDIES.glob("*.toml")), ids=lambda path: path.stem)
def test_the_examples_are_good(path: Path) -> None:
    study = load_study(path)
    assert study.format == 1
    # As JSON and back it is the same study: this is how workers get it.
    assert type(study).model_validate_json(study.model_dump_json()) == study


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("area_m2 = 37.0", "area_m2 = -37.0", ["room.area_m2", "-37", "greater than 0", "within this range"]),
        ("area_m2 = 37.0", "", ["room.area_m2", "is missing", "Add area_m2"]),
        ("height_m = 2.7", "height = 2.7", ["room.height", "not known", 'Did you mean "height_m"?']),
        ('grade = "C"', 'grade = "E"', ["room.holds.grade", '"E"', "'A', 'B', 'C' or 'D'"]),
        ('grade = "C"', 'grade = "C"\niso_at_rest = 7', ["room.holds", "one of grade and the ISO classes"]),
        ('"Mon-Fri 06:00-14:00"', '"Mon-Fri 06:00"', ["room.operational", "Mon-Fri 06:00", "Write windows as"]),
        ("sizes_um = [0.5, 5.0]", "sizes_um = [5.0, 0.5]", ["counter.sizes_um", "must rise", "[0.5, 5.0]"]),
        ("sizes_um = [0.5, 5.0]", "sizes_um = [0.3]", ["counter.sizes_um", "no size that has a limit", "0.5, 5"]),
        ("flow_l_min = 28.3", "flow_l_min = 28.3\nresponse = { widht = 0.1 }", ["counter.response.widht", '"width"?']),
        ('kind = "source"', 'kind = "sauce"', ["incidents[1].kind", '"sauce"', "supply-drop"]),
        (
            'kind = "supply-drop"\n',
            "",
            ["incidents[2].kind", "the kind of this incident is missing", "Give one of people, source, "],
        ),
        (
            'kind = "k-of-n"',
            'kind = "k-of-m"',
            ["rules[2].rule.kind", '"k-of-m"', "no such kind of rule", "per-sample"],
        ),
        ("k = 2, n = 3", "k = 2, m = 3", ["rules[2].rule.m", "not known", "Known keys: k, kind, n."]),
        ("share = 0.2\n", "share = 1.2\n", ["incidents[2].share", "1.2", "less than 1"]),
        ('kind = "source"', 'kind = "zone-source"\nx_m = 1.0\ny_m = 1.0\nz_m = 1.0', ["no unidirectional zone"]),
        ('id = "door"', 'id = "bench"', ["positions[1].id", "given twice"]),
        ("z_m = 0.4", "z_m = 4.0", ["positions[3].z_m", "above the ceiling", "2.7 m high"]),
        ("period_s = 600", "period_s = 100", ["rules[3].period_s", "100", "multiple of 15"]),
        ("k = 2, n = 3", "k = 4, n = 3", ["rules[2].rule.k", "must not be greater than n"]),
        ("period_s = 600", "period_s = 600\nsizes_um = [1.0]", ["rules[3].sizes_um", "1 um has no limit", "0.5, 5"]),
        ("height_m = 2.7", "height_m = 2.7\ninflow_m3_h = 9000.0", ["room.inflow_m3_h", "does not balance", "2997"]),
        ("format = 1", "format = 2", ["format", "must be 1"]),
        ("[study]", "[study", ["is not TOML"]),
    ],
)
def test_each_mistake_is_named_with_its_mend(old: str, new: str, told: list[str]) -> None:
    assert old in GOOD
    with pytest.raises(ScenarioError) as found:
        parse_study(GOOD.replace(old, new, 1), "room.toml")
    text = str(found.value)
    assert text.startswith("room.toml")
    for part in told:
        assert part in text


def test_a_list_whose_entries_are_wrong_is_not_called_too_short() -> None:
    text = GOOD.replace("duration_min", "duration_s")
    with pytest.raises(ScenarioError) as found:
        parse_study(text, "room.toml")
    keys = {problem.key for problem in found.value.problems}
    assert "incidents[0].duration_s" in keys
    assert "incidents" not in keys


def test_an_empty_list_needs_an_entry() -> None:
    start, end = GOOD.index("[[rules]]"), len(GOOD)
    text = "rules = []\n" + GOOD.replace(GOOD[start:end], "")
    with pytest.raises(ScenarioError, match=r"rules = \[\]: there is none\n    Add at least one rule"):
        parse_study(text, "room.toml")


def test_every_mistake_is_told_at_once() -> None:
    text = GOOD.replace("area_m2 = 37.0", "area_m2 = 0.0").replace("count = 3", 'count = "3"')
    with pytest.raises(ScenarioError) as found:
        parse_study(text, "room.toml")
    assert [problem.key for problem in found.value.problems] == ["room.area_m2", "people[0].count"]


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(ScenarioError, match=r"nowhere\.toml: cannot be read"):
        load_study(tmp_path / "nowhere.toml")
