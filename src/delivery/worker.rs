//! The worker: takes due groups, sends those of different patients side by side and those of one
//! patient in order, and stops only between groups.

use super::client::FhirClient;
pub use super::send::Outbox;
use super::send::{Sender, blocking};
use super::status::{DeliveryStatus, GroupReport};
use crate::config::SinkConfig;
use crate::fhir::Instant;
use crate::outbox::answer::Limits;
use crate::recognise::reading::PatientKey;
use crate::store::{OutboxEntry, StoreError};
use std::collections::{BTreeMap, HashMap, HashSet};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::Notify;
use tokio::task::{Id, JoinSet};
use tokio_util::sync::CancellationToken;

/// Patients served at once.
pub const PARALLEL_PATIENTS: usize = 4;
/// Entries looked at in one round.
const DUE_LIMIT: usize = 256;
/// Longest time between two looks at the outbox when nobody wakes the worker.
const LOOK_EVERY: Duration = Duration::from_secs(1);

/// Delivers the outbox to one FHIR server.
pub struct Worker<O: ?Sized> {
    sender: Arc<Sender<O>>,
    wake: Arc<Notify>,
    status: Arc<DeliveryStatus>,
    outbox: Arc<O>,
}

/// What runs now.
type Running = JoinSet<Result<GroupReport, StoreError>>;

impl<O: Outbox + ?Sized> Worker<O> {
    /// A worker. `wake` (`notify_one`) tells it that a commit put something into the outbox.
    pub fn new(
        client: Arc<FhirClient>,
        outbox: Arc<O>,
        config: &SinkConfig,
        wake: Arc<Notify>,
        status: Arc<DeliveryStatus>,
    ) -> Self {
        let seconds = i64::try_from(config.max_backoff_seconds).unwrap_or(i64::MAX);
        let limits = Limits {
            max_attempts: config.max_attempts,
            max_backoff_millis: seconds.saturating_mul(1_000).max(1_000),
        };
        Self {
            sender: Arc::new(Sender::new(client, Arc::clone(&outbox), limits)),
            wake,
            status,
            outbox,
        }
    }

    /// Run until `shutdown`; then the groups under way are finished and settled, no new one begins.
    /// How long that takes is bounded by the request timeout.
    pub async fn run(&self, shutdown: CancellationToken, clock: impl Fn() -> Instant + Clone + Send + Sync + 'static) {
        self.sender.begin().await;
        let mut running: Running = JoinSet::new();
        let mut patients: HashMap<Id, PatientKey> = HashMap::new();
        while !shutdown.is_cancelled() {
            let settled_all = self.start_due(&mut running, &mut patients, &clock).await;
            let mut trouble = !settled_all;
            tokio::select! {
                biased;
                () = shutdown.cancelled() => break,
                Some(joined) = running.join_next_with_id(), if !running.is_empty() => {
                    trouble |= !self.finished(joined, &mut patients, clock());
                }
                () = self.wake.notified(), if running.len() < PARALLEL_PATIENTS => {}
                () = tokio::time::sleep(LOOK_EVERY) => {}
            }
            if trouble {
                // What could not be settled is still due: without a pause it would be sent in a circle.
                tokio::select! {
                    biased;
                    () = shutdown.cancelled() => break,
                    () = tokio::time::sleep(LOOK_EVERY) => {}
                }
            }
        }
        while let Some(joined) = running.join_next_with_id().await {
            self.finished(joined, &mut patients, clock());
        }
    }

    /// Start groups of patients that have none under way; false when the outbox cannot be read.
    async fn start_due(
        &self,
        running: &mut Running,
        patients: &mut HashMap<Id, PatientKey>,
        clock: &(impl Fn() -> Instant + Clone + Send + Sync + 'static),
    ) -> bool {
        if running.len() >= PARALLEL_PATIENTS {
            return true;
        }
        let now = clock();
        let due = blocking(&self.outbox, "read the outbox", move |outbox| {
            outbox.due(now, DUE_LIMIT)
        })
        .await;
        let due = match due {
            Ok(due) => due,
            Err(error) => {
                tracing::error!(%error, "the outbox cannot be read");
                self.status.record_store_trouble(error.to_string(), now);
                return false;
            }
        };
        let mut busy: HashSet<PatientKey> = patients.values().cloned().collect();
        for group in groups(due) {
            if running.len() >= PARALLEL_PATIENTS {
                break;
            }
            let Some(patient) = group.first().map(|entry| entry.patient.clone()) else {
                continue;
            };
            if !busy.insert(patient.clone()) {
                continue;
            }
            let (sender, clock) = (Arc::clone(&self.sender), clock.clone());
            let handle = running.spawn(async move { sender.deliver(group, &clock).await });
            patients.insert(handle.id(), patient);
        }
        true
    }

    /// Record a finished group; false when it could not be settled.
    fn finished(
        &self,
        joined: Result<(Id, Result<GroupReport, StoreError>), tokio::task::JoinError>,
        patients: &mut HashMap<Id, PatientKey>,
        now: Instant,
    ) -> bool {
        let (id, result) = match joined {
            Ok(done) => done,
            Err(error) => {
                patients.remove(&error.id());
                tracing::error!(%error, "a delivery ended unexpectedly; it is tried again");
                self.status.record_store_trouble(error.to_string(), now);
                return false;
            }
        };
        patients.remove(&id);
        match result {
            Ok(report) => {
                self.status.record(&report, now);
                tell(&report);
                true
            }
            Err(error) => {
                tracing::error!(%error, "a delivery could not be settled; it is sent again, which changes nothing");
                self.status.record_store_trouble(error.to_string(), now);
                false
            }
        }
    }
}

fn tell(report: &GroupReport) {
    let GroupReport {
        delivered,
        waiting,
        stopped,
        needs_mending,
        trouble,
    } = report;
    if *needs_mending {
        tracing::error!(
            delivered,
            waiting,
            stopped,
            trouble,
            "the server refuses this service: mend its credentials or address; entries wait meanwhile"
        );
    } else if *stopped > 0 {
        tracing::error!(
            delivered,
            waiting,
            stopped,
            trouble,
            "the server refused entries; see the stopped list"
        );
    } else if *waiting > 0 {
        tracing::warn!(delivered, waiting, trouble, "delivery failed; it is tried again");
    } else {
        tracing::debug!(delivered, "group delivered");
    }
}

/// Entries by group, and of each patient one group: the earliest, but one that is untried or has a
/// message before one of Observations that failed before. So do the groups come as well: no alert
/// waits for a place behind an Observation that the server does not take.
fn groups(due: Vec<OutboxEntry>) -> Vec<Vec<OutboxEntry>> {
    let mut by_group: BTreeMap<i64, Vec<OutboxEntry>> = BTreeMap::new();
    for entry in due {
        by_group.entry(entry.group).or_default().push(entry);
    }
    let again = |group: &Vec<OutboxEntry>| {
        group
            .iter()
            .all(|entry| entry.resource_type == "Observation" && entry.attempts > 0)
    };
    let (last, first): (Vec<_>, Vec<_>) = by_group.into_values().partition(again);
    let mut seen = HashSet::new();
    let mut heads = Vec::new();
    for mut group in first.into_iter().chain(last) {
        group.sort_by_key(|entry| entry.seq);
        if group.first().is_some_and(|entry| seen.insert(entry.patient.clone())) {
            heads.push(group);
        }
    }
    heads
}
