//! The whole service as a process between two FHIR servers played by wiremock: it polls one and
//! writes to the other.

use crate::process::{Running, approved_rules, config};
use serde_json::{Value, json};
use std::time::{Duration, Instant};
use wiremock::matchers::{method, path, query_param, query_param_contains};
use wiremock::{Mock, MockServer, Request, ResponseTemplate};

const MEASUREMENT: &str = "https://deltaward.example/fhir/CodeSystem/measurement";

fn fhir(status: u16, body: &Value) -> ResponseTemplate {
    ResponseTemplate::new(status).set_body_raw(body.to_string(), "application/fhir+json")
}

fn observation(id: &str, code: Value, value: f64, effective: &str) -> Value {
    json!({
        "resourceType": "Observation", "id": id, "status": "final", "code": {"coding": [code]},
        "meta": {"versionId": "1", "lastUpdated": "2026-03-05T10:05:00.000Z"},
        "subject": {"reference": "Patient/p1"}, "effectiveDateTime": effective,
        "valueQuantity": {"value": value, "unit": "mmHg", "system": "http://unitsofmeasure.org", "code": "mm[Hg]"}
    })
}

fn pressure() -> Value {
    let code = json!({"system": MEASUREMENT, "code": "compartment-pressure"});
    let mut pressure = observation("c1", code, 45.0, "2026-03-05T10:02:00Z");
    pressure["bodySite"] = json!({"coding": [
        {"system": "https://deltaward.example/fhir/CodeSystem/compartment", "code": "leg-anterior"},
        {"system": "http://snomed.info/sct", "code": "7771000"}]});
    pressure
}

fn diastolic() -> Value {
    let code = json!({"system": "http://loinc.org", "code": "8462-4"});
    observation("d1", code, 70.0, "2026-03-05T10:00:00Z")
}

fn searchset(resources: &[Value]) -> Value {
    let entry: Vec<Value> = resources
        .iter()
        .map(|resource| json!({"resource": resource, "search": {"mode": "match"}}))
        .collect();
    json!({"resourceType": "Bundle", "type": "searchset", "entry": entry})
}

/// The record: a compartment pressure in the poll; its diastolic only when asked for by patient.
async fn record() -> MockServer {
    let server = MockServer::start().await;
    Mock::given(method("GET"))
        .and(path("/fhir/Observation"))
        .and(query_param_contains("_lastUpdated", "ge"))
        .respond_with(fhir(200, &searchset(&[pressure()])))
        .mount(&server)
        .await;
    Mock::given(method("GET"))
        .and(path("/fhir/Observation"))
        .and(query_param("patient", "Patient/p1"))
        .respond_with(fhir(200, &searchset(&[diastolic()])))
        .with_priority(1)
        .mount(&server)
        .await;
    let patient = json!({"resourceType": "Patient", "id": "p1", "birthDate": "2016-01-01",
        "meta": {"versionId": "1", "lastUpdated": "2026-03-01T00:00:00Z"}});
    Mock::given(method("GET"))
        .and(path("/fhir/Patient/p1"))
        .respond_with(fhir(200, &patient))
        .mount(&server)
        .await;
    server
}

