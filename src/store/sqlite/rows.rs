//! Columns to records and back, and what can go wrong inside a transaction.

use crate::fhir::Instant;
use crate::outbox::draft::Family;
use crate::recognise::reading::{PatientKey, Version};
use crate::recognise::reason::Reason;
use crate::rules::Tier;
use crate::store::StoreError;
use crate::store::records::{InputRow, OutboxEntry, OutboxState};
use rusqlite::Row;
use serde::Serialize;
use serde::de::DeserializeOwned;
use uuid::Uuid;

/// A fault inside a transaction, before the transaction's name is known.
#[derive(Debug)]
pub(super) enum Fault {
    /// SQLite's.
    Sql(rusqlite::Error),
    /// What was to be written contradicts itself.
    Refused(String),
    /// A row does not decode.
    Decode { what: &'static str, cause: String },
}

impl From<rusqlite::Error> for Fault {
    fn from(error: rusqlite::Error) -> Self {
        Self::Sql(error)
    }
}

impl Fault {
    /// The store's error, naming the file and the transaction.
    pub(super) fn during(self, action: &'static str, path: &str) -> StoreError {
        match self {
            Self::Sql(error) => StoreError::of_sqlite(&error, path, action),
            Self::Refused(cause) => StoreError::Statement { action, cause },
            Self::Decode { what, cause } => StoreError::Decode {
                what: what.to_owned(),
                cause,
            },
        }
    }

    pub(super) fn decode(what: &'static str, cause: impl Into<String>) -> Self {
        Self::Decode {
            what,
            cause: cause.into(),
        }
    }
}

/// JSON of a value that we define ourselves.
pub(super) fn to_json<T: Serialize>(what: &'static str, value: &T) -> Result<String, Fault> {
    serde_json::to_string(value).map_err(|error| Fault::Refused(format!("{what} has no JSON form: {error}")))
}

/// A value from its JSON. The error gives the place and not the content, which is a patient's.
pub(super) fn from_json<T: DeserializeOwned>(what: &'static str, text: &str) -> Result<T, Fault> {
    serde_json::from_str(text).map_err(|error| {
        let cause = format!(
            "{:?} error in its JSON at line {}, column {}",
            error.classify(),
            error.line(),
            error.column()
        );
        Fault::decode(what, cause)
    })
}

pub(super) fn instant(row: &Row<'_>, column: &str) -> rusqlite::Result<Instant> {
    row.get(column).map(Instant::from_millis)
}

pub(super) fn instant_maybe(row: &Row<'_>, column: &str) -> rusqlite::Result<Option<Instant>> {
    Ok(row.get::<_, Option<i64>>(column)?.map(Instant::from_millis))
}

pub(super) fn patient_maybe(row: &Row<'_>, column: &str) -> rusqlite::Result<Option<PatientKey>> {
    Ok(row.get::<_, Option<String>>(column)?.map(PatientKey))
}

/// A limit or an offset as SQLite takes it.
pub(super) fn bounded(count: usize) -> i64 {
    i64::try_from(count).unwrap_or(i64::MAX)
}

/// A figure from SQLite, which never counts below zero.
pub(super) fn figure(count: i64) -> u64 {
    u64::try_from(count).unwrap_or(0)
}

pub(super) fn identity(what: &'static str, text: &str) -> Result<Uuid, Fault> {
    Uuid::parse_str(text).map_err(|error| Fault::decode(what, error.to_string()))
}

pub(super) fn family(word: &str) -> Result<Family, Fault> {
    Family::ALL
        .into_iter()
        .find(|family| family.word() == word)
        .ok_or_else(|| Fault::decode("a concern", "its family is not known"))
}

/// 0 for a closed concern; the greater, the worse.
pub(super) fn tier_rank(tier: Option<Tier>) -> i64 {
    match tier {
        None => 0,
        Some(Tier::Check) => 1,
        Some(Tier::Watch) => 2,
        Some(Tier::Act) => 3,
        Some(Tier::Critical) => 4,
    }
}

pub(super) fn reason(code: &str) -> Result<Reason, Fault> {
    let found = Reason::ALL.iter().find(|reason| reason.code() == code);
    found
        .copied()
        .ok_or_else(|| Fault::decode("a set-aside row", "its reason is not known"))
}

pub(super) fn state_word(state: OutboxState) -> &'static str {
    match state {
        OutboxState::Waiting => "waiting",
        OutboxState::Delivered => "delivered",
        OutboxState::Stopped => "stopped",
    }
}

fn outbox_state(word: &str) -> Result<OutboxState, Fault> {
    [OutboxState::Waiting, OutboxState::Delivered, OutboxState::Stopped]
        .into_iter()
        .find(|state| state_word(*state) == word)
        .ok_or_else(|| Fault::decode("an outbox entry", "its state is not known"))
}

/// Columns of `inputs` that `input_row` reads.
pub(super) const INPUT_COLUMNS: &str =
    "resource_type, id, last_updated, version_number, version_id, digest, received, patient, deleted, body";

pub(super) fn input_row(row: &Row<'_>) -> rusqlite::Result<InputRow> {
    Ok(InputRow {
        resource_type: row.get("resource_type")?,
        id: row.get("id")?,
        version: Version {
            last_updated: instant_maybe(row, "last_updated")?,
            number: row.get::<_, Option<i64>>("version_number")?.map(i64::cast_unsigned),
            id: row.get::<_, String>("version_id")?.into(),
            digest: row.get::<_, String>("digest")?.into(),
        },
        received: instant(row, "received")?,
        patient: patient_maybe(row, "patient")?,
        body: row.get("body")?,
        deleted: row.get("deleted")?,
    })
}

/// Columns of `outbox` that `outbox_entry` reads.
pub(super) const OUTBOX_COLUMNS: &str =
    "seq, grp, identity, resource_type, patient, body, state, attempts, next_attempt, last_answer";

pub(super) fn outbox_entry(row: &Row<'_>) -> Result<OutboxEntry, Fault> {
    const WHAT: &str = "an outbox entry";
    Ok(OutboxEntry {
        seq: row.get("seq")?,
        group: row.get("grp")?,
        identity: identity(WHAT, &row.get::<_, String>("identity")?)?,
        resource_type: row.get("resource_type")?,
        patient: PatientKey(row.get("patient")?),
        body: from_json(WHAT, &row.get::<_, String>("body")?)?,
        state: outbox_state(&row.get::<_, String>("state")?)?,
        attempts: row.get("attempts")?,
        next_attempt: instant(row, "next_attempt")?,
        last_answer: row.get("last_answer")?,
    })
}
