-- Who may sign in at the console. Passwords as argon2 hashes; sessions and tokens as SHA-256 of random secrets, so that
-- a copy of the journal opens nothing. What happened is in `audit`; here is only what holds now.

CREATE TABLE console_users (
    id TEXT NOT NULL PRIMARY KEY,
    name TEXT NOT NULL,
    role TEXT NOT NULL,
    password TEXT NOT NULL,
    one_time_until_us INTEGER,
    created_us INTEGER NOT NULL,
    disabled_us INTEGER
) STRICT;

CREATE TABLE console_sessions (
    hash TEXT NOT NULL PRIMARY KEY,
    user_id TEXT NOT NULL REFERENCES console_users (id),
    created_us INTEGER NOT NULL,
    seen_us INTEGER NOT NULL
) STRICT;

CREATE INDEX ix_console_sessions_user ON console_sessions (user_id);

CREATE TABLE console_tokens (
    id TEXT NOT NULL PRIMARY KEY,
    hash TEXT NOT NULL UNIQUE,
    user_id TEXT NOT NULL REFERENCES console_users (id),
    scope TEXT NOT NULL,
    label TEXT NOT NULL,
    created_us INTEGER NOT NULL,
    until_us INTEGER NOT NULL,
    ended_us INTEGER
) STRICT;

CREATE TRIGGER console_users_kept BEFORE DELETE ON console_users
BEGIN
    SELECT RAISE(ABORT, 'users of the console are disabled, never deleted: the audit trail names them');
END;
