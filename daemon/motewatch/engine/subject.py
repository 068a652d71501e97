"""What an alarm is about, and how its id is written: the only place that knows the form of an id."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from motewatch.alarms.priority import Priority

NOBODY_ALARM: Final = "callout/nobody-reached"
"""Id of the alarm that nobody was reached for another."""

OUT_OF_USE: Final = "service/out-of-use/"
"""Begins the ids of alarms that a part of the service is out of use."""
CHANNEL_PART: Final = "channel/"
"""Begins the names of those parts that are channels of calls."""


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


def location_alarm(location: str, rest: str) -> str:
    """Id of an alarm of a sampling location; `rest` is unique there, such as a bound's key."""
    return f"location/{location}/{rest}"


def count_alarm(location: str, size_nm: int, grade: str) -> str:
    """Id of the alarm of one level of one size."""
    return location_alarm(location, f"{size_nm / 1000:g}um/{grade}")


def insufficient_alarm(location: str) -> str:
    """Id of the alarm that too little air is sampled."""
    return location_alarm(location, "insufficient-sampling")


def sensor_alarm(sensor: str, word: str) -> str:
    """Id of an alarm of a sensor: `silent`, `flow`, `laser` and so on."""
    return f"sensor/{sensor}/{word}"


def trial_alarm(person: str, channel: str) -> str:
    """Id of the alarm that test calls fail: one for all addresses of a person on a channel."""
    return f"callout/test/{person}/{channel}"


def part_subject(part: str) -> Subject:
    """The alarm that a part of the service is out of use. Of a channel it is of high priority: people may not hear."""
    if part.startswith(CHANNEL_PART):
        return Subject(f"{OUT_OF_USE}{part}", "channel-out-of-use", Priority.HIGH)
    return Subject(f"{OUT_OF_USE}{part}", "part-out-of-use", Priority.MEDIUM)


def cascade_alarm(step: str) -> str:
    """Id of the alarm that a step of the pressure cascade, `HIGHER/LOWER`, is lost."""
    return f"cascade/{step}"


def gap_alarm(rota: str) -> str:
    """Id of the alarm that nobody is on call in a rota."""
    return f"callout/gap/{rota}"
