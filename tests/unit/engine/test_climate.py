"""Climate bounds through the engine: delays in the time of the air, backlog, and late data."""

from __future__ import annotations

from motewatch.engine.records import AlarmChanged, Input, Output
from motewatch.wire.records import SECOND_US
from support.dialogue import transcript
from support.facility import T0, engine, heard, reading, run

S = SECOND_US
CASE = [59.0, 60.5, 60.4, 60.2, 59.0, 57.9, 57.8]
"""High limit 60 % RH, deadband 2, on-delay 120 s, off-delay 60 s: on at 180 s, off at 360 s (constructed case)."""


def humid(values: list[float], arrive_us: int | None = None) -> list[Input]:
    made = []
    for i, value in enumerate(values):
        one = reading("pc-1", i, T0 + 60 * i * S, humidity_mpct=round(value * 1000))
        made.append(heard(one) if arrive_us is None else Input(arrive_us, arrive_us, heard(one).what))
    return made


def climate(said: list[Output]) -> list[str]:
    return [text for text in transcript(said, AlarmChanged) if "humidity" in text or "temperature" in text]


EXPECTED = [
    "location/fill-1/humidity-high/action starts at +180 -> unacknowledged",
    "location/fill-1/humidity-high/action returns at +360 -> returned-unacknowledged",
]


def test_the_worked_case_live() -> None:
    assert climate(run(engine(start_us=T0 - S), humid(CASE), T0 + 400 * S)) == EXPECTED


def test_the_worked_case_from_a_backlog_is_dated_the_same() -> None:
    made = engine(start_us=T0 - S)
    # Drained with the engine's time held, then time goes on.
    said = run(made, humid(CASE, T0 + 1), T0 + 400 * S)
    assert climate(said) == EXPECTED


def test_without_further_values_the_on_delay_still_ends() -> None:
    assert climate(run(engine(start_us=T0 - S), humid(CASE[:2]), T0 + 400 * S)) == EXPECTED[:1]


def test_a_stretch_that_comes_after_newer_values_is_found_late() -> None:
    made = engine(start_us=T0 - S)
    run(made, [heard(reading("pc-1", 99, T0 + 900 * S, humidity_mpct=50_000))])
    now_us = T0 + 901 * S
    late = [Input(now_us + i, now_us + i, item.what) for i, item in enumerate(humid(CASE))]
    assert climate(run(made, late)) == [
        "location/fill-1/humidity-high/action starts at +180 -> unacknowledged late",
        "location/fill-1/humidity-high/action returns at +180 -> returned-unacknowledged late",
    ]


def test_low_and_high_are_two_alarms() -> None:
    inputs = [
        heard(reading("pc-1", i, T0 + 10 * (i + 1) * S, temperature_mc=value))
        for i, value in enumerate([18_000, 17_999, 24_001, 24_000])
    ]
    assert climate(run(engine(), inputs)) == [
        "location/fill-1/temperature-low/action starts at +20 -> unacknowledged",
        "location/fill-1/temperature-low/action returns at +30 -> returned-unacknowledged",
        "location/fill-1/temperature-high/action starts at +30 -> unacknowledged",
        "location/fill-1/temperature-high/action returns at +40 -> returned-unacknowledged",
    ]
