"""The tables of the journal as SQLAlchemy Core sees them. One truth, no text kept twice.

`inputs` and `outputs` are the record: what the engine was told and what it said, in its order. `samples`,
`alarm_events`, `calls` and `audit` hold the columns that people search by, each row pointing at its output; the full
text is in `outputs.body` alone (`audit` repeats its few words, because its hash chain must stand by itself).

Rules: this describes the newest schema; how a file gets there is `migrations`, and a test compares the two. All ids
are given by the writer, so no insert has to ask for them back. Instants end in `_us`. No dialect is named here except
in the two types and the partial indexes, which say the same to each.
"""

from __future__ import annotations

from typing import Final

from sqlalchemy import (
    BigInteger,
    Boolean,
    CheckConstraint,
    Column,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
)

metadata = MetaData()

# SQLite's row ids exist only under the name INTEGER, which there has 64 bits anyway.
Whole = BigInteger().with_variant(Integer(), "sqlite")
Flag = Boolean().with_variant(Integer(), "sqlite")


def _id() -> Column[int]:
    return Column("id", Whole, primary_key=True, autoincrement=False)


def _output() -> Column[int]:
    return Column("output_id", Whole, ForeignKey("outputs.id"), primary_key=True, autoincrement=False)


meta = Table(
    "meta",
    metadata,
    _id(),
    Column("site", Text),
    Column("engine_us", Whole),
    CheckConstraint("id = 1"),
)
"""One row: whose journal this is and how far the engine's time had come."""

journal_migrations = Table(
    "journal_migrations",
    metadata,
    Column("version", Whole, primary_key=True, autoincrement=False),
    Column("name", Text, nullable=False),
    Column("digest", Text, nullable=False),
)

inputs = Table(
    "inputs",
    metadata,
    _id(),
    Column("kind", Text, nullable=False),
    Column("received_us", Whole, nullable=False),
    Column("applied_us", Whole, nullable=False),
    Column("topic", Text, nullable=False),
    Column("payload", LargeBinary, nullable=False),
    Column("sensor", Text),
    Column("boot", Text),
    Column("seq", Whole),
    Column("start_us", Whole),
    CheckConstraint(
        "(seq IS NULL AND start_us IS NULL) OR "
        "(seq IS NOT NULL AND start_us IS NOT NULL AND sensor IS NOT NULL AND boot IS NOT NULL)"
    ),
)
_reading = inputs.c.seq.is_not(None)
Index(
    "ux_inputs_reading",
    inputs.c.sensor,
    inputs.c.boot,
    inputs.c.seq,
    unique=True,
    sqlite_where=_reading,
    postgresql_where=_reading,
)

_configuration = inputs.c.kind == "configured"
Index("ix_inputs_configured", inputs.c.id, sqlite_where=_configuration, postgresql_where=_configuration)

outputs = Table(
    "outputs",
    metadata,
    _id(),
    # No foreign key: raw inputs are to leave for archives one day, their outputs stay. `verify` checks it.
    Column("input_id", Whole),
    Column("kind", Text, nullable=False),
    Column("body", Text, nullable=False),
)

# Whoever opens the link of a call names it by its id.
call_ids = Table(
    "call_ids",
    metadata,
    Column("id", Text, primary_key=True, nullable=False),
    Column("output_id", Whole, ForeignKey("outputs.id"), nullable=False, unique=True),
)

calls = Table(
    "calls",
    metadata,
    _output(),
    Column("person", Text, nullable=False),
    Column("channel", Text, nullable=False),
    Column("address", Text, nullable=False),
    Column("cause", Text, nullable=False),
    Column("at_us", Whole, nullable=False),
    # What became of it comes later, as an input; the first outcome counts.
    Column("outcome", Text),
    Column("outcome_us", Whole),
    Column("attempts", Whole),
    Column("detail", Text),
    CheckConstraint(
        "(outcome IS NULL AND outcome_us IS NULL AND attempts IS NULL AND detail IS NULL) OR "
        "(outcome IS NOT NULL AND outcome_us IS NOT NULL AND attempts IS NOT NULL AND detail IS NOT NULL)"
    ),
)
Index("ix_calls_at", calls.c.at_us)
Index("ix_calls_person", calls.c.person, calls.c.output_id)

