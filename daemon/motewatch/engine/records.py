"""What goes into the engine and what comes out of it: the whole interface, as frozen records.

Inputs are everything that can change what the daemon believes. Outputs are everything it has to say; the engine calls
nothing. `applied_at_us` is the engine's own time: it never goes back, and it stands still while a backlog is drained.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Protocol

from motewatch.alarms.lifecycle import ACTIVE, HIDDEN, Event, State
from motewatch.alarms.priority import Priority as Priority
from motewatch.callout.records import Delivered as Delivered
from motewatch.callout.records import Told as Told
from motewatch.measure.samples import Sample
from motewatch.site.hot import hot_record
from motewatch.wire.records import Command, Presence, Reading, Refusal


@hot_record(frozen=True, slots=True)
class Heard:
    """A reading arrived."""

    reading: Reading


@dataclass(frozen=True, slots=True)
class Seen:
    """A sensor's presence changed, or was told again."""

    presence: Presence


@dataclass(frozen=True, slots=True)
class Commanded:
    """A person's command arrived."""

    command: Command


@dataclass(frozen=True, slots=True)
class Refused:
    """A message could not be decoded. The shell keeps its bytes; the engine counts it."""

    refusal: Refusal


class Link(StrEnum):
    """The links of the service whose loss is an alarm of its own."""

    BROKER = "broker"
    TIME_SERIES = "time-series"
    SPACE = "space"
    """Room on the journal's disk; down where it is little."""
    CERTIFICATES = "certificates"
    """Those that the service lives by; down where one ends soon, or has ended."""
    BACKUP = "backup"
    """Down from a backup that failed to the next one that was made."""
    BACKUP_AGE = "backup-age"
    """Down where the newest backup is too old."""
    ARCHIVES = "archives"
    """Down from a run that failed to the next one that went well."""
    MARKER = "marker"
    """What finds the end of what waited at the broker; down where the broker does not give it back."""


@dataclass(frozen=True, slots=True)
class LinkChanged:
    """A link of the service went down or came back. `since_us` is when that began."""

    link: Link
    up: bool
    since_us: int
    detail: str = ""


@dataclass(frozen=True, slots=True)
class SessionLost:
    """The broker no longer knew our session: messages of the time away may be missing."""

    since_us: int


@dataclass(frozen=True, slots=True)
class PartChanged:
    """A part of the service that monitoring can do without is out of use (`channel/ID`, `console`), or in use again."""

    part: str
    works: bool
    since_us: int
    detail: str = ""


@dataclass(frozen=True, slots=True)
class ClockStepped:
    """The host's clock jumped by `step_us` against its monotonic clock."""

    step_us: int


@dataclass(frozen=True, slots=True)
class Resumed:
    """Until this instant, which the engine has yet to reach, its time stood still, and nothing could be told."""

    until_us: int


@dataclass(frozen=True, slots=True)
class ReplayDiffered:
    """A replay of the journal did not give the outputs on record: a defect, and it is said."""

    detail: str


@dataclass(frozen=True, slots=True)
class Configured:
    """A site configuration takes effect. `text` is the canonical JSON of the site; `digest` its SHA-256."""

    digest: str
    text: str


class Act(StrEnum):
    """What a person does by the link in a call."""

    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    CONFIRM = "confirm"


@dataclass(frozen=True, slots=True)
class Answered:
    """A person answered a call by its link, whose signature the page has found genuine.

    `id` is new for each attempt, as of any command. An answer that is accepted uses the link up: the engine remembers
    the call until its own time has reached `expires_us`, and takes no answer from then on.
    """

    id: str
    told: str
    expires_us: int
    by: str
    act: Act
    subject: str
    """The alarm's id; of a confirmation the test's."""
    minutes: int = 0
    """How long to shelve."""
    comment: str = ""
    others: tuple[str, ...] = ()
    """Further alarms of the same call, acknowledged together with the first."""


@dataclass(frozen=True, slots=True)
class LinksGuessed:
    """Links that were none were tried on the answer page, so many from so many addresses since an instant."""

    count: int
    addresses: int
    since_us: int


