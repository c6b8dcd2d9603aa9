//! The one commit.

use super::forget;
use super::outbox;
use super::rows::{Fault, tier_rank, to_json};
use crate::store::parameters::Parameters;
use crate::store::records::{Commit, DerivedRow, EventRow, InputRow, PatientChange, SetAsideRow};
use crate::store::stamp::stamp_value;
use rusqlite::{OptionalExtension, Transaction, params};
use sha2::{Digest, Sha256};

/// Write everything of `commit`. Inputs and derived resources come in the order given, so of two
/// versions of one resource in the same commit the last is the current one.
pub(super) fn commit(tx: &Transaction<'_>, commit: &Commit) -> Result<(), Fault> {
    for input in &commit.inputs {
        write_input(tx, input)?;
    }
    for (resource_type, id, patient) in &commit.refiled {
        tx.prepare_cached("UPDATE inputs SET patient = ?3 WHERE resource_type = ?1 AND id = ?2 AND current = 1")?
            .execute(params![resource_type, id, patient.as_ref().map(|patient| &patient.0)])?;
    }
    for change in &commit.patients {
        write_patient(tx, change)?;
    }
    for (source, rows) in &commit.set_aside {
        replace_set_aside(tx, source, rows)?;
    }
    for derived in &commit.derived {
        write_derived(tx, derived)?;
    }
    outbox::append(tx, &commit.outbox)?;
    let mut cursor = tx.prepare_cached(
        "INSERT INTO cursors (name, position) VALUES (?1, ?2)
         ON CONFLICT (name) DO UPDATE SET position = excluded.position",
    )?;
    for moved in &commit.cursors {
        cursor.execute(params![moved.name, moved.position.millis()])?;
    }
    forget::unneeded(tx, &commit.unneeded)?;
    forget::set_times(tx, &commit.forget_at)?;
    let mut meta = tx.prepare_cached(
        "INSERT INTO meta (key, value) VALUES (?1, ?2) ON CONFLICT (key) DO UPDATE SET value = excluded.value",
    )?;
    for (key, value) in &commit.meta {
        meta.execute([key, value])?;
    }
    Ok(())
}

/// Bytes that a probe writes: more than a page, so that the last free page of a full disk is no proof.
const PROBE_BYTES: usize = 64 * 1024;

/// A write that changes nothing else, of other bytes than the last: what is the same is not written.
pub(super) fn probe(tx: &Transaction<'_>) -> Result<(), Fault> {
    let writes: i64 = tx
        .prepare_cached(
            "INSERT INTO probe (one, writes) VALUES (1, 1)
             ON CONFLICT (one) DO UPDATE SET writes = writes + 1 RETURNING writes",
        )?
        .query_row([], |row| row.get(0))?;
    let byte = u8::try_from(writes.rem_euclid(251)).unwrap_or_default();
    tx.prepare_cached("UPDATE probe SET room = ?1")?
        .execute([vec![byte; PROBE_BYTES]])?;
    Ok(())
}

fn write_input(tx: &Transaction<'_>, input: &InputRow) -> Result<(), Fault> {
    tx.prepare_cached("UPDATE inputs SET current = 0 WHERE resource_type = ?1 AND id = ?2 AND current = 1")?
        .execute([&input.resource_type, &input.id])?;
    let version = &input.version;
    tx.prepare_cached(
        "INSERT INTO inputs (current, resource_type, id, last_updated, version_number, version_id, digest,
                             received, patient, deleted, body)
         VALUES (1, ?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
    )?
    .execute(params![
        input.resource_type,
        input.id,
        version.last_updated.map(|at| at.millis()),
        version.number.map(u64::cast_signed),
        version.id,
        version.digest,
        input.received.millis(),
        input.patient.as_ref().map(|patient| &patient.0),
        input.deleted,
        input.body,
    ])?;
    let address = Address {
        resource_type: &input.resource_type,
        id: &input.id,
        input_row: Some(tx.last_insert_rowid()),
        deleted: input.deleted,
        updated: version.last_updated.unwrap_or(input.received).millis(),
        patient: input.patient.as_ref().map(|patient| patient.0.as_str()),
    };
    address.write(tx, &Parameters::of_text(&input.body))
}

