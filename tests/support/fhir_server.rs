//! A FHIR server played by wiremock, and the two ends of the store and engine that polling and
//! delivery touch.

use deltaward::config::FhirServerConfig;
use deltaward::delivery::Outbox;
use deltaward::fhir::{Instant, datetime};
use deltaward::recognise::reading::{PatientKey, Version};
use deltaward::source::poll::Cursors;
use deltaward::source::{Answer, Batch, Intake, IntakeError};
use deltaward::store::{OutboxEntry, OutboxState, Settlement, StoreError};
use serde_json::{Value, json};
use std::collections::{BTreeMap, HashMap};
use std::sync::{Arc, Mutex};
use uuid::Uuid;
use wiremock::{MockServer, Request};

/// The media type of FHIR JSON.
pub const FHIR_JSON: &str = "application/fhir+json";

/// A moment from its FHIR text.
pub fn at(text: &str) -> Instant {
    datetime::parse(text).unwrap().earliest
}

/// The base address of the played server.
pub fn base(server: &MockServer) -> String {
    format!("{}/fhir", server.uri())
}

/// A configuration that points to the played server.
pub fn config(server: &MockServer) -> FhirServerConfig {
    FhirServerConfig {
        base: base(server).parse().unwrap(),
        bearer_token: None,
        timeout_seconds: 5,
        max_response_bytes: 1_000_000,
    }
}

/// A blood pressure of an invented patient.
pub fn observation(id: &str, version: &str, last_updated: &str) -> Value {
    json!({"resourceType": "Observation", "id": id,
        "meta": {"versionId": version, "lastUpdated": last_updated},
        "status": "final", "code": {"coding": [{"system": "http://loinc.org", "code": "8462-4"}]},
        "subject": {"reference": "Patient/1"}})
}

/// A page of a search.
pub fn page(resources: &[Value], own: Option<&str>, next: Option<&str>) -> Value {
    let links = [("self", own), ("next", next)];
    let link: Vec<Value> = links
        .iter()
        .filter_map(|(relation, url)| Some(json!({"relation": relation, "url": (*url)?})))
        .collect();
    let entry: Vec<Value> = resources
        .iter()
        .map(|resource| json!({"resource": resource, "search": {"mode": "match"}}))
        .collect();
    json!({"resourceType": "Bundle", "type": "searchset", "link": link, "entry": entry})
}

/// The query parameters of a request, decoded.
pub fn parameters(request: &Request) -> BTreeMap<String, String> {
    request.url.query_pairs().into_owned().collect()
}

/// What the engine got, and where the cursors stand.
#[derive(Clone, Default)]
pub struct Engine {
    pub batches: Arc<Mutex<Vec<Batch>>>,
    pub cursors: Arc<Mutex<HashMap<String, Instant>>>,
    /// Commits that succeed before the store fails; None: all.
    pub commits_left: Arc<Mutex<Option<usize>>>,
}

impl Cursors for Engine {
    fn cursor(&self, name: &str) -> Result<Option<Instant>, StoreError> {
        Ok(self.cursors.lock().unwrap().get(name).copied())
    }
}

impl Engine {
    /// Start an engine that commits every batch, cursors with it.
    pub fn start() -> (Self, Intake) {
        let (intake, mut receiver) = Intake::new(8);
        let engine = Self::default();
        let own = engine.clone();
        tokio::spawn(async move {
            while let Some(submission) = receiver.recv().await {
                let answer = own.commit(submission.batch);
                let _ = submission.reply.send(answer);
            }
        });
        (engine, intake)
    }

    fn commit(&self, batch: Batch) -> Result<Vec<Answer>, IntakeError> {
        if let Some(left) = self.commits_left.lock().unwrap().as_mut() {
            if *left == 0 {
                return Err(IntakeError::Store(String::from("disk full")));
            }
            *left -= 1;
        }
        for cursor in &batch.cursors {
            self.cursors
                .lock()
                .unwrap()
                .insert(cursor.name.clone(), cursor.position);
        }
        let version = Version {
            number: Some(1),
            id: "1".into(),
            last_updated: Some(Instant::from_millis(0)),
            digest: "0".into(),
        };
        let answers = vec![Answer::Created(version); batch.items.len()];
        self.batches.lock().unwrap().push(batch);
        Ok(answers)
    }

