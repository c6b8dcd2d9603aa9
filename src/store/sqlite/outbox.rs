//! The outbox: what waits to be written, in order per patient, and what became of it.

use super::rows::{Fault, OUTBOX_COLUMNS, bounded, outbox_entry, state_word};
use crate::fhir::Instant;
use crate::store::records::{OutboxEntry, OutboxState, Settlement};
use rusqlite::{OptionalExtension, Transaction, params};
use std::collections::BTreeSet;
use uuid::Uuid;

/// Number the groups in order and append them. `created` is the entry's first `next_attempt`.
pub(super) fn append(tx: &Transaction<'_>, groups: &[Vec<OutboxEntry>]) -> Result<(), Fault> {
    if groups.iter().all(Vec::is_empty) {
        return Ok(());
    }
    // AUTOINCREMENT keeps the highest seq ever used here, also after rows were removed.
    let used: Option<i64> = tx
        .prepare_cached("SELECT seq FROM sqlite_sequence WHERE name = 'outbox'")?
        .query_row([], |row| row.get(0))
        .optional()?;
    let mut insert = tx.prepare_cached(
        "INSERT INTO outbox (seq, grp, identity, resource_type, patient, body, state, attempts, created,
                             next_attempt, last_answer)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?9, ?10)",
    )?;
    let mut seq = used.unwrap_or(0);
    for group in groups {
        let lowest = seq + 1;
        if group.iter().any(|entry| entry.patient != group[0].patient) {
            return Err(Fault::Refused("an outbox group names two patients".to_owned()));
        }
        for entry in group {
            seq += 1;
            insert.execute(params![
                seq,
                lowest,
                entry.identity.to_string(),
                entry.resource_type,
                entry.patient.0,
                entry.body.to_string(),
                state_word(entry.state),
                entry.attempts,
                entry.next_attempt.millis(),
                entry.last_answer,
            ])?;
        }
    }
    Ok(())
}

/// Failures of its own after which a message no longer holds back the patient's later ones.
const PASSED_AFTER_OWN_FAILURES: i64 = 5;
/// Attempts of any kind after which it no longer does: a server may also hang on one entry only.
const PASSED_AFTER_ATTEMPTS: i64 = 20;

/// The waiting entries that may be sent now.
///
/// Messages (Communications) of one patient go in order: a group is held back while an earlier one
/// has a message that waits. Nothing else holds it back: no Observation (its message names it
/// logically), no **stopped** entry, and no message that has failed by itself
/// [`PASSED_AFTER_OWN_FAILURES`] times (or [`PASSED_AFTER_ATTEMPTS`] times in any way), because no
/// trouble with one resource may keep a later alert of the patient from being sent. A failure of
/// the server as a whole is not an entry's own, so order holds across an outage.
///
/// An older form of an Observation is not due while a newer one was sent and is not settled yet:
/// it would undo the newer one.
///
/// A group is due as soon as one of its waiting entries is, and comes whole (it is one
/// transaction Bundle): `limit` counts entries, and is passed only by a first group longer than it.
/// Where `limit` cuts, Observations that failed before come last.
pub(super) fn due(tx: &Transaction<'_>, now: Instant, limit: usize) -> Result<Vec<OutboxEntry>, Fault> {
    let mut due: Vec<OutboxEntry> = Vec::new();
    let mut taken = BTreeSet::new();
    for kind in [
        "(resource_type <> 'Observation' OR attempts = 0)",
        "resource_type = 'Observation' AND attempts > 0",
    ] {
        if !due_of_kind(tx, kind, now, limit, &mut taken, &mut due)? {
            break;
        }
    }
    due.sort_by_key(|entry| entry.seq);
    Ok(due)
}

/// False once `limit` is reached.
fn due_of_kind(
    tx: &Transaction<'_>,
    kind: &str,
    now: Instant,
    limit: usize,
    taken: &mut BTreeSet<i64>,
    due: &mut Vec<OutboxEntry>,
) -> Result<bool, Fault> {
    // The indexes are named, because without statistics SQLite takes the one by state, and then reads
    // everything that waits once for each group: too slow just when a server was long away.
    const NOT_OVERTAKEN: &str = "(one.resource_type <> 'Observation' OR NOT EXISTS (
             SELECT 1 FROM outbox AS newer INDEXED BY outbox_identity
             WHERE newer.identity = one.identity AND newer.seq > one.seq
               AND newer.state = 'waiting' AND newer.attempts > 0))";
    let mut heads = tx.prepare_cached(&format!(
        "SELECT DISTINCT grp FROM outbox AS one INDEXED BY outbox_line
         WHERE state = 'waiting' AND next_attempt <= ?1 AND {kind}
           AND NOT EXISTS (SELECT 1 FROM outbox AS before INDEXED BY outbox_alerts
                           WHERE before.state = 'waiting' AND before.resource_type = 'Communication'
                             AND before.patient = one.patient AND before.grp < one.grp
                             AND before.own_failures < {PASSED_AFTER_OWN_FAILURES}
                             AND before.attempts < {PASSED_AFTER_ATTEMPTS})
           AND {NOT_OVERTAKEN}
         ORDER BY grp LIMIT ?2"
    ))?;
    let mut members = tx.prepare_cached(&format!(
        "SELECT {OUTBOX_COLUMNS} FROM outbox AS one INDEXED BY outbox_line
         WHERE state = 'waiting' AND grp = ?1 AND {NOT_OVERTAKEN} ORDER BY seq"
    ))?;
    let mut rows = heads.query([now.millis(), bounded(limit)])?;
    while let Some(row) = rows.next()? {
        let number: i64 = row.get(0)?;
        if !taken.insert(number) {
            continue;
        }
        let mut group = Vec::new();
        let mut entries = members.query([number])?;
        while let Some(entry) = entries.next()? {
            group.push(outbox_entry(entry)?);
        }
        if !due.is_empty() && due.len() + group.len() > limit {
            return Ok(false);
        }
        due.append(&mut group);
    }
    Ok(due.len() < limit)
}