fn write_patient(tx: &Transaction<'_>, change: &PatientChange) -> Result<(), Fault> {
    let patient = &change.patient.0;
    tx.prepare_cached(
        "INSERT INTO patients (patient, birth_date, label, next_due, newest_compartment) VALUES (?1, ?2, ?3, ?4, ?5)
         ON CONFLICT (patient) DO UPDATE
         SET birth_date = excluded.birth_date, label = excluded.label, next_due = excluded.next_due,
             newest_compartment = max(
               coalesce(newest_compartment, excluded.newest_compartment),
               coalesce(excluded.newest_compartment, newest_compartment))",
    )?
    .execute(params![
        patient,
        change.birth_date,
        change.label,
        change.next_due.map(|at| at.millis()),
        newest_compartment(change)
    ])?;
    let mut slots = tx.prepare_cached(
        "INSERT INTO slots (patient, source, slot) VALUES (?1, ?2, ?3)
         ON CONFLICT (patient, source) DO UPDATE SET slot = excluded.slot",
    )?;
    for slot in &change.slots {
        slots.execute(params![patient, slot.source, to_json("a slot", slot)?])?;
    }
    for source in &change.forgotten {
        tx.prepare_cached("DELETE FROM slots WHERE patient = ?1 AND source = ?2")?
            .execute([patient, source])?;
    }
    for identity in &change.forgotten_standing {
        tx.prepare_cached("DELETE FROM standing WHERE patient = ?1 AND identity = ?2")?
            .execute([patient, &identity.to_string()])?;
    }
    let mut standing = tx.prepare_cached(
        "INSERT INTO standing (patient, identity, standing) VALUES (?1, ?2, ?3)
         ON CONFLICT (patient, identity) DO UPDATE SET standing = excluded.standing",
    )?;
    for (identity, value) in &change.standing {
        let json = to_json("a standing Observation", value)?;
        standing.execute(params![patient, identity.to_string(), json])?;
    }
    let mut concerns = tx.prepare_cached(
        "INSERT INTO concerns (patient, site, family, open, tier, tier_rank, since, concern)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)
         ON CONFLICT (patient, site, family) DO UPDATE
         SET open = excluded.open, tier = excluded.tier, tier_rank = excluded.tier_rank,
             since = excluded.since, concern = excluded.concern",
    )?;
    for (key, concern) in &change.concerns {
        concerns.execute(params![
            patient,
            key.site,
            key.family.word(),
            concern.tier.is_some(),
            concern.tier.map(|tier| tier.word()),
            tier_rank(concern.tier),
            concern.since.millis(),
            to_json("a concern", concern)?
        ])?;
    }
    change
        .events
        .iter()
        .try_for_each(|event| append_event(tx, patient, event))
}

fn append_event(tx: &Transaction<'_>, patient: &str, event: &EventRow) -> Result<(), Fault> {
    tx.prepare_cached("INSERT INTO concern_events (patient, at, event) VALUES (?1, ?2, ?3)")?
        .execute(params![patient, event.at.millis(), to_json("an event", event)?])?;
    Ok(())
}

fn replace_set_aside(tx: &Transaction<'_>, source: &str, rows: &[SetAsideRow]) -> Result<(), Fault> {
    tx.prepare_cached("DELETE FROM set_aside WHERE source = ?1")?
        .execute([source])?;
    let mut insert = tx.prepare_cached(
        "INSERT INTO set_aside (source, part, patient, reason, detail, since) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
    )?;
    for row in rows {
        // A row of another source would stay for ever: nothing would replace it.
        if row.source != source {
            return Err(Fault::Refused(
                "a set-aside row names another source than its list".to_owned(),
            ));
        }
        insert.execute(params![
            row.source,
            row.part,
            row.patient.as_ref().map(|patient| &patient.0),
            row.reason.code(),
            row.detail,
            row.since.millis()
        ])?;
    }
    Ok(())
}

