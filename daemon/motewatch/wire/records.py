"""Core records of what was heard. Frozen, slotted, integers wherever a sum must not depend on its order.

Units: instants and durations in microseconds (UTC since 1970), sizes in nanometres, volumes in microlitres,
temperature in milli-degrees Celsius, relative humidity in milli-percent, pressure difference in millipascal.
Counts are cumulative (at or above the size). Nothing here knows JSON, MQTT or pydantic.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from motewatch.site.hot import hot_record

SECOND_US = 1_000_000
MINUTE_US = 60 * SECOND_US
HOUR_US = 60 * MINUTE_US
DAY_US = 24 * HOUR_US


class Health(StrEnum):
    """What a sensor says of one part of itself."""

    OK = "ok"
    FAULT = "fault"
    UNKNOWN = "unknown"


@hot_record(frozen=True, slots=True)
class Reading:
    """One interval of counting by one sensor, as decoded: the unit of what is never lost and never counted twice.

    `(sensor, boot, seq)` identifies it for ever. The interval is `(start_us, end_us]`.
    """

    sensor: str
    boot: str
    seq: int
    start_us: int
    duration_us: int
    volume_ul: int
    sizes_nm: tuple[int, ...]
    counts: tuple[int, ...]
    temperature_mc: int | None = None
    humidity_mpct: int | None = None
    pressure_mpa: int | None = None
    flow: Health = Health.OK
    laser: Health = Health.OK
    calibration: Health = Health.OK
    location: str | None = None

    @property
    def end_us(self) -> int:
        """The instant the interval ended; a reading belongs to the period in which it ended."""
        return self.start_us + self.duration_us


@dataclass(frozen=True, slots=True)
class Presence:
    """A sensor came (`online`) or went: its own retained message, or its last will from the broker."""

    sensor: str
    online: bool
    boot: str
    at_us: int


@dataclass(frozen=True, slots=True)
class Acknowledge:
    """A person takes note of an alarm."""

    id: str
    by: str
    alarm: str
    comment: str = ""


@dataclass(frozen=True, slots=True)
class SetOccupancy:
    """A person states a room's occupancy state; `None` gives it back to its schedule."""

    id: str
    by: str
    room: str
    occupancy: str | None
    comment: str = ""


@dataclass(frozen=True, slots=True)
class Place:
    """A person says where a portable counter stands from now on; None: nowhere, until somebody says again."""

    id: str
    by: str
    sensor: str
    location: str | None
    comment: str = ""


@dataclass(frozen=True, slots=True)
class Shelve:
    """A person hides an alarm for a while; it comes back by itself at `until_us`. The comment says why."""

    id: str
    by: str
    alarm: str
    until_us: int
    comment: str


@dataclass(frozen=True, slots=True)
class Unshelve:
    """A person lets a shelved alarm come back early."""

    id: str
    by: str
    alarm: str
    comment: str = ""


@dataclass(frozen=True, slots=True)
class Reset:
    """A person lets a latched alarm go whose condition is over."""

    id: str
    by: str
    alarm: str
    comment: str = ""


@dataclass(frozen=True, slots=True)
class RemoveFromService:
    """A person takes an alarm out of service, for maintenance, under a permit."""

    id: str
    by: str
    alarm: str
    permit: str
    comment: str = ""


@dataclass(frozen=True, slots=True)
class ReturnToService:
    """A person puts an alarm into service again."""

    id: str
    by: str
    alarm: str
    comment: str = ""


@dataclass(frozen=True, slots=True)
class Confirm:
    """A person says that a test call arrived."""

    id: str
    by: str
    test: str
    comment: str = ""


AlarmCommand = Acknowledge | Shelve | Unshelve | Reset | RemoveFromService | ReturnToService
Command = AlarmCommand | SetOccupancy | Place | Confirm


class RefusalReason(StrEnum):
    """Why a message was kept as a dead letter instead of being used. One member per branch that refuses."""

    TOO_LARGE = "too-large"
    NOT_JSON = "not-json"
    NOT_VALID = "not-valid"
    UNKNOWN_VERSION = "unknown-version"
    UNKNOWN_TOPIC = "unknown-topic"
    FOREIGN_SENSOR = "foreign-sensor"
    COUNTS_RISE_WITH_SIZE = "counts-rise-with-size"
    UNKNOWN_SENSOR = "unknown-sensor"
    UNKNOWN_LOCATION = "unknown-location"
    OTHER_CHANNELS = "other-channels"
    SEQUENCE_REUSED = "sequence-reused"
    IN_THE_FUTURE = "in-the-future"
    TOO_OLD = "too-old"
    NOT_PROCESSABLE = "not-processable"


@dataclass(frozen=True, slots=True)
class Refusal:
    """A message that cannot be used: why, in a word for the machine and a sentence for the person."""

    reason: RefusalReason
    detail: str
    sensor: str | None = None
    command_id: str | None = None
    """Of a command that named itself although the rest was wrong: its sender is waiting for an answer."""
