-- What a periodic look at the users needs: when a password was chosen, and when a user was last here. Users may come
-- through an outside identity provider. What the machine's own shell did to users waits for the audit trail.

ALTER TABLE console_users ADD COLUMN password_set_us INTEGER;

ALTER TABLE console_users ADD COLUMN used_us INTEGER;

ALTER TABLE console_users ADD COLUMN outside TEXT;

CREATE UNIQUE INDEX ix_console_users_outside ON console_users (outside) WHERE outside IS NOT NULL;

CREATE TABLE console_notices (
    id INTEGER NOT NULL PRIMARY KEY,
    at_us INTEGER NOT NULL,
    who TEXT NOT NULL,
    action TEXT NOT NULL,
    subject TEXT NOT NULL,
    detail TEXT NOT NULL,
    taken_us INTEGER
) STRICT;

CREATE INDEX ix_audit_signed ON audit (subject) WHERE action = 'signed';