/// Number the next version of a derived resource, stamp its body with it, keep the form before.
fn write_derived(tx: &Transaction<'_>, derived: &DerivedRow) -> Result<(), Fault> {
    let identity = derived.identity.to_string();
    let previous: Option<i64> = tx
        .prepare_cached("SELECT version FROM derived WHERE identity = ?1")?
        .query_row([&identity], |row| row.get(0))
        .optional()?;
    if previous.is_some() {
        // A store of an earlier program kept the current form there, too.
        tx.prepare_cached(
            "INSERT OR IGNORE INTO derived_versions (identity, version, last_updated, body)
             SELECT identity, version, last_updated, body FROM derived WHERE identity = ?1",
        )?
        .execute([&identity])?;
    }
    let version = previous.unwrap_or(0) + 1;
    let mut body = derived.body.clone();
    if !stamp_value(&mut body, &identity, version.cast_unsigned(), derived.last_updated) {
        return Err(Fault::Refused("a derived resource is not a JSON object".to_owned()));
    }
    let text = body.to_string();
    let patient = derived.patient.as_ref().map(|patient| patient.0.as_str());
    let updated = derived.last_updated.millis();
    tx.prepare_cached(
        "INSERT INTO derived (identity, resource_type, patient, last_updated, version, digest, body)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)
         ON CONFLICT (identity) DO UPDATE
         SET resource_type = excluded.resource_type, patient = excluded.patient, digest = excluded.digest,
             last_updated = excluded.last_updated, version = excluded.version, body = excluded.body",
    )?
    .execute(params![
        identity,
        derived.resource_type,
        patient,
        updated,
        version,
        digest(&text),
        text
    ])?;
    let address = Address {
        resource_type: &derived.resource_type,
        id: &identity,
        input_row: None,
        deleted: false,
        updated,
        patient,
    };
    address.write(tx, &Parameters::of(&body))
}

/// First 16 hexadecimal digits of the SHA-256, as `Version::digest` has it.
fn digest(text: &str) -> String {
    let hash = Sha256::digest(text.as_bytes());
    hash.iter().take(8).map(|byte| format!("{byte:02x}")).collect()
}

/// A row of `resources`: what stands at one address of `/fhir`.
struct Address<'a> {
    resource_type: &'a str,
    id: &'a str,
    input_row: Option<i64>,
    deleted: bool,
    updated: i64,
    patient: Option<&'a str>,
}

impl Address<'_> {
    /// An input never takes the address of a derived resource: what we derived stays readable
    /// whatever a client puts there (the input itself is kept).
    fn write(&self, tx: &Transaction<'_>, found: &Parameters) -> Result<(), Fault> {
        let key: Option<i64> = tx
            .prepare_cached(
                "INSERT INTO resources (resource_type, id, input_row, deleted, updated, subject, status,
                                        effective_start, effective_end)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)
                 ON CONFLICT (resource_type, id) DO UPDATE
                 SET input_row = excluded.input_row, deleted = excluded.deleted, updated = excluded.updated,
                     subject = excluded.subject, status = excluded.status,
                     effective_start = excluded.effective_start, effective_end = excluded.effective_end
                 WHERE excluded.input_row IS NULL OR resources.input_row IS NOT NULL
                 RETURNING key",
            )?
            .query_row(
                params![
                    self.resource_type,
                    self.id,
                    self.input_row,
                    self.deleted,
                    self.updated,
                    // The key first: a reference may be relative or absolute, the key is one form.
                    self.patient.or(found.subject.as_deref()),
                    found.status,
                    found.effective.map(|(start, _)| start.millis()),
                    found.effective.map(|(_, end)| end.millis()),
                ],
                |row| row.get(0),
            )
            .optional()?;
        let Some(key) = key else {
            return Ok(());
        };
        tx.prepare_cached("DELETE FROM resource_codes WHERE key = ?1")?
            .execute([key])?;
        let mut codes = tx.prepare_cached("INSERT INTO resource_codes (key, system, code) VALUES (?1, ?2, ?3)")?;
        for (system, code) in &found.codes {
            codes.execute(params![key, system, code])?;
        }
        tx.prepare_cached("DELETE FROM resource_identifiers WHERE key = ?1")?
            .execute([key])?;
        let mut identifiers =
            tx.prepare_cached("INSERT INTO resource_identifiers (key, system, value) VALUES (?1, ?2, ?3)")?;
        for (system, value) in &found.identifiers {
            identifiers.execute(params![key, system, value])?;
        }
        Ok(())
    }
}

/// The latest compartment reading of what changed, so that watched patients are found by an index.
fn newest_compartment(change: &PatientChange) -> Option<i64> {
    let readings = change.slots.iter().flat_map(|slot| &slot.readings);
    readings
        .filter(|reading| reading.kind == crate::recognise::Kind::Compartment)
        .map(|reading| reading.at.millis())
        .max()
}
