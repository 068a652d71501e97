-- Tamper evidence. One seal for each batch: a hash over all rows of the batch and over the seal before it. What was there
-- before this step is sealed as it was found, when the service first opens the journal (`opening` = 1).
-- Anchors are heads of that chain, signed where the site has a key, and published, so that others can keep them.

CREATE TABLE seals (
    id INTEGER NOT NULL PRIMARY KEY,
    input_id INTEGER NOT NULL,
    output_id INTEGER NOT NULL,
    dead_letter_id INTEGER NOT NULL,
    engine_us INTEGER,
    opening INTEGER NOT NULL,
    inputs BLOB NOT NULL,
    outputs BLOB NOT NULL,
    dead_letters BLOB NOT NULL,
    marks BLOB NOT NULL,
    hash BLOB NOT NULL
) STRICT;

CREATE TABLE anchors (
    id INTEGER NOT NULL PRIMARY KEY,
    at_us INTEGER NOT NULL,
    seal_id INTEGER NOT NULL REFERENCES seals (id),
    input_id INTEGER NOT NULL,
    output_id INTEGER NOT NULL,
    hash TEXT NOT NULL,
    public_key TEXT,
    signature TEXT,
    CHECK ((public_key IS NULL) = (signature IS NULL))
) STRICT;

CREATE TRIGGER seals_unchanged BEFORE UPDATE ON seals
BEGIN
    SELECT RAISE(ABORT, 'seals are append-only');
END;

CREATE TRIGGER seals_kept BEFORE DELETE ON seals
BEGIN
    SELECT RAISE(ABORT, 'seals are append-only');
END;

CREATE TRIGGER anchors_unchanged BEFORE UPDATE ON anchors
BEGIN
    SELECT RAISE(ABORT, 'anchors are append-only');
END;

CREATE TRIGGER anchors_kept BEFORE DELETE ON anchors
BEGIN
    SELECT RAISE(ABORT, 'anchors are append-only');
END;

CREATE TRIGGER dead_letters_unchanged BEFORE UPDATE ON dead_letters
BEGIN
    SELECT RAISE(ABORT, 'dead letters are append-only');
END;

CREATE TRIGGER dead_letters_kept BEFORE DELETE ON dead_letters
BEGIN
    SELECT RAISE(ABORT, 'dead letters are append-only');
END;
