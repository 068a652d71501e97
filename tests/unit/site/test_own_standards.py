"""A site that brings its own standard: from its file to the limits that judge, and every way to get it wrong."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from motewatch.engine.plan import Grade, compile_plan
from motewatch.links.site_file import SiteFileError, canonical_text, check_site, digest, load_site, site_from_text
from motewatch.site.models import OwnClass, Site, standard_text
from motewatch.site.problems import Severity

STANDARD = """\
id = "zz-air-7"
name = "ZZ-AIR 7"
title = "Clean air of Zedland"
edition = "7"
rows_are = "grade"

[[tables]]
id = "limits"
name = "Table Q"
columns = [{ size_um = 0.5, state = "at-rest" }, { size_um = 0.5, state = "operational" }, { size_um = 5.0 }]
rows = [
    { name = "white", cells = [100, 1_000, 7] },
    { name = "grey", cells = [10_000, "not-predetermined", "not-specified"] },
]
"""

SITE = """\
format = 1
standard_files = ["own.toml"]
areas = [{ id = "a", name = "Area" }]
programmes = [{ id = "p" }]
sensors = [{ id = "c", serial = "1", location = "l", sizes_um = [0.5, 5.0], flow_l_min = 28.3 }]

[site]
id = "s"
name = "Site"
time_zone = "UTC"

[[rooms]]
id = "r"
name = "Room"
area = "a"
own_class = { standard = "zz-air-7", class = "white" }

[[locations]]
id = "l"
name = "Location"
room = "r"
programme = "p"
"""


def written(folder: Path, site: str = SITE, standard: str | None = STANDARD) -> Path:
    if standard is not None:
        (folder / "own.toml").write_text(standard, "utf-8")
    path = folder / "site.toml"
    path.write_text(site, "utf-8")
    return path


def levels(site: Site, location: str = "l") -> dict[str, list[tuple[int, Grade, int, str]]]:
    plan = compile_plan(site, "").locations[location]
    return {
        state: [(item.size_nm, item.grade, item.per_m3, item.source) for item in found]
        for state, found in plan.levels.items()
    }


def test_the_engine_judges_by_the_sites_own_standard(tmp_path: Path) -> None:
    path = written(tmp_path)
    assert check_site(path) == []
    found = levels(load_site(path))
    source = "ZZ-AIR 7, Table Q, grade white"
    assert found["operational"] == [
        (500, Grade.ACTION, 1_000, f"{source}, operational"),
        (5000, Grade.ACTION, 7, f"{source}, operational"),
    ]
    assert found["at-rest"] == [
        (500, Grade.ACTION, 100, f"{source}, at-rest"),
        (5000, Grade.ACTION, 7, f"{source}, at-rest"),
    ]
    assert [item[2] for item in found["as-built"]] == [100, 7]


def test_the_configuration_on_record_holds_the_standard_itself(tmp_path: Path) -> None:
    """A replay reads the journal alone: the file may have changed or gone."""
    path = written(tmp_path)
    site = load_site(path)
    text = canonical_text(site)
    (tmp_path / "own.toml").unlink()
    restored = site_from_text(text)
    assert restored == site
    assert canonical_text(restored) == text
    assert levels(restored) == levels(site)
    assert restored.standard_files == ()
    assert [standard.id for standard in restored.standards] == ["zz-air-7"]


def test_a_changed_limit_is_another_configuration(tmp_path: Path) -> None:
    path = written(tmp_path)
    before = digest(canonical_text(load_site(path)))
    written(tmp_path, standard=STANDARD.replace("1_000", "1_001"))
    assert digest(canonical_text(load_site(path))) != before


def test_a_standard_written_into_the_site_file_is_the_same(tmp_path: Path) -> None:
    from_file = load_site(written(tmp_path))
    inside = STANDARD.replace("[[tables]]", "[[standards.tables]]")
    text = SITE.replace('standard_files = ["own.toml"]\n', "") + "\n[[standards]]\n" + inside
    path = written(tmp_path, text, None)
    assert canonical_text(load_site(path)) == canonical_text(from_file)


def test_a_location_may_take_a_class_of_an_older_edition(tmp_path: Path) -> None:
    text = SITE.replace(
        'programme = "p"\n', 'programme = "p"\nown_class = { standard = "eu-gmp-annex-1-2008", class = "A" }\n'
    )
    site = load_site(
        written(tmp_path, text.replace('"zz-air-7", class = "white"', '"iso-14644-1-1999", class = "4.8"'))
    )
    assert [(size, per_m3) for size, _, per_m3, _ in levels(site)["operational"]] == [(500, 3_520), (5000, 20)]
    assert site.rooms[0].own_class == OwnClass.model_validate({"standard": "iso-14644-1-1999", "class": "4.8"})


def test_limits_per_cubic_foot_are_judged_by_the_whole_number_below(tmp_path: Path) -> None:
    text = SITE.replace('"zz-air-7", class = "white"', '"own-ft3", class = "hundred"')
    standard = """\
