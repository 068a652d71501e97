"""How two reports differ, in the words of the report: every figure, with its place, both values and its unit."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from motewatch.picture.report_changes import differences

AT = 1_780_000_020_000_000
"""2026-05-28 20:27 UTC."""


def data() -> dict[str, Any]:
    """A small report as `links.report_making` makes them."""
    life = {
        "alarm": "location/l1/0.5um/action", "kind": "count-action", "priority": "high", "location": "l1",
        "room": "fill", "sensor": "pc-1", "text": "text", "from_us": AT, "until_us": None, "closed_us": None,
        "late": False, "limit": 3520.0, "unit": "/m3", "peak": 6361.0, "peak_us": AT, "starts": 1,
        "acknowledged_us": None, "acknowledged_by": None,
        "comments": [{"at_us": AT, "event": "acknowledge", "by": "ada", "comment": "open"}],
    }  # fmt: skip
    size = {
        "size_nm": 500, "n": 240, "mean_per_m3": 312.4, "median_per_m3": 300.0, "p95_per_m3": 500.0,
        "max_per_m3": 6361.2, "max_end_us": AT, "zeros": 3, "air_ul": 6_792_000_000,
        "levels": [{"grade": "action", "state": "operational", "per_m3": 3520, "source": "table", "judged": 240,
                    "above": 5}],
    }  # fmt: skip
    climate = {
        "quantity": "temperature", "unit": "°C", "samples": 240, "min": 20.9, "mean": 21.0, "max": 21.5,
        "bounds": [{"grade": "alert", "side": "high", "value": 23.0}], "outside_us": {"alert": 0, "action": 0},
    }  # fmt: skip
    place = {
        "id": "l1", "name": "Needle side", "room": "fill", "room_name": "Filling", "area_name": "North",
        "standard": "Grade A", "samples": 241, "samples_with_air": 240, "late_revisions": 0, "flags": {"late": 1},
        "doubtful": 0, "coverage": 0.995, "states": {"at-rest": 3_600_000_000}, "sizes": [size],
        "unmeasured_levels": [5000], "climate": [climate], "gaps": [[AT, AT + 60_000_000]], "missing_us": 60_000_000,
        "charts": [1], "sensors": {"pc-1": 240},
    }  # fmt: skip
    return {
        "format": 1,
        "software": "0.1.0",
        "site": {"id": "s", "name": "Works", "time_zone": "Europe/Berlin"},
        "scope": {"kind": "day", "start_us": AT, "end_us": AT + 1, "batch": "", "whole_site": True, "places": []},
        "final": True,
        "record": {"seal": 7},
        "configurations": [{"digest": "ab" * 32, "from_us": AT, "until_us": None, "readable": True}],
        "method": {"percent": 95, "percentile": "R7"},
        "locations": [place, {**copy.deepcopy(place), "id": "l2", "name": "Lid side"}],
        "excursions": [life],
        "other_alarms": [{**life, "alarm": "sensor/pc-1/silent", "kind": "sensor-silent", "location": None}],
        "notes": [{"at_us": AT, "by": "ada", "subject": "room/fill", "text": "gloves"}],
        "signatures": [],
        "sensors": [{"id": "pc-1", "serial": "X", "kind": "fixed", "samples": {"l1": 240}, "calibration_due": None,
                     "calibration": "not stated"}],
        "calls": [{"at_us": AT, "cause": "raised", "person": "Ada", "channel": "mail", "alarms": ["a"],
                   "outcome": None}],
        "alarm_figures": {"annunciated": 3, "operators": 1, "targets": [
            {"figure": "alarms_per_hour", "value": 1.5, "target": "6", "verdict": "met"}]},
    }  # fmt: skip


def changed(path: str, value: Any) -> dict[str, Any]:
    """The report with one value changed; `path` is keys and numbers, apart by dots."""
    made = data()
    *way, last = [int(part) if part.isdecimal() else part for part in path.split("/")]
    at: Any = made
    for part in way:
        at = at[part]
    at[last] = value
    return made


@pytest.mark.parametrize(
    ("path", "value", "sentence"),
    [
        ("locations/0/samples", 240, "Needle side: samples: 241 in the report, 240 by the record"),
        (
            "locations/1/sizes/0/mean_per_m3",
            300.0,
            "Lid side, ≥0.5 µm: mean: 312 per m³ in the report, 300 per m³ by the record",
        ),
        (
            # Rounding does not hide it.
            "locations/0/sizes/0/mean_per_m3",
            312.38,
            "Needle side, ≥0.5 µm: mean: 312.4 per m³ in the report, 312.38 per m³ by the record",
        ),
        (
            "locations/0/sizes/0/levels/0/above",
            6,
            "Needle side, ≥0.5 µm, action level, operational: samples above it: 5 in the report, 6 by the record",
        ),
        (
            "locations/0/climate/0/max",
            22.5,
            "Needle side, temperature: highest: 21.5 °C in the report, 22.5 °C by the record",
        ),
        (
            "locations/0/climate/0/outside_us/alert",
            60_000_000,
            "Needle side, temperature: time outside an alert bound: 0 s in the report, 60 s by the record",
        ),
        (
            "locations/0/states/at-rest",
            7_200_000_000,
            "Needle side: time at rest: 60 min in the report, 2 h 00 min by the record",
        ),
        ("locations/0/coverage", 0.9, "Needle side: coverage: 99.5 % in the report, 90.0 % by the record"),
        (
            "locations/0/sensors/pc-1",
            239,
            "Needle side: samples in which pc-1 took part: 240 in the report, 239 by the record",
        ),
        (
            "locations/0/gaps",
            [],
            "Needle side: only in the report: nobody measured from 2026-05-28 20:27:00 UTC until "
            "2026-05-28 20:28:00 UTC",
        ),
        (
            "excursions/0/until_us",
            AT,
            "excursion at Needle side, ≥0.5 µm, action, from 2026-05-28 20:27:00 UTC: returned to normal: "
            "none on record in the report, 2026-05-28 20:27:00 UTC by the record",
        ),
        (
            "excursions/0/peak",
            7000.0,
            "excursion at Needle side, ≥0.5 µm, action, from 2026-05-28 20:27:00 UTC: peak: 6 361 per m³ in the "
            "report, 7 000 per m³ by the record",
        ),
        (
            "other_alarms/0/acknowledged_by",
            "op-7",
            "alarm pc-1, sensor silent, from 2026-05-28 20:27:00 UTC: acknowledged by: nobody in the report, op-7 by "
            "the record",
        ),
        ("notes", [], "only in the report: note of ada at 2026-05-28 20:27:00 UTC on room/fill: “gloves”"),
        (
            "signatures",
            [{"at_us": AT, "by": "vera", "subject": "alarm/x", "text": "reviewed"}],
            "not in the report: signature of vera at 2026-05-28 20:27:00 UTC on alarm/x: “reviewed”",
        ),
        ("sensors/0/samples/l1", 5, "sensor pc-1: samples at Needle side: 240 in the report, 5 by the record"),
        (
            "sensors/0/calibration_due",
            "2026-12-31",
            "sensor pc-1: calibration due: not stated in the report, 2026-12-31 by the record",
        ),
        (
            "calls/0/outcome",
            "delivered",
            "call to Ada by mail at 2026-05-28 20:27:00 UTC: outcome: not known in the report, delivered by the record",
        ),
        (
            "alarm_figures/targets/0/value",
            2.0,
            "alarm performance, alarms per hour: value: 1.5 in the report, 2.0 by the record",
        ),
        ("final", False, "the record reaches its end: yes in the report, no by the record"),
        ("locations/0/charts", [], None),
        ("record", {"seal": 9}, None),
    ],
)
def test_a_difference_is_told_in_words(path: str, value: Any, sentence: str | None) -> None:
    assert differences(data(), changed(path, value)) == ([] if sentence is None else [sentence])


def leaves(at: Any, path: str = "") -> list[tuple[str, Any]]:
    """Every value of the report, but charts and how far the record had come."""
    if isinstance(at, dict):
        inside = [(key, each) for key, each in at.items() if key not in ("charts", "record")]
        return [leaf for key, each in inside for leaf in leaves(each, f"{path}/{key}" if path else key)]
    if isinstance(at, list):
        return [leaf for number, each in enumerate(at) for leaf in leaves(each, f"{path}/{number}")]
    return [(path, at)]


def test_no_figure_can_change_in_silence_and_none_is_told_by_its_raw_name() -> None:
    for path, value in leaves(data()):
        other = (not value) if isinstance(value, bool) else value + 1 if isinstance(value, int | float) else "another"
        found = differences(data(), changed(path, other))
        assert found, path
        text = " ".join(found)
        assert not any(raw in text for raw in ("_us", "_per_m3", "_nm", "_ul", "[", "{")), (path, text)


def test_equals_of_a_list_are_counted() -> None:
    twice = changed("notes", data()["notes"] * 2)
    assert len(differences(data(), twice)) == 1
    assert differences(twice, twice) == []


def test_another_order_is_told() -> None:
    turned = changed("locations", data()["locations"][::-1])
    assert differences(data(), turned) == ["locations: in another order"]


def test_what_somebody_wrote_by_hand_is_told_as_it_stands() -> None:
    assert differences({"locations": [{"x": 1}]}, {"locations": [3]}) == [
        'only in the report: locations: {"x": 1}',
        "not in the report: locations: 3",
    ]


def test_a_long_list_is_cut_and_the_software_may_be_left_out() -> None:
    assert differences(data(), changed("software", "0.2.0"), leave=("software",)) == []
    cut = differences(data(), {**data(), "notes": [{**data()["notes"][0], "at_us": n} for n in range(9)]}, most=3)
    assert len(cut) == 4
    assert cut[-1] == "and more"
