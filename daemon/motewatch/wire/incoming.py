"""What others may send us, as pydantic models.

Rules: every field says in its description what it is and in which unit, because JSON Schema and AsyncAPI are generated
from here. Strict (no unknown key, no number in quotes, no fraction where a whole number is meant) and bounded in size.
What needs several keys to decide (sizes that do not rise) is `decode`. These are outside types: the core has its own
in `records`.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Any, Final, Literal

from pydantic import (
    AwareDatetime,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
    WithJsonSchema,
)
from pydantic_core import PydanticCustomError

from motewatch.site.instants import EPOCH
from motewatch.site.models import LABEL_PATTERN, Identifier

MAX_CHANNELS: Final = 64
MAX_COUNT: Final = 10**12
MAX_SEQUENCE: Final = 2**53 - 1
"""The largest whole number that every JSON reader keeps exactly (RFC 8259, section 6)."""

COMMENT_PATTERN: Final = r"^[^\x00-\x1f\x7f-\x9f]*$"
END_OF_TIME: Final = datetime(2200, 1, 1, tzinfo=UTC)


def _written_out(value: object) -> object:
    # Without this a number, in quotes or not, would be taken as seconds or milliseconds since 1970, by its size.
    if isinstance(value, datetime) or (isinstance(value, str) and value[10:11] in ("T", "t")):
        return value
    raise PydanticCustomError("instant", "Input should be an ISO 8601 time")


# `ge` and `le` instead of a literal: JSON's true would pass for the literal 1.
Version = Annotated[
    int,
    Field(ge=1, le=1),
    WithJsonSchema({"const": 1, "description": "Version of this message; another one is refused."}),
]
# Not strict, because what a function has looked at is no longer JSON to pydantic, and strictly then no text is a time.
Instant = Annotated[AwareDatetime, Field(strict=False, ge=EPOCH, lt=END_OF_TIME), BeforeValidator(_written_out)]
Boot = Annotated[str, StringConstraints(min_length=1, max_length=64, pattern=LABEL_PATTERN)]
Person = Annotated[str, StringConstraints(min_length=1, max_length=120, pattern=LABEL_PATTERN)]
AlarmId = Annotated[str, StringConstraints(min_length=1, max_length=250, pattern=LABEL_PATTERN)]
Comment = Annotated[str, StringConstraints(max_length=1000, pattern=COMMENT_PATTERN)]
Permit = Annotated[str, StringConstraints(min_length=1, max_length=250, pattern=LABEL_PATTERN)]
Size = Annotated[float, Field(ge=0.05, le=100)]
Count = Annotated[int, Field(ge=0, le=MAX_COUNT)]
HealthWord = Literal["ok", "fault", "unknown"]


class Incoming(BaseModel):
    """Base of what arrives."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)

    def to_payload(self) -> bytes:
        """Compact JSON as UTF-8 with the keys that were given: for those who speak to the daemon from Python."""
        return self.model_dump_json(exclude_unset=True).encode()


class Counts(Incoming):
    """Particle counts by size, as many values as sizes."""

    kind: Annotated[
        Literal["cumulative", "differential"],
        Field(
            description="`cumulative`: each value counts all particles at or above its size, so values never rise with "
            "size. `differential`: each value counts the particles from its size up to the next size, the last "
            "all at or above its size."
        ),
    ]
    sizes_um: Annotated[
        tuple[Size, ...],
        Field(
            min_length=1,
            max_length=MAX_CHANNELS,
            description="Channel sizes in micrometres, rising, in whole nanometres (at most three decimals).",
        ),
    ]
    values: Annotated[
        tuple[Count, ...],
        Field(
            min_length=1,
            max_length=MAX_CHANNELS,
            description="Particles counted in this interval, one whole number for each size, not divided by volume.",
        ),
    ]


class Status(Incoming):
    """What the sensor says of its own parts. A part that is left out is `ok`."""

    flow: Annotated[HealthWord, Field(description="Sample flow within the instrument's tolerance.")] = "ok"
    laser: Annotated[HealthWord, Field(description="Light source.")] = "ok"
    calibration: Annotated[HealthWord, Field(description="Calibration valid, as far as the instrument knows.")] = "ok"


