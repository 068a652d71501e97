"""Who was told, after the crashes: calls on record, and alarms of which nobody heard."""

from __future__ import annotations

from motewatch.alarms.lifecycle import Event
from motewatch.callout.records import Cause, Told
from motewatch.engine.records import AlarmChanged, Output


def untold(outputs: list[Output]) -> list[str]:
    """Alarms that started and of which nobody was told. One that was taken at the engine's instant at which it was
    found (or again at a restart, where that instant stands still) needed nobody."""
    owed: dict[str, int] = {}
    found = []
    for one in outputs:
        if isinstance(one, Told) and one.cause is Cause.RAISED:
            for fact in one.facts:
                owed.pop(fact.alarm, None)
        elif isinstance(one, AlarmChanged) and one.alarm.startswith("location/"):
            if one.event is Event.STARTS:
                owed.setdefault(one.alarm, one.found_us)
            elif one.event is Event.ACKNOWLEDGE:
                since_us = owed.pop(one.alarm, one.found_us)
                if one.found_us != since_us:
                    found.append(f"{one.alarm} found at {since_us}, taken at {one.found_us}, and nobody told")
    return [*found, *(f"{alarm} found at {at_us}, and nobody told" for alarm, at_us in owed.items())]


def calls_of(outputs: list[Output]) -> list[Told]:
    return [one for one in outputs if isinstance(one, Told)]
