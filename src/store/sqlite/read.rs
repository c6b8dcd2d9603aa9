//! What the engine and the pages read.

use super::rows::{
    Fault, INPUT_COLUMNS, bounded, family, figure, from_json, identity, input_row, instant, patient_maybe, reason,
};
use crate::fhir::Instant;
use crate::patient::state::{ConcernKey, State, StateRow};
use crate::recognise::reading::PatientKey;
use crate::store::records::{Counts, DerivedRow, EventRow, InputRow, SetAsideRow};
use rusqlite::{Connection, OptionalExtension, Transaction, params};

pub(super) fn patient(tx: &Connection, patient: &PatientKey) -> Result<State, Fault> {
    let mut state = State::new(patient.clone());
    let key = [&patient.0];
    let known = tx
        .prepare_cached("SELECT birth_date, label, next_due FROM patients WHERE patient = ?1")?
        .query_row(key, |row| Ok((row.get(0)?, row.get(1)?, row.get::<_, Option<i64>>(2)?)))
        .optional()?;
    let Some((birth_date, label, next_due)) = known else {
        return Ok(state);
    };
    state.birth_date = birth_date;
    state.label = label;
    state.next_due = next_due.map(Instant::from_millis);
    let mut slots = tx.prepare_cached("SELECT source, slot FROM slots WHERE patient = ?1")?;
    let mut rows = slots.query(key)?;
    while let Some(row) = rows.next()? {
        let slot = from_json("a slot", row.get_ref(1)?.as_str().map_err(rusqlite::Error::from)?)?;
        state.slots.insert(row.get(0)?, slot);
    }
    let mut standing = tx.prepare_cached("SELECT identity, standing FROM standing WHERE patient = ?1")?;
    let mut rows = standing.query(key)?;
    while let Some(row) = rows.next()? {
        let identity = identity("a standing Observation", &row.get::<_, String>(0)?)?;
        let value = from_json("a standing Observation", &row.get::<_, String>(1)?)?;
        state.standing.insert(identity, value);
    }
    let mut concerns = tx.prepare_cached("SELECT site, family, concern FROM concerns WHERE patient = ?1")?;
    let mut rows = concerns.query(key)?;
    while let Some(row) = rows.next()? {
        let key = ConcernKey {
            site: row.get(0)?,
            family: family(&row.get::<_, String>(1)?)?,
        };
        state
            .concerns
            .insert(key, from_json("a concern", &row.get::<_, String>(2)?)?);
    }
    Ok(state)
}

pub(super) fn input(tx: &Connection, resource_type: &str, id: &str) -> Result<Option<InputRow>, Fault> {
    let sql = format!("SELECT {INPUT_COLUMNS} FROM inputs WHERE resource_type = ?1 AND id = ?2 AND current = 1");
    let mut statement = tx.prepare_cached(&sql)?;
    Ok(statement.query_row([resource_type, id], input_row).optional()?)
}

pub(super) fn inputs_after(
    tx: &Transaction<'_>,
    after: Option<(&str, &str)>,
    limit: usize,
) -> Result<Vec<InputRow>, Fault> {
    let (resource_type, id) = after.unwrap_or_default();
    let sql = format!(
        "SELECT {INPUT_COLUMNS} FROM inputs
         WHERE current = 1 AND deleted = 0 AND (resource_type, id) > (?1, ?2)
         ORDER BY resource_type, id LIMIT ?3"
    );
    let mut statement = tx.prepare_cached(&sql)?;
    let rows = statement.query_map(params![resource_type, id, bounded(limit)], input_row)?;
    Ok(rows.collect::<Result<_, _>>()?)
}

pub(super) fn patients_due(tx: &Connection, now: Instant, limit: usize) -> Result<Vec<PatientKey>, Fault> {
    let mut statement = tx.prepare_cached(
        "SELECT patient FROM patients WHERE next_due IS NOT NULL AND next_due <= ?1
         ORDER BY next_due, patient LIMIT ?2",
    )?;
    let rows = statement.query_map([now.millis(), bounded(limit)], |row| row.get(0).map(PatientKey))?;
    Ok(rows.collect::<Result<_, _>>()?)
}

