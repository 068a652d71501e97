"""What we promise to send, as pydantic models.

Rules: every field says in its description what it is and in which unit, because JSON Schema and AsyncAPI are generated
from here. Keys are sent in the order of the model; what is not known is left out, never null. Words that belong to
later packages (quality, alarm states) stand here once more as a promise to strangers, and a test compares them.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Annotated, Final

from pydantic import AfterValidator, AwareDatetime, BaseModel, ConfigDict, Field, WithJsonSchema

from motewatch.site.models import Identifier, Occupancy

QUALITY_WORDS: Final = (
    "partial",
    "missing",
    "over-range",
    "flow-fault",
    "laser-fault",
    "calibration-overdue",
    "clock-suspect",
    "several-sensors",
)
STATE_WORDS: Final = (
    "normal",
    "unacknowledged",
    "acknowledged",
    "returned-unacknowledged",
    "latched-unacknowledged",
    "latched-acknowledged",
    "shelved",
    "suppressed-by-design",
    "out-of-service",
)
PRIORITY_WORDS: Final = ("low", "medium", "high")
CAUSE_WORDS: Final = (
    "raised",
    "climbed",
    "repeated",
    "other-way",
    "returned",
    "taken",
    "handed-over",
    "many",
    "nobody-reached",
    "test",
    "unrecorded",
)


def _utc(value: datetime) -> datetime:
    return value.astimezone(UTC)


def _one_of(allowed: tuple[str, ...]) -> Callable[[str], str]:
    def check(value: str) -> str:
        if value not in allowed:
            raise ValueError(f"must be one of {', '.join(allowed)}")
        return value

    return check


Version = Annotated[
    int,
    Field(ge=1, le=1),
    WithJsonSchema({"const": 1, "description": "Version of this message. Ignore messages of one you do not know."}),
]
Instant = Annotated[AwareDatetime, Field(strict=True), AfterValidator(_utc)]
QualityWord = Annotated[
    str, AfterValidator(_one_of(QUALITY_WORDS)), Field(json_schema_extra={"enum": [*QUALITY_WORDS]})
]
StateWord = Annotated[str, AfterValidator(_one_of(STATE_WORDS)), Field(json_schema_extra={"enum": [*STATE_WORDS]})]
PriorityWord = Annotated[
    str, AfterValidator(_one_of(PRIORITY_WORDS)), Field(json_schema_extra={"enum": [*PRIORITY_WORDS]})
]
CauseWord = Annotated[str, AfterValidator(_one_of(CAUSE_WORDS)), Field(json_schema_extra={"enum": [*CAUSE_WORDS]})]


class Outgoing(BaseModel):
    """Base of what is sent."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    def to_payload(self) -> bytes:
        """Compact JSON as UTF-8, keys in the order of the model, without the keys that are not known."""
        return self.model_dump_json(exclude_none=True).encode()


class SampleChannel(Outgoing):
    """One size of a sample. The figures per volume are left out where no air was sampled."""

    size_um: Annotated[float, Field(gt=0, description="Size in micrometres.")]
    count: Annotated[int, Field(ge=0, description="Particles at or above the size (cumulative).")]
    volume_l: Annotated[float, Field(ge=0, description="Air in which they were counted, in litres.")]
    per_m3: Annotated[float | None, Field(ge=0, description="Concentration per cubic metre.")] = None
    per_ft3: Annotated[float | None, Field(ge=0, description="Concentration per cubic foot.")] = None
    lower_95_per_m3: Annotated[
        float | None,
        Field(ge=0, description="Lower end of the two-sided exact 95 % Poisson interval, per cubic metre."),
    ] = None
    upper_95_per_m3: Annotated[
        float | None, Field(ge=0, description="Upper end of the same interval, per cubic metre.")
    ] = None


class Span(Outgoing):
    """A climate value over a sample, in the unit that the key names."""

    mean: Annotated[float, Field(description="Mean over the readings.")]
    low: Annotated[float, Field(description="Least reading.")]
    high: Annotated[float, Field(description="Greatest reading.")]


class SampleMessage(Outgoing):
    """What one location's air showed in one sample period. Late data send the period again with a higher revision."""

    v: Version = 1
    location: Annotated[Identifier, Field(description="Id of the sampling location.")]
    room: Annotated[str, Field(description="Id of its room; `-` where the site no longer has the location.")]
    start: Annotated[Instant, Field(description="Start of the period, UTC, not itself in it.")]
    end: Annotated[Instant, Field(description="End of the period, UTC, itself in it.")]
    revision: Annotated[int, Field(ge=1, description="1 for the first; the highest one of a period counts.")]
    occupancy: Annotated[Occupancy, Field(description="Occupancy state at the start of the period.")]
    coverage_pct: Annotated[float, Field(ge=0, le=100, description="Sampled time as a share of the period, percent.")]
    readings: Annotated[int, Field(ge=0, description="Number of readings in it.")]
    sensors: Annotated[tuple[str, ...], Field(description="Ids of the sensors that gave them.")]
    quality: Annotated[tuple[QualityWord, ...], Field(description="What is wrong with the sample; empty: nothing.")]
    channels: Annotated[tuple[SampleChannel, ...], Field(description="By size, rising. Empty without a reading.")]
    temperature_c: Annotated[Span | None, Field(description="Air temperature in degrees Celsius.")] = None
    humidity_pct: Annotated[Span | None, Field(description="Relative humidity in percent.")] = None
    pressure_difference_pa: Annotated[Span | None, Field(description="Pressure above the neighbour in pascal.")] = None


