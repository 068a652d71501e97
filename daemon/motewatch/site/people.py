"""Who is called, in which order and over which channel: the callout tables of the site file.

Rules: as in `site.models` (unknown keys are mistakes, units in the key names, secrets only as names of files). What
one table can say about itself is validated here; that a named person, rota or channel exists is `site.check_people`.
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Literal, Self

from pydantic import Field, StringConstraints, model_validator

from motewatch.site.basics import URL_PATTERN, Identifier, Label, Number, Table, Whole, mistake

PriorityWord = Literal["low", "medium", "high"]
Entitlement = Literal["acknowledge", "shelve", "reset", "remove-from-service", "occupancy", "check-in"]
TARGET_PATTERN = r"^(person|team|rota):[a-z0-9][a-z0-9_-]{0,62}$"
CLOCK_PATTERN = r"^([01]\d|2[0-3]):[0-5]\d$"
WEEKLY_TIME_PATTERN = r"^(Mon|Tue|Wed|Thu|Fri|Sat|Sun) ([01]\d|2[0-3]):[0-5]\d$"
Target = Annotated[str, StringConstraints(pattern=TARGET_PATTERN)]
"""Whom a step tells: `person:ID`, `team:ID` (all of it) or `rota:ID` (whoever is on call at that instant)."""


class Reach(Table):
    """One way to reach a person: an address on a channel."""

    channel: Identifier
    address: Label
    """E-mail address, phone number or whatever the channel's kind takes."""


class Person(Table):
    """A person who can be called and who may give commands."""

    id: Identifier
    name: Label
    reach: tuple[Reach, ...] = ()
    """In order of preference; when one fails for good, the next is tried."""
    quiet: tuple[str, ...] = ()
    """Weekly windows in the site's time zone, such as `"Mon-Sun 22:00-06:00"`: only high priority calls then."""
    may: tuple[Entitlement, ...] = ("acknowledge", "shelve", "occupancy", "check-in")


class Team(Table):
    """Persons who are told together."""

    id: Identifier
    name: Label
    members: Annotated[tuple[Identifier, ...], Field(min_length=1)]


class Rotation(Table):
    """A simple rotation: `members` take turns, each for `shift_days`, handing over at `hand_over` local time."""

    members: Annotated[tuple[Identifier, ...], Field(min_length=1)]
    first: date
    """Local day on which the first member's first shift begins."""
    hand_over: Annotated[str, StringConstraints(pattern=CLOCK_PATTERN)] = "08:00"
    shift_days: Annotated[Whole, Field(ge=1, le=366)] = 7


class Cover(Table):
    """`person` takes the calls from `start` to `end` (local time of the rota), for `instead_of` or whoever is on."""

    person: Identifier
    instead_of: Identifier | None = None
    start: datetime
    end: datetime
    reason: Label | None = None

    @model_validator(mode="after")
    def _local_and_ordered(self) -> Self:
        for key in ("start", "end"):
            if getattr(self, key).tzinfo is not None:
                raise mistake(key, "must be a local time without offset", "Write it as 2026-12-24T08:00:00.")
        if self.end <= self.start:
            raise mistake("end", "must be later than start", "Give the moment at which the cover ends.")
        return self


class Rota(Table):
    """Who is on call when: by a rotation, or by an RFC 5545 calendar whose events name persons."""

    id: Identifier
    name: Label
    time_zone: Label | None = None
    """IANA name; absent: the site's."""
    rotation: Rotation | None = None
    calendar_file: Label | None = None
    """Calendar file, relative to the site file. Reading the site puts its text into `calendar`."""
    calendar: str | None = None
    """Text of the calendar: the SUMMARY of an event is the id (or name) of the person on call."""
    cover: tuple[Cover, ...] = ()

    @model_validator(mode="after")
    def _one_source(self) -> Self:
        if (self.rotation is not None) == (self.calendar_file is not None or self.calendar is not None):
            raise mistake("", "a rota comes either from a rotation or from a calendar", "Give one of the two.")
        return self


class Step(Table):
    """One step of an escalation: so long after the alarm (without acknowledgement) these are told."""

    after_min: Annotated[Number, Field(ge=0, le=10_080)]
    tell: Annotated[tuple[Target, ...], Field(min_length=1)]


class Escalation(Table):
    """Whom an alarm reaches, step by step. The first in the file that matches the alarm at its start is taken."""

    id: Identifier
    priorities: tuple[PriorityWord, ...] = ()
    """Empty: every priority."""
    areas: tuple[Identifier, ...] = ()
    """Empty: every area, and alarms that belong to none."""
    during: tuple[str, ...] = ()
    """Weekly windows in the site's time zone in which it is taken; empty: always."""
    steps: Annotated[tuple[Step, ...], Field(min_length=1)]
    repeat_min: Annotated[Number, Field(ge=1, le=10_080)] | None = None
    """After the last step, everybody told so far is told again so often, until somebody acknowledges."""

    @model_validator(mode="after")
    def _rising(self) -> Self:
        waits = [step.after_min for step in self.steps]
        if waits != sorted(set(waits)):
            raise mistake("steps", "after_min must rise from step to step", "Order the steps by after_min.")
        return self


