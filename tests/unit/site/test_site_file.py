"""Reading site files and secrets: the two sites we ship, odd files, many mistakes at once, secrets that stay secret."""

from __future__ import annotations

import json
import tomllib
from copy import deepcopy
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from motewatch.links.site_file import (
    Secret,
    SecretFileError,
    SiteFileError,
    canonical_text,
    check_site,
    digest,
    load_site,
    read_secret,
    site_from_text,
)
from motewatch.site.instants import instant_us
from motewatch.site.models import Site
from motewatch.site.problems import Severity, errors
from motewatch.site.shape import schema_text

ROOT = Path(__file__).parents[3]
JANUARY_US = instant_us(datetime(2026, 1, 1, tzinfo=UTC))
SHIPPED = ["demo-site.toml", "example-site.toml"]
SMALL = """\
format = 1
areas = [{ id = "a", name = "Area" }]
rooms = [{ id = "r", name = "Room", area = "a", iso_class = 7 }]
programmes = [{ id = "p" }]
locations = [{ id = "l", name = "Location", room = "r", programme = "p" }]
sensors = [{ id = "c", serial = "1", location = "l", sizes_um = [0.5, 5.0], flow_l_min = 28.3 }]

[site]
id = "s"
name = "Site"
time_zone = "UTC"
"""


def written(tmp_path: Path, content: str | bytes) -> Path:
    path = tmp_path / "site.toml"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


@pytest.mark.parametrize("name", SHIPPED)
def test_a_shipped_site_has_no_mistake(name: str) -> None:
    path = ROOT / "config" / name
    problems = check_site(path, JANUARY_US)
    # The example names files with secrets that nobody has yet.
    assert [p for p in problems if "this file is not there now" not in p.message] == []
    site = load_site(path)
    assert site_from_text(canonical_text(site)) == site
    assert Site.model_validate_json(canonical_text(site)) == site
    jsonschema.validate(
        json.loads(json.dumps(tomllib.loads(path.read_text("utf-8")), default=str)), json.loads(schema_text())
    )


def test_the_demo_has_what_the_demo_shows() -> None:
    site = load_site(ROOT / "config" / "demo-site.toml")
    assert site.service.time_series is None
    assert {programme.rule.kind for programme in site.programmes} == {"per-sample", "rolling-volume", "confidence"}
    assert {room.grade for room in site.rooms} == {"B", "C", "D", None}
    assert [sensor.kind for sensor in site.sensors].count("portable") == 1
    assert all(sensor.interval_s == 1 for sensor in site.sensors if sensor.kind == "fixed")


def test_the_schema_file_is_the_generated_one() -> None:
    path = ROOT / "config" / "schemas" / "site.schema.json"
    assert path.read_text("utf-8") == schema_text(), "write motewatch.site.shape.schema_text() to this file"


def test_a_byte_order_mark_is_no_mistake(tmp_path: Path) -> None:
    path = written(tmp_path, b"\xef\xbb\xbf" + SMALL.encode())
    assert load_site(path).site.id == "s"
    assert check_site(path) == []


def only(path: Path) -> Any:
    problems = check_site(path)
    assert len(problems) == 1, problems
    with pytest.raises(SiteFileError) as caught:
        load_site(path)
    assert caught.value.problems == problems
    assert str(problems[0]) in str(caught.value)
    return problems[0]


def test_latin_1_is_told_with_its_place(tmp_path: Path) -> None:
    path = written(tmp_path, SMALL.replace('"Area"', '"Füllraum"').encode("latin-1"))
    problem = only(path)
    assert problem.key == "line 2, column 31"
    assert "byte 0xFC" in problem.message
    assert "UTF-8" in problem.mend


def test_utf_16_is_told(tmp_path: Path) -> None:
    assert "not UTF-8: byte 0xFF" in only(written(tmp_path, SMALL.encode("utf-16"))).message


def test_missing_folder_empty_and_huge_files(tmp_path: Path) -> None:
    assert "no such file" in only(tmp_path / "none.toml").message
    assert "a folder" in only(tmp_path).message
    assert "the file is empty" in only(written(tmp_path, "")).message
    assert "is this the right file" in only(written(tmp_path, b"#" * (16 * 1024 * 1024 + 1))).mend
    under_a_file = written(tmp_path, SMALL) / "x.toml"
    assert "cannot be read" in only(under_a_file).message


