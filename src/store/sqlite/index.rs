//! The index that a search reads: `resources`, its codes and its identifiers. No answer to a source
//! waits for it: it is brought up to date in parts, between commits and always before a search
//! answers, so that a client finds what it wrote. How far it is stands in the database, so that a
//! crash loses nothing of it.

use super::rows::{Fault, bounded, figure};
use crate::recognise::DERIVED_IDENTIFIER_SYSTEM;
use crate::store::parameters::Parameters;
use rusqlite::{Connection, OptionalExtension, Row, Transaction, params};

/// Inputs and derived resources that are indexed in one transaction, each: a commit may wait for it.
pub(super) const PART: usize = 512;
/// The same while commits come without a pause: what is sent meanwhile waits no longer than for a commit.
pub(super) const BUSY_PART: usize = 256;
/// Resources that may wait while commits come without a pause: as many as a search indexes in
/// well under a second.
pub(super) const WAITING_MAX: u64 = 16 * PART as u64;

/// How many rows are not indexed yet, at most.
pub(super) fn waiting(tx: &Connection) -> Result<u64, Fault> {
    let mut count = tx.prepare_cached(
        "SELECT coalesce((SELECT MAX(row) FROM inputs), 0) - (SELECT input_row FROM indexed)
              + coalesce((SELECT MAX(row) FROM unindexed) - (SELECT MIN(row) FROM unindexed) + 1, 0)",
    )?;
    Ok(figure(count.query_row([], |row| row.get(0))?))
}

/// Index the oldest of what waits, at most `size` of each kind.
pub(super) fn part(tx: &Transaction<'_>, size: usize) -> Result<(), Fault> {
    inputs(tx, size)?;
    derived(tx, size)
}

/// A derived resource has a new form.
pub(super) fn derived_changed(tx: &Transaction<'_>, identity: &str) -> Result<(), Fault> {
    tx.prepare_cached("INSERT INTO unindexed (identity) VALUES (?1)")?
        .execute([identity])?;
    Ok(())
}

/// The last inputs may be gone, and their numbers be given to others: those are not indexed yet.
pub(super) fn inputs_removed(tx: &Transaction<'_>) -> Result<(), Fault> {
    tx.prepare_cached(
        "UPDATE indexed SET input_row = coalesce((SELECT MAX(row) FROM inputs), 0)
         WHERE input_row > coalesce((SELECT MAX(row) FROM inputs), 0)",
    )?
    .execute([])?;
    Ok(())
}

fn inputs(tx: &Transaction<'_>, size: usize) -> Result<(), Fault> {
    let mut newer = tx.prepare_cached(
        "SELECT row, current, resource_type, id, deleted, coalesce(last_updated, received) AS updated, patient, body
         FROM inputs WHERE row > (SELECT input_row FROM indexed) ORDER BY row LIMIT ?1",
    )?;
    let mut rows = newer.query([bounded(size)])?;
    let mut last = None;
    while let Some(row) = rows.next()? {
        let number: i64 = row.get("row")?;
        last = Some(number);
        // A version that was replaced before it was indexed is never served.
        if row.get("current")? {
            put(tx, row, Some(number))?;
        }
    }
    if let Some(last) = last {
        tx.prepare_cached("UPDATE indexed SET input_row = ?1")?
            .execute([last])?;
    }
    Ok(())
}

fn derived(tx: &Transaction<'_>, size: usize) -> Result<(), Fault> {
    let last: Option<i64> = tx
        .prepare_cached("SELECT MAX(row) FROM (SELECT row FROM unindexed ORDER BY row LIMIT ?1)")?
        .query_row([bounded(size)], |row| row.get(0))?;
    let Some(last) = last else {
        return Ok(());
    };
    let mut changed = tx.prepare_cached(
        "SELECT resource_type, identity AS id, 0 AS deleted, last_updated AS updated, patient, body
         FROM unindexed CROSS JOIN derived USING (identity) WHERE unindexed.row <= ?1",
    )?;
    let mut rows = changed.query([last])?;
    while let Some(row) = rows.next()? {
        put(tx, row, None)?;
    }
    tx.prepare_cached("DELETE FROM unindexed WHERE row <= ?1")?
        .execute([last])?;
    Ok(())
}

/// Put what stands at one address of `/fhir` into the index. An input never takes the address of a
/// derived resource: what we derived is found whatever a client puts there (the input itself is kept).
fn put(tx: &Transaction<'_>, row: &Row<'_>, input_row: Option<i64>) -> Result<(), Fault> {
    let text = |column| -> rusqlite::Result<&str> { Ok(row.get_ref(column)?.as_str()?) };
    let mut found = Parameters::of_text(text("body")?);
    if input_row.is_none() {
        // Its own identifier is its id, by which a search for it looks (`search::Filter::identifier`).
        let id = text("id")?;
        found
            .identifiers
            .retain(|(system, value)| system != DERIVED_IDENTIFIER_SYSTEM || value != id);
    }
    let patient: Option<String> = row.get("patient")?;
    let values = params![
        text("resource_type")?,
        text("id")?,
        input_row,
        row.get::<_, bool>("deleted")?,
        row.get::<_, i64>("updated")?,
        // The key first: a reference may be relative or absolute, the key is one form.
        patient.as_deref().or(found.subject.as_deref()),
        found.status,
        found.effective.map(|(start, _)| start.millis()),
        found.effective.map(|(_, end)| end.millis()),
    ];
    let added = tx
        .prepare_cached(
            "INSERT INTO resources (resource_type, id, input_row, deleted, updated, subject, status,
                                    effective_start, effective_end)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9) ON CONFLICT (resource_type, id) DO NOTHING",
        )?
        .execute(values)?;
    if added == 1 {
        return put_lists(tx, tx.last_insert_rowid(), &found);
    }
    let key: Option<i64> = tx
        .prepare_cached(
            "UPDATE resources SET input_row = ?3, deleted = ?4, updated = ?5, subject = ?6, status = ?7,
                                  effective_start = ?8, effective_end = ?9
             WHERE resource_type = ?1 AND id = ?2 AND (?3 IS NULL OR input_row IS NOT NULL) RETURNING key",
        )?
        .query_row(values, |row| row.get(0))
        .optional()?;
    let Some(key) = key else {
        return Ok(());
    };
    for sql in [
        "DELETE FROM resource_codes WHERE key = ?1",
        "DELETE FROM resource_identifiers WHERE key = ?1",
    ] {
        tx.prepare_cached(sql)?.execute([key])?;
    }
    put_lists(tx, key, &found)
}

fn put_lists(tx: &Transaction<'_>, key: i64, found: &Parameters) -> Result<(), Fault> {
    let mut codes = tx.prepare_cached("INSERT INTO resource_codes (key, system, code) VALUES (?1, ?2, ?3)")?;
    for (system, code) in &found.codes {
        codes.execute(params![key, system, code])?;
    }
    let mut identifiers =
        tx.prepare_cached("INSERT INTO resource_identifiers (key, system, value) VALUES (?1, ?2, ?3)")?;
    for (system, value) in &found.identifiers {
        identifiers.execute(params![key, system, value])?;
    }
    Ok(())
}