    /// Ids of all resources handed over, in order.
    pub fn ids(&self) -> Vec<String> {
        let batches = self.batches.lock().unwrap();
        batches
            .iter()
            .flat_map(|batch| batch.items.iter().map(|item| item.id.clone()))
            .collect()
    }

    /// Where a cursor stands.
    pub fn stands(&self, name: &str) -> Option<Instant> {
        self.cursors.lock().unwrap().get(name).copied()
    }

    /// Put a cursor somewhere.
    pub fn put(&self, name: &str, moment: Instant) {
        self.cursors.lock().unwrap().insert(name.to_owned(), moment);
    }
}

/// An outbox in memory with the store's rule in short: messages of one patient go in order, and one
/// that failed five times is passed.
#[derive(Default)]
pub struct MemoryOutbox {
    pub entries: Mutex<Vec<OutboxEntry>>,
    pub remote: Mutex<HashMap<Uuid, String>>,
    pub settled: Mutex<Vec<Settlement>>,
    /// Up to this `seq` an earlier process wrote them.
    pub inherited: Mutex<i64>,
}

impl MemoryOutbox {
    /// With these entries waiting.
    pub fn with(entries: Vec<OutboxEntry>) -> Arc<Self> {
        Arc::new(Self {
            entries: Mutex::new(entries),
            ..Self::default()
        })
    }

    /// The last settlement of an entry.
    pub fn settlement(&self, seq: i64) -> Settlement {
        let settled = self.settled.lock().unwrap();
        settled
            .iter()
            .rev()
            .find(|settlement| settlement.seq == seq)
            .cloned()
            .unwrap()
    }

    /// State of an entry.
    pub fn state(&self, seq: i64) -> OutboxState {
        let entries = self.entries.lock().unwrap();
        entries.iter().find(|entry| entry.seq == seq).unwrap().state
    }
}

impl Outbox for MemoryOutbox {
    fn due(&self, now: Instant, limit: usize) -> Result<Vec<OutboxEntry>, StoreError> {
        let entries = self.entries.lock().unwrap();
        let mut alerts: BTreeMap<PatientKey, i64> = BTreeMap::new();
        let alerting = |entry: &&OutboxEntry| {
            entry.state == OutboxState::Waiting && entry.resource_type == "Communication" && entry.attempts < 5
        };
        for entry in entries.iter().filter(alerting) {
            let first = alerts.entry(entry.patient.clone()).or_insert(entry.group);
            *first = entry.group.min(*first);
        }
        let due = entries.iter().filter(|entry| {
            entry.state == OutboxState::Waiting
                && entry.next_attempt <= now
                && alerts.get(&entry.patient).is_none_or(|first| entry.group <= *first)
        });
        Ok(due.take(limit).cloned().collect())
    }

    fn newest_waiting(&self) -> Result<i64, StoreError> {
        Ok(*self.inherited.lock().unwrap())
    }

    fn settle(&self, settlements: &[Settlement], _now: Instant) -> Result<(), StoreError> {
        let mut entries = self.entries.lock().unwrap();
        for settlement in settlements {
            let entry = entries.iter_mut().find(|entry| entry.seq == settlement.seq).unwrap();
            entry.state = settlement.state;
            entry.attempts += 1;
            entry.next_attempt = settlement.next_attempt;
            entry.last_answer.clone_from(&settlement.answer);
            if let Some(reference) = &settlement.remote_reference {
                self.remote.lock().unwrap().insert(entry.identity, reference.clone());
            }
        }
        self.settled.lock().unwrap().extend_from_slice(settlements);
        Ok(())
    }

    fn remote_reference(&self, identity: &Uuid) -> Result<Option<String>, StoreError> {
        Ok(self.remote.lock().unwrap().get(identity).cloned())
    }
}
