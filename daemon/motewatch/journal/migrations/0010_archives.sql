-- Rows may leave the journal once they stand in an archive file that is on record here. Only raw messages, samples, dead
-- letters and seals do; the triggers let no other row go, and none that no archive holds.

CREATE TABLE archives (
    id INTEGER NOT NULL PRIMARY KEY,
    kind TEXT NOT NULL,
    name TEXT NOT NULL UNIQUE,
    first_id INTEGER NOT NULL,
    last_id INTEGER NOT NULL,
    first_us INTEGER,
    last_us INTEGER,
    rows INTEGER NOT NULL,
    bytes INTEGER NOT NULL,
    sha256 TEXT NOT NULL,
    manifest TEXT NOT NULL,
    hash TEXT NOT NULL,
    left_us INTEGER,
    deleted_us INTEGER,
    CHECK (first_id <= last_id)
) STRICT;

CREATE UNIQUE INDEX ux_archives_last ON archives (kind, last_id);

CREATE INDEX ix_archives_time ON archives (kind, last_us);

CREATE TRIGGER archives_unchanged BEFORE UPDATE ON archives
WHEN (NEW.id, NEW.kind, NEW.name, NEW.first_id, NEW.last_id, NEW.rows, NEW.bytes, NEW.sha256, NEW.manifest, NEW.hash)
    IS NOT (OLD.id, OLD.kind, OLD.name, OLD.first_id, OLD.last_id, OLD.rows, OLD.bytes, OLD.sha256, OLD.manifest, OLD.hash)
    OR (NEW.first_us, NEW.last_us) IS NOT (OLD.first_us, OLD.last_us)
    OR (OLD.left_us IS NOT NULL AND NEW.left_us IS NOT OLD.left_us)
    OR (OLD.deleted_us IS NOT NULL AND NEW.deleted_us IS NOT OLD.deleted_us)
BEGIN
    SELECT RAISE(ABORT, 'archives are append-only');
END;

CREATE TRIGGER archives_kept BEFORE DELETE ON archives
BEGIN
    SELECT RAISE(ABORT, 'archives are append-only');
END;

-- Which readings of which boot of a sensor an archive holds, so that a repeat of years ago is still recognised.
CREATE TABLE archived_readings (
    sensor TEXT NOT NULL,
    boot TEXT NOT NULL,
    archive INTEGER NOT NULL REFERENCES archives (id),
    first_seq INTEGER NOT NULL,
    last_seq INTEGER NOT NULL,
    first_input_id INTEGER NOT NULL,
    PRIMARY KEY (sensor, boot, archive)
) STRICT, WITHOUT ROWID;

DROP TRIGGER inputs_kept;

CREATE TRIGGER inputs_kept BEFORE DELETE ON inputs
WHEN OLD.kind NOT IN ('message', 'refused') OR coalesce(
    (SELECT first_id FROM archives WHERE kind = 'messages' AND last_id >= OLD.id ORDER BY last_id LIMIT 1), OLD.id + 1
) > OLD.id
BEGIN
    SELECT RAISE(ABORT, 'inputs are append-only');
END;

DROP TRIGGER outputs_kept;

CREATE TRIGGER outputs_kept BEFORE DELETE ON outputs
WHEN OLD.kind <> 'sample' OR coalesce(
    (SELECT first_id FROM archives WHERE kind = 'samples' AND last_id >= OLD.id ORDER BY last_id LIMIT 1), OLD.id + 1
) > OLD.id
BEGIN
    SELECT RAISE(ABORT, 'outputs are append-only');
END;

DROP TRIGGER samples_kept;

CREATE TRIGGER samples_kept BEFORE DELETE ON samples
WHEN coalesce(
    (SELECT first_id FROM archives WHERE kind = 'samples' AND last_id >= OLD.output_id ORDER BY last_id LIMIT 1),
    OLD.output_id + 1
) > OLD.output_id
BEGIN
    SELECT RAISE(ABORT, 'samples are append-only');
END;

DROP TRIGGER dead_letters_kept;

CREATE TRIGGER dead_letters_kept BEFORE DELETE ON dead_letters
WHEN coalesce(
    (SELECT first_id FROM archives WHERE kind = 'dead-letters' AND last_id >= OLD.id ORDER BY last_id LIMIT 1),
    OLD.id + 1
) > OLD.id
BEGIN
    SELECT RAISE(ABORT, 'dead letters are append-only');
END;

DROP TRIGGER seals_kept;

CREATE TRIGGER seals_kept BEFORE DELETE ON seals
WHEN coalesce(
    (SELECT first_id FROM archives WHERE kind = 'seals' AND last_id >= OLD.id ORDER BY last_id LIMIT 1), OLD.id + 1
) > OLD.id
BEGIN
    SELECT RAISE(ABORT, 'seals are append-only');
END;

-- Deleting a seal looks for anchors of it; that is to take a step of an index, not a walk.
CREATE INDEX ix_anchors_seal ON anchors (seal_id);