/// Record attempts: one delivery row each. What was delivered stays delivered, and with it every
/// older form of the same resource that waits or is stopped is done: it would undo the newer one.
pub(super) fn settle(tx: &Transaction<'_>, settlements: &[Settlement], now: Instant) -> Result<(), Fault> {
    for settlement in settlements {
        let word = state_word(settlement.state);
        let identity: Option<String> = tx
            .prepare_cached(
                "UPDATE outbox
                 SET state = CASE state WHEN 'delivered' THEN state ELSE ?2 END,
                     next_attempt = ?3, last_answer = ?4, attempts = attempts + 1,
                     own_failures = own_failures + ?5
                 WHERE seq = ?1 RETURNING identity",
            )?
            .query_row(
                params![
                    settlement.seq,
                    word,
                    settlement.next_attempt.millis(),
                    settlement.answer,
                    settlement.own_failure,
                ],
                |row| row.get(0),
            )
            .optional()?;
        let Some(identity) = identity else {
            return Err(Fault::Refused(format!("there is no outbox entry {}", settlement.seq)));
        };
        tx.prepare_cached("INSERT INTO deliveries (seq, at, state, answer) VALUES (?1, ?2, ?3, ?4)")?
            .execute(params![settlement.seq, now.millis(), word, settlement.answer])?;
        if settlement.state == OutboxState::Delivered {
            tx.prepare_cached(
                "UPDATE outbox SET state = 'delivered', last_answer = ?3
                 WHERE identity = ?1 AND seq < ?2 AND state IN ('waiting', 'stopped')",
            )?
            .execute(params![
                identity,
                settlement.seq,
                format!("superseded: entry {}, a later form, was delivered", settlement.seq)
            ])?;
        }
        if let Some(reference) = &settlement.remote_reference {
            tx.prepare_cached(
                "INSERT INTO remote_references (identity, reference) VALUES (?1, ?2)
                 ON CONFLICT (identity) DO UPDATE SET reference = excluded.reference",
            )?
            .execute([&identity, reference])?;
        }
    }
    Ok(())
}

pub(super) fn remote_reference(tx: &Transaction<'_>, identity: &Uuid) -> Result<Option<String>, Fault> {
    let mut statement = tx.prepare_cached("SELECT reference FROM remote_references WHERE identity = ?1")?;
    Ok(statement
        .query_row([identity.to_string()], |row| row.get(0))
        .optional()?)
}

/// True when the entry was stopped and waits again. False when there is no such stopped entry, or
/// when a later form of the same resource was delivered: sending the old one would undo it.
pub(super) fn resend(tx: &Transaction<'_>, seq: i64, now: Instant) -> Result<bool, Fault> {
    let changed = tx
        .prepare_cached(
            "UPDATE outbox SET state = 'waiting', next_attempt = ?2
             WHERE seq = ?1 AND state = 'stopped'
               AND NOT EXISTS (SELECT 1 FROM outbox AS later
                               WHERE later.identity = outbox.identity AND later.seq > outbox.seq
                                 AND later.state = 'delivered')",
        )?
        .execute([seq, now.millis()])?;
    Ok(changed == 1)
}

pub(super) fn list(tx: &Transaction<'_>, state: OutboxState, limit: usize) -> Result<Vec<OutboxEntry>, Fault> {
    let sql = format!("SELECT {OUTBOX_COLUMNS} FROM outbox WHERE state = ?1 ORDER BY seq DESC LIMIT ?2");
    let mut statement = tx.prepare_cached(&sql)?;
    let mut rows = statement.query(params![state_word(state), bounded(limit)])?;
    let mut entries = Vec::new();
    while let Some(row) = rows.next()? {
        entries.push(outbox_entry(row)?);
    }
    Ok(entries)
}