@dataclass(frozen=True, slots=True)
class RecordHeldUp:
    """The record could not be written for a time. Nothing was acknowledged then, and the engine stood still."""

    since_us: int
    until_us: int
    detail: str


@dataclass(frozen=True, slots=True)
class SessionTaken:
    """Another client connected to the broker under this service's client id and threw it off: so often since then.

    `said`: the broker gave that as its reason; else it is concluded from how connections ended.
    """

    count: int
    client_id: str
    since_us: int
    said: bool


@dataclass(frozen=True, slots=True)
class SignInsFailed:
    """Sign-ins and confirmations failed at the console, more than slips would, from so many addresses since an instant.

    `users`: so many different ones were tried; `most`: the one tried most, `?` for none that there is.
    """

    count: int
    users: int
    addresses: int
    most: str
    since_us: int


@dataclass(frozen=True, slots=True)
class Accessed:
    """Something about access to the console, for the audit trail: a sign-in, a failure, a change of a user."""

    by: str
    action: str
    subject: str
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Pressed:
    """A signed-in user of the console acknowledges an alarm. The name is the service's own finding, not the user's."""

    id: str
    by: str
    alarm: str
    comment: str = ""


class OrderedAct(StrEnum):
    """What a signed-in user may order; each is a command of `wire.records`."""

    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    RESET = "reset"
    REMOVE_FROM_SERVICE = "remove-from-service"
    RETURN_TO_SERVICE = "return-to-service"
    SET_OCCUPANCY = "set-occupancy"
    CONFIRM = "confirm"


@dataclass(frozen=True, slots=True)
class Ordered:
    """A signed-in user of the console orders something. The name is the service's own finding, not the user's."""

    id: str
    by: str
    ordered: OrderedAct
    subject: str
    """The alarm, the room or the test call."""
    comment: str = ""
    until_us: int = 0
    """Of a shelving."""
    permit: str = ""
    """Of a removal from service."""
    occupancy: str | None = None
    """Of a room: None gives it back to its schedule."""


@dataclass(frozen=True, slots=True)
class Placed:
    """A signed-in user says where a portable counter stands from now on; None: nowhere, until somebody says again.

    Of older journals: no rights of persons were asked. `PlaceOrdered` is what the console says now.
    """

    id: str
    by: str
    sensor: str
    location: str | None
    comment: str = ""


@dataclass(frozen=True, slots=True)
class PlaceOrdered:
    """A signed-in user orders what the command `Place` of `wire.records` does, by the same rules."""

    id: str
    by: str
    sensor: str
    location: str | None
    comment: str = ""


@dataclass(frozen=True, slots=True)
class Entered:
    """A signed-in user puts a fact on the audit trail that changes nothing else: a note, a signature."""

    by: str
    action: str
    subject: str
    detail: str


What = (
    Heard
    | PartChanged
    | Seen
    | Commanded
    | Refused
    | LinkChanged
    | SessionLost
    | Resumed
    | ClockStepped
    | ReplayDiffered
    | Configured
    | Answered
    | LinksGuessed
    | RecordHeldUp
    | SessionTaken
    | SignInsFailed
    | Accessed
    | Pressed
    | Ordered
    | Placed
    | PlaceOrdered
    | Entered
    | Delivered
)


@hot_record(frozen=True, slots=True)
class Input:
    """One input with its two times."""

    received_at_us: int
    applied_at_us: int
    what: What


@hot_record(frozen=True, slots=True)
class SampleTaken:
    """A sample (or a later revision of one) is complete."""

    sample: Sample