class _Alarm(Outgoing):
    v: Version = 1
    alarm: Annotated[str, Field(description="Id of the alarm; the levels of its topic after `alarm/`.")]
    kind: Annotated[str, Field(description="What kind of alarm it is.")]
    priority: Annotated[PriorityWord, Field(description="Priority, after the three levels of IEC 62682.")]
    state: Annotated[StateWord, Field(description="Where the alarm stands now, after IEC 62682.")]
    since: Annotated[Instant, Field(description="When it came to stand there, by what caused it (air, person), UTC.")]
    found: Annotated[Instant, Field(description="When that was known; later than `since` for late data. UTC.")]
    text: Annotated[str, Field(description="A sentence for people.")]
    value: Annotated[float | None, Field(description="What was measured, in `unit`.")] = None
    limit: Annotated[float | None, Field(description="What it was judged by, in `unit`.")] = None
    unit: Annotated[str, Field(description="Unit of `value` and `limit`; empty where there are none.")] = ""
    location: Annotated[str | None, Field(description="Id of the sampling location it belongs to.")] = None
    sensor: Annotated[str | None, Field(description="Id of the sensor it belongs to.")] = None
    room: Annotated[str | None, Field(description="Id of the room it belongs to.")] = None
    area: Annotated[str | None, Field(description="Id of the area it belongs to.")] = None
    by: Annotated[str | None, Field(description="Who did it, where a person did.")] = None
    comment: Annotated[str | None, Field(description="What that person said.")] = None
    late: Annotated[bool, Field(description="true: an excursion that was found after it was over.")] = False
    active: Annotated[
        bool | None,
        Field(description="Of an alarm that is shelved, suppressed or out of service: whether its condition holds."),
    ] = None
    until: Annotated[Instant | None, Field(description="Of a shelved alarm: when it comes back by itself, UTC.")] = None
    hidden_because: Annotated[str | None, Field(description="Why it is shelved, suppressed or out of service.")] = None
    hidden_by: Annotated[str | None, Field(description="Who shelved it or took it out of service.")] = None
    permit: Annotated[str | None, Field(description="Permit under which it is out of service.")] = None


class AlarmMessage(_Alarm):
    """Where one alarm stands, retained: the last one on a topic is the present state."""


class AlarmEventMessage(_Alarm):
    """One step in an alarm's life: every step of every alarm, once, in order; again only after a fault."""

    event: Annotated[str, Field(description="What happened to the alarm.")]
    before: Annotated[StateWord, Field(description="Where it stood before.")]
    after: Annotated[StateWord, Field(description="Where it stands since; the same as `state`.")]
    id: Annotated[
        str, Field(description="Names this step; the same however often it is sent. Compare it, do not read it.")
    ]


class ServiceMessage(Outgoing):
    """The daemon came or went. Retained; `online` false is also its last will, written on connecting."""

    v: Version = 1
    site: Annotated[Identifier, Field(description="Id of the site.")]
    online: Annotated[bool, Field(description="true: the service is there; false: it went.")]
    at: Annotated[Instant, Field(description="When this was written, UTC.")]
    trouble: Annotated[
        str | None,
        Field(
            description="Why the service cannot write its record, for people. While it stands here, no message is "
            "acknowledged, no sample and no alarm comes, and nobody is called. Absent: all is recorded."
        ),
    ] = None


class AnchorMessage(Outgoing):
    """The head of the record's hash chain at one time. Keep it where nobody at the site can change it: the record can
    later be checked against it.

    Signed is the UTF-8 text of eight lines, each ended by a line feed: `motewatch anchor 1`, site, anchor, the time in
    microseconds since 1970 UTC, seal, input, output, hash.
    """

    v: Version = 1
    site: Annotated[Identifier, Field(description="Id of the site.")]
    anchor: Annotated[int, Field(ge=1, description="Running number of the anchor.")]
    at: Annotated[Instant, Field(description="When it was made, UTC.")]
    seal: Annotated[int, Field(ge=1, description="Number of the seal, the last link of the chain.")]
    input: Annotated[int, Field(ge=0, description="Number of the last input on record that the chain covers.")]
    output: Annotated[int, Field(ge=0, description="Number of the last output on record that the chain covers.")]
    hash: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$", description="SHA-256 of that seal, hexadecimal.")]
    public_key: Annotated[
        str | None,
        Field(
            pattern=r"^[0-9a-f]{64}$", description="The key it is signed with (Ed25519, RFC 8032). Absent: unsigned."
        ),
    ] = None
    signature: Annotated[
        str | None, Field(pattern=r"^[0-9a-f]{128}$", description="Ed25519 signature of the text above, hexadecimal.")
    ] = None


