"""What the journal takes in and gives out, as frozen records.

Rules: instants are microseconds UTC, payloads the bytes as they travelled. An id of 0 means "not yet on record": the
journal gives the ids. Nothing here knows tables, SQL or threads.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from motewatch.callout.records import Outcome
from motewatch.engine.records import Output, Told
from motewatch.site.hot import hot_record

BY_TIME = -1
"""In `Batch.outputs`: the output belongs to no input; the passing of time (`advance`) made it."""


@hot_record(frozen=True, slots=True)
class InputRow:
    """One input of the engine, as kept for replay.

    `sensor`, `boot` and `seq` are the key of a reading; only a reading has a `seq`, and with it the `start_us` of its
    interval (the engine tells a repeat from a reused sequence number by that instant).
    """

    id: int
    kind: str
    received_us: int
    applied_us: int
    topic: str
    payload: bytes
    sensor: str | None = None
    boot: str | None = None
    seq: int | None = None
    start_us: int | None = None


@dataclass(frozen=True, slots=True)
class DeadLetter:
    """A message that could not be used: its bytes and why (`reason` for the machine, `detail` for the person)."""

    received_us: int
    topic: str
    payload: bytes
    reason: str
    detail: str
    sensor: str | None = None


@hot_record(frozen=True, slots=True)
class OutboxRow:
    """Something to be told to one sink. `key` is its idempotency key: unique within the sink for ever.

    `attempts` counts failed tries; the row is due when `next_try_us` has come. `expiry_s`: worthless after that time.
    """

    id: int
    sink: str
    key: str
    topic: str
    payload: bytes
    retain: bool
    created_us: int
    attempts: int
    next_try_us: int
    expiry_s: int | None = None


@dataclass(frozen=True, slots=True)
class SnapshotRow:
    """The engine's state after input `input_id` and output `output_id`; `version` is that of the state's format."""

    input_id: int
    engine_us: int
    output_id: int
    version: int
    body: bytes


@dataclass(frozen=True, slots=True)
class AuditRow:
    """One link of the audit chain; `hash` covers this row's content and `previous_hash`."""

    id: int
    at_us: int
    by: str
    action: str
    subject: str
    detail: str
    previous_hash: str
    hash: str


@dataclass(frozen=True, slots=True)
class CallRow:
    """A call and what became of it; without `outcome` that is not known yet."""

    told: Told
    outcome: Outcome | None = None
    outcome_us: int | None = None
    attempts: int | None = None
    detail: str | None = None


@dataclass(frozen=True, slots=True)
class Batch:
    """What one transaction writes: all of it or nothing.

    `outputs` are in the order the engine gave them, each with the index of its input in `inputs`, or `BY_TIME`.
    `engine_us` is the engine's time after the batch.
    """

    inputs: list[InputRow] = field(default_factory=list)
    outputs: list[tuple[int, Output]] = field(default_factory=list)
    dead_letters: list[DeadLetter] = field(default_factory=list)
    outbox: list[OutboxRow] = field(default_factory=list)
    engine_us: int = 0
