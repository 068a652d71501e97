-- Hours of samples summed up, so that a year's trend is read in a moment. Derived from the record and not part of it: an
-- hour that is named in `stale_hours` is to be read from its samples, whatever stands in `sample_hours`.
-- Beside them the indexes that the pages of one room need.

CREATE TABLE sample_hours (
    location TEXT NOT NULL,
    hour INTEGER NOT NULL,
    body TEXT NOT NULL,
    PRIMARY KEY (location, hour)
) STRICT, WITHOUT ROWID;

CREATE TABLE sample_parts (
    location TEXT NOT NULL,
    hour INTEGER NOT NULL,
    body TEXT NOT NULL,
    PRIMARY KEY (location, hour)
) STRICT, WITHOUT ROWID;

CREATE TABLE stale_hours (
    hour INTEGER NOT NULL,
    location TEXT NOT NULL,
    output_id INTEGER NOT NULL,
    PRIMARY KEY (hour, location)
) STRICT, WITHOUT ROWID;

INSERT INTO stale_hours (hour, location, output_id)
SELECT (end_us - 1) / 3600000000, location, max(output_id) FROM samples GROUP BY location, (end_us - 1) / 3600000000;

-- Whoever records a sample makes its hour stale; nobody can forget it.
CREATE TRIGGER samples_make_stale AFTER INSERT ON samples
BEGIN
    INSERT INTO stale_hours (hour, location, output_id)
    VALUES ((NEW.end_us - 1) / 3600000000, NEW.location, NEW.output_id)
    ON CONFLICT (hour, location) DO UPDATE SET output_id = excluded.output_id;
END;

CREATE INDEX ix_inputs_configured ON inputs (id) WHERE kind = 'configured';

CREATE INDEX ix_alarm_events_location ON alarm_events (location, at_us) WHERE location IS NOT NULL;

CREATE INDEX ix_alarm_events_room ON alarm_events (room, at_us) WHERE room IS NOT NULL;

CREATE INDEX ix_audit_notes ON audit (subject, at_us) WHERE action = 'note';
