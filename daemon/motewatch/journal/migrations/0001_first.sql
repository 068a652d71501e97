-- The first schema. STRICT: SQLite then refuses a value of the wrong type instead of keeping it.
-- The record is append-only: triggers refuse to change or remove what was once written.

CREATE TABLE meta (
    id INTEGER NOT NULL PRIMARY KEY CHECK (id = 1),
    site TEXT,
    engine_us INTEGER
) STRICT;

INSERT INTO meta (id) VALUES (1);

CREATE TABLE inputs (
    id INTEGER NOT NULL PRIMARY KEY,
    kind TEXT NOT NULL,
    received_us INTEGER NOT NULL,
    applied_us INTEGER NOT NULL,
    topic TEXT NOT NULL,
    payload BLOB NOT NULL,
    sensor TEXT,
    boot TEXT,
    seq INTEGER,
    start_us INTEGER,
    CHECK (
        (seq IS NULL AND start_us IS NULL)
        OR (seq IS NOT NULL AND start_us IS NOT NULL AND sensor IS NOT NULL AND boot IS NOT NULL)
    )
) STRICT;

CREATE UNIQUE INDEX ux_inputs_reading ON inputs (sensor, boot, seq) WHERE seq IS NOT NULL;

CREATE TABLE outputs (
    id INTEGER NOT NULL PRIMARY KEY,
    input_id INTEGER,
    kind TEXT NOT NULL,
    body TEXT NOT NULL
) STRICT;

CREATE TABLE samples (
    output_id INTEGER NOT NULL PRIMARY KEY REFERENCES outputs (id),
    location TEXT NOT NULL,
    end_us INTEGER NOT NULL,
    revision INTEGER NOT NULL,
    start_us INTEGER NOT NULL,
    input_id INTEGER NOT NULL,
    sampled_us INTEGER NOT NULL,
    readings INTEGER NOT NULL,
    quality INTEGER NOT NULL
) STRICT;

CREATE UNIQUE INDEX ux_samples_revision ON samples (location, end_us, revision);

CREATE INDEX ix_samples_end ON samples (end_us);

CREATE TABLE alarm_events (
    output_id INTEGER NOT NULL PRIMARY KEY REFERENCES outputs (id),
    alarm TEXT NOT NULL,
    kind TEXT NOT NULL,
    priority TEXT NOT NULL,
    event TEXT NOT NULL,
    state_before TEXT NOT NULL,
    state_after TEXT NOT NULL,
    at_us INTEGER NOT NULL,
    found_us INTEGER NOT NULL,
    location TEXT,
    sensor TEXT,
    room TEXT
) STRICT;

CREATE INDEX ix_alarm_events_alarm ON alarm_events (alarm, output_id);

CREATE INDEX ix_alarm_events_at ON alarm_events (at_us);

CREATE TABLE audit (
    id INTEGER NOT NULL PRIMARY KEY,
    output_id INTEGER NOT NULL UNIQUE REFERENCES outputs (id),
    at_us INTEGER NOT NULL,
    who TEXT NOT NULL,
    action TEXT NOT NULL,
    subject TEXT NOT NULL,
    detail TEXT NOT NULL,
    previous_hash TEXT NOT NULL,
    hash TEXT NOT NULL
) STRICT;

CREATE TABLE dead_letters (
    id INTEGER NOT NULL PRIMARY KEY,
    received_us INTEGER NOT NULL,
    topic TEXT NOT NULL,
    payload BLOB NOT NULL,
    reason TEXT NOT NULL,
    detail TEXT NOT NULL,
    sensor TEXT
) STRICT;

CREATE TABLE outbox (
    id INTEGER NOT NULL PRIMARY KEY,
    sink TEXT NOT NULL,
    "key" TEXT NOT NULL,
    topic TEXT NOT NULL,
    payload BLOB NOT NULL,
    retain INTEGER NOT NULL,
    expiry_s INTEGER,
    created_us INTEGER NOT NULL,
    attempts INTEGER NOT NULL,
    next_try_us INTEGER NOT NULL,
    delivered_us INTEGER,
    last_error TEXT
) STRICT;

CREATE UNIQUE INDEX ux_outbox_key ON outbox (sink, "key");

CREATE INDEX ix_outbox_waiting ON outbox (sink, next_try_us, id) WHERE delivered_us IS NULL;

CREATE INDEX ix_outbox_delivered ON outbox (sink, delivered_us) WHERE delivered_us IS NOT NULL;

CREATE TABLE snapshots (
    id INTEGER NOT NULL PRIMARY KEY,
    input_id INTEGER NOT NULL,
    engine_us INTEGER NOT NULL,
    output_id INTEGER NOT NULL,
    version INTEGER NOT NULL,
    body BLOB NOT NULL
) STRICT;

CREATE TRIGGER inputs_unchanged BEFORE UPDATE ON inputs
BEGIN
    SELECT RAISE(ABORT, 'inputs are append-only');
END;

CREATE TRIGGER inputs_kept BEFORE DELETE ON inputs
BEGIN
    SELECT RAISE(ABORT, 'inputs are append-only');
END;

CREATE TRIGGER outputs_unchanged BEFORE UPDATE ON outputs
BEGIN
    SELECT RAISE(ABORT, 'outputs are append-only');
END;

CREATE TRIGGER outputs_kept BEFORE DELETE ON outputs
BEGIN
    SELECT RAISE(ABORT, 'outputs are append-only');
END;

CREATE TRIGGER samples_unchanged BEFORE UPDATE ON samples
BEGIN
    SELECT RAISE(ABORT, 'samples are append-only');
END;

CREATE TRIGGER samples_kept BEFORE DELETE ON samples
BEGIN
    SELECT RAISE(ABORT, 'samples are append-only');
END;

CREATE TRIGGER alarm_events_unchanged BEFORE UPDATE ON alarm_events
BEGIN
    SELECT RAISE(ABORT, 'alarm events are append-only');
END;

CREATE TRIGGER alarm_events_kept BEFORE DELETE ON alarm_events
BEGIN
    SELECT RAISE(ABORT, 'alarm events are append-only');
END;

CREATE TRIGGER audit_unchanged BEFORE UPDATE ON audit
BEGIN
    SELECT RAISE(ABORT, 'the audit trail is append-only');
END;

CREATE TRIGGER audit_kept BEFORE DELETE ON audit
BEGIN
    SELECT RAISE(ABORT, 'the audit trail is append-only');
END;
