-- What a search reads (`resources` and its tables) is brought up to date after the commit that
-- acknowledges, and before a search answers. How far it is: inputs up to this row.
CREATE TABLE indexed (
  one       INTEGER PRIMARY KEY CHECK (one = 1),
  input_row INTEGER NOT NULL
) STRICT;
INSERT INTO indexed (one, input_row) SELECT 1, coalesce(MAX(row), 0) FROM inputs;
-- Derived resources whose present form a search does not find yet.
CREATE TABLE unindexed (
  row      INTEGER PRIMARY KEY,
  identity TEXT NOT NULL
) STRICT;

-- These two figures are kept by the program, once for a whole commit.
DROP TRIGGER inputs_added;
DROP TRIGGER inputs_replaced;
DROP TRIGGER inputs_removed;
DROP TRIGGER patients_added;

-- A row of these two is about a kilobyte: in the tree of its key it would fill a page of its own at
-- every commit, and past a quarter of a page (https://www.sqlite.org/fileformat2.html, section 1.6)
-- two. Appended, what one commit writes stands together.
CREATE TABLE slots_appended (
  row     INTEGER PRIMARY KEY,
  patient TEXT NOT NULL REFERENCES patients (patient),
  source  TEXT NOT NULL,
  slot    TEXT NOT NULL,             -- JSON
  UNIQUE (patient, source)
) STRICT;
INSERT INTO slots_appended (patient, source, slot) SELECT patient, source, slot FROM slots ORDER BY patient, source;
DROP TABLE slots;
ALTER TABLE slots_appended RENAME TO slots;
CREATE TABLE standing_appended (
  row      INTEGER PRIMARY KEY,
  patient  TEXT NOT NULL REFERENCES patients (patient),
  identity TEXT NOT NULL,
  standing TEXT NOT NULL,            -- JSON
  UNIQUE (patient, identity)
) STRICT;
INSERT INTO standing_appended (patient, identity, standing)
  SELECT patient, identity, standing FROM standing ORDER BY patient, identity;
DROP TABLE standing;
ALTER TABLE standing_appended RENAME TO standing;
