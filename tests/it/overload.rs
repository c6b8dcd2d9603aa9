//! More than the service can take: it says so, keeps its bounds, and goes on serving.
//! RFC 9110 section 15.6.4: 503 with Retry-After; section 15.5.9: 408.

mod connections;

use crate::fhir_api::support::{Api, FHIR, server_config};
use crate::process::{Running, config};
use deltaward::config::ServerConfig;
use deltaward::server::AppState;
use deltaward::source::intake::{Incoming, Operation, Versioning};
use deltaward::source::{Batch, Intake, IntakeError};
use serde_json::{Value, json};
use std::sync::Arc;
use std::time::Duration;

fn observation(id: &str, bytes: usize) -> Value {
    json!({"resourceType": "Observation", "id": id, "status": "final", "code": {"text": "x".repeat(bytes)}})
}

fn put(id: &str, body: String) -> Incoming {
    Incoming {
        resource_type: String::from("Observation"),
        id: id.to_owned(),
        operation: Operation::Put(body),
        versioning: Versioning::Ours,
        if_match: None,
    }
}

/// An endpoint whose engine never answers, with room for `max_waiting_bytes`.
fn silent(max_waiting_bytes: usize) -> Api {
    let mut api = Api::with(|_, _, _, receiver| std::mem::forget(receiver));
    let config = ServerConfig {
        max_waiting_bytes,
        ..server_config()
    };
    let (intake, receiver) = Intake::bounded(config.queue_batches, config.max_waiting_bytes);
    std::mem::forget(receiver);
    api.app = AppState::new(intake, api.store.clone(), &config, api.app.clock.clone());
    api
}

#[tokio::test]
async fn what_waits_for_the_engine_is_bounded_in_bytes() {
    let (intake, mut receiver) = Intake::bounded(100, 4000);
    let batch = |bytes: usize| Batch {
        items: vec![put("a", "x".repeat(bytes))],
        ..Batch::default()
    };
    let waiting = {
        let intake = intake.clone();
        tokio::spawn(async move { intake.submit(batch(3000)).await })
    };
    let first = receiver.recv().await.unwrap();
    // Taken by the engine, but not committed: it still counts.
    let refused = intake.submit(batch(1000)).await;
    assert!(matches!(refused, Err(IntakeError::Full(4000))), "{refused:?}");
    first.reply.send(Ok(Vec::new())).unwrap();
    waiting.await.unwrap().unwrap();
    // A poller waits for room; a batch larger than all of it waits until it is alone.
    let large = {
        let intake = intake.clone();
        tokio::spawn(async move { intake.submit_when_room(batch(9000)).await })
    };
    let large_one = receiver.recv().await.unwrap();
    assert!(matches!(intake.submit(batch(1)).await, Err(IntakeError::Full(_))));
    large_one.reply.send(Ok(Vec::new())).unwrap();
    large.await.unwrap().unwrap();
}

#[tokio::test]
async fn what_is_received_at_once_is_bounded_in_bytes() {
    let api = silent(20_000);
    let (app, router) = (api.app.clone(), api.router());
    // One body that has come half: its bytes are held.
    let half = futures_util::stream::iter([Ok::<_, std::io::Error>(vec![b' '; 15_000])]);
    let never_ends = futures_util::StreamExt::chain(half, futures_util::stream::pending());
    let request = axum::http::Request::put("/fhir/Observation/a")
        .body(axum::body::Body::from_stream(never_ends))
        .unwrap();
    let slow = tokio::spawn(tower::ServiceExt::oneshot(router, request));
    while app.receiving.available_permits() > 5000 {
        tokio::task::yield_now().await;
    }
    let got = api.put("/fhir/Observation/b", &observation("b", 10_000)).await;
    assert_eq!(got.issue(503)["code"], "transient");
    assert_eq!(got.header("retry-after"), "1");
    // Its end gives the room back.
    slow.abort();
    let _ended = slow.await;
    assert_eq!(app.receiving.available_permits(), 20_000);
}

/// A full queue and too many bytes in it, as the caller sees them.
#[tokio::test]
async fn past_the_queue_503_says_when_to_come_back() {
    for bytes in [2000, 64 << 20] {
        let mut api = silent(bytes.max(4000));
        api.app.limits.answer_timeout = Duration::from_secs(20);
        let waiting: Vec<_> = (0..4)
            .map(|_| {
                let intake = api.app.intake.clone();
                let batch = Batch {
                    items: vec![put("w", "x".repeat(700))],
                    ..Batch::default()
                };
                tokio::spawn(async move { intake.submit(batch).await })
            })
            .collect();
        tokio::task::yield_now().await;
        let got = api
            .call("PUT", "/fhir/Observation/a", &[FHIR], observation("a", 500).to_string())
            .await;
        assert_eq!(got.issue(503)["code"], "transient");
        assert_eq!(got.header("retry-after"), "1");
        waiting.iter().for_each(tokio::task::JoinHandle::abort);
    }
}

