-- What people ask about calls: who was told, when, why, over which way, and what became of it. The full text of a call
-- is in outputs; only its outcome, which comes later as an input, is entered here, once.

CREATE TABLE calls (
    output_id INTEGER NOT NULL PRIMARY KEY REFERENCES outputs (id),
    person TEXT NOT NULL,
    channel TEXT NOT NULL,
    address TEXT NOT NULL,
    cause TEXT NOT NULL,
    at_us INTEGER NOT NULL,
    outcome TEXT,
    outcome_us INTEGER,
    attempts INTEGER,
    detail TEXT,
    CHECK (
        (outcome IS NULL AND outcome_us IS NULL AND attempts IS NULL AND detail IS NULL) OR
        (outcome IS NOT NULL AND outcome_us IS NOT NULL AND attempts IS NOT NULL AND detail IS NOT NULL)
    )
) STRICT;

CREATE INDEX ix_calls_at ON calls (at_us);

CREATE INDEX ix_calls_person ON calls (person, output_id);

CREATE TABLE call_alarms (
    output_id INTEGER NOT NULL REFERENCES calls (output_id),
    alarm TEXT NOT NULL,
    PRIMARY KEY (output_id, alarm)
) STRICT;

CREATE INDEX ix_call_alarms_alarm ON call_alarms (alarm, output_id);

-- Journals from before: the calls that were told, and the first outcome of each.
INSERT INTO calls (output_id, person, channel, address, cause, at_us)
SELECT
    id,
    json_extract(body, '$.person'),
    json_extract(body, '$.channel'),
    json_extract(body, '$.address'),
    json_extract(body, '$.cause'),
    json_extract(body, '$.at_us')
FROM outputs
WHERE kind = 'told';

INSERT INTO call_alarms (output_id, alarm)
SELECT DISTINCT outputs.id, json_extract(fact.value, '$.alarm')
FROM outputs, json_each(outputs.body, '$.facts') AS fact
WHERE outputs.kind = 'told';

UPDATE calls
SET outcome = said.outcome, outcome_us = said.at_us, attempts = said.attempts, detail = said.detail
FROM (
    SELECT
        call_ids.output_id,
        min(inputs.id),
        json_extract(CAST(payload AS TEXT), '$.outcome') AS outcome,
        json_extract(CAST(payload AS TEXT), '$.at_us') AS at_us,
        json_extract(CAST(payload AS TEXT), '$.attempts') AS attempts,
        json_extract(CAST(payload AS TEXT), '$.detail') AS detail
    FROM inputs
    JOIN call_ids ON call_ids.id = json_extract(CAST(payload AS TEXT), '$.told')
    WHERE inputs.kind = 'delivered'
    GROUP BY call_ids.output_id
) AS said
WHERE calls.output_id = said.output_id;

CREATE TRIGGER calls_unchanged BEFORE UPDATE ON calls
WHEN OLD.outcome IS NOT NULL
    OR NEW.outcome IS NULL
    OR (NEW.output_id, NEW.person, NEW.channel, NEW.address, NEW.cause, NEW.at_us)
        IS NOT (OLD.output_id, OLD.person, OLD.channel, OLD.address, OLD.cause, OLD.at_us)
BEGIN
    SELECT RAISE(ABORT, 'of a call only the outcome is entered, once');
END;

CREATE TRIGGER calls_kept BEFORE DELETE ON calls
BEGIN
    SELECT RAISE(ABORT, 'calls are append-only');
END;

CREATE TRIGGER call_alarms_unchanged BEFORE UPDATE ON call_alarms
BEGIN
    SELECT RAISE(ABORT, 'calls are append-only');
END;

CREATE TRIGGER call_alarms_kept BEFORE DELETE ON call_alarms
BEGIN
    SELECT RAISE(ABORT, 'calls are append-only');
END;
