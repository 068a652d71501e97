-- Reports that were made: which, about what, with which content. The content itself is a file beside the journal, whose
-- hash stands here. And what scheduled reports are still to be sent to whom.

CREATE TABLE reports (
    id TEXT NOT NULL PRIMARY KEY,
    number INTEGER NOT NULL UNIQUE,
    kind TEXT NOT NULL,
    title TEXT NOT NULL,
    start_us INTEGER NOT NULL,
    end_us INTEGER NOT NULL,
    batch TEXT NOT NULL,
    hash TEXT NOT NULL,
    seal INTEGER NOT NULL,
    made_us INTEGER NOT NULL,
    made_by TEXT NOT NULL,
    file TEXT NOT NULL
) STRICT;

CREATE TRIGGER reports_unchanged BEFORE UPDATE ON reports
BEGIN
    SELECT RAISE(ABORT, 'reports are append-only');
END;

CREATE TRIGGER reports_kept BEFORE DELETE ON reports
BEGIN
    SELECT RAISE(ABORT, 'reports are append-only');
END;

CREATE TABLE report_runs (
    schedule TEXT NOT NULL,
    start_us INTEGER NOT NULL,
    report TEXT NOT NULL REFERENCES reports (id),
    PRIMARY KEY (schedule, start_us)
) STRICT;

CREATE TABLE report_mails (
    report TEXT NOT NULL REFERENCES reports (id),
    schedule TEXT NOT NULL,
    channel TEXT NOT NULL,
    address TEXT NOT NULL,
    attempts INTEGER NOT NULL,
    next_try_us INTEGER NOT NULL,
    ended_us INTEGER,
    sent INTEGER NOT NULL,
    detail TEXT NOT NULL,
    PRIMARY KEY (report, schedule, channel, address)
) STRICT;
