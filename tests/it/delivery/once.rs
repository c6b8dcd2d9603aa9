//! Each message once, also on servers that ignore conditions, and never taken for sent when it is not.

use super::*;
use deltaward::delivery::Outbox;
use deltaward::store::{Settlement, StoreError};
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};

/// A server that ignores `If-None-Exist`, and whose answer to the first write comes too late.
struct Careless {
    server: MockServer,
    kept: Arc<Mutex<Vec<Value>>>,
}

async fn careless(late: bool) -> Careless {
    let server = MockServer::start().await;
    let kept: Arc<Mutex<Vec<Value>>> = Arc::default();
    Mock::given(path("/fhir/metadata"))
        .respond_with(ResponseTemplate::new(503))
        .with_priority(1)
        .mount(&server)
        .await;
    let held = Arc::clone(&kept);
    Mock::given(method("GET"))
        .respond_with(move |request: &Request| {
            let wanted = parameters(request).get("identifier").cloned().unwrap_or_default();
            let all = held.lock().unwrap();
            let matches = all.iter().filter(|resource| {
                let value = resource["identifier"][0]["value"].as_str().unwrap_or_default();
                wanted == format!("{SYSTEM}|{value}")
            });
            fhir(200, &found(&matches.cloned().collect::<Vec<_>>()))
        })
        .mount(&server)
        .await;
    let held = Arc::clone(&kept);
    Mock::given(method("POST"))
        .respond_with(move |request: &Request| {
            let mut all = held.lock().unwrap();
            let mut resource = body(request);
            resource["id"] = json!(format!("{}", all.len() + 1));
            all.push(resource.clone());
            let answer = fhir(201, &resource);
            if late && all.len() == 1 {
                answer.set_delay(Duration::from_secs(5))
            } else {
                answer
            }
        })
        .mount(&server)
        .await;
    Careless { server, kept }
}

fn message() -> OutboxEntry {
    let identifier = json!([{"system": SYSTEM, "value": Uuid::from_u128(1).to_string()}]);
    entry(1, 1, "Communication", "Patient/1", json!({"identifier": identifier}))
}

#[tokio::test]
async fn after_a_lost_answer_the_server_is_searched_before_the_create_is_repeated() {
    let Careless { server, kept } = careless(true).await;
    let outbox = MemoryOutbox::with(vec![message()]);
    assert_eq!(deliver(&server, &outbox).await.waiting, 1);
    outbox.entries.lock().unwrap()[0].next_attempt = now();
    assert_eq!(deliver(&server, &outbox).await.delivered, 1);
    assert_eq!(kept.lock().unwrap().len(), 1, "not twice");
    assert_eq!(
        outbox.settlement(1).remote_reference.as_deref(),
        Some("Communication/1")
    );
}

/// Killed between the server's commit and the settlement: the store knows of no attempt.
#[tokio::test]
async fn after_a_restart_what_was_written_before_is_searched_first() {
    // The clock may have been set back meanwhile: it says nothing of what is old.
    for restarted in [now().plus_seconds(1), now().plus_minutes(-60)] {
        let Careless { server, kept } = careless(false).await;
        kept.lock().unwrap().push(ours("Communication", 1, "9"));
        let outbox = MemoryOutbox::with(vec![message()]);
        *outbox.inherited.lock().unwrap() = 1;
        let limits = Limits {
            max_attempts: 0,
            max_backoff_millis: 300_000,
        };
        let sender = Sender::new(client(&server), Arc::clone(&outbox), limits);
        sender.begin().await;
        let group = outbox.entries.lock().unwrap().clone();
        assert_eq!(sender.deliver(group, &|| restarted).await.unwrap().delivered, 1);
        assert_eq!(kept.lock().unwrap().len(), 1);
        assert_eq!(
            outbox.settlement(1).remote_reference.as_deref(),
            Some("Communication/9")
        );
    }
}

/// The disk was full when the answer came: the store knows of no attempt, and the process lives on.
#[tokio::test]
async fn after_an_attempt_that_could_not_be_recorded_the_server_is_searched_first() {
    struct FullDisk(MemoryOutbox, AtomicBool);
    impl Outbox for FullDisk {
        fn due(&self, now: Instant, limit: usize) -> Result<Vec<OutboxEntry>, StoreError> {
            self.0.due(now, limit)
        }
        fn settle(&self, settlements: &[Settlement], now: Instant) -> Result<(), StoreError> {
            if self.1.swap(false, Ordering::SeqCst) {
                return Err(StoreError::Statement {
                    action: "settle outbox entries",
                    cause: String::from("database or disk is full"),
                });
            }
            self.0.settle(settlements, now)
        }
        fn remote_reference(&self, identity: &Uuid) -> Result<Option<String>, StoreError> {
            self.0.remote_reference(identity)
        }
    }
    let Careless { server, kept } = careless(false).await;
    let memory = MemoryOutbox::default();
    memory.entries.lock().unwrap().push(message());
    let outbox = Arc::new(FullDisk(memory, AtomicBool::new(true)));
    let limits = Limits {
        max_attempts: 0,
        max_backoff_millis: 300_000,
    };
    let sender = Sender::new(client(&server), Arc::clone(&outbox), limits);
    assert!(sender.deliver(outbox.due(now(), 10).unwrap(), &now).await.is_err());
    let report = sender.deliver(outbox.due(now(), 10).unwrap(), &now).await.unwrap();
    assert_eq!((report.delivered, kept.lock().unwrap().len()), (1, 1), "not twice");
}

