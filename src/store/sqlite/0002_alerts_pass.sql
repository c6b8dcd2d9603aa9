-- Failures of the entry itself, while the server was well: past a few, later alerts of the patient pass it.
ALTER TABLE outbox ADD COLUMN own_failures INTEGER NOT NULL DEFAULT 0;

-- What `outbox_due` looks at, without reading the rows themselves.
DROP INDEX outbox_line;
CREATE INDEX outbox_line ON outbox (grp, next_attempt, patient, resource_type, attempts, identity)
  WHERE state = 'waiting';
CREATE INDEX outbox_alerts ON outbox (patient, grp, own_failures, attempts)
  WHERE state = 'waiting' AND resource_type = 'Communication';