call_alarms = Table(
    "call_alarms",
    metadata,
    Column("output_id", Whole, ForeignKey("calls.output_id"), primary_key=True, autoincrement=False),
    Column("alarm", Text, primary_key=True, nullable=False),
)
Index("ix_call_alarms_alarm", call_alarms.c.alarm, call_alarms.c.output_id)

samples = Table(
    "samples",
    metadata,
    _output(),
    Column("location", Text, nullable=False),
    Column("end_us", Whole, nullable=False),
    Column("revision", Whole, nullable=False),
    Column("start_us", Whole, nullable=False),
    # The last input the engine had taken in when it gave this sample; 0 before the first. Unlike outputs.input_id it
    # is always there, and so tells what was known as of any input.
    Column("input_id", Whole, nullable=False),
    Column("sampled_us", Whole, nullable=False),
    Column("readings", Whole, nullable=False),
    Column("quality", Whole, nullable=False),
)
Index("ux_samples_revision", samples.c.location, samples.c.end_us, samples.c.revision, unique=True)
Index("ix_samples_end", samples.c.end_us)

alarm_events = Table(
    "alarm_events",
    metadata,
    _output(),
    Column("alarm", Text, nullable=False),
    Column("kind", Text, nullable=False),
    Column("priority", Text, nullable=False),
    Column("event", Text, nullable=False),
    Column("state_before", Text, nullable=False),
    Column("state_after", Text, nullable=False),
    Column("at_us", Whole, nullable=False),
    Column("found_us", Whole, nullable=False),
    Column("location", Text),
    Column("sensor", Text),
    Column("room", Text),
)
Index("ix_alarm_events_alarm", alarm_events.c.alarm, alarm_events.c.output_id)
Index("ix_alarm_events_at", alarm_events.c.at_us)
for _place in (alarm_events.c.location, alarm_events.c.room, alarm_events.c.sensor):
    Index(
        f"ix_alarm_events_{_place.name}",
        _place,
        alarm_events.c.at_us,
        sqlite_where=_place.is_not(None),
        postgresql_where=_place.is_not(None),
    )

audit = Table(
    "audit",
    metadata,
    _id(),
    Column("output_id", Whole, ForeignKey("outputs.id"), nullable=False, unique=True),
    Column("at_us", Whole, nullable=False),
    Column("who", Text, nullable=False),
    Column("action", Text, nullable=False),
    Column("subject", Text, nullable=False),
    Column("detail", Text, nullable=False),
    Column("previous_hash", Text, nullable=False),
    Column("hash", Text, nullable=False),
)
_note = audit.c.action == "note"
Index("ix_audit_notes", audit.c.subject, audit.c.at_us, sqlite_where=_note, postgresql_where=_note)
_signed = audit.c.action == "signed"
Index("ix_audit_signed", audit.c.subject, sqlite_where=_signed, postgresql_where=_signed)
Index("ix_audit_at", audit.c.at_us)
Index("ix_audit_who", audit.c.who, audit.c.at_us)
Index("ix_audit_action", audit.c.action, audit.c.at_us)

dead_letters = Table(
    "dead_letters",
    metadata,
    _id(),
    Column("received_us", Whole, nullable=False),
    Column("topic", Text, nullable=False),
    Column("payload", LargeBinary, nullable=False),
    Column("reason", Text, nullable=False),
    Column("detail", Text, nullable=False),
    Column("sensor", Text),
)
_from_sensor = dead_letters.c.sensor.is_not(None)
Index("ix_dead_letters_received", dead_letters.c.received_us)
Index(
    "ix_dead_letters_sensor",
    dead_letters.c.sensor,
    dead_letters.c.received_us,
    sqlite_where=_from_sensor,
    postgresql_where=_from_sensor,
)

