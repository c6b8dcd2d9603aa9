//! Logs at their most talkative, and the metrics: nothing of a fixture may stand in them.

use super::markup;
use crate::memory_fhir::MemoryFhir;
use crate::process::{BINARY, approved_rules, config};
use serde_json::Value;
use std::collections::BTreeSet;
use std::io::{BufRead, BufReader, Read};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// Killed when dropped, also when the test fails.
struct Loud(Child);

impl Drop for Loud {
    fn drop(&mut self) {
        let _gone_already = self.0.kill();
        let _gone_already = self.0.wait();
    }
}

/// Every JSON text of the fixtures that are sent or polled; broken ones too.
fn texts() -> Vec<(String, String)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures");
    let mut found = Vec::new();
    for folder in ["markup", "observations", "procedures"] {
        for file in std::fs::read_dir(root.join(folder)).unwrap() {
            let path = file.unwrap().path();
            if path.extension().is_some_and(|ending| ending == "json") {
                let name = path.file_stem().unwrap().to_string_lossy().into_owned();
                found.push((
                    name,
                    String::from_utf8_lossy(&std::fs::read(&path).unwrap()).into_owned(),
                ));
            }
        }
    }
    assert!(found.len() > 120, "{}", found.len());
    found
}

/// What tells of a person: names, identifiers, ids, remarks, and values with more digits than chance
/// would put into a log line.
fn secrets(resource: &Value, element: &str, found: &mut BTreeSet<String>) {
    match resource {
        Value::Object(members) => members.iter().for_each(|(name, value)| {
            let inside = if matches!(element, "identifier" | "name") {
                format!("{element}.{name}")
            } else {
                name.clone()
            };
            let inside = if name == "identifier" || name == "name" {
                name.clone()
            } else {
                inside
            };
            secrets(value, &inside, found);
        }),
        Value::Array(all) => all.iter().for_each(|one| secrets(one, element, found)),
        Value::String(text) => {
            let personal = matches!(
                element,
                "reference"
                    | "identifier.value"
                    | "name.family"
                    | "name.given"
                    | "name.text"
                    | "given"
                    | "family"
                    | "text"
                    | "authorString"
                    | "birthDate"
                    | "id"
                    | "display"
                    | "effectiveDateTime"
            );
            // Some fixtures are named after words that metrics count by ("modifier"): of ids the made-up ones.
            let telling = element != "id" || text.starts_with("polled-secret-") || text.starts_with("markup-");
            // A day alone is any day.
            let telling = telling && (element != "effectiveDateTime" || text.contains('T'));
            // Shorter words occur by chance.
            if personal && text.len() >= 6 && telling {
                found.insert(text.clone());
            }
        }
        Value::Number(number) if element == "value" => {
            let text = number.to_string();
            if text.split_once('.').is_some_and(|(_, digits)| digits.len() >= 3) {
                found.insert(text);
            }
        }
        _ => {}
    }
}

/// A token of the authorisation header counts as well.
const TOKEN: &str = "invented-token-for-logs";

#[tokio::test(flavor = "multi_thread")]
async fn no_log_line_and_no_metric_tells_of_a_person() {
    let texts = texts();
    let mut wanted = BTreeSet::from([String::from(TOKEN)]);
    let (record, address) = MemoryFhir::start().await;
    for (_, text) in &texts {
        let Ok(resource) = serde_json::from_str::<Value>(text) else {
            continue;
        };
        secrets(&resource, "", &mut wanted);
        // The record holds what has an id and a type: it is polled.
        let mut polled = resource.clone();
        if polled["id"].is_string()
            && polled["resourceType"].is_string()
            && (polled["meta"].is_object() || polled["meta"].is_null())
        {
            polled["id"] = format!("polled-secret-{}", polled["id"].as_str().unwrap()).into();
            secrets(&polled, "", &mut wanted);
            record.record(polled);
        }
    }
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("token"), TOKEN).unwrap();
    let rules = approved_rules(folder.path());
    let file = config(
        folder.path(),
        &format!(
            "[source]\nfhir = \"http://{address}/fhir\"\nbearer_token_file = \"token\"\ninterval_seconds = 1\nprocedures = true\n\
             ask_timeout_seconds = 1\n[sink]\nfhir = \"http://{address}/fhir\"\nbearer_token_file = \"token\"\nmode = \"live\"\n\
             [telemetry]\nlevel = \"trace\"\n{rules}"
        ),
    );
    let log = folder.path().join("log");
    let mut child = Loud(
        Command::new(BINARY)
            .args(["run", "--config", &file])
            .current_dir(folder.path())
            .env_remove("RUST_LOG")
            .stdout(Stdio::piped())
            .stderr(std::fs::File::create(&log).unwrap())
            .spawn()
            .unwrap(),
    );
    let mut lines = BufReader::new(child.0.stdout.take().unwrap());
    let mut printed = String::new();
    while !printed.contains("page:") {
        assert!(lines.read_line(&mut printed).unwrap() > 0, "it does not start");
    }
    let base = printed
        .split("page:")
        .nth(1)
        .unwrap()
        .trim()
        .trim_end_matches('/')
        .to_owned();
    let client = reqwest::Client::new();
    for (name, text) in &texts {
        for url in [
            format!("{base}/fhir/Observation"),
            format!("{base}/fhir/Observation/{name}"),
            format!("{base}/fhir/Procedure"),
        ] {
            let request = if url.ends_with(name.as_str()) {
                client.put(url)
            } else {
                client.post(url)
            };
            let request = request
                .header("content-type", "application/fhir+json")
                .body(text.clone());
            // Refused or kept: either way it was logged or not.
            request.send().await.unwrap();
        }
    }
    for (_, resource) in markup::fixtures() {
        let url = format!(
            "{base}/fhir/{}/{}",
            resource["resourceType"].as_str().unwrap(),
            resource["id"].as_str().unwrap()
        );
        let put = client
            .put(&url)
            .header("content-type", "application/fhir+json")
            .body(resource.to_string());
        assert!(put.send().await.unwrap().status().is_success());
        client.get(&url).send().await.unwrap();
    }
    for place in [
        "/",
        "/patient?id=Patient/markup-patient",
        "/set-aside",
        "/stopped",
        "/fhir/Observation?patient=markup-patient",
        "/health/ready",
    ] {
        client.get(format!("{base}{place}")).send().await.unwrap();
    }
    // Until what was polled has been delivered.
    let end = Instant::now() + Duration::from_secs(40);
    while record.all("Communication").is_empty() {
        assert!(Instant::now() < end, "nothing is delivered");
        tokio::time::sleep(Duration::from_millis(200)).await;
    }
    let metrics = client
        .get(format!("{base}/metrics"))
        .send()
        .await
        .unwrap()
        .text()
        .await
        .unwrap();
    drop(child);
    lines.read_to_string(&mut printed).unwrap();
    let log = std::fs::read_to_string(&log).unwrap();
    assert!(log.contains("TRACE"), "the log is at its most talkative");
    assert!(metrics.contains("# EOF"));
    assert!(wanted.len() > 100, "{}", wanted.len());
    for (place, text) in [("the log", &log), ("the metrics", &metrics), ("the printout", &printed)] {
        for secret in &wanted {
            let line = text.lines().find(|line| line.contains(secret.as_str()));
            assert_eq!(line, None, "{place} holds {secret:?}");
        }
    }
}