@pytest.mark.parametrize("text", ["x = " + "[" * 5000, "x = " + "9" * 5000, "x = 1979-13-01", 'x = "a', "\x00"])
def test_whatever_is_not_toml_is_one_problem(tmp_path: Path, text: str) -> None:
    assert "this is not TOML" in only(written(tmp_path, text)).message


def test_a_secret_in_a_broken_line_is_not_shown(tmp_path: Path) -> None:
    problem = only(written(tmp_path, "[service.broker]\npassword = hunter2\n"))
    assert problem.value == "*****"
    assert "hunter2" not in str(problem)


def test_many_mistakes_are_told_at_once(tmp_path: Path) -> None:
    text = """\
format = 1
colour = "blue"

[site]
id = "s"
name = "Site"
time_zone = "Europe/Berlim"

[service]
hold_limit_s = "30"

[[areas]]
id = "a"
name = "Area"

[[rooms]]
id = "broken"
name = "Broken"
area = "a"
climate.humidity.high_pct = 120
climate.humidity.low_prc = 20

[[rooms]]
id = "gown-in"
name = "Gowning"
area = "b"
iso_class = 7
operational = ["Mon 06:00-25:00"]
climate.temperature = { low_c = 25, high_c = 20 }

[[programmes]]
id = "p"
volume_l = 1000

[[programmes]]
id = "q"
rule = { kind = "k-of-n", k = 9, n = 3 }

[[locations]]
id = "l"
name = "Location"
room = "broken"
programme = "p"

[[locations]]
id = "m"
name = "Location"
room = "gown-in"
programme = "q"

[[sensors]]
id = "c"
serial = "1"
location = "l"
sizes_um = [0.5]
flow_l_min = 28.3

[[sensors]]
id = "d"
serial = "2"
location = "nowhere"
sizes_um = [5.0, 0.5]
flow_l_min = "28.3"

[[sensors]]
id = "e"
serial = "3"
location = "l"
sizes_um = [0.5]
flow_l_min = 28.3
"""
    problems = check_site(written(tmp_path, text))
    # Broken tables are left out of the later checks: no complaint about room "broken", programme "q" or sensor "d".
    assert sorted((p.key, p.table) for p in problems) == sorted(
        [
            ("colour", ""),
            ("service.hold_limit_s", ""),
            ("rooms[0].climate.humidity.high_pct", 'rooms "broken"'),
            ("rooms[0].climate.humidity.low_prc", 'rooms "broken"'),
            ("programmes[1].rule.k", 'programmes "q"'),
            ("sensors[1].sizes_um", 'sensors "d"'),
            ("sensors[1].flow_l_min", 'sensors "d"'),
            ("rooms[1].area", 'rooms "gown-in"'),
            ("site.time_zone", ""),
            ("rooms[1].operational[0]", 'rooms "gown-in"'),
            ("rooms[1].operational", 'rooms "gown-in"'),
            ("rooms[1].climate.temperature.low_c", 'rooms "gown-in"'),
            ("sensors[2].location", 'sensors "e"'),
            ("programmes[0].volume_l", 'programmes "p"'),
        ]
    )
    assert [p.key for p in problems if p.severity is Severity.WARNING] == ["rooms[1].operational"]
    told = {p.key: str(p) for p in problems}
    path = tmp_path / "site.toml"
    assert told["rooms[1].climate.temperature.low_c"] == (
        f'{path}: rooms[1].climate.temperature.low_c (rooms "gown-in") = 25: must be less than high_c, which is 20\n'
        "    The order is low, alert_low, alert_high, high."
    )
    assert told["rooms[0].climate.humidity.low_prc"].endswith("unknown key\n    Did you mean low_pct?")


def test_warnings_do_not_stop_the_daemon(tmp_path: Path) -> None:
    text = SMALL.replace('{ id = "p" }', '{ id = "p" }, { id = "unused" }')
    path = written(tmp_path, text)
    problems = check_site(path)
    assert [p.key for p in problems] == ["programmes[1]"]
    assert "warning: no location uses this programme" in str(problems[0])
    assert errors(problems) == []
    assert len(load_site(path).programmes) == 2


def test_calibration_is_held_against_the_date_given(tmp_path: Path) -> None:
    path = written(tmp_path, SMALL.replace("flow_l_min = 28.3", "flow_l_min = 28.3, calibration_due = 2026-03-31"))
    assert check_site(path) == []
    assert check_site(path, instant_us(datetime(2026, 3, 31, 23, tzinfo=UTC))) == []
    problems = check_site(path, instant_us(datetime(2026, 4, 2, tzinfo=UTC)))
    assert [(p.key, p.value, p.severity) for p in problems] == [
        ("sensors[0].calibration_due", "2026-03-31", Severity.WARNING)
    ]
    assert "overdue by 2 days" in problems[0].message


