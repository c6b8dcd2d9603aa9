-- When readings of a patient without a compartment pressure may be forgotten; null: nothing to forget.
ALTER TABLE patients ADD COLUMN forget_at INTEGER;
-- Those of before are looked at once, and get their time then.
UPDATE patients SET forget_at = 0 WHERE newest_compartment IS NULL;
CREATE INDEX patients_forget ON patients (forget_at, patient) WHERE forget_at IS NOT NULL;

-- An input that is forgotten is counted no more.
CREATE TRIGGER inputs_removed AFTER DELETE ON inputs WHEN OLD.current = 1 AND OLD.deleted = 0 BEGIN
  UPDATE counters SET value = value - 1 WHERE name = 'inputs';
END;
CREATE INDEX inputs_earlier ON inputs (resource_type, id) WHERE current = 0;
CREATE INDEX resources_input ON resources (input_row) WHERE input_row IS NOT NULL;

-- Room that a probe fills: a disk with room for one page is not a disk that can be committed to.
ALTER TABLE probe ADD COLUMN room BLOB;
