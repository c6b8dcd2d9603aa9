//! The outbox against a FHIR server played by wiremock: what is sent, what an answer comes to.

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
        entry(2, 1, "Communication", "Patient/1", json!({"status": "completed", "about": [urn(1)]})),
    ]
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
    Mock::given(path("/fhir/metadata")).respond_with(fhir(200, body)).with_priority(1).mount(server).await;
}

/// A server without a CapabilityStatement, which answers everything else so.
async fn answering(template: ResponseTemplate) -> MockServer {
    let server = MockServer::start().await;
    Mock::given(path("/fhir/metadata")).respond_with(ResponseTemplate::new(404)).with_priority(1).mount(&server).await;
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
    requests.into_iter().filter(|request| request.url.path() != "/fhir/metadata").collect()
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

#[tokio::test]
async fn a_group_is_one_transaction_where_the_server_can() {
    let server = MockServer::start().await;
    metadata(&server, &statement(true)).await;
    let answer = response(&[("201 Created", "Observation/17/_history/1"), ("200", "Communication/18/_history/1")]);
    Mock::given(method("POST")).and(path("/fhir")).respond_with(fhir(200, &answer)).expect(1).mount(&server).await;
    let outbox = MemoryOutbox::with(step());
    let report = deliver(&server, &outbox).await;
    assert_eq!((report.delivered, report.waiting, report.stopped), (2, 0, 0));
    let bundle = body(&writes(&server).await[0]);
    assert_eq!((&bundle["type"], bundle["entry"].as_array().unwrap().len()), (&json!("transaction"), 2));
    let first = Uuid::from_u128(1);
    assert_eq!(bundle["entry"][0]["request"]["url"], format!("Observation?identifier={SYSTEM}|{first}"));
    assert_eq!(bundle["entry"][0]["fullUrl"], format!("urn:uuid:{first}"));
    // A reference inside the Bundle stays, so that the server resolves it.
    assert_eq!(bundle["entry"][1]["resource"]["about"][0], urn(1));
    assert_eq!(outbox.settlement(1).remote_reference.as_deref(), Some("Observation/17"));
    assert_eq!(outbox.settlement(2).remote_reference.as_deref(), Some("Communication/18"));
}

#[tokio::test]
async fn in_a_transaction_known_targets_are_named_and_unknown_ones_found_by_condition() {
    let server = MockServer::start().await;
    metadata(&server, &statement(true)).await;
    let answer = response(&[("201", "Communication/3")]);
    Mock::given(method("POST")).respond_with(fhir(200, &answer)).mount(&server).await;
    let message = json!({"about": [urn(100)], "inResponseTo": [urn(200)]});
    let outbox = MemoryOutbox::with(vec![entry(1, 1, "Communication", "Patient/1", message)]);
    outbox.remote.lock().unwrap().insert(Uuid::from_u128(100), String::from("Observation/55"));
    deliver(&server, &outbox).await;
    let resource = body(&writes(&server).await[0])["entry"][0]["resource"].clone();
    assert_eq!(resource["about"][0]["reference"], "Observation/55");
    let condition = format!("Communication?identifier={SYSTEM}|{}", Uuid::from_u128(200));
    assert_eq!(resource["inResponseTo"][0]["reference"], condition);
}

#[tokio::test]
async fn single_conditional_requests_in_order_where_nothing_is_stated() {
    let server = MockServer::start().await;
    Mock::given(path("/fhir/metadata")).respond_with(ResponseTemplate::new(404)).mount(&server).await;
    Mock::given(method("PUT"))
        .and(path("/fhir/Observation"))
        .respond_with(fhir(201, &json!({"resourceType": "Observation", "id": "17"})))
        .mount(&server)
        .await;
    let created = ResponseTemplate::new(201).insert_header("location", "http://x/fhir/Communication/18/_history/1");
    Mock::given(method("POST")).and(path("/fhir/Communication")).respond_with(created).mount(&server).await;
    let outbox = MemoryOutbox::with(step());
    assert_eq!(deliver(&server, &outbox).await.delivered, 2);
    let requests = writes(&server).await;
    assert_eq!(requests.len(), 2);
    let (first, second) = (Uuid::from_u128(1), Uuid::from_u128(2));
    assert_eq!(parameters(&requests[0])["identifier"], format!("{SYSTEM}|{first}"));
    assert_eq!(requests[1].headers["if-none-exist"], format!("identifier={SYSTEM}|{second}").as_str());
    assert_eq!(requests[1].headers["content-type"], FHIR_JSON);
    // The Observation's own id is known by now.
    assert_eq!(body(&requests[1])["about"][0]["reference"], "Observation/17");
    assert_eq!(outbox.settlement(1).remote_reference.as_deref(), Some("Observation/17"));
    assert_eq!(outbox.settlement(2).remote_reference.as_deref(), Some("Communication/18"));
}

#[tokio::test]
async fn a_single_request_searches_for_a_target_and_names_it_logically_when_it_is_not_there() {
    let server = MockServer::start().await;
    Mock::given(path("/fhir/metadata")).respond_with(ResponseTemplate::new(404)).mount(&server).await;
    Mock::given(method("GET"))
        .respond_with(|request: &Request| {
            let known = parameters(request)["identifier"].ends_with(&Uuid::from_u128(100).to_string());
            let found = json!([{"resource": {"resourceType": "Observation", "id": "55"}}]);
            let entry = if known { found } else { json!([]) };
            fhir(200, &json!({"resourceType": "Bundle", "type": "searchset", "entry": entry}))
        })
        .mount(&server)
        .await;
    Mock::given(method("POST")).respond_with(ResponseTemplate::new(201)).mount(&server).await;
    let message = json!({"about": [urn(100), urn(300)]});
    let outbox = MemoryOutbox::with(vec![entry(1, 1, "Communication", "Patient/1", message)]);
    assert_eq!(deliver(&server, &outbox).await.delivered, 1);
    let sent = body(writes(&server).await.last().unwrap());
    assert_eq!(sent["about"][0]["reference"], "Observation/55");
    let value = Uuid::from_u128(300).to_string();
    let logical = json!({"type": "Observation", "identifier": {"system": SYSTEM, "value": value}});
    assert_eq!(sent["about"][1], logical);
}

#[tokio::test]
async fn where_conditions_are_not_offered_the_identifier_is_searched_first() {
    let server = MockServer::start().await;
    metadata(&server, &statement(false)).await;
    let found = json!({"resourceType": "Bundle", "type": "searchset",
        "entry": [{"resource": {"resourceType": "Observation", "id": "17"}}]});
    Mock::given(method("GET")).and(path("/fhir/Observation")).respond_with(fhir(200, &found)).mount(&server).await;
    let none = json!({"resourceType": "Bundle", "type": "searchset"});
    Mock::given(method("GET")).and(path("/fhir/Communication")).respond_with(fhir(200, &none)).mount(&server).await;
    Mock::given(method("PUT"))
        .and(path("/fhir/Observation/17"))
        .respond_with(ResponseTemplate::new(200))
        .expect(1)
        .mount(&server)
        .await;
    Mock::given(method("POST"))
        .and(path("/fhir/Communication"))
        .respond_with(ResponseTemplate::new(201))
        .expect(1)
        .mount(&server)
        .await;
    let outbox = MemoryOutbox::with(step());
    assert_eq!(deliver(&server, &outbox).await.delivered, 2);
    let requests = writes(&server).await;
    let put = requests.iter().find(|request| request.method.as_str() == "PUT").unwrap();
    assert_eq!(body(put)["id"], "17", "FHIR demands the id of the address in the body of an update");
}

/// Every answer that may heal: the entry waits, never stops.
#[tokio::test]
async fn conflicts_limits_and_outages_wait() {
    for status in [408, 409, 429, 500, 502, 503, 504] {
        let server = answering(ResponseTemplate::new(status)).await;
        let outbox = MemoryOutbox::with(step());
        let report = deliver(&server, &outbox).await;
        assert_eq!((report.delivered, report.waiting, report.stopped), (0, 2, 0), "{status}");
        let (first, second) = (outbox.settlement(1), outbox.settlement(2));
        assert_eq!(first.next_attempt, second.next_attempt, "{status}: the group stays together");
        let wait = first.next_attempt.millis_since(now());
        assert!((500..=1_000).contains(&wait), "{status}: first backoff was {wait} ms");
        assert!(first.answer.starts_with(&status.to_string()), "{}", first.answer);
    }
}

#[tokio::test]
async fn retry_after_is_honoured_up_to_the_longest_backoff() {
    for (header, expected) in [
        ("90", 90_000),
        ("100000", 300_000),
        ("Thu, 05 Mar 2026 22:02:00 GMT", 120_000),
    ] {
        let server = answering(ResponseTemplate::new(503).insert_header("retry-after", header)).await;
        let outbox = MemoryOutbox::with(step());
        deliver(&server, &outbox).await;
        assert_eq!(outbox.settlement(2).next_attempt.millis_since(now()), expected, "{header}");
    }
}

#[tokio::test]
async fn an_error_page_waits_and_a_sign_in_page_with_status_200_is_no_delivery() {
    let page = |status| ResponseTemplate::new(status).set_body_raw("<html>secret</html>", "text/html");
    let server = answering(page(502)).await;
    let outbox = MemoryOutbox::with(step());
    let report = deliver(&server, &outbox).await;
    assert_eq!((report.waiting, report.needs_mending), (2, false));
    assert!(!outbox.settlement(1).answer.contains("secret"));
    let server = answering(page(200)).await;
    let outbox = MemoryOutbox::with(step());
    let report = deliver(&server, &outbox).await;
    assert_eq!((report.delivered, report.waiting, report.needs_mending), (0, 2, true));
}

#[tokio::test]
async fn refused_credentials_and_redirects_wait_and_ask_to_be_mended() {
    for status in [401, 403, 302] {
        let server = answering(ResponseTemplate::new(status)).await;
        let outbox = MemoryOutbox::with(step());
        let report = deliver(&server, &outbox).await;
        assert_eq!((report.waiting, report.stopped, report.needs_mending), (2, 0, true), "{status}");
        let status_now = DeliveryStatus::default();
        status_now.record(&report, now());
        assert!(status_now.snapshot().needs_mending && status_now.snapshot().last_trouble.contains(&status.to_string()));
    }
}

#[tokio::test]
async fn what_cannot_heal_stops_with_the_servers_outcome() {
    let text = format!("value is not allowed {}", "x".repeat(1_000));
    let outcome = json!({"resourceType": "OperationOutcome",
        "issue": [{"severity": "error", "code": "value", "diagnostics": text}]});
    for status in [400, 404, 405, 410, 412, 422] {
        let server = answering(fhir(status, &outcome)).await;
        let outbox = MemoryOutbox::with(step());
        let report = deliver(&server, &outbox).await;
        assert_eq!((report.waiting, report.stopped), (0, 2), "{status}");
        let answer = outbox.settlement(1).answer;
        assert!(answer.starts_with(&format!("{status}: ")) && answer.contains("value is not allowed"), "{answer}");
        assert!(answer.chars().count() <= 320, "{} characters", answer.chars().count());
        assert!(!report.trouble.contains("not allowed"), "diagnostics are not for logs: {}", report.trouble);
    }
}

#[tokio::test]
async fn a_transaction_refused_for_one_entry_goes_one_by_one() {
    let server = MockServer::start().await;
    metadata(&server, &statement(true)).await;
    let refused = ResponseTemplate::new(422);
    Mock::given(method("POST")).and(path("/fhir")).respond_with(refused.clone()).expect(1).mount(&server).await;
    Mock::given(method("PUT")).respond_with(refused).mount(&server).await;
    let nothing = json!({"resourceType": "Bundle", "type": "searchset"});
    Mock::given(method("GET")).and(path("/fhir/Observation")).respond_with(fhir(200, &nothing)).mount(&server).await;
    Mock::given(method("POST"))
        .and(path("/fhir/Communication"))
        .respond_with(ResponseTemplate::new(201))
        .mount(&server)
        .await;
    let outbox = MemoryOutbox::with(step());
    let report = deliver(&server, &outbox).await;
    assert_eq!((report.delivered, report.stopped), (1, 1));
    assert_eq!((outbox.state(1), outbox.state(2)), (OutboxState::Stopped, OutboxState::Delivered));
    // The message went out with a logical reference to the Observation that the server refused.
    let message = body(writes(&server).await.last().unwrap());
    assert_eq!(message["about"][0]["identifier"]["value"], Uuid::from_u128(1).to_string());
}

#[tokio::test]
async fn each_entry_of_a_transaction_answer_is_judged_by_its_own_status() {
    let server = MockServer::start().await;
    metadata(&server, &statement(true)).await;
    let mut answer = response(&[("422 Unprocessable", "Observation/1"), ("201 Created", "Communication/2")]);
    answer["entry"][0]["response"]["outcome"] = json!({"resourceType": "OperationOutcome",
        "issue": [{"severity": "error", "code": "invariant", "diagnostics": "obs-6"}]});
    Mock::given(method("POST")).and(path("/fhir")).respond_with(fhir(200, &answer)).mount(&server).await;
    let outbox = MemoryOutbox::with(step());
    let report = deliver(&server, &outbox).await;
    assert_eq!((report.delivered, report.stopped), (1, 1));
    assert!(outbox.settlement(1).answer.contains("obs-6"), "{}", outbox.settlement(1).answer);
    assert_eq!(outbox.settlement(1).remote_reference, None);
}

#[tokio::test]
async fn a_transaction_answer_that_does_not_match_is_not_believed() {
    let short = response(&[("201", "Observation/1")]);
    let batch = json!({"resourceType": "Bundle", "type": "batch-response", "entry": []});
    for wrong in [short, batch, json!({"resourceType": "OperationOutcome"})] {
        let server = MockServer::start().await;
        metadata(&server, &statement(true)).await;
        Mock::given(method("POST")).and(path("/fhir")).respond_with(fhir(200, &wrong)).mount(&server).await;
        let taken = fhir(200, &json!({"resourceType": "Observation", "id": "1"}));
        Mock::given(any()).respond_with(taken).with_priority(9).mount(&server).await;
        let outbox = MemoryOutbox::with(step());
        assert_eq!(deliver(&server, &outbox).await.delivered, 2);
        let requests = writes(&server).await;
        let methods: Vec<_> = requests.iter().map(|request| request.method.to_string()).collect();
        assert_eq!(methods, ["POST", "PUT", "POST"], "sent again one by one, under the same conditions");
    }
}

#[tokio::test]
async fn after_a_timeout_the_same_conditional_write_is_repeated() {
    let server = MockServer::start().await;
    metadata(&server, &statement(true)).await;
    let calls = Arc::new(AtomicUsize::new(0));
    let counter = Arc::clone(&calls);
    Mock::given(method("POST"))
        .and(path("/fhir"))
        .respond_with(move |_: &Request| {
            let answer = fhir(200, &response(&[("200 OK", "Observation/17"), ("200 OK", "Communication/18")]));
            // Committed, but the answer comes too late.
            let late = counter.fetch_add(1, Ordering::SeqCst) == 0;
            if late { answer.set_delay(Duration::from_secs(5)) } else { answer }
        })
        .mount(&server)
        .await;
    let outbox = MemoryOutbox::with(step());
    let report = deliver(&server, &outbox).await;
    assert_eq!(report.waiting, 2);
    outbox.entries.lock().unwrap().iter_mut().for_each(|entry| entry.next_attempt = now());
    assert_eq!(deliver(&server, &outbox).await.delivered, 2);
    let requests = writes(&server).await;
    assert_eq!(body(&requests[0]), body(&requests[1]));
}

#[tokio::test]
async fn an_unwell_server_is_not_asked_for_the_rest_of_the_group() {
    let server = answering(ResponseTemplate::new(503)).await;
    let outbox = MemoryOutbox::with(step());
    deliver(&server, &outbox).await;
    assert_eq!(writes(&server).await.len(), 1);
}

#[tokio::test]
async fn a_server_fault_on_one_entry_does_not_hold_back_its_message() {
    let server = MockServer::start().await;
    Mock::given(path("/fhir/metadata")).respond_with(ResponseTemplate::new(404)).mount(&server).await;
    Mock::given(method("PUT")).respond_with(ResponseTemplate::new(500)).mount(&server).await;
    Mock::given(method("GET")).respond_with(ResponseTemplate::new(403)).mount(&server).await;
    Mock::given(method("POST")).respond_with(ResponseTemplate::new(201)).mount(&server).await;
    let outbox = MemoryOutbox::with(step());
    deliver(&server, &outbox).await;
    assert_eq!((outbox.state(1), outbox.state(2)), (OutboxState::Waiting, OutboxState::Delivered));
}

#[tokio::test]
async fn the_device_is_sent_once_and_then_named() {
    let server = answering(fhir(201, &json!({"resourceType": "Device", "id": "5"}))).await;
    let observation = json!({"device": urn(1)});
    let mut again = entry(11, 11, "Device", "Patient/2", json!({}));
    again.identity = Uuid::from_u128(1);
    let outbox = MemoryOutbox::with(vec![entry(1, 1, "Device", "Patient/1", json!({}))]);
    deliver(&server, &outbox).await;
    let next = entry(12, 11, "Observation", "Patient/2", observation);
    outbox.entries.lock().unwrap().extend([again, next]);
    assert_eq!(deliver(&server, &outbox).await.delivered, 2);
    let requests = writes(&server).await;
    let devices = requests.iter().filter(|request| request.url.path() == "/fhir/Device").count();
    assert_eq!(devices, 1);
    assert_eq!(body(&requests[1])["device"]["reference"], "Device/5");
}

// --- the worker ------------------------------------------------------------------------------

fn sink(server: &MockServer) -> SinkConfig {
    SinkConfig {
        server: config(server),
        recipients: Vec::new(),
        live: true,
        max_attempts: 0,
        max_backoff_seconds: 300,
    }
}

struct Running {
    wake: Arc<Notify>,
    status: Arc<DeliveryStatus>,
    shutdown: CancellationToken,
    task: tokio::task::JoinHandle<()>,
}

fn start(server: &MockServer, outbox: &Arc<MemoryOutbox>) -> Running {
    let (wake, status, shutdown) = (Arc::new(Notify::new()), Arc::default(), CancellationToken::new());
    let client = Arc::new(FhirClient::new(&config(server)).unwrap());
    let worker =
        Worker::new(client, Arc::clone(outbox), &sink(server), Arc::clone(&wake), Arc::clone(&status));
    let token = shutdown.clone();
    let task = tokio::spawn(async move { worker.run(token, now).await });
    Running {
        wake,
        status,
        shutdown,
        task,
    }
}

async fn until(what: &str, holds: impl Fn() -> bool) {
    let begin = Clock::now();
    while !holds() {
        assert!(begin.elapsed() < Duration::from_secs(10), "not within 10 s: {what}");
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
}

fn one_each(patients: i64) -> Vec<OutboxEntry> {
    (1..=patients).map(|n| entry(n, n, "Observation", &format!("Patient/{n}"), json!({}))).collect()
}

#[tokio::test]
async fn order_holds_for_each_patient() {
    let server = answering(ResponseTemplate::new(201)).await;
    let groups = (1..=6).map(|n| entry(n, n, "Communication", "Patient/1", json!({"n": n}))).collect();
    let outbox = MemoryOutbox::with(groups);
    let running = start(&server, &outbox);
    until("six messages", || outbox.settled.lock().unwrap().len() == 6).await;
    let sent: Vec<_> = writes(&server).await.iter().map(|request| body(request)["n"].as_i64().unwrap()).collect();
    assert_eq!(sent, [1, 2, 3, 4, 5, 6]);
    let snapshot = running.status.snapshot();
    assert_eq!((snapshot.delivered, snapshot.consecutive_failures), (6, 0));
}

#[tokio::test]
async fn a_waiting_group_keeps_the_patients_next_one_back_but_no_other_patient() {
    let server = MockServer::start().await;
    Mock::given(path("/fhir/metadata")).respond_with(ResponseTemplate::new(404)).mount(&server).await;
    Mock::given(any())
        .respond_with(|request: &Request| {
            let stuck = body(request)["n"] == 1;
            ResponseTemplate::new(if stuck { 503 } else { 201 })
        })
        .mount(&server)
        .await;
    let outbox = MemoryOutbox::with(vec![
        entry(1, 1, "Communication", "Patient/1", json!({"n": 1})),
        entry(2, 2, "Communication", "Patient/1", json!({"n": 2})),
        entry(3, 3, "Communication", "Patient/2", json!({"n": 3})),
    ]);
    let running = start(&server, &outbox);
    until("the other patient", || outbox.state(3) == OutboxState::Delivered).await;
    until("the failure", || running.status.snapshot().retried > 0).await;
    assert_eq!((outbox.state(1), outbox.state(2)), (OutboxState::Waiting, OutboxState::Waiting));
    assert!(writes(&server).await.iter().all(|request| body(request)["n"] != 2));
}

#[tokio::test]
async fn four_patients_are_served_side_by_side_and_no_more() {
    let server = answering(ResponseTemplate::new(201).set_delay(Duration::from_millis(400))).await;
    let outbox = MemoryOutbox::with(one_each(8));
    let _running = start(&server, &outbox);
    until("the first requests", || !outbox.settled.lock().unwrap().is_empty()).await;
    // Within one delay exactly the first four were sent; with the first answer the fifth may start.
    let early = writes(&server).await.len();
    assert!((4..8).contains(&early), "{early} requests after the first answer");
    until("all", || outbox.settled.lock().unwrap().len() == 8).await;
}

#[tokio::test]
async fn shutdown_settles_what_is_under_way_and_begins_nothing() {
    let server = answering(ResponseTemplate::new(201).set_delay(Duration::from_millis(500))).await;
    let outbox = MemoryOutbox::with(one_each(6));
    let running = start(&server, &outbox);
    let begin = Clock::now();
    while writes(&server).await.len() < 4 {
        assert!(begin.elapsed() < Duration::from_secs(10), "four requests never came");
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    running.shutdown.cancel();
    running.task.await.unwrap();
    assert_eq!(outbox.settled.lock().unwrap().len(), 4);
    assert_eq!(writes(&server).await.len(), 4);
}

#[tokio::test]
async fn a_commit_wakes_the_worker_and_without_a_call_it_looks_within_about_a_second() {
    let server = answering(ResponseTemplate::new(201)).await;
    let outbox = MemoryOutbox::with(Vec::new());
    let running = start(&server, &outbox);
    // Let the capability question and the first look pass.
    outbox.entries.lock().unwrap().extend(one_each(1));
    running.wake.notify_one();
    until("the first", || outbox.settled.lock().unwrap().len() == 1).await;
    let begin = Clock::now();
    outbox.entries.lock().unwrap().push(entry(2, 2, "Observation", "Patient/1", json!({})));
    running.wake.notify_one();
    until("the woken one", || outbox.settled.lock().unwrap().len() == 2).await;
    assert!(begin.elapsed() < Duration::from_millis(700), "woken after {:?}", begin.elapsed());
    outbox.entries.lock().unwrap().push(entry(3, 3, "Observation", "Patient/1", json!({})));
    let begin = Clock::now();
    until("the one nobody called for", || outbox.settled.lock().unwrap().len() == 3).await;
    assert!(begin.elapsed() < Duration::from_millis(2_500), "found after {:?}", begin.elapsed());
}
