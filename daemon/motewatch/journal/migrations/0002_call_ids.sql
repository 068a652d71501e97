-- Finds a call that was told by its id: whoever opens the link of a call names it. The call itself is an output.

CREATE TABLE call_ids (
    id TEXT NOT NULL PRIMARY KEY,
    output_id INTEGER NOT NULL UNIQUE REFERENCES outputs (id)
) STRICT;

CREATE TRIGGER call_ids_unchanged BEFORE UPDATE ON call_ids
BEGIN
    SELECT RAISE(ABORT, 'calls are append-only');
END;

CREATE TRIGGER call_ids_kept BEFORE DELETE ON call_ids
BEGIN
    SELECT RAISE(ABORT, 'calls are append-only');
END;