/// The server that is written to: transactions, each entry created.
async fn sink() -> MockServer {
    let server = MockServer::start().await;
    let interactions = json!([{"code": "transaction"}, {"code": "batch"}]);
    let conditional = |kind: &str| {
        json!({"type": kind, "conditionalCreate": true, "conditionalUpdate": true,
            "interaction": [{"code": "create"}, {"code": "update"}]})
    };
    let resources: Vec<Value> = ["Observation", "Communication", "Device"]
        .into_iter()
        .map(conditional)
        .collect();
    let capabilities = json!({"resourceType": "CapabilityStatement", "status": "active", "date": "2026-01-01",
        "kind": "instance", "fhirVersion": "4.0.1", "format": ["json"],
        "rest": [{"mode": "server", "interaction": interactions, "resource": resources}]});
    Mock::given(method("GET"))
        .and(path("/fhir/metadata"))
        .respond_with(fhir(200, &capabilities))
        .mount(&server)
        .await;
    let answer = |request: &Request| {
        let bundle: Value = serde_json::from_slice(&request.body).unwrap();
        let entries: Vec<Value> = bundle["entry"]
            .as_array()
            .unwrap()
            .iter()
            .map(|entry| {
                let kind = entry["resource"]["resourceType"].as_str().unwrap();
                let id = entry["resource"]["identifier"][0]["value"].as_str().unwrap();
                json!({"response": {"status": "201 Created", "location": format!("{kind}/remote-{id}/_history/1")}})
            })
            .collect();
        fhir(
            200,
            &json!({"resourceType": "Bundle", "type": "transaction-response", "entry": entries}),
        )
    };
    Mock::given(method("POST"))
        .and(path("/fhir"))
        .respond_with(answer)
        .mount(&server)
        .await;
    Mock::given(method("POST"))
        .and(path("/fhir/"))
        .respond_with(answer)
        .mount(&server)
        .await;
    server
}

/// Communications of category alert that arrived.
async fn alerts(sink: &MockServer) -> Vec<Value> {
    let messages = arrived(sink, "Communication").await;
    messages
        .into_iter()
        .filter(|message| message["category"][0]["coding"][0]["code"] == "alert")
        .collect()
}

/// Resources of a type that arrived at the sink, in order.
async fn arrived(sink: &MockServer, kind: &str) -> Vec<Value> {
    let mut found = Vec::new();
    for request in sink.received_requests().await.unwrap() {
        let Ok(bundle) = serde_json::from_slice::<Value>(&request.body) else {
            continue;
        };
        let entries = bundle["entry"].as_array().cloned().unwrap_or_default();
        found.extend(
            entries
                .into_iter()
                .map(|entry| entry["resource"].clone())
                .filter(|r| r["resourceType"] == kind),
        );
    }
    found
}

fn tables(record: &MockServer, sink: &MockServer, mode: &str) -> String {
    format!(
        "[source]\nfhir = \"{}/fhir\"\ninterval_seconds = 1\nstart = \"2026-03-05T00:00:00Z\"\n\n\
         [sink]\nfhir = \"{}/fhir\"\nmode = \"{mode}\"\nrecipients = [\"CareTeam/night\"]\n",
        record.uri(),
        sink.uri()
    )
}

