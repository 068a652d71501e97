-- Sums of hours stay for ever, so they are packed closely: in a table without row ids each text of more than a quarter of
-- a page took a page of its own.

CREATE TABLE packed_hours (
    location TEXT NOT NULL,
    hour INTEGER NOT NULL,
    body TEXT NOT NULL,
    PRIMARY KEY (location, hour)
) STRICT;

INSERT INTO packed_hours (location, hour, body) SELECT location, hour, body FROM sample_hours ORDER BY hour, location;

DROP TABLE sample_hours;

ALTER TABLE packed_hours RENAME TO sample_hours;

CREATE TABLE packed_parts (
    location TEXT NOT NULL,
    hour INTEGER NOT NULL,
    body TEXT NOT NULL,
    PRIMARY KEY (location, hour)
) STRICT;

INSERT INTO packed_parts (location, hour, body) SELECT location, hour, body FROM sample_parts ORDER BY hour, location;

DROP TABLE sample_parts;

ALTER TABLE packed_parts RENAME TO sample_parts;