id = "own-ft3"
name = "FT3"
title = "Per cubic foot"
edition = "1"
[[tables]]
id = "t"
name = "Table"
unit = "per-ft3"
columns = [{ size_um = 0.5 }]
rows = [{ name = "hundred", cells = [100] }]
"""
    path = written(tmp_path, text, standard)
    [cut] = check_site(path)
    assert (cut.severity, cut.key) == (Severity.WARNING, "rooms[0].own_class")
    assert "no whole numbers per m3" in cut.message
    assert [(item[0], item[2]) for item in levels(load_site(path))["operational"]] == [(500, 3_531)]


def test_a_level_looser_than_the_own_standard_is_refused(tmp_path: Path) -> None:
    text = SITE + '\n[[levels]]\nroom = "r"\nsize_um = 0.5\noccupancy = "operational"\naction_per_m3 = 1_001\n'
    [problem] = check_site(written(tmp_path, text))
    assert problem.key == "levels[0].action_per_m3"
    assert "1000 per m3 (ZZ-AIR 7, Table Q, grade white, operational)" in problem.message


def test_a_state_without_limits_is_told(tmp_path: Path) -> None:
    [problem] = check_site(written(tmp_path, SITE.replace("white", "grey")))
    assert problem.severity is Severity.WARNING
    assert "nothing is judged here in the state operational: grade grey of ZZ-AIR 7 has no limit" in problem.message


def test_a_sensor_without_the_sizes_is_told(tmp_path: Path) -> None:
    [problem] = check_site(written(tmp_path, SITE.replace("[0.5, 5.0]", "[0.3, 0.5]")))
    assert problem.severity is Severity.WARNING
    assert "does not count 5 um, which grade white of ZZ-AIR 7 limits" in problem.message
    [problem] = check_site(written(tmp_path, SITE.replace("[0.5, 5.0]", "[0.3]")))
    assert problem.severity is Severity.ERROR


WRONG = [
    (SITE.replace('"zz-air-7"', '"zz-air-8"'), "rooms[0].own_class.standard", 'Did you mean "zz-air-7"?'),
    (SITE.replace('"white"', '"whyte"'), "rooms[0].own_class.class", 'Did you mean "white"?'),
    (SITE.replace('class = "white"', "class = 5"), "rooms[0].own_class.class", "Write it in quotes"),
    (SITE.replace(', class = "white"', ""), "rooms[0].own_class.class", "Add class ="),
    (SITE.replace("own_class", 'grade = "A"\nown_class'), "rooms[0]", "Keep one of grade and own_class"),
    (SITE.replace('["own.toml"]', '"own.toml"'), "standard_files", "Put it in brackets"),
    (SITE.replace('["own.toml"]', "[7]"), "standard_files[0]", "Write it in quotes"),
    (SITE.replace('["own.toml"]', '["none.toml"]'), "standard_files[0]", "relative to the site file"),
]


@pytest.mark.parametrize(("site", "key", "mend"), WRONG)
def test_mistakes_in_the_site_file(tmp_path: Path, site: str, key: str, mend: str) -> None:
    path = written(tmp_path, site)
    wrong = [problem for problem in check_site(path) if problem.severity is Severity.ERROR]
    assert [(problem.file, problem.key) for problem in wrong] == [(str(path), key)]
    assert mend in wrong[0].mend
    with pytest.raises(SiteFileError, match=str(key).replace("[", r"\[")):
        load_site(path)


def test_mistakes_in_the_standards_file_are_told_with_its_name(tmp_path: Path) -> None:
    """And the room that refers to it is no second mistake."""
    path = written(tmp_path, standard=STANDARD.replace("[100, 1_000, 7]", '[100, "manny", 7]'))
    [problem] = check_site(path)
    assert (problem.file, problem.key) == (str(tmp_path / "own.toml"), "tables[0].rows[0].cells[1]")
    assert problem.value == '"manny"'
    with pytest.raises(SiteFileError):
        load_site(path)


@pytest.mark.parametrize(
    ("content", "message"), [("", "empty"), ("id = ", "not TOML"), ("\x00", "not TOML"), ('id = "x"', "is missing")]
)
def test_a_standards_file_that_holds_none(tmp_path: Path, content: str, message: str) -> None:
    problems = check_site(written(tmp_path, standard=content))
    assert problems
    assert all(message in problem.message for problem in problems)


def test_mistakes_of_the_site_and_of_its_standard_are_told_in_one_run(tmp_path: Path) -> None:
    site = SITE.replace('time_zone = "UTC"', "time_zone = 7")
    problems = check_site(written(tmp_path, site, STANDARD.replace('edition = "7"', "edition = 7")))
    assert {(Path(problem.file).name, problem.key) for problem in problems} == {
        ("own.toml", "edition"),
        ("site.toml", "site.time_zone"),
    }


def test_standards_inside_the_site_file_are_checked_too(tmp_path: Path) -> None:
    inside = STANDARD.replace("[[tables]]", "[[standards.tables]]").replace("[10_000, ", "[10_000, 3, ")
    text = SITE.replace('standard_files = ["own.toml"]\n', "") + "\n[[standards]]\n" + inside
    [problem] = check_site(written(tmp_path, text, None))
    assert problem.key == "standards[0].tables[0].rows[1].cells"
    assert problem.table == 'standards "zz-air-7"'


def test_ids_of_standards_are_used_once(tmp_path: Path) -> None:
    twice = SITE.replace('["own.toml"]', '["own.toml", "own.toml"]')
    keys = {problem.key for problem in check_site(written(tmp_path, twice))}
    assert "standards[1].id" in keys
    taken = STANDARD.replace("zz-air-7", "eu-gmp-annex-1-2022")
    keys = {problem.key for problem in check_site(written(tmp_path, SITE.replace("zz-air-7", "fed-std-209e"), taken))}
    assert "standards[0].id" in keys


def test_a_standard_that_nothing_uses_is_told(tmp_path: Path) -> None:
    text = SITE.replace('own_class = { standard = "zz-air-7", class = "white" }', 'grade = "A"')
    [problem] = check_site(written(tmp_path, text))
    assert (problem.severity, problem.key) == (Severity.WARNING, "standards[0]")


def test_the_models_alone_know_nothing_of_files() -> None:
    """Whoever does not come through `load_site` gets the names as they stand, and no limits from nowhere."""
    site = Site.model_validate(tomllib.loads(SITE))
    assert (site.standard_files, site.standards) == (("own.toml",), ())


def test_the_example_of_a_standard_is_one(tmp_path: Path) -> None:
    example = Path(__file__).parents[3] / "config" / "example-standard.toml"
    site = SITE.replace('standard = "zz-air-7", class = "white"', 'standard = "example-national", class = "one"')
    path = written(tmp_path, site, example.read_text("utf-8"))
    assert check_site(path) == []
    found = levels(load_site(path))["operational"]
    assert [(size, per_m3) for size, _, per_m3, _ in found] == [(500, 10_000), (5000, 70)]
    assert found[0][3] == "EXAMPLE 100:2024, Table 1 (5.2), class I, operational"


def test_how_a_place_is_called() -> None:
    site = Site.model_validate(tomllib.loads(SITE))
    assert standard_text(site.rooms[0]) == "white (zz-air-7)"
    assert standard_text(site.locations[0]) == ""