pub(super) fn patients_to_forget(tx: &Connection, now: Instant, limit: usize) -> Result<Vec<PatientKey>, Fault> {
    let mut statement = tx.prepare_cached(
        "SELECT patient FROM patients WHERE forget_at IS NOT NULL AND forget_at <= ?1
         ORDER BY forget_at, patient LIMIT ?2",
    )?;
    let rows = statement.query_map([now.millis(), bounded(limit)], |row| row.get(0).map(PatientKey))?;
    Ok(rows.collect::<Result<_, _>>()?)
}

pub(super) fn patients_after(
    tx: &Transaction<'_>,
    after: Option<&PatientKey>,
    limit: usize,
) -> Result<Vec<PatientKey>, Fault> {
    // Keys are never empty, so the empty text stands before all of them.
    let mut statement =
        tx.prepare_cached("SELECT patient FROM patients WHERE patient > ?1 ORDER BY patient LIMIT ?2")?;
    let from = after.map_or("", |patient| patient.0.as_str());
    let rows = statement.query_map(params![from, bounded(limit)], |row| row.get(0).map(PatientKey))?;
    Ok(rows.collect::<Result<_, _>>()?)
}

pub(super) fn next_due(tx: &Connection) -> Result<Option<Instant>, Fault> {
    let earliest: Option<i64> = tx
        .prepare_cached("SELECT MIN(next_due) FROM patients WHERE next_due IS NOT NULL")?
        .query_row([], |row| row.get(0))?;
    Ok(earliest.map(Instant::from_millis))
}

pub(super) fn meta(tx: &Transaction<'_>, key: &str) -> Result<Option<String>, Fault> {
    let mut statement = tx.prepare_cached("SELECT value FROM meta WHERE key = ?1")?;
    Ok(statement.query_row([key], |row| row.get(0)).optional()?)
}

pub(super) fn cursor(tx: &Transaction<'_>, name: &str) -> Result<Option<Instant>, Fault> {
    let mut statement = tx.prepare_cached("SELECT position FROM cursors WHERE name = ?1")?;
    Ok(statement.query_row([name], |row| instant(row, "position")).optional()?)
}

pub(super) fn open_concerns(tx: &Transaction<'_>) -> Result<Vec<StateRow>, Fault> {
    let mut statement = tx.prepare_cached(
        "SELECT concerns.patient, label, concern FROM concerns JOIN patients USING (patient)
         WHERE open = 1 ORDER BY tier_rank DESC, since, concerns.patient, site, family",
    )?;
    let mut rows = statement.query([])?;
    let mut open = Vec::new();
    while let Some(row) = rows.next()? {
        open.push(StateRow {
            patient: PatientKey(row.get(0)?),
            label: row.get(1)?,
            concern: from_json("a concern", &row.get::<_, String>(2)?)?,
        });
    }
    Ok(open)
}

