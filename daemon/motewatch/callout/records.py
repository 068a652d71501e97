"""What callout says and hears: small frozen records.

A call is told to one person over one way (channel and address) with everything a message needs, so that whoever
delivers it decides nothing. Links and secrets are added at delivery, never kept. Instants are microseconds UTC.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Cause(StrEnum):
    """Why a person is told. One member per branch of the rules."""

    RAISED = "raised"
    """An alarm started, and the person is on the first step."""
    CLIMBED = "climbed"
    """Nobody acknowledged in time: the next step."""
    REPEATED = "repeated"
    """The last step was reached and still nobody acknowledged."""
    OTHER_WAY = "other-way"
    """The way tried before failed for good, or took too long."""
    RETURNED = "returned"
    """To those who were told: the condition is over."""
    TAKEN = "taken"
    """To those who were told: somebody acknowledged, and who."""
    HANDED_OVER = "handed-over"
    """A summary of what is open, to the person whose shift begins."""
    MANY = "many"
    """A flood: related alarms in one message, the first cause first."""
    NOBODY_REACHED = "nobody-reached"
    """Everybody who can be told: nobody could be reached for an alarm."""
    TEST = "test"
    """A test call, to be confirmed."""
    UNRECORDED = "unrecorded"
    """The record cannot be written. Never on record itself: see `callout.unrecorded`."""


@dataclass(frozen=True, slots=True)
class Fact:
    """One alarm as a message tells it."""

    alarm: str
    priority: str
    state: str
    what: str
    where: str
    since_us: int
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    action: str = ""
    """What to do, from the alarm's rationalisation; empty where none is given."""


@dataclass(frozen=True, slots=True)
class Told:
    """A person is to be told, over one way. `id` is unique for ever and the idempotency key of the delivery."""

    id: str
    at_us: int
    """The nominal instant of the step that asked for it."""
    found_us: int
    """The engine's time when it was decided."""
    cause: Cause
    person: str
    channel: str
    address: str
    urgent: bool
    """High priority: goes first on its channel."""
    facts: tuple[Fact, ...]
    note: str = ""
    """One sentence beside the facts: who acknowledged, whose shift ended, how many alarms there are in all."""
    answer: str = ""
    """What the link of this call is for: an alarm's id, `test/ID` of a test call, or nothing."""


class Outcome(StrEnum):
    """What became of a call."""

    DELIVERED = "delivered"
    """The channel took it (an SMTP server's 250, a receiver's 2xx): not yet read by the person."""
    REFUSED = "refused"
    """Will never be taken: wrong address, refused for good."""
    GIVEN_UP = "given-up"
    """Tried for as long as the channel allows, without success."""


@dataclass(frozen=True, slots=True)
class Delivered:
    """The outcome of a call, as an input of the engine."""

    told: str
    outcome: Outcome
    at_us: int
    attempts: int
    detail: str = ""