#[tokio::test(flavor = "multi_thread")]
async fn a_polled_pressure_reaches_the_other_server_as_delta_and_alert() {
    let (record, sink) = (record().await, sink().await);
    let folder = tempfile::tempdir().unwrap();
    let rules = approved_rules(folder.path());
    let file = config(folder.path(), &(tables(&record, &sink, "live") + rules));
    let mut running = Running::start(folder.path(), &["run", "--config", &file]);
    let end = Instant::now() + Duration::from_secs(30);
    while alerts(&sink).await.is_empty() {
        assert!(Instant::now() < end, "no alert arrived");
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    let deltas = arrived(&sink, "Observation").await;
    let messages = alerts(&sink).await;
    // 70 − 45 = 25 (Whitesides 1975, Clin Orthop 113:43-51).
    assert_eq!(deltas[0]["valueQuantity"]["value"], json!(25.0));
    assert_eq!(deltas[0]["meta"]["tag"][0]["code"], "live");
    assert_eq!(messages.len(), 1, "{messages:?}");
    assert_eq!(messages[0]["priority"], "stat");
    assert_eq!(messages[0]["recipient"][0]["reference"], "CareTeam/night");
    // Polling goes on and the overlap brings the same again: nothing more is written.
    tokio::time::sleep(Duration::from_secs(3)).await;
    assert_eq!(alerts(&sink).await.len(), 1);
    // The diastolic was asked for before it was decided that there is none: no check was told.
    for message in arrived(&sink, "Communication").await {
        assert!(!message.to_string().contains("diastolic-missing"), "{message}");
    }
    let mut devices = arrived(&sink, "Device").await;
    devices.dedup();
    assert_eq!(devices.len(), 1);
    running.signal("TERM");
    assert_eq!(running.wait().code(), Some(0));
}

#[tokio::test(flavor = "multi_thread")]
async fn in_shadow_nothing_leaves_and_all_is_shown() {
    let (record, sink) = (record().await, sink().await);
    let folder = tempfile::tempdir().unwrap();
    let file = config(folder.path(), &tables(&record, &sink, "shadow"));
    let running = Running::start(folder.path(), &["run", "--config", &file]);
    let client = reqwest::Client::new();
    let end = Instant::now() + Duration::from_secs(30);
    let messages = loop {
        let url = format!("{}/fhir/Communication?patient=p1", running.base);
        let bundle: Value = serde_json::from_str(&client.get(url).send().await.unwrap().text().await.unwrap()).unwrap();
        if bundle["total"].as_u64() > Some(0) {
            break bundle;
        }
        assert!(Instant::now() < end, "nothing was computed");
        tokio::time::sleep(Duration::from_millis(100)).await;
    };
    assert_eq!(messages["entry"][0]["resource"]["meta"]["tag"][0]["code"], "shadow");
    let page = client
        .get(format!("{}/", running.base))
        .send()
        .await
        .unwrap()
        .text()
        .await
        .unwrap();
    assert!(page.contains("Shadow"));
    let written = sink.received_requests().await.unwrap();
    assert!(
        written.iter().all(|request| request.method.as_str() == "GET"),
        "something left in shadow"
    );
}

fn anaesthesia() -> Value {
    json!({"resourceType": "Procedure", "id": "an1", "status": "in-progress",
        "meta": {"versionId": "1", "lastUpdated": "2026-03-05T10:05:00.000Z"}, "subject": {"reference": "Patient/p1"},
        "code": {"coding": [{"system": "http://snomed.info/sct", "code": "50697003"}]},
        "performedPeriod": {"start": "2026-03-05T09:00:00Z"}})
}

/// Requests for Procedures that the record got.
async fn asked_for_procedures(record: &MockServer) -> usize {
    let requests = record.received_requests().await.unwrap();
    let of_procedures = |request: &&Request| request.url.path() == "/fhir/Procedure";
    requests.iter().filter(of_procedures).count()
}

/// Without the key no Procedure is asked for; with it they come in, and a server that refuses the
/// search delays no alert.
#[tokio::test(flavor = "multi_thread")]
async fn procedures_are_polled_when_configured_and_cost_no_alert() {
    let found = fhir(200, &searchset(&[anaesthesia()]));
    let cases = [
        (false, 200, found.clone()),
        (true, 200, found),
        (true, 403, ResponseTemplate::new(403)),
    ];
    for (procedures, status, answer) in cases {
        let refused = status == 403;
        let (record, sink) = (record().await, sink().await);
        Mock::given(method("GET"))
            .and(path("/fhir/Procedure"))
            .respond_with(answer)
            .mount(&record)
            .await;
        let folder = tempfile::tempdir().unwrap();
        let tables =
            tables(&record, &sink, "live").replacen("[sink]", &format!("procedures = {procedures}\n[sink]"), 1);
        let file = config(folder.path(), &(tables + approved_rules(folder.path())));
        let running = Running::start(folder.path(), &["run", "--config", &file]);
        let client = reqwest::Client::new();
        let end = Instant::now() + Duration::from_secs(30);
        loop {
            let url = format!("{}/fhir/Procedure?patient=p1", running.base);
            let text = client.get(url).send().await.unwrap().text().await.unwrap();
            let held = serde_json::from_str::<Value>(&text).unwrap()["total"] == 1;
            let asked = asked_for_procedures(&record).await;
            let done = match (procedures, refused) {
                (false, _) => asked == 0 && !held,
                (true, false) => held,
                (true, true) => asked > 0 && !held,
            };
            if done && !alerts(&sink).await.is_empty() {
                break;
            }
            assert!(
                Instant::now() < end,
                "procedures = {procedures}, refused {refused}: {asked} asked, held {held}"
            );
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
    }
}
