//! The outbox: what waits to be written, in order per patient, and what became of it.

use super::rows::{Fault, OUTBOX_COLUMNS, bounded, outbox_entry, state_word};
use crate::fhir::Instant;
use crate::store::records::{OutboxEntry, OutboxState, Settlement};
use rusqlite::{OptionalExtension, Transaction, params};
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

/// The waiting entries of each patient's head group: the lowest group that still has a waiting
/// entry. A head whose time has not come holds its patient's later groups back, so that order
/// holds; a **stopped** entry does not: it is passed over and later groups go on, because no
/// refusal of one resource may keep a later alert of the patient from being sent.
///
/// A group is due as soon as one of its waiting entries is, and comes whole (it is one
/// transaction Bundle): `limit` counts entries, and is passed only by a first group longer than it.
pub(super) fn due(tx: &Transaction<'_>, now: Instant, limit: usize) -> Result<Vec<OutboxEntry>, Fault> {
    // Both indexes named, because without statistics SQLite takes the one by state, and then reads
    // everything that waits once for each group: too slow just when a server was long away.
    let mut heads = tx.prepare_cached(
        "SELECT DISTINCT grp FROM outbox AS head INDEXED BY outbox_line
         WHERE state = 'waiting' AND next_attempt <= ?1
           AND NOT EXISTS (SELECT 1 FROM outbox AS before
                           WHERE before.state = 'waiting' AND before.patient = head.patient AND before.grp < head.grp)
         ORDER BY grp LIMIT ?2",
    )?;
    let sql = format!(
        "SELECT {OUTBOX_COLUMNS} FROM outbox INDEXED BY outbox_line
         WHERE state = 'waiting' AND grp = ?1 ORDER BY seq"
    );
    let mut members = tx.prepare_cached(&sql)?;
    let mut due: Vec<OutboxEntry> = Vec::new();
    let mut rows = heads.query([now.millis(), bounded(limit)])?;
    while let Some(row) = rows.next()? {
        let mut group = Vec::new();
        let mut entries = members.query([row.get::<_, i64>(0)?])?;
        while let Some(entry) = entries.next()? {
            group.push(outbox_entry(entry)?);
        }
        if !due.is_empty() && due.len() + group.len() > limit {
            break;
        }
        due.append(&mut group);
    }
    Ok(due)
}

/// Record attempts: one delivery row each. What was delivered stays delivered.
pub(super) fn settle(tx: &Transaction<'_>, settlements: &[Settlement], now: Instant) -> Result<(), Fault> {
    for settlement in settlements {
        let word = state_word(settlement.state);
        let identity: Option<String> = tx
            .prepare_cached(
                "UPDATE outbox
                 SET state = CASE state WHEN 'delivered' THEN state ELSE ?2 END,
                     next_attempt = ?3, last_answer = ?4, attempts = attempts + 1
                 WHERE seq = ?1 RETURNING identity",
            )?
            .query_row(
                params![
                    settlement.seq,
                    word,
                    settlement.next_attempt.millis(),
                    settlement.answer
                ],
                |row| row.get(0),
            )
            .optional()?;
        let Some(identity) = identity else {
            return Err(Fault::Refused(format!("there is no outbox entry {}", settlement.seq)));
        };
        tx.prepare_cached("INSERT INTO deliveries (seq, at, state, answer) VALUES (?1, ?2, ?3, ?4)")?
            .execute(params![settlement.seq, now.millis(), word, settlement.answer])?;
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
