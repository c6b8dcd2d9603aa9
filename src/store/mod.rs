//! Durable state. One commit holds inputs, readings, concerns, derived resources, outbox entries
//! and cursors together; nothing is acknowledged before it (invariant 1). SQL never asks the time.

mod error;
mod parameters;
pub mod records;
pub mod sqlite;
mod stamp;

pub use error::StoreError;
pub use sqlite::SqliteStore;

pub use records::{
    Commit, Counts, DerivedRow, EventRow, InputRow, OutboxEntry, OutboxState, SearchPage, SearchQuery, SetAsideRow,
    Settlement,
};

use crate::fhir::Instant;
use crate::patient::state::{State, StateRow};
use crate::recognise::reading::PatientKey;
use tokio::runtime::{Handle, RuntimeFlavor};

/// Make a blocking call of the store from async code, on the blocking pool. On a runtime of one
/// thread it is made at once: there the order of everything is the program's own, and a simulation
/// (`tests/simulation`) runs the same way each time.
///
/// # Errors
/// The call's own, or `Statement` when it panicked.
pub async fn off_thread<T: Send + 'static>(
    action: &'static str,
    call: impl FnOnce() -> Result<T, StoreError> + Send + 'static,
) -> Result<T, StoreError> {
    if Handle::current().runtime_flavor() == RuntimeFlavor::CurrentThread {
        return call();
    }
    let joined = tokio::task::spawn_blocking(call).await;
    joined.unwrap_or_else(|error| {
        Err(StoreError::Statement {
            action,
            cause: error.to_string(),
        })
    })
}

