"""The engine's priorities: its own where the site states none, the derived one where it does; and kinds in one list."""

from __future__ import annotations

import pytest

from motewatch.alarms.default_advice import SHIPPED
from motewatch.alarms.rationalisation import Matrix
from motewatch.engine.plan import PRIORITY, Grade
from motewatch.engine.records import AlarmChanged, Configured, Input, Link, LinkChanged, Output, Priority
from motewatch.engine.sensor_watch import _FAULTS
from motewatch.engine.service_alarms import SERVICE_ALARMS
from motewatch.site.alarm_kinds import PLACELESS
from motewatch.wire.records import MINUTE_US, SECOND_US
from support.facility import T0, configured, engine, heard, reading, run, site_dict

S = SECOND_US
HOT = [heard(reading("pc-1", 0, T0, temperature_mc=26_000))]


def told(said: list[Output]) -> dict[str, Priority]:
    return {one.alarm: one.priority for one in said if isinstance(one, AlarmChanged)}


def test_without_a_word_of_the_site_the_engine_keeps_its_own() -> None:
    said = told(run(engine(start_us=T0 - S), HOT, T0 + 60 * S))
    assert said["location/fill-1/temperature-high/action"] is Priority.HIGH


@pytest.mark.parametrize("place", [{"location": "fill-1"}, {"room": "fill"}, {"area": "north"}, {}])
def test_the_site_decides_for_a_place(place: dict[str, str]) -> None:
    table = {"kind": "temperature-action", "severity": "minor", **place}
    made = engine(site_dict(rationalisation=[table]), start_us=T0 - S)
    said = told(run(made, HOT, T0 + 60 * S))
    assert said["location/fill-1/temperature-high/action"] is Priority.MEDIUM


def test_a_matrix_of_the_site_also_decides_about_the_service_itself() -> None:
    matrix = {"within_min": [30], "severe": ["medium", "low"], "major": ["low", "low"], "minor": ["low", "low"]}
    made = engine(site_dict(priority_matrix=matrix), start_us=T0 - S)
    away = Input(T0, T0, LinkChanged(Link.BROKER, False, T0))
    assert told(run(made, [away])) == {"service/broker": Priority.MEDIUM}


def test_another_priority_takes_hold_at_the_next_start_after_the_configuration() -> None:
    made = engine(site_dict(), start_us=T0 - S)
    run(made, HOT, T0 + 60 * S)
    new: Configured = configured(site_dict(rationalisation=[{"kind": "temperature-action", "severity": "minor"}]))
    back = heard(reading("pc-1", 1, T0 + 70 * S, temperature_mc=20_000))
    again = heard(reading("pc-1", 2, T0 + 80 * S, temperature_mc=26_000))
    said = run(made, [Input(T0 + 61 * S, T0 + 61 * S, new), back, again])
    mine = [one for one in said if isinstance(one, AlarmChanged) and "temperature" in one.alarm]
    assert [(one.event.value, one.priority.value) for one in mine] == [("returns", "high"), ("starts", "medium")]


def shipped_priority(kind: str) -> Priority:
    line = SHIPPED[kind]
    return Matrix().priority(line.severity, line.respond_min * MINUTE_US)


def test_the_shipped_table_gives_what_the_engine_gives_by_itself() -> None:
    for subject in SERVICE_ALARMS.values():
        assert shipped_priority(subject.kind) is subject.priority, subject.kind
        assert subject.kind in PLACELESS
    for _, word, priority, _ in _FAULTS:
        assert shipped_priority(f"sensor-{word}") is priority, word
    for grade in Grade:
        for what in ("count", "temperature", "humidity", "pressure-difference"):
            assert shipped_priority(f"{what}-{grade.value}") is PRIORITY[grade], what
    for kind in ("insufficient-sampling", "sensor-silent", "callout-test"):
        assert shipped_priority(kind) is Priority.MEDIUM, kind
    assert shipped_priority("trend") is Priority.LOW
