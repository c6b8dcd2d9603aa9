//! The one commit.

use super::forget;
use super::index;
use super::outbox;
use super::rows::{Fault, tier_rank, to_json};
use crate::fhir::Instant;
use crate::recognise::reading::PatientKey;
use crate::store::records::{Commit, DerivedRow, EventRow, InputRow, PatientChange, SetAsideRow};
use crate::store::stamp::stamped;
use rusqlite::{OptionalExtension, Transaction, params};
use sha2::{Digest, Sha256};
use std::collections::HashMap;

/// Write everything of `commit`. Inputs and derived resources come in the order given, so of two
/// versions of one resource in the same commit the last is the current one.
pub(super) fn commit(tx: &Transaction<'_>, commit: &Commit) -> Result<(), Fault> {
    let mut tally = Tally::default();
    for input in &commit.inputs {
        write_input(tx, input, &mut tally)?;
    }
    for (resource_type, id, patient) in &commit.refiled {
        tx.prepare_cached("UPDATE inputs SET patient = ?3 WHERE resource_type = ?1 AND id = ?2 AND current = 1")?
            .execute(params![resource_type, id, patient.as_ref().map(|patient| &patient.0)])?;
    }
    let mut forget_at: ForgetTimes<'_> = commit.forget_at.iter().map(|(patient, at)| (patient, *at)).collect();
    for change in &commit.patients {
        write_patient(tx, change, &mut forget_at, &mut tally)?;
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
    forget::unneeded(tx, &commit.unneeded, &mut tally)?;
    forget::set_times(tx, &forget_at)?;
    tally.write(tx)?;
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

/// Figures that a commit changes, written once for all of it.
#[derive(Default)]
pub(super) struct Tally {
    /// Current inputs that are not deleted.
    pub(super) inputs: i64,
    /// Patients.
    pub(super) patients: i64,
}

impl Tally {
    fn write(&self, tx: &Transaction<'_>) -> Result<(), Fault> {
        let mut add = tx.prepare_cached("UPDATE counters SET value = value + ?2 WHERE name = ?1")?;
        for (name, change) in [("inputs", self.inputs), ("patients", self.patients)] {
            if change != 0 {
                add.execute(params![name, change])?;
            }
        }
        Ok(())
    }
}

fn write_input(tx: &Transaction<'_>, input: &InputRow, tally: &mut Tally) -> Result<(), Fault> {
    let version = &input.version;
    let mut insert = tx.prepare_cached(
        "INSERT INTO inputs (current, resource_type, id, last_updated, version_number, version_id, digest,
                             received, patient, deleted, body)
         VALUES (1, ?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)
         ON CONFLICT (resource_type, id) WHERE current = 1 DO NOTHING",
    )?;
    let values = params![
        input.resource_type,
        input.id,
        version.last_updated.map(|at| at.millis()),
        version.number.map(u64::cast_signed),
        version.id.as_str(),
        version.digest.as_str(),
        input.received.millis(),
        input.patient.as_ref().map(|patient| &patient.0),
        input.deleted,
        input.body,
    ];
    // Most are new: whether there was a version before is looked for only where there is one.
    if insert.execute(values)? == 0 {
        let was_deleted: bool = tx
            .prepare_cached(
                "UPDATE inputs SET current = 0 WHERE resource_type = ?1 AND id = ?2 AND current = 1 RETURNING deleted",
            )?
            .query_row([&input.resource_type, &input.id], |row| row.get(0))?;
        tally.inputs -= i64::from(!was_deleted);
        insert.execute(values)?;
    }
    tally.inputs += i64::from(!input.deleted);
    Ok(())
}

/// When something of each patient may be forgotten, as far as this commit says.
type ForgetTimes<'c> = HashMap<&'c PatientKey, Option<Instant>>;

fn write_patient(
    tx: &Transaction<'_>,
    change: &PatientChange,
    forget_at: &mut ForgetTimes<'_>,
    tally: &mut Tally,
) -> Result<(), Fault> {
    let patient = &change.patient.0;
    let forget = forget_at.remove(&change.patient);
    let values = params![
        patient,
        change.birth_date,
        change.label,
        change.next_due.map(|at| at.millis()),
        newest_compartment(change),
        forget.flatten().map(Instant::millis),
        forget.is_some(),
    ];
    let known = tx
        .prepare_cached(
            "UPDATE patients
             SET birth_date = ?2, label = ?3, next_due = ?4,
                 newest_compartment = max(coalesce(newest_compartment, ?5), coalesce(?5, newest_compartment)),
                 forget_at = iif(?7, ?6, forget_at)
             WHERE patient = ?1",
        )?
        .execute(values)?;
    if known == 0 {
        tx.prepare_cached(
            "INSERT INTO patients (patient, birth_date, label, next_due, newest_compartment, forget_at)
             VALUES (?1, ?2, ?3, ?4, ?5, iif(?7, ?6, NULL))",
        )?
        .execute(values)?;
        tally.patients += 1;
    }
    write_rows(tx, change)
}

/// The rows of a patient, whose own row is there.
fn write_rows(tx: &Transaction<'_>, change: &PatientChange) -> Result<(), Fault> {
    let patient = &change.patient.0;
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
    let Some(text) = stamped(&derived.body, &identity, version.cast_unsigned(), derived.last_updated) else {
        return Err(Fault::Refused("a derived resource is not a JSON object".to_owned()));
    };
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
    index::derived_changed(tx, &identity)
}

/// First 16 hexadecimal digits of the SHA-256, as `Version::digest` has it.
fn digest(text: &str) -> String {
    let hash = Sha256::digest(text.as_bytes());
    hash.iter().take(8).map(|byte| format!("{byte:02x}")).collect()
}

/// The latest compartment reading of what changed, so that watched patients are found by an index.
fn newest_compartment(change: &PatientChange) -> Option<i64> {
    let readings = change.slots.iter().flat_map(|slot| &slot.readings);
    readings
        .filter(|reading| reading.kind == crate::recognise::Kind::Compartment)
        .map(|reading| reading.at.millis())
        .max()
}
