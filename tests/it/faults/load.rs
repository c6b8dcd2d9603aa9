//! The load: invented patients with one compartment pressure and two diastolics each, written,
//! corrected and taken back, by REST to the service or into the record that it polls.

use crate::memory_fhir::MemoryFhir;
use crate::proxy::Random;
use reqwest::{Client, Method, StatusCode};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, RwLock};
use std::time::Duration;

/// The parts of a patient, with what makes each: name, minute of the day, LOINC or own code.
pub const PARTS: [&str; 3] = ["c", "d1", "d2"];

/// What one resource says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Says {
    /// This many mmHg.
    Value(i64),
    /// Nothing: entered in error.
    InError,
    /// Nothing: deleted.
    Deleted,
}

/// What is known of one resource.
#[derive(Clone, Debug, Default)]
pub struct Fate {
    /// The last write that was acknowledged.
    pub acknowledged: Option<Says>,
    /// Later ones that were given up without an answer: they may stand or not.
    pub open: Vec<Says>,
}

/// What the clients know: (patient, part) → fate.
pub type Ledger = Arc<Mutex<BTreeMap<(String, &'static str), Fate>>>;

/// Values that lie clear of every threshold but one: a delta is 22 to 27 (at or below 30: act), or above 40.
fn value(part: &str, random: &mut Random) -> i64 {
    let (low, high) = match (part, random.percent(60)) {
        ("c", true) => (24, 27),
        ("c", false) => (5, 8),
        (_, true) => (49, 51),
        (_, false) => (75, 80),
    };
    i64::try_from(random.within(low, high)).unwrap()
}

/// What happens to one patient, in order.
fn script(random: &mut Random, deletes: bool) -> Vec<(&'static str, Says)> {
    let mut parts: Vec<&'static str> = PARTS.to_vec();
    if random.percent(20) {
        parts.retain(|part| *part != "d1");
    }
    if random.percent(20) {
        parts.retain(|part| *part != "d2");
    }
    for index in (1..parts.len()).rev() {
        parts.swap(index, usize::try_from(random.within(0, index as u64)).unwrap());
    }
    let mut steps: Vec<(&'static str, Says)> = Vec::new();
    for part in &parts {
        steps.push((part, Says::Value(value(part, random))));
    }
    for _ in 0..random.within(0, 5) {
        let part = parts[usize::try_from(random.within(0, parts.len() as u64 - 1)).unwrap()];
        let says = match random.within(0, 9) {
            0..=5 => Says::Value(value(part, random)),
            6 | 7 if deletes => Says::Deleted,
            _ => Says::InError,
        };
        steps.push((part, says));
    }
    steps
}

/// The Observation of a part.
pub fn observation(patient: &str, part: &str, says: Says) -> Value {
    let (mmhg, status) = match says {
        Says::Value(mmhg) => (mmhg, "final"),
        Says::InError | Says::Deleted => (1, "entered-in-error"),
    };
    let minute = match part {
        "c" => "10:00",
        "d2" => "09:50",
        _ => "09:30",
    };
    let code = match part {
        "c" => {
            json!({"system": "https://deltaward.example/fhir/CodeSystem/measurement", "code": "compartment-pressure"})
        }
        _ => json!({"system": "http://loinc.org", "code": "8462-4"}),
    };
    let mut resource = json!({
        "resourceType": "Observation", "id": format!("{part}-{patient}"), "status": status,
        "identifier": [{"system": "urn:invented:load", "value": format!("{part}-{patient}")}],
        "code": {"coding": [code]}, "subject": {"reference": format!("Patient/{patient}")},
        "effectiveDateTime": format!("2026-03-05T{minute}:00Z"),
        "valueQuantity": {"value": mmhg, "unit": "mmHg", "system": "http://unitsofmeasure.org", "code": "mm[Hg]"}
    });
    if part == "c" {
        resource["bodySite"] = json!({"coding": [
            {"system": "https://deltaward.example/fhir/CodeSystem/compartment", "code": "leg-anterior"},
            {"system": "http://snomed.info/sct", "code": "7771000"}]});
    }
    resource
}

/// Counted for the summary.
#[derive(Default)]
pub struct Counts {
    pub acknowledged: AtomicU64,
    pub repeated: AtomicU64,
    pub given_up: AtomicU64,
}

/// One client of the service.
pub struct Writer {
    pub name: u64,
    pub base: Arc<RwLock<String>>,
    pub ledger: Ledger,
    pub counts: Arc<Counts>,
    pub stop: Arc<AtomicBool>,
}

impl Writer {
    /// Write patients until the stop; a patient that was begun is finished.
    pub async fn run(self, mut random: Random) {
        let client = Client::builder().timeout(Duration::from_secs(5)).build().unwrap();
        for number in 0.. {
            if self.stop.load(Ordering::SeqCst) {
                return;
            }
            let patient = format!("w{}-{number}", self.name);
            // Ids that the service gave at a conditional create.
            let mut ids: BTreeMap<&str, String> = BTreeMap::new();
            for (part, says) in script(&mut random, true) {
                self.write(&client, &mut random, &patient, (part, says), &mut ids).await;
                tokio::time::sleep(Duration::from_millis(random.within(5, 40))).await;
            }
        }
    }

    async fn write(
        &self,
        client: &Client,
        random: &mut Random,
        patient: &str,
        (part, says): (&'static str, Says),
        ids: &mut BTreeMap<&'static str, String>,
    ) {
        let key = (patient.to_owned(), part);
        // The second diastolic is created under an id of the service's own; a repeat finds the first.
        let posts = part == "d2" && !ids.contains_key(part);
        let patience = if posts || random.percent(95) { usize::MAX } else { 0 };
        for failed in 0.. {
            match self.send(client, patient, part, says, posts, ids).await {
                Some((status, body)) if status.is_success() || gone(status, says) => {
                    if posts {
                        ids.insert(part, body["id"].as_str().unwrap().to_owned());
                        // A create that met an earlier one of ours changed nothing: both say the same.
                    }
                    self.counts.acknowledged.fetch_add(1, Ordering::Relaxed);
                    let fate = Fate {
                        acknowledged: Some(says),
                        open: Vec::new(),
                    };
                    self.ledger.lock().unwrap().insert(key, fate);
                    return;
                }
                Some((status, body)) if !status.is_server_error() => panic!("{part} of {patient}: {status} {body}"),
                _ => {}
            }
            if failed >= patience {
                self.counts.given_up.fetch_add(1, Ordering::Relaxed);
                self.ledger.lock().unwrap().entry(key).or_default().open.push(says);
                return;
            }
            self.counts.repeated.fetch_add(1, Ordering::Relaxed);
            tokio::time::sleep(Duration::from_millis(25)).await;
        }
    }

    async fn send(
        &self,
        client: &Client,
        patient: &str,
        part: &str,
        says: Says,
        posts: bool,
        ids: &BTreeMap<&'static str, String>,
    ) -> Option<(StatusCode, Value)> {
        let base = self.base.read().unwrap().clone();
        let mut resource = observation(patient, part, says);
        let id = ids.get(part).cloned().unwrap_or_else(|| format!("{part}-{patient}"));
        resource["id"] = json!(id);
        let url = format!("{base}/fhir/Observation/{id}");
        let request = match says {
            Says::Deleted => client.request(Method::DELETE, url),
            _ if posts => client
                .request(Method::POST, format!("{base}/fhir/Observation"))
                .header(
                    "if-none-exist",
                    format!("identifier=urn:invented:load|{part}-{patient}"),
                )
                .body(resource.to_string()),
            _ => client.request(Method::PUT, url).body(resource.to_string()),
        };
        let response = request
            .header("content-type", "application/fhir+json")
            .send()
            .await
            .ok()?;
        let status = response.status();
        if matches!(status.as_u16(), 429 | 503) {
            assert!(
                response.headers().contains_key("retry-after"),
                "{status} without Retry-After"
            );
        }
        let text = response.text().await.ok()?;
        Some((status, serde_json::from_str(&text).unwrap_or_default()))
    }
}

/// A delete of what never was, or is gone already.
fn gone(status: StatusCode, says: Says) -> bool {
    says == Says::Deleted && matches!(status.as_u16(), 404 | 410)
}

/// The record that is polled: it knows each write at once.
pub async fn fill_record(record: MemoryFhir, ledger: Ledger, stop: Arc<AtomicBool>, mut random: Random) {
    for number in 0.. {
        if stop.load(Ordering::SeqCst) {
            return;
        }
        let patient = format!("q{number}");
        for (part, says) in script(&mut random, false) {
            record.record(observation(&patient, part, says));
            let fate = Fate {
                acknowledged: Some(says),
                open: Vec::new(),
            };
            ledger.lock().unwrap().insert((patient.clone(), part), fate);
            tokio::time::sleep(Duration::from_millis(random.within(10, 60))).await;
        }
    }
}
