//! The outside contract, against the real process: what goes in on `/fhir`, what comes out.

use crate::process::{BINARY, Running, config};
use reqwest::{Client, Method, StatusCode};
use serde_json::{Value, json};
use std::process::Command;
use std::time::Duration;

const MEASUREMENT: &str = "https://deltaward.example/fhir/CodeSystem/measurement";
const COMPARTMENT: &str = "https://deltaward.example/fhir/CodeSystem/compartment";

/// A diastolic by LOINC 8462-4, as a single Observation.
pub fn diastolic(id: &str, minute: &str, value: f64) -> Value {
    json!({
        "resourceType": "Observation", "id": id, "status": "final",
        "code": {"coding": [{"system": "http://loinc.org", "code": "8462-4"}]},
        "subject": {"reference": "Patient/p1"}, "effectiveDateTime": format!("2026-03-05T{minute}:00Z"),
        "valueQuantity": {"value": value, "unit": "mmHg", "system": "http://unitsofmeasure.org", "code": "mm[Hg]"}
    })
}

pub fn pressure(id: &str, minute: &str, value: f64, status: &str) -> Value {
    json!({
        "resourceType": "Observation", "id": id, "status": status,
        "code": {"coding": [{"system": MEASUREMENT, "code": "compartment-pressure"}]},
        "subject": {"reference": "Patient/p1"}, "effectiveDateTime": format!("2026-03-05T{minute}:00Z"),
        "bodySite": {"coding": [
            {"system": COMPARTMENT, "code": "leg-anterior"},
            {"system": "http://snomed.info/sct", "code": "7771000", "display": "Left"}]},
        "valueQuantity": {"value": value, "unit": "mmHg", "system": "http://unitsofmeasure.org", "code": "mm[Hg]"}
    })
}

pub struct Fhir {
    client: Client,
    base: String,
}

impl Fhir {
    pub async fn send(&self, method: Method, path: &str, body: Option<&Value>) -> (StatusCode, Value) {
        let mut request = self.client.request(method, format!("{}/fhir/{path}", self.base));
        if let Some(body) = body {
            request = request
                .header("content-type", "application/fhir+json")
                .body(body.to_string());
        }
        let response = request.send().await.unwrap();
        let status = response.status();
        let text = response.text().await.unwrap();
        (status, serde_json::from_str(&text).unwrap_or(Value::Null))
    }

    pub async fn put(&self, body: &Value) -> StatusCode {
        let path = format!("Observation/{}", body["id"].as_str().unwrap());
        self.send(Method::PUT, &path, Some(body)).await.0
    }

    async fn all(&self, path: &str) -> Vec<Value> {
        let (status, bundle) = self.send(Method::GET, path, None).await;
        assert_eq!(status, StatusCode::OK);
        assert_eq!(bundle["type"], "searchset");
        let entries = bundle["entry"].as_array().cloned().unwrap_or_default();
        entries.into_iter().map(|entry| entry["resource"].clone()).collect()
    }

    pub async fn deltas(&self) -> Vec<Value> {
        self.all(&format!("Observation?patient=p1&code={MEASUREMENT}%7Cdelta-pressure"))
            .await
    }

    pub async fn messages(&self) -> Vec<Value> {
        self.all("Communication?patient=p1&_sort=_lastUpdated").await
    }
}

pub fn start(folder: &std::path::Path) -> (Running, Fhir) {
    let file = config(folder, "");
    let running = Running::start(folder, &["run", "--config", &file]);
    let base = running.base.clone();
    let client = Client::builder().timeout(Duration::from_secs(20)).build().unwrap();
    (running, Fhir { client, base })
}

fn derived_from(delta: &Value) -> Vec<&str> {
    delta["derivedFrom"]
        .as_array()
        .unwrap()
        .iter()
        .map(|source| source["reference"].as_str().unwrap())
        .collect()
}

