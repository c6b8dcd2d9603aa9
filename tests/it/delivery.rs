//! The outbox against a FHIR server played by wiremock: what is sent, what an answer comes to.

mod answers;
mod once;
mod passing;
mod requests;
mod worker;

use crate::fhir_server::{FHIR_JSON, MemoryOutbox, at, config, parameters};
use deltaward::config::SinkConfig;
use deltaward::delivery::send::Sender;
use deltaward::delivery::status::GroupReport;
use deltaward::delivery::{DeliveryStatus, FhirClient, Outbox, Worker};
use deltaward::fhir::Instant;
use deltaward::outbox::answer::Limits;
use deltaward::recognise::reading::PatientKey;
use deltaward::store::{OutboxEntry, OutboxState};
use serde_json::{Value, json};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant as Clock};
use tokio::sync::Notify;
use tokio_util::sync::CancellationToken;
use uuid::Uuid;
use wiremock::matchers::{any, method, path};
use wiremock::{Mock, MockServer, Request, ResponseTemplate};

const SYSTEM: &str = "https://deltaward.example/fhir/derived";

fn now() -> Instant {
    at("2026-03-05T22:00:00Z")
}

fn entry(seq: i64, group: i64, kind: &str, patient: &str, body: Value) -> OutboxEntry {
    let mut body = body;
    body["resourceType"] = json!(kind);
    OutboxEntry {
        seq,
        group,
        identity: Uuid::from_u128(u128::try_from(seq).unwrap()),
        resource_type: kind.to_owned(),
        patient: PatientKey(patient.to_owned()),
        body,
        state: OutboxState::Waiting,
        attempts: 0,
        next_attempt: now(),
        last_answer: String::new(),
    }
}

fn urn(seq: u128) -> Value {
    json!({"reference": format!("urn:uuid:{}", Uuid::from_u128(seq))})
}

/// One step: a delta Observation (1) and the message about it (2).
fn step() -> Vec<OutboxEntry> {
    vec![
        entry(1, 1, "Observation", "Patient/1", json!({"status": "final"})),
        entry(
            2,
            1,
            "Communication",
            "Patient/1",
            json!({"status": "completed", "about": [urn(1)]}),
        ),
    ]
}

/// A resource as it stands on the server: under the server's id, with our identifier.
fn ours(kind: &str, identity: u128, id: &str) -> Value {
    let value = Uuid::from_u128(identity).to_string();
    json!({"resourceType": kind, "id": id, "identifier": [{"system": SYSTEM, "value": value}]})
}

fn found(resources: &[Value]) -> Value {
    let entry: Vec<Value> = resources.iter().map(|resource| json!({"resource": resource})).collect();
    json!({"resourceType": "Bundle", "type": "searchset", "entry": entry})
}

fn statement(conditional: bool) -> Value {
    json!({"resourceType": "CapabilityStatement", "rest": [{"mode": "server",
        "interaction": [{"code": "transaction"}],
        "resource": [{"type": "Observation", "conditionalUpdate": conditional},
            {"type": "Communication", "conditionalCreate": conditional}]}]})
}

fn fhir(status: u16, body: &Value) -> ResponseTemplate {
    ResponseTemplate::new(status).set_body_raw(body.to_string(), FHIR_JSON)
}

async fn metadata(server: &MockServer, body: &Value) {
    Mock::given(path("/fhir/metadata"))
        .respond_with(fhir(200, body))
        .with_priority(1)
        .mount(server)
        .await;
}

/// A server without a CapabilityStatement, which answers everything else so.
async fn answering(template: ResponseTemplate) -> MockServer {
    let server = MockServer::start().await;
    Mock::given(path("/fhir/metadata"))
        .respond_with(ResponseTemplate::new(404))
        .with_priority(1)
        .mount(&server)
        .await;
    Mock::given(any()).respond_with(template).mount(&server).await;
    server
}

fn client(server: &MockServer) -> Arc<FhirClient> {
    let mut config = config(server);
    config.timeout_seconds = 1;
    Arc::new(FhirClient::new(&config).unwrap())
}

async fn deliver(server: &MockServer, outbox: &Arc<MemoryOutbox>) -> GroupReport {
    let limits = Limits {
        max_attempts: 0,
        max_backoff_millis: 300_000,
    };
    let sender = Sender::new(client(server), Arc::clone(outbox), limits);
    let group = outbox.due(now(), 100).unwrap();
    sender.deliver(group, &now).await.unwrap()
}

/// Requests other than for the CapabilityStatement.
async fn writes(server: &MockServer) -> Vec<Request> {
    let requests = server.received_requests().await.unwrap();
    requests
        .into_iter()
        .filter(|request| request.url.path() != "/fhir/metadata")
        .collect()
}

fn body(request: &Request) -> Value {
    serde_json::from_slice(&request.body).unwrap()
}

fn response(entries: &[(&str, &str)]) -> Value {
    let entry: Vec<Value> = entries
        .iter()
        .map(|(status, location)| json!({"response": {"status": status, "location": location}}))
        .collect();
    json!({"resourceType": "Bundle", "type": "transaction-response", "entry": entry})
}
