-- Times are integer milliseconds since the Unix epoch (UTC). Every one of them comes from the
-- program: no statement asks SQLite for the time.

-- Values of the program itself (mapping hash, rule sheet hash).
CREATE TABLE meta (
  key   TEXT PRIMARY KEY NOT NULL,
  value TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- One row, rewritten to prove that a write can be committed.
CREATE TABLE probe (
  one    INTEGER PRIMARY KEY CHECK (one = 1),
  writes INTEGER NOT NULL
) STRICT;

-- Figures that would need a scan of a large table; kept by the triggers below.
CREATE TABLE counters (
  name  TEXT PRIMARY KEY NOT NULL,
  value INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
INSERT INTO counters (name, value) VALUES ('inputs', 0), ('patients', 0);

-- Every version of every input, body as sent. One version of a resource is the current one.
CREATE TABLE inputs (
  row            INTEGER PRIMARY KEY,
  resource_type  TEXT NOT NULL,
  id             TEXT NOT NULL,
  current        INTEGER NOT NULL,
  last_updated   INTEGER,            -- meta.lastUpdated of this version
  version_number INTEGER,            -- meta.versionId when it is a whole number (bits of a u64)
  version_id     TEXT NOT NULL,      -- meta.versionId as sent, or empty
  digest         TEXT NOT NULL,
  received       INTEGER NOT NULL,
  patient        TEXT,
  deleted        INTEGER NOT NULL,
  body           TEXT NOT NULL
) STRICT;
CREATE UNIQUE INDEX inputs_current ON inputs (resource_type, id) WHERE current = 1;

CREATE TRIGGER inputs_added AFTER INSERT ON inputs WHEN NEW.current = 1 AND NEW.deleted = 0 BEGIN
  UPDATE counters SET value = value + 1 WHERE name = 'inputs';
END;
CREATE TRIGGER inputs_replaced AFTER UPDATE OF current ON inputs
WHEN OLD.current = 1 AND NEW.current = 0 AND OLD.deleted = 0 BEGIN
  UPDATE counters SET value = value - 1 WHERE name = 'inputs';
END;

CREATE TABLE patients (
  patient    TEXT PRIMARY KEY NOT NULL,
  birth_date TEXT,
  label      TEXT,
  next_due   INTEGER,
  newest_compartment INTEGER         -- latest moment of any compartment reading ever held; never moves back
) STRICT, WITHOUT ROWID;
CREATE INDEX patients_watched ON patients (newest_compartment DESC, patient) WHERE newest_compartment IS NOT NULL;
CREATE INDEX patients_due ON patients (next_due, patient) WHERE next_due IS NOT NULL;
CREATE TRIGGER patients_added AFTER INSERT ON patients BEGIN
  UPDATE counters SET value = value + 1 WHERE name = 'patients';
END;

-- The newest version of each source resource of a patient, with its readings.
CREATE TABLE slots (
  patient TEXT NOT NULL REFERENCES patients (patient),
  source  TEXT NOT NULL,
  slot    TEXT NOT NULL,             -- JSON
  PRIMARY KEY (patient, source)
) STRICT, WITHOUT ROWID;

-- Derived Observations that stand, or were set entered-in-error.
CREATE TABLE standing (
  patient  TEXT NOT NULL REFERENCES patients (patient),
  identity TEXT NOT NULL,
  standing TEXT NOT NULL,            -- JSON
  PRIMARY KEY (patient, identity)
) STRICT, WITHOUT ROWID;

CREATE TABLE concerns (
  patient   TEXT NOT NULL REFERENCES patients (patient),
  site      TEXT NOT NULL,           -- Site::key(), empty for the blood pressure
  family    TEXT NOT NULL,
  open      INTEGER NOT NULL,
  tier      TEXT,                    -- null when closed
  tier_rank INTEGER NOT NULL,        -- critical 4, act 3, watch 2, check 1, closed 0
  since     INTEGER NOT NULL,
  concern   TEXT NOT NULL,           -- JSON
  PRIMARY KEY (patient, site, family)
) STRICT, WITHOUT ROWID;
CREATE INDEX concerns_open ON concerns (tier_rank DESC, since, patient, site, family) WHERE open = 1;

CREATE TABLE concern_events (
  row     INTEGER PRIMARY KEY,
  patient TEXT NOT NULL REFERENCES patients (patient),
  at      INTEGER NOT NULL,
  event   TEXT NOT NULL              -- JSON
) STRICT;
CREATE INDEX concern_events_patient ON concern_events (patient, at, row);

-- Derived resources: the current form, and every form before it.
CREATE TABLE derived (
  identity      TEXT PRIMARY KEY NOT NULL,
  resource_type TEXT NOT NULL,
  patient       TEXT,
  last_updated  INTEGER NOT NULL,
  version       INTEGER NOT NULL,
  digest        TEXT NOT NULL,
  body          TEXT NOT NULL
) STRICT;
CREATE INDEX derived_patient ON derived (patient, last_updated);
CREATE TABLE derived_versions (
  identity     TEXT NOT NULL REFERENCES derived (identity),
  version      INTEGER NOT NULL,
  last_updated INTEGER NOT NULL,
  body         TEXT NOT NULL,
  PRIMARY KEY (identity, version)
) STRICT;

-- What `/fhir` serves: one row per address, pointing to an input or to a derived resource.
CREATE TABLE resources (
  key             INTEGER PRIMARY KEY,
  resource_type   TEXT NOT NULL,
  id              TEXT NOT NULL,
  input_row       INTEGER REFERENCES inputs (row),   -- null: derived, identity = id
  deleted         INTEGER NOT NULL,
  updated         INTEGER NOT NULL,
  subject         TEXT,
  status          TEXT,
  effective_start INTEGER,
  effective_end   INTEGER,
  UNIQUE (resource_type, id)
) STRICT;
CREATE INDEX resources_updated ON resources (resource_type, updated, id) WHERE deleted = 0;
CREATE INDEX resources_subject ON resources (resource_type, subject, updated, id) WHERE deleted = 0;
CREATE INDEX resources_effective ON resources (resource_type, effective_start) WHERE deleted = 0;
CREATE TABLE resource_codes (
  key    INTEGER NOT NULL REFERENCES resources (key) ON DELETE CASCADE,
  code   TEXT NOT NULL,
  system TEXT NOT NULL,              -- empty when the coding names none
  PRIMARY KEY (key, code, system)
) STRICT, WITHOUT ROWID;
CREATE INDEX resource_codes_code ON resource_codes (code, system);
CREATE TABLE resource_identifiers (
  key    INTEGER NOT NULL REFERENCES resources (key) ON DELETE CASCADE,
  value  TEXT NOT NULL,
  system TEXT NOT NULL,              -- empty when the identifier names none
  PRIMARY KEY (key, value, system)
) STRICT, WITHOUT ROWID;
CREATE INDEX resource_identifiers_value ON resource_identifiers (value, system);

-- What is to be written to the FHIR server. `seq` is never used twice (AUTOINCREMENT).
CREATE TABLE outbox (
  seq           INTEGER PRIMARY KEY AUTOINCREMENT,
  grp           INTEGER NOT NULL,    -- lowest seq of the group: one transaction Bundle
  identity      TEXT NOT NULL,
  resource_type TEXT NOT NULL,
  patient       TEXT NOT NULL,
  body          TEXT NOT NULL,
  state         TEXT NOT NULL CHECK (state IN ('waiting', 'delivered', 'stopped')),
  attempts      INTEGER NOT NULL,
  created       INTEGER NOT NULL,    -- the first next_attempt
  next_attempt  INTEGER NOT NULL,
  last_answer   TEXT NOT NULL
) STRICT;
CREATE INDEX outbox_state ON outbox (state, seq);
CREATE INDEX outbox_line ON outbox (grp, next_attempt, patient) WHERE state = 'waiting';
CREATE INDEX outbox_head ON outbox (patient, grp) WHERE state = 'waiting';
CREATE INDEX outbox_identity ON outbox (identity, seq);

-- One row per attempt.
CREATE TABLE deliveries (
  row    INTEGER PRIMARY KEY,
  seq    INTEGER NOT NULL REFERENCES outbox (seq),
  at     INTEGER NOT NULL,
  state  TEXT NOT NULL,
  answer TEXT NOT NULL
) STRICT;
CREATE INDEX deliveries_seq ON deliveries (seq);

-- The server's own reference of what was delivered; outlives the outbox entry.
CREATE TABLE remote_references (
  identity  TEXT PRIMARY KEY NOT NULL,
  reference TEXT NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE cursors (
  name     TEXT PRIMARY KEY NOT NULL,
  position INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE set_aside (
  row     INTEGER PRIMARY KEY,
  source  TEXT NOT NULL,
  part    TEXT NOT NULL,
  patient TEXT,
  reason  TEXT NOT NULL,
  detail  TEXT NOT NULL,
  since   INTEGER NOT NULL
) STRICT;
CREATE INDEX set_aside_source ON set_aside (source);
CREATE INDEX set_aside_since ON set_aside (since);
CREATE INDEX set_aside_patient ON set_aside (patient, since);
CREATE TRIGGER set_aside_added AFTER INSERT ON set_aside BEGIN
  INSERT INTO counters (name, value) VALUES ('set-aside:' || NEW.reason, 1)
    ON CONFLICT (name) DO UPDATE SET value = value + 1;
END;
CREATE TRIGGER set_aside_removed AFTER DELETE ON set_aside BEGIN
  UPDATE counters SET value = value - 1 WHERE name = 'set-aside:' || OLD.reason;
END;

-- Reserved: nothing writes these two yet.
CREATE TABLE acknowledgements (
  row     INTEGER PRIMARY KEY,
  message TEXT NOT NULL,             -- identity of the Communication
  by_whom TEXT NOT NULL,
  at      INTEGER NOT NULL
) STRICT;
CREATE TABLE rule_sheets (
  hash       TEXT PRIMARY KEY NOT NULL,
  text       TEXT NOT NULL,
  first_used INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