/// 422 to a search says nothing of the message, and an unread CapabilityStatement nothing of conditions.
#[tokio::test]
async fn while_a_search_is_refused_a_create_that_may_have_been_done_is_not_repeated() {
    for status in [403, 412, 422, 503] {
        let Careless { server, kept } = careless(false).await;
        kept.lock().unwrap().push(ours("Communication", 1, "9"));
        let refusal =
            json!({"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": "processing"}]});
        Mock::given(method("GET"))
            .respond_with(fhir(status, &refusal))
            .up_to_n_times(1)
            .with_priority(1)
            .mount(&server)
            .await;
        let mut again = message();
        again.attempts = 7;
        let outbox = MemoryOutbox::with(vec![again]);
        let report = deliver(&server, &outbox).await;
        assert_eq!((report.waiting, kept.lock().unwrap().len()), (1, 1), "{status}");
        outbox.entries.lock().unwrap()[0].next_attempt = now();
        assert_eq!(deliver(&server, &outbox).await.delivered, 1);
        assert_eq!(kept.lock().unwrap().len(), 1, "not twice after {status}");
    }
}

/// A server that refuses every search alike and says nothing of conditions: twice is better than never.
#[tokio::test]
async fn a_message_goes_out_although_no_search_is_ever_answered() {
    let Careless { server, kept } = careless(false).await;
    Mock::given(method("GET"))
        .respond_with(ResponseTemplate::new(403))
        .with_priority(1)
        .mount(&server)
        .await;
    let mut again = message();
    again.attempts = 1;
    let outbox = MemoryOutbox::with(vec![again]);
    let limits = Limits {
        max_attempts: 0,
        max_backoff_millis: 300_000,
    };
    let sender = Sender::new(client(&server), Arc::clone(&outbox), limits);
    for round in 1..=5 {
        let group = outbox.entries.lock().unwrap().clone();
        let report = sender.deliver(group, &now).await.unwrap();
        assert_eq!(report.delivered, u64::from(round == 5), "round {round}");
    }
    assert_eq!(kept.lock().unwrap().len(), 1);
}

#[tokio::test]
async fn a_first_create_is_not_searched_for() {
    let Careless { server, kept } = careless(false).await;
    let outbox = MemoryOutbox::with(vec![message()]);
    assert_eq!(deliver(&server, &outbox).await.delivered, 1);
    assert_eq!((writes(&server).await.len(), kept.lock().unwrap().len()), (1, 1));
}

/// A server that ignores the search parameter answers with other messages.
#[tokio::test]
async fn a_find_without_our_identifier_is_none() {
    let server = MockServer::start().await;
    Mock::given(path("/fhir/metadata"))
        .respond_with(ResponseTemplate::new(404))
        .mount(&server)
        .await;
    let strangers = found(&[
        ours("Communication", 99, "5"),
        json!({"resourceType": "Communication", "id": "6"}),
    ]);
    Mock::given(method("GET"))
        .respond_with(fhir(200, &strangers))
        .mount(&server)
        .await;
    Mock::given(method("POST"))
        .respond_with(ResponseTemplate::new(201))
        .expect(1)
        .mount(&server)
        .await;
    let mut again = message();
    again.attempts = 1;
    assert_eq!(deliver(&server, &MemoryOutbox::with(vec![again])).await.delivered, 1);
}

/// "200" to a create means that it was there before (FHIR R4 3.1.0.8.1): it must be ours.
#[tokio::test]
async fn what_was_there_already_is_read_and_believed_when_it_is_ours() {
    for (there, in_answer, delivered) in [
        (ours("Communication", 1, "18"), true, 1),
        (ours("Communication", 1, "18"), false, 1),
        (ours("Communication", 2, "18"), false, 0),
        (json!({"resourceType": "Communication", "id": "18"}), true, 0),
        (ours("Observation", 1, "18"), false, 0),
    ] {
        for transaction in [false, true] {
            let server = MockServer::start().await;
            metadata(&server, &if transaction { statement(true) } else { json!({}) }).await;
            Mock::given(path("/fhir/Communication/18"))
                .respond_with(fhir(200, &there))
                .mount(&server)
                .await;
            Mock::given(method("GET"))
                .respond_with(fhir(200, &found(&[])))
                .with_priority(9)
                .mount(&server)
                .await;
            let mut whole = response(&[("200", "Communication/18")]);
            let mut single = ResponseTemplate::new(200).insert_header("location", "Communication/18");
            if in_answer {
                whole["entry"][0]["resource"] = there.clone();
                single = single.set_body_raw(there.to_string(), FHIR_JSON);
            }
            let answer = if transaction { fhir(200, &whole) } else { single };
            Mock::given(method("POST")).respond_with(answer).mount(&server).await;
            let outbox = MemoryOutbox::with(vec![message()]);
            let report = deliver(&server, &outbox).await;
            assert_eq!(
                (report.delivered, report.waiting, report.stopped),
                (delivered, 1 - delivered, 0),
                "{there} {in_answer} {transaction}"
            );
            let remote = outbox.settlement(1).remote_reference;
            assert_eq!(remote.as_deref(), (delivered == 1).then_some("Communication/18"));
        }
    }
}
