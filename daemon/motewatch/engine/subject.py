"""What an alarm is about."""

from __future__ import annotations

from dataclasses import dataclass

from motewatch.alarms.priority import Priority


@dataclass(frozen=True, slots=True)
class Subject:
    """The fixed part of every `AlarmChanged` of an alarm."""

    alarm: str
    kind: str
    priority: Priority
    location: str | None = None
    sensor: str | None = None
    room: str | None = None
    area: str | None = None
