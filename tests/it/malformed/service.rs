//! The endpoint with the real engine behind it: what is put is recognised, judged and committed.

use super::fate::Fate;
use crate::fhir_api::support::{Api, FHIR, Got, START};
use deltaward::fhir::Instant;
use deltaward::outbox::Mode;
use deltaward::patient::AskPolicy;
use deltaward::pipeline::engine::Outlets;
use deltaward::pipeline::{Clock, Engine, Settings};
use deltaward::recognise::{Mapping, PatientKey};
use deltaward::rules::Sheets;
use deltaward::server::{Health, Metrics};
use serde_json::{Value, json};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use tokio::sync::{Notify, broadcast};
use tokio_util::sync::CancellationToken;

/// A self-contained service; it ends when this is dropped.
pub struct Service {
    pub api: Api,
    stop: CancellationToken,
}

impl Drop for Service {
    fn drop(&mut self) {
        self.stop.cancel();
    }
}

impl Service {
    pub fn start() -> Self {
        let stop = CancellationToken::new();
        let cancelled = stop.clone();
        let api = Api::with(|store, millis, _, receiver| {
            let settings = Settings {
                sheets: Arc::new(Sheets::builtin().unwrap()),
                mapping: Arc::new(Mapping::builtin()),
                policy: AskPolicy {
                    ask: false,
                    timeout_seconds: 0,
                },
                mode: Mode::Live,
                deliver: false,
                recipients: Vec::new(),
                bases: Vec::new(),
                patients_in_memory: 1000,
                batches_per_commit: 16,
            };
            let outlets = Outlets {
                events: broadcast::channel(64).0,
                metrics: Arc::new(Metrics::new()),
                health: Arc::new(Health::default()),
                questions: None,
                watched: None,
                outbox: Arc::new(Notify::new()),
            };
            let clock: Clock = Arc::new(move || Instant::from_millis(millis.load(Ordering::SeqCst)));
            let mut engine = Engine::new(store, settings, clock, outlets, receiver).unwrap();
            engine.refresh().unwrap();
            // The thread ends by the token; nobody waits for it.
            drop(engine.start(cancelled).unwrap());
        });
        Self { api, stop }
    }

    /// PUT of these bytes as this Observation.
    pub async fn put(&self, id: &str, body: impl Into<axum::body::Body>) -> Got {
        self.api
            .call("PUT", &format!("/fhir/Observation/{id}"), &[FHIR], body)
            .await
    }

    /// The set-aside reasons of one resource, in order.
    pub fn set_aside(&self, source: &str) -> Vec<String> {
        let rows = self.api.store.set_aside(None, 100_000).unwrap();
        let mut reasons: Vec<String> = rows
            .into_iter()
            .filter(|row| row.source == source)
            .map(|row| row.reason.code().to_owned())
            .collect();
        reasons.sort();
        reasons
    }

    /// What became of a resource that was accepted.
    pub fn became(&self, source: &str) -> Fate {
        let (kind, id) = source.split_once('/').unwrap();
        let Some(row) = self.api.store.input(kind, id).unwrap().filter(|row| !row.deleted) else {
            return Fate::Absent;
        };
        let patient = row.patient.unwrap_or(PatientKey(String::new()));
        let state = self.api.store.load_patient(&patient).unwrap();
        let mut used = Vec::new();
        if let Some(slot) = state.slots.get(source) {
            if slot.withdrawn.is_some() {
                return Fate::TakenBack;
            }
            let judged_out = |part: &str| slot.judged.iter().any(|refusal| refusal.part == part);
            let readings = slot.readings.iter().filter(|reading| !judged_out(&reading.part));
            used.extend(readings.map(|reading| reading.pressure.mmhg));
        }
        used.sort();
        Fate::Kept {
            used,
            patient: patient.0,
            set_aside: self.set_aside(source),
        }
    }

    /// A diastolic of 70 and a pressure of 40 give their delta of 30, whatever came before.
    pub async fn still_answers(&self) {
        for (id, resource) in [("good-d", diastolic("good-d")), ("good-c", compartment("good-c"))] {
            let got = self.put(id, with_patient(resource, "good").to_string()).await;
            assert_eq!(got.status.as_u16(), 201, "{}", got.text);
        }
        let found = self
            .api
            .get("/fhir/Observation?patient=good&code=delta-pressure")
            .await
            .json();
        let value = &found["entry"][0]["resource"]["valueQuantity"]["value"];
        assert_eq!(value.as_f64(), Some(30.0), "{found}");
    }
}

/// The moment of the base resources: five minutes before the service's clock.
pub fn effective() -> String {
    Instant::from_millis(START - 5 * 60_000).to_string()
}

fn observation(id: &str, coding: Value, mmhg: i64) -> Value {
    json!({"resourceType": "Observation", "id": id, "status": "final", "code": {"coding": [coding]},
        "subject": {"reference": format!("Patient/{id}")}, "effectiveDateTime": effective(),
        "valueQuantity": {"value": mmhg, "unit": "mmHg", "system": "http://unitsofmeasure.org", "code": "mm[Hg]"}})
}

pub fn diastolic(id: &str) -> Value {
    observation(id, json!({"system": "http://loinc.org", "code": "8462-4"}), 70)
}

pub fn compartment(id: &str) -> Value {
    let system = "https://deltaward.example/fhir/CodeSystem/measurement";
    let mut resource = observation(id, json!({"system": system, "code": "compartment-pressure"}), 40);
    resource["bodySite"] = json!({"coding": [
        {"system": "https://deltaward.example/fhir/CodeSystem/compartment", "code": "leg-anterior"},
        {"system": "http://snomed.info/sct", "code": "7771000"}]});
    resource
}

pub fn with_patient(mut resource: Value, patient: &str) -> Value {
    resource["subject"] = json!({"reference": format!("Patient/{patient}")});
    resource
}
