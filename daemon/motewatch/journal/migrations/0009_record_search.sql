-- What the search of the whole record walks along: who did what when, and what came from which sensor.

CREATE INDEX ix_audit_at ON audit (at_us);

CREATE INDEX ix_audit_who ON audit (who, at_us);

CREATE INDEX ix_audit_action ON audit (action, at_us);

CREATE INDEX ix_alarm_events_sensor ON alarm_events (sensor, at_us) WHERE sensor IS NOT NULL;

CREATE INDEX ix_dead_letters_received ON dead_letters (received_us);

CREATE INDEX ix_dead_letters_sensor ON dead_letters (sensor, received_us) WHERE sensor IS NOT NULL;
