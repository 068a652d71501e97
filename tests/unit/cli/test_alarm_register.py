"""alarm-register: the same alarms in each form, and a report that stands alone."""

from __future__ import annotations

import csv
import io
import json
import re
from pathlib import Path

import pytest

from support.command_line import run, write_site
from support.facility import site_dict

OWN = [{"kind": "count-alert", "location": "fill-1", "what_to_do": "Look <twice>."}]


@pytest.fixture
def site(tmp_path: Path) -> Path:
    return write_site(tmp_path, site_dict(rationalisation=OWN))


def test_the_table_and_what_its_lines_mean(site: Path) -> None:
    text = run("alarm-register", site).stdout
    line = next(line for line in text.splitlines() if line.startswith("location/fill-1/0.5um/alert"))
    assert re.split(r"  +", line) == [
        "location/fill-1/0.5um/alert", "medium", "1 000/m3", "each sample, periods of 60 s", "count-alert",
    ]  # fmt: skip
    assert "  what to do    Look <twice>." in text
    assert "high priority (severe consequence, respond within 10 min)" in text
    assert text.rstrip().endswith("[[rationalisation]] in the site file replaces any of them.")


def test_csv_and_json_hold_the_same_alarms(site: Path) -> None:
    rows = list(csv.DictReader(io.StringIO(run("alarm-register", site, "--format", "csv").stdout)))
    records = json.loads(run("alarm-register", site, "--format", "json").stdout)
    assert [row["alarm"] for row in rows] == [record["alarm"] for record in records]
    assert len(rows) > 30
    alert = next(record for record in records if record["alarm"] == "location/fill-1/0.5um/alert")
    assert alert["limits"] == [
        {"states": [], "value": 1000, "unit": "/m3", "source": "the site's own alert level"},
    ]
    assert (alert["what_to_do"], alert["respond_within_min"]) == ("Look <twice>.", 60.0)
    assert alert["meaning_source"].startswith("the site file; the rest: shipped text")


def test_one_location(site: Path) -> None:
    records = json.loads(run("alarm-register", site, "--location", "prep-2", "--format", "json").stdout)
    assert {record["location"] for record in records} == {"prep-2"}
    wrong = run("alarm-register", site, "--location", "prep-9")
    assert wrong.exit_code == 2
    assert "no location 'prep-9'" in wrong.stderr


def test_the_report_is_whole_and_escaped(site: Path, tmp_path: Path) -> None:
    out = tmp_path / "register.html"
    assert run("alarm-register", site, "--report", out).exit_code == 0
    text = out.read_text("utf-8")
    assert "Look &lt;twice&gt;." in text
    assert "Look <twice>" not in text
    assert not re.search(r"(?:src|href)=", text)
    assert "Needle side (fill-1), Filling" in text
    assert "Drawn up by" in text
    assert text.count("<table") == text.count("</table>") > 10
    assert "1\N{NO-BREAK SPACE}000/m³" in text


def test_latching_telling_again_and_suppression_stand_beside_the_delays(tmp_path: Path) -> None:
    rules = [{"kinds": ["count-action"], "rooms": ["fill"], "latched": True, "re_alarm_min": 30}]
    hiding = {"id": "resting", "reason": "Nobody works.", "hides": ["count-alert"], "occupancy": ["at-rest"]}
    site = write_site(tmp_path, site_dict(alarm_rules=rules, suppressions=[hiding]))
    text = run("alarm-register", site).stdout
    lines = {line.split("  ")[0]: line for line in text.splitlines()}
    assert "each sample, periods of 60 s; latches, told again after 30 min" in lines["location/fill-1/0.5um/action"]
    assert "may be suppressed by resting" in lines["location/fill-1/0.5um/alert"]
    records = {one["alarm"]: one for one in json.loads(run("alarm-register", site, "--format", "json").stdout)}
    action, alert = records["location/fill-1/0.5um/action"], records["location/fill-1/0.5um/alert"]
    assert (action["latched"], action["re_alarm_min"], action["suppressed_by"]) == (True, 30.0, [])
    assert (alert["latched"], alert["re_alarm_min"], alert["suppressed_by"]) == (False, None, ["resting"])
