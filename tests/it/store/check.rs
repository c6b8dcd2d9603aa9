//! `deltaward store check` and `store backup` as processes.

use crate::process::{BINARY, Running, config};
use rusqlite::Connection;
use serde_json::{Value, json};
use std::path::Path;
use std::process::Command;

fn observation(id: &str, patient: &str, code: Value, value: u32, time: &str) -> Value {
    json!({"resourceType": "Observation", "id": id, "status": "final", "code": {"coding": [code]},
        "subject": {"reference": format!("Patient/{patient}")}, "effectiveDateTime": format!("2026-03-05T{time}:00Z"),
        "bodySite": {"coding": [
            {"system": "https://deltaward.example/fhir/CodeSystem/compartment", "code": "leg-anterior"},
            {"system": "http://snomed.info/sct", "code": "7771000"}]},
        "valueQuantity": {"value": value, "unit": "mmHg", "system": "http://unitsofmeasure.org", "code": "mm[Hg]"}})
}

fn diastolic(id: &str, patient: &str, value: u32, time: &str) -> Value {
    observation(
        id,
        patient,
        json!({"system": "http://loinc.org", "code": "8462-4"}),
        value,
        time,
    )
}

fn pressure(id: &str, patient: &str, value: u32, time: &str) -> Value {
    let system = "https://deltaward.example/fhir/CodeSystem/measurement";
    observation(
        id,
        patient,
        json!({"system": system, "code": "compartment-pressure"}),
        value,
        time,
    )
}

async fn put(running: &Running, resource: &Value) {
    let url = format!("{}/fhir/Observation/{}", running.base, resource["id"].as_str().unwrap());
    let request = reqwest::Client::new()
        .put(url)
        .header("content-type", "application/fhir+json");
    let answer = request.body(resource.to_string()).send().await.unwrap();
    assert!(answer.status().is_success(), "{}", answer.text().await.unwrap());
}

/// A night with everything that happens to readings: alerts, a correction, a withdrawal, a delete, a
/// reading that moves to another patient, one that cannot be used, a context.
async fn night(running: &Running) {
    for (minute, value) in [("10:00", 70), ("10:30", 72), ("11:00", 74), ("11:30", 75)] {
        put(running, &diastolic(&format!("d{value}"), "p1", value, minute)).await;
    }
    put(running, &pressure("c1", "p1", 45, "10:02")).await;
    put(running, &pressure("c2", "p1", 50, "10:31")).await;
    put(running, &pressure("c2", "p1", 38, "10:31")).await;
    put(running, &pressure("c3", "p1", 60, "11:02")).await;
    let mut wrong = pressure("c3", "p1", 60, "11:02");
    wrong["status"] = json!("entered-in-error");
    put(running, &wrong).await;
    put(running, &pressure("c4", "p1", 61, "11:30")).await;
    let url = format!("{}/fhir/Observation/c4", running.base);
    assert!(
        reqwest::Client::new()
            .delete(url)
            .send()
            .await
            .unwrap()
            .status()
            .is_success()
    );
    put(running, &pressure("c5", "p1", 33, "11:31")).await;
    put(running, &pressure("c5", "p2", 33, "11:31")).await;
    let mut unit = pressure("c6", "p2", 33, "11:40");
    unit["valueQuantity"] = json!({"value": 33});
    put(running, &unit).await;
    put(running, &diastolic("d3", "p3", 66, "10:00")).await;
}

/// The exit code and what was printed.
fn store(folder: &Path, args: &[&str]) -> (Option<i32>, String) {
    let output = Command::new(BINARY)
        .arg("store")
        .args(args)
        .current_dir(folder)
        .output()
        .unwrap();
    let text = [output.stdout, output.stderr]
        .map(|bytes| String::from_utf8(bytes).unwrap())
        .concat();
    (output.status.code(), text)
}

async fn stopped_after_a_night(folder: &Path) {
    let file = config(folder, "");
    let mut running = Running::start(folder, &["run", "--config", &file]);
    night(&running).await;
    running.signal("TERM");
    assert_eq!(running.wait().code(), Some(0));
    // All of it into the one file, so that tests can put that back.
    let raw = Connection::open(folder.join("deltaward.db")).unwrap();
    raw.execute_batch("PRAGMA wal_checkpoint(TRUNCATE)").unwrap();
}

#[tokio::test]
async fn a_sound_store_shows_no_difference() {
    let folder = tempfile::tempdir().unwrap();
    stopped_after_a_night(folder.path()).await;
    let before = std::fs::read(folder.path().join("deltaward.db")).unwrap();
    let (code, said) = store(folder.path(), &["check", "--config", "deltaward.toml"]);
    assert_eq!(code, Some(0), "{said}");
    assert!(said.contains("3 patients") && said.contains("0 differences"), "{said}");
    assert!(!said.contains(" 0 derived") && !said.contains(" 0 open"), "{said}");
    assert_eq!(std::fs::read(folder.path().join("deltaward.db")).unwrap(), before);
}