/// The store as the rest of the service sees it. Calls block: async callers use `spawn_blocking`.
pub trait Store: Send + Sync + 'static {
    // --- the engine -------------------------------------------------------------------------
    /// Everything known of one patient; an empty state when nothing is.
    fn load_patient(&self, patient: &PatientKey) -> Result<State, StoreError>;
    /// Current version of an input, with its body as sent; also when it is deleted.
    fn input(&self, resource_type: &str, id: &str) -> Result<Option<InputRow>, StoreError>;
    /// [`Store::input`] for each address (type, id).
    ///
    /// # Errors
    /// As there.
    fn inputs(&self, addresses: &[(&str, &str)]) -> Result<Vec<Option<InputRow>>, StoreError> {
        let input = |(resource_type, id): &(&str, &str)| self.input(resource_type, id);
        addresses.iter().map(input).collect()
    }
    /// The one commit: all of it, or nothing. The store numbers derived versions (previous + 1, also
    /// written to the body's `id` and `meta`) and outbox entries (`seq` in the order given, `group` the
    /// lowest of its group). An error also when the commit contradicts itself: an outbox group of two
    /// patients, a set-aside row under another source, a derived resource that is no JSON object.
    fn commit(&self, commit: &Commit) -> Result<(), StoreError>;
    /// Patients whose `next_due` has come, earliest first, at most `limit`.
    fn patients_due(&self, now: Instant, limit: usize) -> Result<Vec<PatientKey>, StoreError>;
    /// Patients whose `forget_at` has come, earliest first, at most `limit`.
    fn patients_to_forget(&self, now: Instant, limit: usize) -> Result<Vec<PatientKey>, StoreError>;
    /// The earliest `next_due` of all patients.
    fn next_due(&self) -> Result<Option<Instant>, StoreError>;
    /// Current inputs after `after` (type, id) in key order, for re-recognition; deleted ones are
    /// left out (no mapping brings them back).
    fn inputs_after(&self, after: Option<(&str, &str)>, limit: usize) -> Result<Vec<InputRow>, StoreError>;
    /// Patients after `after` in key order, to step each of them again.
    fn patients_after(&self, after: Option<&PatientKey>, limit: usize) -> Result<Vec<PatientKey>, StoreError>;
    /// A value of the `meta` table (mapping hash, rule sheet hash).
    fn meta(&self, key: &str) -> Result<Option<String>, StoreError>;
    /// A polling cursor.
    fn cursor(&self, name: &str) -> Result<Option<Instant>, StoreError>;

    // --- delivery ---------------------------------------------------------------------------
    /// Waiting entries whose time has come, in `seq` order, by groups (entries of one step).
    ///
    /// Messages of one patient keep their order: a group is not due while an earlier group of the
    /// patient has a Communication that waits. Nothing else holds it back, no Observation, no
    /// stopped entry, and no Communication that failed by itself five times (or twenty times in any
    /// way), because no trouble with one resource may keep a later alert of the patient from being
    /// sent. An older form of an Observation is not due while a newer one was tried and waits. A
    /// group is due as soon as one of its waiting entries is, and comes whole (one transaction
    /// Bundle): only a first group longer than `limit` passes it.
    fn outbox_due(&self, now: Instant, limit: usize) -> Result<Vec<OutboxEntry>, StoreError>;
    /// Record what became of attempts, one delivery row each. What was delivered stays delivered,
    /// and older forms of it that wait or are stopped are settled as superseded (`Delivered`, the
    /// answer says so).
    /// An error, and nothing recorded, when one of them names no entry.
    fn outbox_settle(&self, settlements: &[Settlement], now: Instant) -> Result<(), StoreError>;
    /// The server's id of a derived resource, once delivered (`Observation/17`).
    fn remote_reference(&self, identity: &uuid::Uuid) -> Result<Option<String>, StoreError>;
    /// Put a stopped entry (and what waits behind it) back in line, its attempts kept. False when
    /// there is no such stopped entry, or when a later form of the same resource was delivered:
    /// sending the old one would undo it.
    fn outbox_resend(&self, seq: i64, now: Instant) -> Result<bool, StoreError>;
    /// Entries in a state, newest first.
    fn outbox_list(&self, state: OutboxState, limit: usize) -> Result<Vec<OutboxEntry>, StoreError>;

    // --- what is shown ----------------------------------------------------------------------
    /// FHIR search over inputs and derived resources of one type, in order of (lastUpdated, id).
    /// Bodies carry `id`, `meta.versionId` and `meta.lastUpdated` of their row; all else, every
    /// digit of a number too, stays as sent. `patient` is compared with the patient key, or with
    /// `subject.reference` when the row has none.
    fn search(&self, query: &SearchQuery) -> Result<SearchPage, StoreError>;
    /// One resource as served on `/fhir`: body (as in `search`), deleted flag, version. An input
    /// with the address of a derived resource is kept and never served in its stead.
    fn read(&self, resource_type: &str, id: &str) -> Result<Option<InputRow>, StoreError>;
    /// Open concerns of all patients: worst tier first, of one tier the longest open first.
    fn open_concerns(&self) -> Result<Vec<StateRow>, StoreError>;
    /// Patients with a compartment reading of `since` or later, newest reading first, at most
    /// `limit`: those whom the front page lists, with or without an open concern.
    fn watched(&self, since: Instant, limit: usize) -> Result<Vec<PatientKey>, StoreError>;
    /// History of a patient's concerns: the newest `limit` events, oldest of them first.
    fn events(&self, patient: &PatientKey, limit: usize) -> Result<Vec<EventRow>, StoreError>;
    /// Derived resources of a patient, newest first.
    fn derived(&self, patient: &PatientKey, limit: usize) -> Result<Vec<DerivedRow>, StoreError>;
    /// Inputs set aside, newest first; of one patient when named. Procedures of no mapped code are
    /// many and foreign: they come last of a patient's, and are left out of the list of all.
    fn set_aside(&self, patient: Option<&PatientKey>, limit: usize) -> Result<Vec<SetAsideRow>, StoreError>;
    /// Figures for health, metrics and the page.
    fn counts(&self) -> Result<Counts, StoreError>;
    /// Proves that a write of some size can be committed now, with a page of its own for each part.
    fn probe_writable(&self) -> Result<(), StoreError>;
    /// What no answer waits for: a part of it when nothing else is to do (`idle`), else as much of it
    /// as has piled up past a bound.
    ///
    /// # Errors
    /// When the store cannot be written; nothing is lost, it is done later.
    fn tidy(&self, _idle: bool) -> Result<(), StoreError> {
        Ok(())
    }
    /// At the end of a run: bring everything into the one file, so that a copy of it alone is whole.
    /// What cannot be brought in now stays beside it and is read at the next start.
    ///
    /// # Errors
    /// When the store cannot be written.
    fn fold(&self) -> Result<(), StoreError> {
        Ok(())
    }
}