@dataclass(frozen=True, slots=True)
class AlarmChanged:
    """One step in an alarm's life.

    `at_us` is dated by what caused it (the air, the person), `found_us` is the engine's time when it was known.
    `value` and `limit` are in `unit`; `late` marks an excursion that was found after it was over.
    """

    alarm: str
    kind: str
    priority: Priority
    event: Event
    before: State
    after: State
    at_us: int
    found_us: int
    text: str
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    by: str = ""
    comment: str = ""
    late: bool = False
    location: str | None = None
    sensor: str | None = None
    room: str | None = None
    area: str | None = None
    active: bool | None = None
    """Of a hidden alarm (shelved, suppressed, out of service): does its condition hold? None for all others, whose
    state says it. This field and those below are on record only where they say something."""
    until_us: int | None = None
    """Of a shelved alarm: when it comes back by itself."""
    hidden_because: str = ""
    """Of a hidden alarm: why it is hidden."""
    permit: str = ""
    """Of one out of service: the permit that it was removed under."""
    hidden_by: str = ""
    """Of one shelved or out of service: who did that."""

    @property
    def holds(self) -> bool:
        """Does the alarm's condition hold after this step, whether anybody sees the alarm or not?"""
        return self.after in ACTIVE or (self.after in HIDDEN and bool(self.active))


@dataclass(frozen=True, slots=True)
class Replied:
    """The answer to a command."""

    command_id: str
    accepted: bool
    text: str


@dataclass(frozen=True, slots=True)
class Turned:
    """The engine refused a message that did decode (unknown sensor, reused sequence, impossible time).

    Belongs to the input being applied; the shell keeps that input's bytes as a dead letter.
    """

    refusal: Refusal


@dataclass(frozen=True, slots=True)
class Repeated:
    """The input being applied is a reading already on record: nothing changed, and it need not be kept."""

    sensor: str
    boot: str
    seq: int


@dataclass(frozen=True, slots=True)
class Audited:
    """A fact for the audit trail: who did what, to what, and why."""

    at_us: int
    by: str
    action: str
    subject: str
    detail: str = ""


Output = SampleTaken | AlarmChanged | Replied | Turned | Repeated | Audited | Told


class History(Protocol):
    """The engine's long memory: what it itself took in and put out, as of the input being applied.

    The engine keeps only what the running rules need; late data and repeats older than that are answered from the
    record. A port, because the record is on disk; still deterministic, because it holds nothing but the consequences
    of earlier inputs. An implementation answers as of the input being applied, pending outputs included.
    """

    def heard(self, reading: Reading) -> None:
        """The engine accepted this reading."""
        ...

    def taken(self, sample: Sample) -> None:
        """The engine put out this sample (or revision)."""
        ...

    def samples(self, location: str, first_end_us: int, last_end_us: int) -> list[Sample]:
        """Latest revisions of the location's samples with `first_end_us <= end_us <= last_end_us`, oldest first."""
        ...

    def reading_start_us(self, sensor: str, boot: str, seq: int) -> int | None:
        """Start of the reading on record under this key, or None."""
        ...

    def knows_boot(self, sensor: str, boot: str) -> bool:
        """Is any reading of this boot of this sensor on record?"""
        ...


@dataclass(slots=True)
class Memory:
    """A history in memory: for tests and for simulations. Fed with the engine's own inputs and outputs."""

    _samples: dict[str, dict[int, Sample]] = field(default_factory=dict)
    _starts: dict[tuple[str, str, int], int] = field(default_factory=dict)
    _boots: set[tuple[str, str]] = field(default_factory=set)

    def heard(self, reading: Reading) -> None:
        """Remember an accepted reading."""
        self._starts[(reading.sensor, reading.boot, reading.seq)] = reading.start_us
        self._boots.add((reading.sensor, reading.boot))

    def taken(self, sample: Sample) -> None:
        """Remember a sample; a later revision replaces the earlier."""
        self._samples.setdefault(sample.location, {})[sample.end_us] = sample

    def samples(self, location: str, first_end_us: int, last_end_us: int) -> list[Sample]:
        """See `History.samples`."""
        mine = self._samples.get(location, {})
        return [mine[end] for end in sorted(mine) if first_end_us <= end <= last_end_us]

    def reading_start_us(self, sensor: str, boot: str, seq: int) -> int | None:
        """See `History.reading_start_us`."""
        return self._starts.get((sensor, boot, seq))

    def knows_boot(self, sensor: str, boot: str) -> bool:
        """See `History.knows_boot`."""
        return (sensor, boot) in self._boots