/// Each kind of row changed behind the service's back is found and named, and found alone.
#[tokio::test]
async fn whatever_row_is_changed_is_found_and_named() {
    let folder = tempfile::tempdir().unwrap();
    stopped_after_a_night(folder.path()).await;
    let file = folder.path().join("deltaward.db");
    let whole = std::fs::read(&file).unwrap();
    let changes = [
        (
            "UPDATE inputs SET body = replace(body, ':45', ':44') WHERE id = 'c1' AND current = 1",
            "Observation/c1 is judged otherwise",
        ),
        (
            "DELETE FROM slots WHERE source = 'Observation/d70'",
            "Observation/d70 is filed here, and is not judged",
        ),
        (
            "DELETE FROM slots WHERE source = 'Observation/c2'",
            "stands without its ground",
        ),
        (
            "UPDATE slots SET slot = replace(slot, '\"mmhg\":\"38\"', '\"mmhg\":\"48\"') WHERE source = 'Observation/c2'",
            "stands on other facts",
        ),
        ("DELETE FROM standing WHERE rowid_of", "ought to stand, and does not"),
        (
            "UPDATE derived SET body = replace(body, '\"value\":25.0', '\"value\":55.0')",
            "is served with another valueQuantity",
        ),
        (
            "UPDATE derived SET body = replace(body, '\"status\":\"final\"', '\"status\":\"entered-in-error\"') WHERE resource_type = 'Observation'",
            "is served with status",
        ),
        (
            "DELETE FROM concerns WHERE patient = 'Patient/p1' AND open = 1",
            "stands at none, and is",
        ),
        (
            "UPDATE concerns SET open = 0 WHERE open = 1",
            "is open in one place only",
        ),
        (
            "UPDATE inputs SET patient = 'Patient/p3' WHERE id = 'c1' AND current = 1",
            "Observation/c1 is judged here, and is filed elsewhere",
        ),
    ];
    for (change, expected) in changes {
        let change = match change {
            "DELETE FROM standing WHERE rowid_of" => {
                "DELETE FROM standing WHERE identity = (SELECT min(identity) FROM standing WHERE standing LIKE '%\"retracted\":false%')"
            }
            other => other,
        };
        std::fs::write(&file, &whole).unwrap();
        let raw = Connection::open(&file).unwrap();
        assert!(raw.execute(change, []).unwrap() > 0, "{change}");
        drop(raw);
        let (code, said) = store(folder.path(), &["check", "--config", "deltaward.toml"]);
        assert_eq!(code, Some(1), "{change}: {said}");
        assert!(said.contains(expected), "{change}: {said}");
    }
    std::fs::write(&file, &whole).unwrap();
    assert_eq!(store(folder.path(), &["check", "--store", "deltaward.db"]).0, Some(0));
}

#[tokio::test]
async fn a_running_service_is_backed_up_and_its_copy_checked_and_started() {
    let folder = tempfile::tempdir().unwrap();
    let file = config(folder.path(), "");
    let running = Running::start(folder.path(), &["run", "--config", &file]);
    night(&running).await;
    let (code, said) = store(folder.path(), &["check", "--config", &file]);
    assert_eq!(code, Some(1), "{said}");
    assert!(said.contains("is in use") && said.contains("check a copy"), "{said}");
    let (code, said) = store(folder.path(), &["backup", "copy.db", "--config", &file]);
    assert_eq!(code, Some(0), "{said}");
    let (code, said) = store(folder.path(), &["backup", "copy.db", "--config", &file]);
    assert!(code == Some(1) && said.contains("never written over"), "{said}");
    let (code, said) = store(folder.path(), &["check", "--config", &file, "--store", "copy.db"]);
    assert_eq!(code, Some(0), "{said}");
    // What was acknowledged before the backup began is in it.
    drop(running);
    std::fs::rename(folder.path().join("copy.db"), folder.path().join("deltaward.db")).unwrap();
    for left in ["deltaward.db-wal", "deltaward.db-shm"] {
        let _ = std::fs::remove_file(folder.path().join(left));
    }
    let restored = Running::start(folder.path(), &["run", "--config", &file]);
    for id in ["c1", "c2", "c5", "d3"] {
        let answer = reqwest::get(format!("{}/fhir/Observation/{id}", restored.base))
            .await
            .unwrap();
        assert_eq!(answer.status().as_u16(), 200, "{id}");
    }
}

/// Another sheet judges otherwise: no fault of the store, and not counted as one.
#[tokio::test]
async fn a_store_of_another_sheet_is_not_called_different() {
    let folder = tempfile::tempdir().unwrap();
    stopped_after_a_night(folder.path()).await;
    let sheet = deltaward::rules::sheet::ADULT.replacen("carry_minutes = 240", "carry_minutes = 200", 1);
    std::fs::write(folder.path().join("other.toml"), sheet).unwrap();
    config(folder.path(), "[rules]\nsheet = \"other.toml\"\n");
    let (code, said) = store(folder.path(), &["check", "--config", "deltaward.toml"]);
    assert_eq!(code, Some(1), "{said}");
    assert!(
        said.contains("another rule sheet") && !said.contains("differences"),
        "{said}"
    );
}

#[test]
fn help_shows_an_example_of_each() {
    let folder = tempfile::tempdir().unwrap();
    for command in ["check", "backup"] {
        let (code, said) = store(folder.path(), &[command, "--help"]);
        assert_eq!(code, Some(0));
        assert!(said.contains("Example: deltaward store"), "{said}");
    }
}