class CountMessage(Incoming):
    """One interval of counting by one sensor.

    `(sensor, boot, seq)` identifies it for ever: sent again it changes nothing, and the same three with other content
    are refused. May be sent late, in any order. Where a key is written twice, the last one counts.
    """

    v: Version
    sensor: Annotated[Identifier, Field(description="Id of the sensor; the same as the last level of the topic.")]
    boot: Annotated[Boot, Field(description="Another text after each start of the sensor, such as a random UUID.")]
    seq: Annotated[
        int, Field(ge=0, le=MAX_SEQUENCE, description="Number of this interval since that start; rises by 1.")
    ]
    start: Annotated[
        Instant,
        Field(
            description="When the interval began: ISO 8601 with time zone (Z or an offset), years 1970 to 2199. Finer "
            "than microseconds is cut off."
        ),
    ]
    duration_s: Annotated[
        float, Field(ge=1e-6, le=86_400, description="How long air was sampled, in seconds; the interval's length.")
    ]
    volume_l: Annotated[
        float,
        Field(ge=1e-6, le=1_000_000, description="Air sampled in the interval, in litres at the place of measurement."),
    ]
    counts: Counts
    temperature_c: Annotated[
        float | None, Field(ge=-90, le=150, description="Air temperature in degrees Celsius, where measured.")
    ] = None
    humidity_pct: Annotated[
        float | None, Field(ge=0, le=100, description="Relative humidity in percent, where measured.")
    ] = None
    pressure_difference_pa: Annotated[
        float | None,
        Field(ge=-2000, le=2000, description="Pressure of the room above its neighbour, in pascal, where measured."),
    ] = None
    status: Status = Status()
    location: Annotated[
        Identifier | None,
        Field(description="Sampling location, from portable sensors only: where the sensor stood in this interval."),
    ] = None


class PresenceMessage(Incoming):
    """A sensor came or went. Publish it retained on connecting, and give `online` false as the last will.

    In a last will `at` is the time of connecting, because a will is written then; when the sensor went is when the
    broker tells it.
    """

    v: Version
    sensor: Annotated[Identifier, Field(description="Id of the sensor; the same as the last level of the topic.")]
    boot: Annotated[Boot, Field(description="The same text as in the count messages of this start.")]
    online: Annotated[bool, Field(description="true: the sensor is there; false: it went.")]
    at: Annotated[Instant, Field(description="When this was written: ISO 8601 with time zone.")]


COMMAND_KEYS: Final[dict[str, tuple[str, ...]]] = {
    "acknowledge": ("alarm",),
    "shelve": ("alarm", "until"),
    "unshelve": ("alarm",),
    "reset": ("alarm",),
    "remove-from-service": ("alarm", "permit"),
    "return-to-service": ("alarm",),
    "set-occupancy": ("room", "occupancy"),
    "check-in": ("sensor", "location"),
    "check-out": ("sensor",),
    "confirm-test": ("test",),
}
"""What each command takes beside `by` and `comment`, all of it required. `shelve` requires the comment as well."""


def _shape(command: str, wanted: tuple[str, ...]) -> dict[str, Any]:
    """JSON Schema of one command's own keys."""
    every = dict.fromkeys(key for keys in COMMAND_KEYS.values() for key in keys)
    properties: dict[str, Any] = {"command": {"const": command}}
    for key in every:
        if key not in wanted:
            properties[key] = {"type": "null"}
        elif key != "occupancy":
            properties[key] = {"type": "string"}
    if command == "shelve":
        properties["comment"] = {"minLength": 1}
        wanted = (*wanted, "comment")
    return {"properties": properties, "required": [*wanted]}


class CommandMessage(Incoming):
    """A person's command. The answer comes on the reply topic with the command's id as last level.

    `acknowledge`, `unshelve`, `reset` and `return-to-service` take `alarm`; `shelve` takes `alarm` and `until`, and
    requires `comment`; `remove-from-service` takes `alarm` and `permit`; `set-occupancy` takes `room` and `occupancy`;
    `check-in` takes `sensor` and `location`, `check-out` takes `sensor`; `confirm-test` takes `test`.
    """

    model_config = ConfigDict(
        json_schema_extra={"oneOf": [_shape(command, wanted) for command, wanted in COMMAND_KEYS.items()]}
    )

    v: Version
    id: Annotated[
        Identifier,
        Field(description="A new id for each command, such as a random UUID in lower case."),
    ]
    command: Annotated[
        Literal[
            "acknowledge",
            "shelve",
            "unshelve",
            "reset",
            "remove-from-service",
            "return-to-service",
            "set-occupancy",
            "check-in",
            "check-out",
            "confirm-test",
        ],
        Field(description="What is to be done."),
    ]
    by: Annotated[Person, Field(description="Who says so; goes into the record.")]
    comment: Annotated[Comment, Field(description="Why; goes into the record.")] = ""
    alarm: Annotated[AlarmId | None, Field(description="Id of the alarm, as in the alarm messages.")] = None
    until: Annotated[
        Instant | None,
        Field(description="When a shelved alarm comes back by itself: ISO 8601 with time zone (Z or an offset)."),
    ] = None
    permit: Annotated[
        Permit | None,
        Field(description="The permit under which an alarm is taken out of service; goes into the record."),
    ] = None
    room: Annotated[Identifier | None, Field(description="Id of the room.")] = None
    occupancy: Annotated[
        Literal["as-built", "at-rest", "operational"] | None,
        Field(description="Occupancy state from now on (ISO 14644-1); null gives the room back to its schedule."),
    ] = None
    sensor: Annotated[Identifier | None, Field(description="Id of a portable counter.")] = None
    location: Annotated[
        Identifier | None,
        Field(description="Id of the location where the portable counter stands from now on."),
    ] = None
    test: Annotated[
        Identifier | None,
        Field(description="Id of the test call that reached the person in `by`, as the call says it."),
    ] = None