outbox = Table(
    "outbox",
    metadata,
    _id(),
    Column("sink", Text, nullable=False),
    Column("key", Text, nullable=False),
    Column("topic", Text, nullable=False),
    Column("payload", LargeBinary, nullable=False),
    Column("retain", Flag, nullable=False),
    Column("expiry_s", Whole),
    Column("created_us", Whole, nullable=False),
    Column("attempts", Whole, nullable=False),
    Column("next_try_us", Whole, nullable=False),
    Column("delivered_us", Whole),
    Column("last_error", Text),
)
_waiting = outbox.c.delivered_us.is_(None)
_served = outbox.c.delivered_us.is_not(None)
Index("ux_outbox_key", outbox.c.sink, outbox.c.key, unique=True)
Index(
    "ix_outbox_waiting",
    outbox.c.sink,
    outbox.c.next_try_us,
    outbox.c.id,
    sqlite_where=_waiting,
    postgresql_where=_waiting,
)
Index(
    "ix_outbox_delivered",
    outbox.c.sink,
    outbox.c.delivered_us,
    sqlite_where=_served,
    postgresql_where=_served,
)

console_users = Table(
    "console_users",
    metadata,
    Column("id", Text, primary_key=True, nullable=False),
    Column("name", Text, nullable=False),
    Column("role", Text, nullable=False),
    Column("password", Text, nullable=False),
    # Not NULL: the password is a secret for one sign-in, until then, and has to be changed at it.
    Column("one_time_until_us", Whole),
    Column("created_us", Whole, nullable=False),
    Column("disabled_us", Whole),
    Column("password_set_us", Whole),
    Column("used_us", Whole),
    # Issuer and subject at an outside identity provider.
    Column("outside", Text),
)
"""Who may sign in at the console. Never deleted: the audit trail names them."""
_outside = console_users.c.outside.is_not(None)
Index(
    "ix_console_users_outside",
    console_users.c.outside,
    unique=True,
    sqlite_where=_outside,
    postgresql_where=_outside,
)

console_sessions = Table(
    "console_sessions",
    metadata,
    Column("hash", Text, primary_key=True, nullable=False),
    Column("user_id", Text, ForeignKey("console_users.id"), nullable=False),
    Column("created_us", Whole, nullable=False),
    Column("seen_us", Whole, nullable=False),
)
Index("ix_console_sessions_user", console_sessions.c.user_id)

console_tokens = Table(
    "console_tokens",
    metadata,
    Column("id", Text, primary_key=True, nullable=False),
    Column("hash", Text, nullable=False, unique=True),
    Column("user_id", Text, ForeignKey("console_users.id"), nullable=False),
    Column("scope", Text, nullable=False),
    Column("label", Text, nullable=False),
    Column("created_us", Whole, nullable=False),
    Column("until_us", Whole, nullable=False),
    Column("ended_us", Whole),
)

console_notices = Table(
    "console_notices",
    metadata,
    Column("id", Whole, primary_key=True),
    Column("at_us", Whole, nullable=False),
    Column("who", Text, nullable=False),
    Column("action", Text, nullable=False),
    Column("subject", Text, nullable=False),
    Column("detail", Text, nullable=False),
    Column("taken_us", Whole),
)
"""What was done to users from the machine's own shell, until the service puts it on the audit trail."""

seals = Table(
    "seals",
    metadata,
    _id(),
    # The last row of each table that it covers; it begins after the last of the seal before.
    Column("input_id", Whole, nullable=False),
    Column("output_id", Whole, nullable=False),
    Column("dead_letter_id", Whole, nullable=False),
    Column("engine_us", Whole),
    Column("opening", Flag, nullable=False),
    Column("inputs", LargeBinary, nullable=False),
    Column("outputs", LargeBinary, nullable=False),
    Column("dead_letters", LargeBinary, nullable=False),
    Column("marks", LargeBinary, nullable=False),
    Column("hash", LargeBinary, nullable=False),
)
"""The record's hash chain, a link for each batch; see `seals`."""

anchors = Table(
    "anchors",
    metadata,
    _id(),
    Column("at_us", Whole, nullable=False),
    Column("seal_id", Whole, ForeignKey("seals.id"), nullable=False),
    Column("input_id", Whole, nullable=False),
    Column("output_id", Whole, nullable=False),
    Column("hash", Text, nullable=False),
    Column("public_key", Text),
    Column("signature", Text),
    CheckConstraint("(public_key IS NULL) = (signature IS NULL)"),
)
"""Heads of that chain as they were published; see `anchors`."""
Index("ix_anchors_seal", anchors.c.seal_id)