def test_canonical_text_ignores_writing_and_sees_change(tmp_path: Path) -> None:
    first = load_site(written(tmp_path, SMALL))
    same = load_site(
        written(tmp_path, "# a comment\n" + SMALL.replace('{ id = "p" }', '{ period_s = 60.0, id = "p" }'))
    )
    other = load_site(written(tmp_path, SMALL.replace('{ id = "p" }', '{ id = "p", period_s = 61 }')))
    assert canonical_text(first) == canonical_text(same)
    assert digest(canonical_text(first)) == digest(canonical_text(same))
    assert len(digest(canonical_text(first))) == 64
    assert digest(canonical_text(first)) != digest(canonical_text(other))
    assert canonical_text(first).startswith('{"')
    assert ',"areas":[{"id":"a","name":"Area"}],"backup":null,"callout":{' in canonical_text(first)


def test_a_secret_shows_only_when_asked(tmp_path: Path) -> None:
    file = tmp_path / "password"
    file.write_bytes(b"gehe im\r\n")
    file.chmod(0o600)
    told: list[str] = []
    secret = read_secret("password", tmp_path, told.append)
    assert secret == Secret("gehe im")
    assert secret.reveal() == "gehe im"
    assert f"{secret} {secret!r} {[secret]}" == "***** ***** [*****]"
    assert told == []
    file.chmod(0o644)
    assert read_secret(file, Path("/nowhere"), told.append).reveal() == "gehe im"
    assert len(told) == 1
    assert "chmod o-r" in told[0]
    assert "gehe im" not in told[0]


@pytest.mark.parametrize("content", [b"", b"\n", b"one\ntwo\n", b"\xff\xfe", b"x" * 70_000])
def test_a_file_that_holds_no_secret(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "token").write_bytes(content)
    with pytest.raises(SecretFileError, match="the file with the secret"):
        read_secret("token", tmp_path)


def test_a_secret_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(SecretFileError, match="cannot be read: No such file"):
        read_secret("token", tmp_path)


VALUES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-10, 10**13),
    st.floats(),
    st.text(max_size=8),
    st.dates(),
    st.lists(st.integers(0, 3), max_size=3),
    st.dictionaries(st.sampled_from(["id", "kind", "low_c", "name", "x y"]), st.integers(), max_size=2),
    st.sampled_from([{"kind": "k-of-n"}, {"kind": 3}, {"kind": "?"}, [{}], [{"id": "l"}], [[]], ["Mon 06:00-18:00"]]),
)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_damage_is_told_and_never_a_crash(tmp_path: Path, data: st.DataObject) -> None:
    site: dict[str, Any] = tomllib.loads((ROOT / "config" / "demo-site.toml").read_text("utf-8"))
    for _ in range(data.draw(st.integers(1, 4))):
        place: Any = site
        while True:
            if not place:
                break
            key = data.draw(st.sampled_from(list(place) if isinstance(place, dict) else list(range(len(place)))))
            if isinstance(place[key], dict | list) and data.draw(st.booleans()):
                place = place[key]
                continue
            value = deepcopy(data.draw(VALUES))
            if value is None:
                del place[key]
            else:
                place[key] = value
            break
    path = written(tmp_path, toml(site))
    problems = check_site(path)
    if errors(problems):
        with pytest.raises(SiteFileError):
            load_site(path)
    else:
        load_site(path)
    for problem in problems:
        assert problem.message
        assert problem.mend
        assert str(problem).count("\n") == 1


def toml(value: Any, top: bool = True) -> str:
    """As much of a TOML writer as the damaged sites need."""
    if isinstance(value, dict):
        pairs = [f"{json.dumps(key)} = {toml(item, False)}" for key, item in value.items()]
        return "\n".join(pairs) if top else "{ " + ", ".join(pairs) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(toml(item, False) for item in value) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=True).replace("\x7f", "\\u007f") if _encodable(value) else '"?"'
    return value.isoformat() if isinstance(value, date) else repr(value)


def _encodable(text: str) -> bool:
    # JSON writes characters beyond the first plane as surrogate pairs, which TOML has not.
    return all(ord(c) < 0xD800 for c in text)