/// Whitesides 1975 (Clin Orthop 113:43-51): a compartment pressure of 40 at a diastolic of 70.
#[tokio::test]
async fn a_pressure_of_40_at_70_alerts_once_and_is_withdrawn_with_its_ground() {
    let folder = tempfile::tempdir().unwrap();
    let (mut running, fhir) = start(folder.path());
    assert_eq!(fhir.put(&diastolic("d1", "10:00", 70.0)).await, StatusCode::CREATED);
    assert_eq!(
        fhir.put(&pressure("c1", "10:02", 40.0, "final")).await,
        StatusCode::CREATED
    );

    let deltas = fhir.deltas().await;
    assert_eq!(deltas.len(), 1);
    assert_eq!(deltas[0]["valueQuantity"]["value"], json!(30.0));
    assert_eq!(deltas[0]["valueQuantity"]["code"], "mm[Hg]");
    assert_eq!(deltas[0]["interpretation"][0]["coding"][0]["code"], "LL");
    assert_eq!(derived_from(&deltas[0]), ["Observation/c1", "Observation/d1"]);
    assert_eq!(deltas[0]["effectiveDateTime"], "2026-03-05T10:02:00.000Z");
    let messages = fhir.messages().await;
    assert_eq!(messages.len(), 1);
    assert_eq!(messages[0]["category"][0]["coding"][0]["code"], "alert");
    assert_eq!(messages[0]["priority"], "stat");
    let about = format!("Observation/{}", deltas[0]["id"].as_str().unwrap());
    assert_eq!(messages[0]["reasonReference"][0]["reference"], about);

    // The same again: nothing changes.
    assert_eq!(fhir.put(&diastolic("d1", "10:00", 70.0)).await, StatusCode::OK);
    assert_eq!(fhir.put(&pressure("c1", "10:02", 40.0, "final")).await, StatusCode::OK);
    assert_eq!(fhir.deltas().await, deltas);
    assert_eq!(fhir.messages().await, messages);

    // Entered in error: the delta too, and a message says so.
    assert_eq!(
        fhir.put(&pressure("c1", "10:02", 40.0, "entered-in-error")).await,
        StatusCode::OK
    );
    let after = fhir.deltas().await;
    assert_eq!(after.len(), 1);
    assert_eq!(after[0]["status"], "entered-in-error");
    let told = fhir.messages().await;
    assert_eq!(told.len(), 2);
    let first = format!("Communication/{}", messages[0]["id"].as_str().unwrap());
    assert_eq!(told[1]["inResponseTo"][0]["reference"], first);

    running.signal("INT");
    assert_eq!(running.wait().code(), Some(0), "Ctrl-C drains and exits 0");
}

/// The comparator is inclusive at 30; 31 raises no alert.
#[tokio::test]
async fn thirty_one_gives_no_delta_alert() {
    let folder = tempfile::tempdir().unwrap();
    let (_running, fhir) = start(folder.path());
    fhir.put(&diastolic("d1", "10:00", 70.0)).await;
    fhir.put(&pressure("c1", "10:02", 39.0, "final")).await;
    let deltas = fhir.deltas().await;
    assert_eq!(deltas[0]["valueQuantity"]["value"], json!(31.0));
    assert_ne!(deltas[0]["interpretation"][0]["coding"][0]["code"], "LL");
    for message in fhir.messages().await {
        assert_ne!(message["category"][0]["coding"][0]["code"], "alert", "{message}");
        assert_ne!(message["priority"], "stat");
    }
}

#[tokio::test]
async fn what_was_acknowledged_survives_a_kill() {
    let folder = tempfile::tempdir().unwrap();
    let (mut running, fhir) = start(folder.path());
    fhir.put(&diastolic("d1", "10:00", 70.0)).await;
    assert_eq!(
        fhir.put(&pressure("c1", "10:02", 45.0, "final")).await,
        StatusCode::CREATED
    );
    let before = (fhir.deltas().await, fhir.messages().await);
    running.signal("KILL");
    running.wait();
    drop(running);
    let (_running, fhir) = start(folder.path());
    assert_eq!((fhir.deltas().await, fhir.messages().await), before);
    let (status, _) = fhir.send(Method::GET, "Observation/c1", None).await;
    assert_eq!(status, StatusCode::OK);
}