class ChannelBase(Table):
    """What every channel has."""

    id: Identifier
    timeout_s: Annotated[Number, Field(gt=0, le=120)] = 10.0
    per_minute: Annotated[Whole, Field(ge=1, le=10_000)] = 60
    """More than so many in a minute wait; calls of high priority go first."""
    give_up_min: Annotated[Number, Field(gt=0, le=1_440)] = 15.0
    """A call that could not be delivered for so long has failed; the person's next way is tried."""


class EmailChannel(ChannelBase):
    """E-mail over SMTP."""

    kind: Literal["e-mail"]
    host: Label
    port: Annotated[Whole, Field(ge=1, le=65_535)] = 587
    tls: Literal["starttls", "tls", "none"] = "starttls"
    ca_file: Label | None = None
    sender: Label
    username: Label | None = None
    password_file: Label | None = None


class WebhookChannel(ChannelBase):
    """An HTTP POST with a signature (HMAC-SHA256 over time stamp and body) and an idempotency key."""

    kind: Literal["webhook"]
    url: Annotated[str, StringConstraints(pattern=URL_PATTERN)]
    key_file: Label
    ca_file: Label | None = None


class MqttChannel(ChannelBase):
    """An MQTT message on the site's own broker, on the topic `call/PERSON`."""

    kind: Literal["mqtt"]


class ServiceChannel(ChannelBase):
    """Any service that the notification library reaches (SMS, voice, chat), by a URL with `{address}` in it."""

    kind: Literal["service"]
    url_file: Label
    """File with the service's URL. It holds secrets, so it stands in a file of its own."""


Channel = Annotated[EmailChannel | WebhookChannel | MqttChannel | ServiceChannel, Field(discriminator="kind")]


class AnswerPage(Table):
    """The small page behind the link in a call, on which an alarm is acknowledged or shelved."""

    public_url: Annotated[str, StringConstraints(pattern=URL_PATTERN)]
    """How a phone reaches the page from outside, such as `https://air.example.org/a`."""
    key_file: Label
    """File with the key that signs the links (at least 32 bytes)."""
    host: Label = "127.0.0.1"
    port: Annotated[Whole, Field(ge=0, le=65_535)] = 8420
    cert_file: Label | None = None
    cert_key_file: Label | None = None
    valid_min: Annotated[Number, Field(ge=1, le=10_080)] = 240.0
    shelve_min: tuple[Annotated[Whole, Field(ge=1, le=10_080)], ...] = (30, 60, 240)
    """Lengths of shelving that the page offers."""


class TestCalls(Table):
    """A call to try every way to every person who can be on call, once a week; each must be confirmed."""

    at: Annotated[str, StringConstraints(pattern=WEEKLY_TIME_PATTERN)]
    """Day and local time, such as `"Tue 10:00"`."""
    confirm_within_h: Annotated[Number, Field(gt=0, le=168)] = 24.0


class DeadMan(Table):
    """A signal to the outside at fixed times: somebody else notices when it stops."""

    url_file: Label
    """File with the URL that is called (it usually holds a secret)."""
    every_s: Annotated[Number, Field(ge=10, le=86_400)] = 60.0
    timeout_s: Annotated[Number, Field(gt=0, le=60)] = 10.0


class Unrecorded(Table):
    """The call that the record cannot be written, made beside the record."""

    after_s: Annotated[Number, Field(ge=1, le=3_600)] = 60.0
    """So long it must have been impossible to write before people are told; as long it must be possible again before
    they are told that it is over."""
    every_min: Annotated[Number, Field(ge=1, le=1_440)] = 15.0
    """Told again so often while it lasts."""


class Callout(Table):
    """How calls are made, apart from who is called."""

    flood_alarms: Annotated[Whole, Field(ge=2, le=1_000)] = 10
    """More than so many alarms within `flood_min` are told as one message per person, first cause first."""
    flood_min: Annotated[Number, Field(ge=1, le=60)] = 10.0
    nobody_after_min: Annotated[Number, Field(ge=1, le=1_440)] = 15.0
    """So long after the last step without acknowledgement, nobody was reached for an alarm of high priority."""
    answer_page: AnswerPage | None = None
    test_calls: TestCalls | None = None
    dead_man: DeadMan | None = None
    unrecorded: Unrecorded = Unrecorded()


class People(Table):
    """All callout tables; mixed into the site file."""

    callout: Callout = Callout()
    channels: tuple[Channel, ...] = ()
    persons: tuple[Person, ...] = ()
    teams: tuple[Team, ...] = ()
    rotas: tuple[Rota, ...] = ()
    escalations: tuple[Escalation, ...] = ()