pub(super) fn watched(tx: &Transaction<'_>, since: Instant, limit: usize) -> Result<Vec<PatientKey>, Fault> {
    let mut statement = tx.prepare_cached(
        "SELECT patient FROM patients WHERE newest_compartment IS NOT NULL AND newest_compartment >= ?1
         ORDER BY newest_compartment DESC, patient LIMIT ?2",
    )?;
    let rows = statement.query_map([since.millis(), bounded(limit)], |row| row.get(0).map(PatientKey))?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// The newest `limit` events, oldest of them first: a limit must never hide what happened last.
pub(super) fn events(tx: &Transaction<'_>, patient: &PatientKey, limit: usize) -> Result<Vec<EventRow>, Fault> {
    let mut statement =
        tx.prepare_cached("SELECT event FROM concern_events WHERE patient = ?1 ORDER BY at DESC, row DESC LIMIT ?2")?;
    let mut rows = statement.query(params![patient.0, bounded(limit)])?;
    let mut events: Vec<EventRow> = Vec::new();
    while let Some(row) = rows.next()? {
        events.push(from_json("an event", &row.get::<_, String>(0)?)?);
    }
    events.reverse();
    Ok(events)
}

pub(super) fn derived(tx: &Transaction<'_>, patient: &PatientKey, limit: usize) -> Result<Vec<DerivedRow>, Fault> {
    const WHAT: &str = "a derived resource";
    let mut statement = tx.prepare_cached(
        "SELECT identity, resource_type, patient, body, last_updated, version FROM derived
         WHERE patient = ?1 ORDER BY last_updated DESC, identity DESC LIMIT ?2",
    )?;
    let mut rows = statement.query(params![patient.0, bounded(limit)])?;
    let mut derived = Vec::new();
    while let Some(row) = rows.next()? {
        derived.push(DerivedRow {
            identity: identity(WHAT, &row.get::<_, String>("identity")?)?,
            resource_type: row.get("resource_type")?,
            patient: patient_maybe(row, "patient")?,
            body: from_json(WHAT, &row.get::<_, String>("body")?)?,
            last_updated: instant(row, "last_updated")?,
            version: figure(row.get("version")?),
        });
    }
    Ok(derived)
}

pub(super) fn set_aside(
    tx: &Transaction<'_>,
    patient: Option<&PatientKey>,
    limit: usize,
) -> Result<Vec<SetAsideRow>, Fault> {
    const COLUMNS: &str = "source, part, patient, reason, detail, since";
    // A hospital does many Procedures that are none of ours: they are counted, and listed only for
    // their patient, after everything else.
    const FOREIGN: &str = "(reason = 'code-not-mapped' AND source GLOB 'Procedure/*')";
    let sql = match patient {
        Some(_) => format!(
            "SELECT {COLUMNS} FROM set_aside WHERE patient = ?2 ORDER BY {FOREIGN}, since DESC, row DESC LIMIT ?1"
        ),
        None => format!("SELECT {COLUMNS} FROM set_aside WHERE NOT {FOREIGN} ORDER BY since DESC, row DESC LIMIT ?1"),
    };
    let mut statement = tx.prepare_cached(&sql)?;
    let limit = bounded(limit);
    let mut rows = match patient {
        Some(patient) => statement.query(params![limit, patient.0])?,
        None => statement.query([limit])?,
    };
    let mut found = Vec::new();
    while let Some(row) = rows.next()? {
        found.push(SetAsideRow {
            source: row.get("source")?,
            part: row.get("part")?,
            patient: patient_maybe(row, "patient")?,
            reason: reason(&row.get::<_, String>("reason")?)?,
            detail: row.get("detail")?,
            since: instant(row, "since")?,
        });
    }
    Ok(found)
}

/// Counters for the large tables; the open and the unsent are few and have their own indexes.
pub(super) fn counts(tx: &Transaction<'_>) -> Result<Counts, Fault> {
    let mut counts = Counts::default();
    let mut counters = tx.prepare_cached("SELECT name, value FROM counters ORDER BY name")?;
    let mut rows = counters.query([])?;
    while let Some(row) = rows.next()? {
        let (name, value): (String, i64) = (row.get(0)?, row.get(1)?);
        let value = figure(value);
        match (name.as_str(), name.strip_prefix("set-aside:")) {
            ("inputs", _) => counts.inputs = value,
            ("patients", _) => counts.patients = value,
            (_, Some(code)) if value > 0 => counts.set_aside.push((code.to_owned(), value)),
            _ => {}
        }
    }
    let mut open = tx.prepare_cached(
        "SELECT tier, COUNT(*) FROM concerns WHERE open = 1 GROUP BY tier_rank, tier ORDER BY tier_rank DESC",
    )?;
    let mut rows = open.query([])?;
    while let Some(row) = rows.next()? {
        counts.open_concerns.push((row.get(0)?, figure(row.get(1)?)));
    }
    let mut unsent = tx.prepare_cached("SELECT COUNT(*) FROM outbox WHERE state = ?1")?;
    let mut in_state = |state: &str| unsent.query_row([state], |row| row.get(0)).map(figure);
    counts.outbox_waiting = in_state("waiting")?;
    counts.outbox_stopped = in_state("stopped")?;
    counts.outbox_oldest = tx
        .prepare_cached("SELECT created FROM outbox WHERE state = 'waiting' ORDER BY seq LIMIT 1")?
        .query_row([], |row| instant(row, "created"))
        .optional()?;
    Ok(counts)
}