#[tokio::test]
async fn a_delete_withdraws_and_an_order_turned_round_gives_the_same() {
    let folder = tempfile::tempdir().unwrap();
    let (_running, fhir) = start(folder.path());
    // The pressure first: its own check, then the diastolic answers it.
    fhir.put(&pressure("c1", "10:02", 40.0, "final")).await;
    fhir.put(&diastolic("d1", "10:00", 70.0)).await;
    let deltas = fhir.deltas().await;
    assert_eq!(deltas[0]["valueQuantity"]["value"], json!(30.0));
    let alerts = |messages: &[Value]| {
        messages
            .iter()
            .filter(|message| message["category"][0]["coding"][0]["code"] == "alert")
            .count()
    };
    assert_eq!(alerts(&fhir.messages().await), 1);
    let (status, _) = fhir.send(Method::DELETE, "Observation/c1", None).await;
    assert!(status.is_success());
    assert_eq!(fhir.deltas().await[0]["status"], "entered-in-error");
    let (status, outcome) = fhir.send(Method::GET, "Observation/c1", None).await;
    assert_eq!(status, StatusCode::GONE);
    assert_eq!(outcome["resourceType"], "OperationOutcome");
}

#[tokio::test]
async fn the_service_says_how_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let (_running, fhir) = start(folder.path());
    fhir.put(&diastolic("secret-id-17", "10:00", 70.0)).await;
    for (path, word) in [
        ("health/live", "live"),
        ("health/ready", "store"),
        ("metrics", "deltaward_inputs_total"),
    ] {
        let response = fhir.client.get(format!("{}/{path}", fhir.base)).send().await.unwrap();
        assert_eq!(response.status(), StatusCode::OK, "{path}");
        let text = response.text().await.unwrap();
        assert!(text.contains(word), "{path}: {text}");
        assert!(
            !text.contains("secret-id-17") && !text.contains("Patient/p1"),
            "patient data in {path}"
        );
    }
    let page = fhir.client.get(format!("{}/", fhir.base)).send().await.unwrap();
    assert_eq!(page.status(), StatusCode::OK);
}

#[test]
fn usage_errors_exit_with_64_and_say_what_to_do() {
    let folder = tempfile::tempdir().unwrap();
    let bad = folder.path().join("bad.toml");
    std::fs::write(&bad, "[server]\nlisten = \"127.0.0.1:0\"\nlissten = 1\n").unwrap();
    let bad = bad.display().to_string();
    for (args, word) in [
        (vec!["run", "--no-such-flag"], "--no-such-flag"),
        (vec!["frobnicate"], "frobnicate"),
        (vec!["demo", "--pace=-3"], "above 0"),
        (vec!["run", "--config", &bad], "lissten"),
        (vec!["config", "check", "--config", &bad], ":3:1"),
    ] {
        let output = Command::new(BINARY)
            .args(&args)
            .current_dir(folder.path())
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(64), "{args:?}");
        let text = String::from_utf8_lossy(&output.stderr);
        assert!(text.contains(word), "{args:?}: {text}");
    }
}

#[test]
fn a_second_service_on_the_same_store_refuses_to_start() {
    let folder = tempfile::tempdir().unwrap();
    let file = config(folder.path(), "");
    let _running = Running::start(folder.path(), &["run", "--config", &file]);
    let output = Command::new(BINARY)
        .args(["run", "--config", &file])
        .current_dir(folder.path())
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&output.stderr).contains("deltaward.db"));
}

#[test]
fn rules_are_shown_and_checked() {
    let folder = tempfile::tempdir().unwrap();
    let shown = Command::new(BINARY).args(["rules", "show"]).output().unwrap();
    assert!(shown.status.success());
    assert!(String::from_utf8_lossy(&shown.stdout).contains("delta-30"));
    let checked = Command::new(BINARY).args(["rules", "check"]).output().unwrap();
    assert!(checked.status.success(), "{}", String::from_utf8_lossy(&checked.stdout));
    let sheet = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/profiles/rules/adult.toml")).unwrap();
    let wrong = folder.path().join("wrong.toml");
    std::fs::write(
        &wrong,
        sheet.replace("comparator = \"at-or-below\"", "comparator = \"below\""),
    )
    .unwrap();
    let checked = Command::new(BINARY)
        .args(["rules", "check"])
        .arg(&wrong)
        .output()
        .unwrap();
    assert_eq!(checked.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&checked.stdout).contains("delta-30"));
}
