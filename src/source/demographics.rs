//! Patient resources (birth date, name) of patients that yielded compartment readings.

use super::poll::{Cursors, PollError, Poller};
use crate::delivery::ClientError;
use crate::fhir::Instant;
use crate::recognise::reading::PatientKey;
use crate::source::intake::{Batch, Incoming, Operation, Versioning};
use std::collections::HashMap;
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;

/// A Patient that was read is read again after so many minutes.
const REFRESH_MINUTES: i64 = 24 * 60;
/// After a failure it is tried again no sooner than so many minutes later.
const RETRY_MINUTES: i64 = 10;
/// Patients whose last read is remembered; beyond it all are forgotten, which costs one read each.
const MAX_REMEMBERED: usize = 50_000;

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

    /// Read the Patient of each key that comes in, once and then at most once a day, until
    /// `shutdown` or until the sending side is gone. The engine may send a key as often as it likes.
    pub async fn run_patients(
        &self,
        mut receiver: mpsc::Receiver<PatientKey>,
        shutdown: CancellationToken,
        clock: impl Fn() -> Instant + Send + Sync,
    ) {
        let mut not_before: HashMap<PatientKey, Instant> = HashMap::new();
        loop {
            let key = tokio::select! {
                biased;
                () = shutdown.cancelled() => return,
                key = receiver.recv() => match key {
                    Some(key) => key,
                    None => return,
                },
            };
            let now = clock();
            if not_before.get(&key).is_some_and(|moment| now < *moment) {
                continue;
            }
            let result = tokio::select! {
                biased;
                () = shutdown.cancelled() => return,
                result = self.read_patient(&key) => result,
            };
            self.status.record_patient(result.is_ok());
            let minutes = match result {
                Ok(()) => REFRESH_MINUTES,
                Err(PollError::PatientElsewhere) => REFRESH_MINUTES,
                Err(error) => {
                    tracing::warn!(%error, "a Patient could not be read; age and label stay unknown for now");
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
