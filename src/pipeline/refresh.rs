//! At start: when the mapping changed, every input is recognised anew (what was set aside is tried
//! again, what was used may read differently now); when a rule sheet changed, every patient is
//! judged anew.

use super::engine::Engine;
use super::rows::{derived_row, outbox_entry};
use super::work::{RECOGNISED, Work};
use super::writer::write;
use crate::outbox::build;
use crate::outbox::context::Mode;
use crate::recognise::reading::PatientKey;
use crate::store::{Commit, StoreError};
use std::sync::Arc;

/// Inputs or patients looked at in one commit.
const PER_COMMIT: usize = 500;

/// Patients who wait for an answer that are looked at again at start.
const WAITING_AT_START: usize = 2_000;

/// Whose compartment pressure is no older is watched still (a week).
const WATCHED_MINUTES: i64 = 7 * 24 * 60;

/// The pseudo patient under which the Device resource is delivered.
const DEVICE_PATIENT: &str = "device";

impl Engine {
    /// Bring the store into line with the mapping and the rule sheets in force.
    ///
    /// # Errors
    /// When the store cannot be read or written; what was committed stays, the rest is tried again
    /// at the next start.
    pub fn refresh(&mut self) -> Result<(), StoreError> {
        self.write_device()?;
        let mapping = self.settings.mapping.hash.clone();
        if self.store.meta("mapping_hash")?.is_some_and(|before| before != mapping) {
            tracing::info!("the mapping changed: every input is recognised anew");
            self.recognise_all()?;
        }
        let [adult, child] = self.settings.sheets.both().map(|sheet| sheet.hash.clone());
        let before = self.store.meta("sheet_hash")?;
        // A store of an earlier version knows no children's sheet: its children were judged by the other.
        let changed = before.as_ref() != Some(&adult) || self.store.meta("child_sheet_hash")?.as_ref() != Some(&child);
        if before.is_some() && changed {
            tracing::info!("a rule sheet changed: every patient is judged anew");
            self.judge_all()?;
        }
        self.ask_again()?;
        self.fetch_again()?;
        let meta = vec![
            (String::from("mapping_hash"), mapping),
            (String::from("sheet_hash"), adult),
            (String::from("child_sheet_hash"), child),
        ];
        self.store.commit(&Commit {
            meta,
            ..Commit::default()
        })?;
        // Patients that were judged anew have other timers.
        self.next_due = self.store.next_due()?;
        Ok(())
    }

    /// The Device that derived resources name, once per version of this program.
    fn write_device(&mut self) -> Result<(), StoreError> {
        let version = env!("CARGO_PKG_VERSION");
        let delivers = self.settings.deliver && self.settings.mode == Mode::Live;
        let key = if delivers { "device_delivered" } else { "device_served" };
        if self.store.meta(key)?.as_deref() == Some(version) {
            return Ok(());
        }
        let device = match build::device_resource(version, self.validator) {
            Ok(device) => device,
            Err(error) => {
                tracing::error!(%error, "the Device resource failed its own check");
                return Ok(());
            }
        };
        let now = (self.clock)();
        let mut commit = Commit {
            derived: vec![derived_row(device.clone(), None, now)],
            ..Commit::default()
        };
        if delivers {
            let patient = PatientKey(String::from(DEVICE_PATIENT));
            commit.outbox.push(vec![outbox_entry(device, &patient, now)]);
        }
        commit.meta.push((key.to_owned(), version.to_owned()));
        self.store.commit(&commit)
    }

    /// A question that was under way when the service stopped is asked again: whoever waits for an
    /// answer is due within its time. All others wait for their timers, or were due meanwhile and
    /// come in the first turns, so that a start does not grow with the patients.
    fn ask_again(&mut self) -> Result<(), StoreError> {
        let store = Arc::clone(&self.store);
        let settings = Arc::clone(&self.settings);
        if !settings.policy.ask {
            return Ok(());
        }
        let latest = (self.clock)().plus_seconds(settings.policy.timeout_seconds);
        let waiting = store.patients_due(latest, WAITING_AT_START)?;
        for some in waiting.chunks(PER_COMMIT) {
            let mut work = Work::new(store.as_ref(), &settings, (self.clock)());
            for patient in some {
                work.inputs.entry(patient.clone()).or_default();
            }
            self.finish(work)?;
        }
        Ok(())
    }

    /// Ask for the Patient of everybody who is watched and not known: the process may have ended
    /// before it was read.
    fn fetch_again(&self) -> Result<(), StoreError> {
        let Some(watched) = &self.outlets.watched else {
            return Ok(());
        };
        let since = (self.clock)().plus_minutes(-WATCHED_MINUTES);
        for patient in self.store.watched(since, WAITING_AT_START)? {
            let state = self.store.load_patient(&patient)?;
            if state.birth_date.is_none() && state.label.is_none() {
                // A full queue: it is asked for again when something is heard of the patient.
                let _ = watched.try_send(patient);
            }
        }
        Ok(())
    }

    fn recognise_all(&mut self) -> Result<(), StoreError> {
        let store = Arc::clone(&self.store);
        let settings = Arc::clone(&self.settings);
        let mut after: Option<(String, String)> = None;
        loop {
            let from = after
                .as_ref()
                .map(|(resource_type, id)| (resource_type.as_str(), id.as_str()));
            let rows = store.inputs_after(from, PER_COMMIT)?;
            let Some(last) = rows.last() else { return Ok(()) };
            after = Some((last.resource_type.clone(), last.id.clone()));
            let mut work = Work::new(store.as_ref(), &settings, (self.clock)());
            for row in rows
                .iter()
                .filter(|row| RECOGNISED.contains(&row.resource_type.as_str()) && !row.deleted)
            {
                let recognised = work.recognise(&row.resource_type, &row.body, &row.id, row.version.clone());
                let patient = work.route(recognised, row.patient.clone());
                if patient != row.patient {
                    work.commit
                        .refiled
                        .push((row.resource_type.clone(), row.id.clone(), patient));
                }
            }
            self.finish(work)?;
        }
    }

    fn judge_all(&mut self) -> Result<(), StoreError> {
        let store = Arc::clone(&self.store);
        let settings = Arc::clone(&self.settings);
        let mut after: Option<PatientKey> = None;
        loop {
            let patients = store.patients_after(after.as_ref(), PER_COMMIT)?;
            let Some(last) = patients.last() else { return Ok(()) };
            after = Some(last.clone());
            let mut work = Work::new(store.as_ref(), &settings, (self.clock)());
            for patient in patients {
                work.inputs.entry(patient).or_default();
            }
            self.finish(work)?;
        }
    }

    /// Step the patients of `work` and commit.
    fn finish(&mut self, work: Work<'_>) -> Result<(), StoreError> {
        let (commit, told, _) = self.step_all(work)?;
        write(self.store.as_ref(), commit)?;
        self.outlets.tell(told);
        Ok(())
    }
}