fn entry(id: &str, patient: usize, value: i64) -> Value {
    json!({"request": {"method": "PUT", "url": format!("Observation/{id}")}, "resource": {
        "resourceType": "Observation", "id": id, "status": "final",
        "code": {"coding": [{"system": "http://loinc.org", "code": "8462-4"}]},
        "subject": {"reference": format!("Patient/{patient}")}, "effectiveDateTime": "2026-03-05T10:00:00Z",
        "valueQuantity": {"value": value, "unit": "mmHg", "system": "http://unitsofmeasure.org", "code": "mm[Hg]"}}})
}

/// As many entries as a Bundle may have: all are kept, and other writers are served meanwhile.
#[tokio::test(flavor = "multi_thread")]
async fn a_batch_of_ten_thousand_is_kept_and_others_write_meanwhile() {
    let folder = tempfile::tempdir().unwrap();
    let file = config(folder.path(), "");
    let running = Running::start(folder.path(), &["run", "--config", &file]);
    let base = format!("{}/fhir", running.base);
    let client = reqwest::Client::new();
    let entries: Vec<Value> = (0..10_000).map(|n| entry(&format!("o{n}"), n % 500, 70)).collect();
    let send = |kind: &str, entries: Vec<Value>| {
        let bundle = json!({"resourceType": "Bundle", "type": kind, "entry": entries});
        let request = client
            .post(&base)
            .header("content-type", FHIR.1)
            .body(bundle.to_string());
        async move { request.send().await.unwrap() }
    };
    let large = tokio::spawn(send("batch", entries.clone()));
    let (mut meanwhile, mut longest) = (0, Duration::ZERO);
    while !large.is_finished() {
        let id = format!("m{meanwhile}");
        let began = std::time::Instant::now();
        let request = client
            .put(format!("{base}/Observation/{id}"))
            .header("content-type", FHIR.1)
            .body(entry(&id, 1, 71)["resource"].to_string());
        assert_eq!(request.send().await.unwrap().status(), 201);
        longest = longest.max(began.elapsed());
        meanwhile += 1;
    }
    let answer: Value = serde_json::from_str(&large.await.unwrap().text().await.unwrap()).unwrap();
    let created = answer["entry"].as_array().unwrap().iter();
    let created = created
        .filter(|entry| entry["response"]["status"] == "201 Created")
        .count();
    assert_eq!(created, 10_000);
    println!("{meanwhile} single writes meanwhile, the slowest {longest:?}");
    // One write at the start and one at the end would be no proof.
    assert!(meanwhile > 5, "{meanwhile}");
    // One more entry, and nothing of it is kept.
    let mut more = entries;
    more.push(entry("one-too-many", 1, 70));
    assert_eq!(send("batch", more).await.status(), 413);
    let read = client.get(format!("{base}/Observation/one-too-many"));
    assert_eq!(read.send().await.unwrap().status(), 404);
}

/// A later part of a large batch that is not taken: its entries say so, those before stand.
#[tokio::test]
async fn a_large_batch_says_of_each_entry_whether_it_is_kept() {
    let api = Api::with(|_, _, batches, mut receiver| {
        tokio::spawn(async move {
            while let Some(submission) = receiver.recv().await {
                let before = batches.lock().unwrap().len();
                batches.lock().unwrap().push(submission.batch.clone());
                let version = deltaward::recognise::reading::Version {
                    number: Some(1),
                    id: "1".into(),
                    last_updated: None,
                    digest: "".into(),
                };
                let answers = vec![deltaward::source::Answer::Created(version); submission.batch.items.len()];
                let _gone = submission.reply.send(match before {
                    0 => Ok(answers),
                    _ => Err(IntakeError::Store(String::from("disk full"))),
                });
            }
        });
    });
    let entries: Vec<Value> = (0..600).map(|n| entry(&format!("o{n}"), n, 70)).collect();
    let bundle = json!({"resourceType": "Bundle", "type": "batch", "entry": entries});
    let got = api.post("/fhir", &bundle).await;
    assert_eq!(got.status.as_u16(), 200);
    let answer = got.json();
    let status: Vec<&str> = answer["entry"]
        .as_array()
        .unwrap()
        .iter()
        .map(|entry| entry["response"]["status"].as_str().unwrap())
        .collect();
    let kept = api.batches.lock().unwrap()[0].items.len();
    assert!(kept < 600 && status[..kept].iter().all(|status| *status == "201 Created"));
    assert!(status[kept..].iter().all(|status| *status == "503 Service Unavailable"));
    // After the first refusal nothing more was tried.
    assert_eq!(api.batch_count(), 2);
    // A transaction is one commit, however large.
    let atomic = Arc::new(Api::new());
    let bundle = json!({"resourceType": "Bundle", "type": "transaction", "entry": bundle["entry"]});
    assert_eq!(atomic.post("/fhir", &bundle).await.status.as_u16(), 200);
    assert_eq!(atomic.batch_count(), 1);
}
