"""Deadband and delays of a climate bound through the whole engine, live and as a backlog.

The case and its variant are constructed: high limit 60 % RH, deadband 2, on-delay 120 s, off-delay 60 s, a value a
minute. The rules are those of OPC 10000-9 for the attributes that ISA-18.2 and IEC 62682 name.
"""

from __future__ import annotations

import pytest

from motewatch.engine.records import AlarmChanged, Input
from motewatch.wire.records import SECOND_US
from support.checks import check
from support.facility import T0, engine, heard, reading, run

S = SECOND_US
CASES = {
    "returns": ([59.0, 60.5, 60.4, 60.2, 59.0, 57.9, 57.8], [("starts", 180), ("returns", 360)]),
    "one value below the deadband is not a return": ([59.0, 60.5, 60.4, 60.2, 59.0, 57.9, 58.5], [("starts", 180)]),
    "exactly at the deadband is not a return": ([60.5, 60.5, 60.5, 58.0, 58.0, 58.0], [("starts", 120)]),
    "exactly at the limit is no excursion": ([60.0, 60.0, 60.0, 60.0, 60.0], []),
    "a value within the limit begins the on-delay anew": ([60.5, 60.5, 60.0, 60.5, 60.5, 60.5], [("starts", 300)]),
}


@pytest.mark.parametrize("at_once", [False, True], ids=["live", "backlog"])
@pytest.mark.parametrize("name", CASES)
def test_deadband_and_delays(name: str, at_once: bool) -> None:
    values, expected = CASES[name]
    inputs = []
    for i, value in enumerate(values):
        one = reading("pc-1", i, T0 + 60 * i * S, humidity_mpct=round(value * 1000))
        inputs.append(Input(T0 + 1, T0 + 1, heard(one).what) if at_once else heard(one))
    # One second after the last value, before an on-delay that is still running could end by silence.
    said = run(engine(start_us=T0 - S), inputs, T0 + (60 * (len(values) - 1) + 1) * S)
    found = [
        (out.event.value, (out.at_us - T0) // S)
        for out in said
        if isinstance(out, AlarmChanged) and out.alarm == "location/fill-1/humidity-high/action"
    ]
    check(
        "Deadband and delays of a humidity bound, through the engine",
        f"{name} ({'backlog' if at_once else 'live'})",
        [f"{event} at {at} s" for event, at in expected],
        [f"{event} at {at} s" for event, at in found],
        source="worked case: 60 % RH, deadband 2, on 120 s, off 60 s",
        confirmed="constructed",
    )