class CalledAlarm(Outgoing):
    """One alarm of a call."""

    alarm: Annotated[str, Field(description="Id of the alarm.")]
    priority: Annotated[PriorityWord, Field(description="Priority, after the three levels of IEC 62682.")]
    state: Annotated[StateWord, Field(description="Where it stood when the call was decided.")]
    what: Annotated[str, Field(description="What it is, for people.")]
    where: Annotated[str, Field(description="Where it is, for people.")]
    since: Annotated[Instant, Field(description="Since when, UTC.")]
    value: Annotated[float | None, Field(description="What was measured, in `unit`.")] = None
    limit: Annotated[float | None, Field(description="What it was judged by, in `unit`.")] = None
    unit: Annotated[str, Field(description="Unit of `value` and `limit`; empty where there are none.")] = ""
    action: Annotated[str, Field(description="What to do; empty where nothing is given.")] = ""


class PersonCallMessage(Outgoing):
    """A call to one person: over the broker, and as the body that a webhook receives. The same `id` may come again."""

    v: Version = 1
    id: Annotated[str, Field(description="Id of the call; the same however often it is sent.")]
    site: Annotated[Identifier, Field(description="Id of the site.")]
    at: Annotated[Instant, Field(description="The moment for which the call was decided, UTC.")]
    cause: Annotated[CauseWord, Field(description="Why the person is called.")]
    person: Annotated[Identifier, Field(description="Id of the person.")]
    name: Annotated[str, Field(description="Name of the person.")]
    address: Annotated[str, Field(description="The person's address on this channel, from the site file.")]
    urgent: Annotated[bool, Field(description="true: an alarm of high priority is among them.")]
    maybe_repeat: Annotated[bool, Field(description="true: it may have been delivered before.")]
    subject: Annotated[str, Field(description="One line for people.")]
    text: Annotated[str, Field(description="The whole call for people, in lines.")]
    short: Annotated[str, Field(description="The same on one line of at most 160 places, for SMS and speech.")]
    note: Annotated[str, Field(description="One sentence beside the alarms, such as who took them; often empty.")] = ""
    link: Annotated[
        str | None, Field(description="Page on which this person can answer, once. Keep it secret: it needs no login.")
    ] = None
    alarms: Annotated[list[CalledAlarm], Field(description="The alarms, the first cause first. None in a test call.")]


class FiguresWindow(Outgoing):
    """Figures of one stretch of time; of the whole site, except where `per_operator` says otherwise."""

    window: Annotated[str, Field(description="`1h` or `1d`: how long it is, or would be if the record were that old.")]
    start: Annotated[Instant, Field(description="Start of the stretch, UTC.")]
    end: Annotated[Instant, Field(description="End of the stretch, UTC.")]
    operators: Annotated[int, Field(description="People on shift, from the site file.")]
    annunciated: Annotated[int, Field(description="Alarms presented to people.")]
    per_operator_hour: Annotated[float, Field(description="The same, per operator and hour.")]
    peak_10_min: Annotated[int, Field(description="Most of them in a sliding window of 10 minutes.")]
    flood_share: Annotated[float, Field(description="Share of the stretch in flood, 0 to 1.")]
    chattering: Annotated[int, Field(description="Alarms that chattered.")]
    fleeting: Annotated[int, Field(description="Conditions of less than 10 s.")]
    standing: Annotated[int, Field(description="Alarms in the list at the end.")]
    standing_unacknowledged: Annotated[int, Field(description="Of these, unacknowledged.")]
    stale: Annotated[int, Field(description="Of these, standing for more than 24 h.")]
    low: Annotated[int, Field(description="Alarms presented with low priority.")]
    medium: Annotated[int, Field(description="Alarms presented with medium priority.")]
    high: Annotated[int, Field(description="Alarms presented with high priority.")]
    acknowledged: Annotated[int, Field(description="Waits for an acknowledgement that began and ended so.")]
    median_to_acknowledge_s: Annotated[float | None, Field(description="Median length of these, in seconds.")] = None


class FiguresMessage(Outgoing):
    """Figures of alarm performance, retained, where the site file asks for them."""

    v: Version = 1
    site: Annotated[Identifier, Field(description="Id of the site.")]
    at: Annotated[Instant, Field(description="Up to when they were made, UTC.")]
    windows: Annotated[list[FiguresWindow], Field(description="The last hour and the last day.")]


class ReplyMessage(Outgoing):
    """The answer to a command."""

    v: Version = 1
    id: Annotated[str, Field(description="Id of the command.")]
    accepted: Annotated[bool, Field(description="true: done and on record; false: refused, nothing changed.")]
    text: Annotated[str, Field(description="A sentence for the person.")]
    at: Annotated[Instant, Field(description="When it was decided, UTC.")]
