//! Patient resources (birth date, name) of patients that yielded compartment readings.

use super::poll::{Cursors, PollError, Poller};
use crate::delivery::ClientError;
use crate::fhir::Instant;
use crate::recognise::reading::PatientKey;
use crate::source::intake::{Batch, Incoming, Operation, Versioning};
use std::collections::{BTreeSet, HashMap};
use std::time::Duration;
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;

/// A Patient that was read is read again after so many minutes.
const REFRESH_MINUTES: i64 = 24 * 60;
/// After a failure a patient of whom something is heard is read again no sooner than so many minutes later.
const RETRY_MINUTES: i64 = 10;
/// Without that it is tried again after so many seconds, then after twice as many each time, to a
/// day: it says whose sheet judges, so it is not left until something else is heard of the patient.
const RETRY_SECONDS: u64 = 30;
/// Longest such wait, seconds.
const MAX_RETRY_SECONDS: u64 = 24 * 60 * 60;
/// Patients whose last read is remembered; beyond it all are forgotten, which costs one read each.
const MAX_REMEMBERED: usize = 50_000;

/// Patients that could not be read, bounded, and when each is tried again: there may be thousands, and
/// every key that comes in asks which is the first.
#[derive(Default)]
struct Failed {
    /// How often, and when again.
    patients: HashMap<PatientKey, (u32, tokio::time::Instant)>,
    /// The same in order of time.
    in_line: BTreeSet<(tokio::time::Instant, PatientKey)>,
}

impl Failed {
    fn once_more(&mut self, key: &PatientKey) {
        if self.patients.len() >= MAX_REMEMBERED {
            *self = Self::default();
        }
        let times = self.forget(key);
        let doubled = RETRY_SECONDS.saturating_mul(1 << times.min(16));
        let again_at = tokio::time::Instant::now() + Duration::from_secs(doubled.min(MAX_RETRY_SECONDS));
        self.patients.insert(key.clone(), (times.saturating_add(1), again_at));
        self.in_line.insert((again_at, key.clone()));
    }

    /// How often it had failed.
    fn forget(&mut self, key: &PatientKey) -> u32 {
        let Some((times, again_at)) = self.patients.remove(key) else {
            return 0;
        };
        self.in_line.remove(&(again_at, key.clone()));
        times
    }

    /// The key that is first in line, once its moment has come.
    async fn fall_due(&self) -> PatientKey {
        match self.in_line.first() {
            Some((moment, key)) => {
                tokio::time::sleep_until(*moment).await;
                key.clone()
            }
            None => std::future::pending().await,
        }
    }
}

impl<C: Cursors + ?Sized> Poller<C> {
    /// Read `Patient/{id}` by a reference to this server.
    ///
    /// # Errors
    /// `PatientElsewhere` for a patient of another server or one known by identifier only; any
    /// other [`PollError`] of the read.
    pub async fn fetch_patient(&self, reference: &str) -> Result<Incoming, PollError> {
        let local = self.client.local_reference(reference).ok();
        let local = local.ok_or(PollError::PatientElsewhere)?;
        let id = local
            .strip_prefix("Patient/")
            .ok_or(PollError::PatientElsewhere)?
            .to_owned();
        let reply = self.client.get(self.client.url(&local, "")?).await?;
        let patient = reply.json()?;
        if patient.get("resourceType").and_then(serde_json::Value::as_str) != Some("Patient") {
            return Err(ClientError::Malformed(String::from("a read of a Patient gave another resource")).into());
        }
        Ok(Incoming {
            resource_type: String::from("Patient"),
            id,
            operation: Operation::Put(reply.body),
            versioning: Versioning::Theirs,
            if_match: None,
        })
    }

    /// Read the Patient of each key that comes in, once (again and again until it can be read) and then at most once a day, until
    /// `shutdown` or until the sending side is gone. The engine may send a key as often as it likes.
    pub async fn run_patients(
        &self,
        mut receiver: mpsc::Receiver<PatientKey>,
        shutdown: CancellationToken,
        clock: impl Fn() -> Instant + Send + Sync,
    ) {
        let mut not_before: HashMap<PatientKey, Instant> = HashMap::new();
        let mut failed = Failed::default();
        loop {
            let (key, is_repeated) = tokio::select! {
                biased;
                () = shutdown.cancelled() => return,
                key = receiver.recv() => match key {
                    Some(key) => (key, false),
                    None => return,
                },
                key = failed.fall_due() => (key, true),
            };
            let now = clock();
            if !is_repeated && not_before.get(&key).is_some_and(|moment| now < *moment) {
                continue;
            }
            let result = tokio::select! {
                biased;
                () = shutdown.cancelled() => return,
                result = self.read_patient(&key) => result,
            };
            self.status.record_patient(result.is_ok());
            let minutes = match result {
                Ok(()) | Err(PollError::PatientElsewhere) => {
                    failed.forget(&key);
                    REFRESH_MINUTES
                }
                Err(error) => {
                    // A server without Patients would fill the log: each one is counted in `/metrics`.
                    match failed.patients.is_empty() {
                        true => {
                            tracing::warn!(%error, "a Patient could not be read; age and label stay unknown for now")
                        }
                        false => tracing::debug!(%error, "another Patient could not be read"),
                    }
                    failed.once_more(&key);
                    RETRY_MINUTES
                }
            };
            if not_before.len() >= MAX_REMEMBERED {
                not_before.clear();
            }
            not_before.insert(key, now.plus_minutes(minutes));
        }
    }

    async fn read_patient(&self, key: &PatientKey) -> Result<(), PollError> {
        let batch = Batch {
            items: vec![self.fetch_patient(&key.0).await?],
            ..Batch::default()
        };
        self.intake.submit_when_room(batch).await?;
        Ok(())
    }
}