archives = Table(
    "archives",
    metadata,
    _id(),
    Column("kind", Text, nullable=False),
    Column("name", Text, nullable=False, unique=True),
    # It holds all rows of its kind with these ids; each begins after the last of the one before.
    Column("first_id", Whole, nullable=False),
    Column("last_id", Whole, nullable=False),
    # When what it holds happened: ends of samples, receipt of messages. NULL of an empty one and of seals.
    Column("first_us", Whole),
    Column("last_us", Whole),
    Column("rows", Whole, nullable=False),
    Column("bytes", Whole, nullable=False),
    Column("sha256", Text, nullable=False),
    Column("manifest", Text, nullable=False),
    Column("hash", Text, nullable=False),
    # When all its rows had left the journal, and when the file was deleted by a rule of the site.
    Column("left_us", Whole),
    Column("deleted_us", Whole),
    CheckConstraint("first_id <= last_id"),
)
"""Archive files, in the order in which they were made; see `archives`."""
Index("ux_archives_last", archives.c.kind, archives.c.last_id, unique=True)
Index("ix_archives_time", archives.c.kind, archives.c.last_us)

archived_readings = Table(
    "archived_readings",
    metadata,
    Column("sensor", Text, primary_key=True, nullable=False),
    Column("boot", Text, primary_key=True, nullable=False),
    Column("archive", Whole, ForeignKey("archives.id"), primary_key=True, autoincrement=False),
    Column("first_seq", Whole, nullable=False),
    Column("last_seq", Whole, nullable=False),
    Column("first_input_id", Whole, nullable=False),
)
"""Which readings an archive of messages holds."""


def _hours(name: str) -> Table:
    return Table(
        name,
        metadata,
        Column("location", Text, primary_key=True, nullable=False),
        Column("hour", Whole, primary_key=True, autoincrement=False),
        Column("body", Text, nullable=False),
    )


sample_hours, sample_parts = _hours("sample_hours"), _hours("sample_parts")
"""Hours of samples summed up, whole and in parts; see `rollups`. Derived; void where `stale_hours` names the hour."""

stale_hours = Table(
    "stale_hours",
    metadata,
    Column("hour", Whole, primary_key=True, autoincrement=False),
    Column("location", Text, primary_key=True, nullable=False),
    # The last sample of that hour that was recorded.
    Column("output_id", Whole, nullable=False),
)

reports = Table(
    "reports",
    metadata,
    Column("id", Text, primary_key=True, nullable=False),
    Column("number", Whole, nullable=False, unique=True),
    Column("kind", Text, nullable=False),
    Column("title", Text, nullable=False),
    Column("start_us", Whole, nullable=False),
    Column("end_us", Whole, nullable=False),
    Column("batch", Text, nullable=False),
    Column("hash", Text, nullable=False),
    Column("seal", Whole, nullable=False),
    Column("made_us", Whole, nullable=False),
    Column("made_by", Text, nullable=False),
    Column("file", Text, nullable=False),
)
"""Reports that were made; the content is a file beside the journal. See `reports`."""

report_runs = Table(
    "report_runs",
    metadata,
    Column("schedule", Text, primary_key=True, nullable=False),
    Column("start_us", Whole, primary_key=True, autoincrement=False),
    Column("report", Text, ForeignKey("reports.id"), nullable=False),
)
"""Which time of a schedule has its report."""

report_mails = Table(
    "report_mails",
    metadata,
    Column("report", Text, ForeignKey("reports.id"), primary_key=True, nullable=False),
    Column("schedule", Text, primary_key=True, nullable=False),
    Column("channel", Text, primary_key=True, nullable=False),
    Column("address", Text, primary_key=True, nullable=False),
    Column("attempts", Whole, nullable=False),
    Column("next_try_us", Whole, nullable=False),
    Column("ended_us", Whole),
    Column("sent", Flag, nullable=False),
    Column("detail", Text, nullable=False),
)

snapshots = Table(
    "snapshots",
    metadata,
    _id(),
    Column("input_id", Whole, nullable=False),
    Column("engine_us", Whole, nullable=False),
    Column("output_id", Whole, nullable=False),
    Column("version", Whole, nullable=False),
    Column("body", LargeBinary, nullable=False),
)

SEALED: Final = (inputs, outputs, dead_letters)
"""Whose rows a seal covers, in its order."""
