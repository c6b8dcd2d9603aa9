//! The store of one process over a disk that outlives it: it fails when the disk is full, and the
//! process can die before and after each operation. What was committed stays.

use crate::life::Life;
use crate::world::World;
use deltaward::fhir::Instant;
use deltaward::patient::state::{State, StateRow};
use deltaward::recognise::reading::PatientKey;
use deltaward::store::{
    Commit, Counts, DerivedRow, EventRow, InputRow, OutboxEntry, OutboxState, SearchPage, SearchQuery, SetAsideRow,
    Settlement, SqliteStore, Store, StoreError,
};
use std::sync::Arc;

pub struct Disk {
    pub world: Arc<World>,
    pub life: Arc<Life>,
    pub store: Arc<SqliteStore>,
}

fn failed(cause: &str) -> StoreError {
    StoreError::Statement {
        action: "do what was asked",
        cause: cause.to_owned(),
    }
}

impl Disk {
    fn read<T>(&self, call: impl FnOnce(&SqliteStore) -> Result<T, StoreError>) -> Result<T, StoreError> {
        if self.life.moment() {
            return Err(failed("the process is dead"));
        }
        call(&self.store)
    }

    fn write<T>(&self, call: impl FnOnce(&SqliteStore) -> Result<T, StoreError>) -> Result<T, StoreError> {
        if self.life.moment() {
            return Err(failed("the process is dead"));
        }
        if self.world.disk_is_full() {
            return Err(failed("database or disk is full"));
        }
        let answer = call(&self.store);
        if self.life.moment() {
            return Err(failed("the process died after the commit"));
        }
        answer
    }
}

impl Store for Disk {
    fn load_patient(&self, patient: &PatientKey) -> Result<State, StoreError> {
        self.read(|store| store.load_patient(patient))
    }
    fn input(&self, resource_type: &str, id: &str) -> Result<Option<InputRow>, StoreError> {
        self.read(|store| store.input(resource_type, id))
    }
    fn commit(&self, commit: &Commit) -> Result<(), StoreError> {
        self.write(|store| {
            store.commit(commit)?;
            let events = commit.patients.iter().flat_map(|change| change.events.iter().cloned());
            self.world.lock().decided.extend(events);
            Ok(())
        })
    }
    fn patients_due(&self, now: Instant, limit: usize) -> Result<Vec<PatientKey>, StoreError> {
        self.read(|store| store.patients_due(now, limit))
    }
    fn patients_to_forget(&self, before: Instant, limit: usize) -> Result<Vec<PatientKey>, StoreError> {
        self.read(|store| store.patients_to_forget(before, limit))
    }
    fn next_due(&self) -> Result<Option<Instant>, StoreError> {
        self.read(Store::next_due)
    }
    fn inputs_after(&self, after: Option<(&str, &str)>, limit: usize) -> Result<Vec<InputRow>, StoreError> {
        self.read(|store| store.inputs_after(after, limit))
    }
    fn patients_after(&self, after: Option<&PatientKey>, limit: usize) -> Result<Vec<PatientKey>, StoreError> {
        self.read(|store| store.patients_after(after, limit))
    }
    fn meta(&self, key: &str) -> Result<Option<String>, StoreError> {
        self.read(|store| store.meta(key))
    }
    fn cursor(&self, name: &str) -> Result<Option<Instant>, StoreError> {
        self.read(|store| Store::cursor(store, name))
    }
    fn outbox_due(&self, now: Instant, limit: usize) -> Result<Vec<OutboxEntry>, StoreError> {
        self.read(|store| store.outbox_due(now, limit))
    }
    fn outbox_settle(&self, settlements: &[Settlement], now: Instant) -> Result<(), StoreError> {
        self.write(|store| store.outbox_settle(settlements, now))
    }
    fn remote_reference(&self, identity: &uuid::Uuid) -> Result<Option<String>, StoreError> {
        self.read(|store| Store::remote_reference(store, identity))
    }
    fn outbox_resend(&self, seq: i64, now: Instant) -> Result<bool, StoreError> {
        self.write(|store| store.outbox_resend(seq, now))
    }
    fn outbox_list(&self, state: OutboxState, limit: usize) -> Result<Vec<OutboxEntry>, StoreError> {
        self.read(|store| store.outbox_list(state, limit))
    }
    fn search(&self, query: &SearchQuery) -> Result<SearchPage, StoreError> {
        self.read(|store| store.search(query))
    }
    fn read(&self, resource_type: &str, id: &str) -> Result<Option<InputRow>, StoreError> {
        Disk::read(self, |store| store.read(resource_type, id))
    }
    fn open_concerns(&self) -> Result<Vec<StateRow>, StoreError> {
        Disk::read(self, Store::open_concerns)
    }
    fn watched(&self, since: Instant, limit: usize) -> Result<Vec<PatientKey>, StoreError> {
        Disk::read(self, |store| store.watched(since, limit))
    }
    fn events(&self, patient: &PatientKey, limit: usize) -> Result<Vec<EventRow>, StoreError> {
        Disk::read(self, |store| store.events(patient, limit))
    }
    fn derived(&self, patient: &PatientKey, limit: usize) -> Result<Vec<DerivedRow>, StoreError> {
        Disk::read(self, |store| store.derived(patient, limit))
    }
    fn set_aside(&self, patient: Option<&PatientKey>, limit: usize) -> Result<Vec<SetAsideRow>, StoreError> {
        Disk::read(self, |store| store.set_aside(patient, limit))
    }
    fn counts(&self) -> Result<Counts, StoreError> {
        Disk::read(self, Store::counts)
    }
    fn probe_writable(&self) -> Result<(), StoreError> {
        self.write(Store::probe_writable)
    }
}
