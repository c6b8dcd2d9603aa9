//! What an answer comes to.

use super::*;

/// Every answer that may heal: the entry waits, never stops.
#[tokio::test]
async fn conflicts_limits_and_outages_wait() {
    for status in [408, 409, 429, 500, 502, 503, 504] {
        let server = answering(ResponseTemplate::new(status)).await;
        let outbox = MemoryOutbox::with(step());
        let report = deliver(&server, &outbox).await;
        assert_eq!(
            (report.delivered, report.waiting, report.stopped),
            (0, 2, 0),
            "{status}"
        );
        let (first, second) = (outbox.settlement(1), outbox.settlement(2));
        assert_eq!(
            first.next_attempt, second.next_attempt,
            "{status}: the group stays together"
        );
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
        assert_eq!(
            outbox.settlement(2).next_attempt.millis_since(now()),
            expected,
            "{header}"
        );
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
        assert_eq!(
            (report.waiting, report.stopped, report.needs_mending),
            (2, 0, true),
            "{status}"
        );
        let status_now = DeliveryStatus::default();
        status_now.record(&report, now());
        assert!(
            status_now.snapshot().needs_mending && status_now.snapshot().last_trouble.contains(&status.to_string())
        );
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
        assert!(
            answer.starts_with(&format!("{status}: ")) && answer.contains("value is not allowed"),
            "{answer}"
        );
        assert!(answer.chars().count() <= 320, "{} characters", answer.chars().count());
        assert!(
            !report.trouble.contains("not allowed"),
            "diagnostics are not for logs: {}",
            report.trouble
        );
    }
}

/// A gateway or a wrong base address answers for the server: that is no word on the resource.
#[tokio::test]
async fn a_refusal_without_an_outcome_waits_and_asks_to_be_mended() {
    let bodies = [
        ("<html><title>404 Not Found</title></html>", "text/html"),
        ("{\"error\":\"no such route\"}", "application/json"),
        ("{\"resourceType\":\"Bundle\"}", FHIR_JSON),
        ("", "text/plain"),
    ];
    for status in [400, 404, 405, 410, 412, 422] {
        for (text, kind) in bodies {
            let server = answering(ResponseTemplate::new(status).set_body_raw(text, kind)).await;
            let outbox = MemoryOutbox::with(step());
            let report = deliver(&server, &outbox).await;
            assert_eq!(
                (report.waiting, report.stopped, report.needs_mending),
                (2, 0, true),
                "{status} {kind}"
            );
        }
    }
    // The same inside a transaction-response: an entry is stopped by an outcome only.
    let server = MockServer::start().await;
    metadata(&server, &statement(true)).await;
    let answer = response(&[("404 Not Found", "x"), ("201 Created", "Communication/2")]);
    Mock::given(any()).respond_with(fhir(200, &answer)).mount(&server).await;
    let outbox = MemoryOutbox::with(step());
    let report = deliver(&server, &outbox).await;
    assert_eq!((report.delivered, report.waiting, report.stopped), (1, 1, 0));
}

#[tokio::test]
async fn a_transaction_refused_for_one_entry_goes_one_by_one() {
    let server = MockServer::start().await;
    metadata(&server, &statement(true)).await;
    let refused = fhir(422, &json!({"resourceType": "OperationOutcome", "issue": []}));
    Mock::given(method("POST"))
        .and(path("/fhir"))
        .respond_with(refused.clone())
        .expect(1)
        .mount(&server)
        .await;
    Mock::given(method("PUT")).respond_with(refused).mount(&server).await;
    let nothing = json!({"resourceType": "Bundle", "type": "searchset"});
    Mock::given(method("GET"))
        .and(path("/fhir/Observation"))
        .respond_with(fhir(200, &nothing))
        .mount(&server)
        .await;
    Mock::given(method("POST"))
        .and(path("/fhir/Communication"))
        .respond_with(ResponseTemplate::new(201))
        .mount(&server)
        .await;
    let outbox = MemoryOutbox::with(step());
    let report = deliver(&server, &outbox).await;
    assert_eq!((report.delivered, report.stopped), (1, 1));
    assert_eq!(
        (outbox.state(1), outbox.state(2)),
        (OutboxState::Stopped, OutboxState::Delivered)
    );
    // The message went out with a logical reference to the Observation that the server refused.
    let message = body(writes(&server).await.last().unwrap());
    assert_eq!(
        message["about"][0]["identifier"]["value"],
        Uuid::from_u128(1).to_string()
    );
}

#[tokio::test]
async fn each_entry_of_a_transaction_answer_is_judged_by_its_own_status() {
    let server = MockServer::start().await;
    metadata(&server, &statement(true)).await;
    let mut answer = response(&[
        ("422 Unprocessable", "Observation/1"),
        ("201 Created", "Communication/2"),
    ]);
    answer["entry"][0]["response"]["outcome"] = json!({"resourceType": "OperationOutcome",
        "issue": [{"severity": "error", "code": "invariant", "diagnostics": "obs-6"}]});
    Mock::given(method("POST"))
        .and(path("/fhir"))
        .respond_with(fhir(200, &answer))
        .mount(&server)
        .await;
    let outbox = MemoryOutbox::with(step());
    let report = deliver(&server, &outbox).await;
    assert_eq!((report.delivered, report.stopped), (1, 1));
    assert!(
        outbox.settlement(1).answer.contains("obs-6"),
        "{}",
        outbox.settlement(1).answer
    );
    assert_eq!(outbox.settlement(1).remote_reference, None);
}

#[tokio::test]
async fn a_transaction_answer_that_does_not_match_is_not_believed() {
    let short = response(&[("201", "Observation/1")]);
    let batch = json!({"resourceType": "Bundle", "type": "batch-response", "entry": []});
    for wrong in [short, batch, json!({"resourceType": "OperationOutcome"})] {
        let server = MockServer::start().await;
        metadata(&server, &statement(true)).await;
        Mock::given(method("POST"))
            .and(path("/fhir"))
            .respond_with(fhir(200, &wrong))
            .mount(&server)
            .await;
        let nothing = json!({"resourceType": "Bundle", "type": "searchset"});
        Mock::given(method("GET"))
            .respond_with(fhir(200, &nothing))
            .mount(&server)
            .await;
        Mock::given(any())
            .respond_with(fhir(201, &json!({"resourceType": "Observation", "id": "1"})))
            .with_priority(9)
            .mount(&server)
            .await;
        let outbox = MemoryOutbox::with(step());
        assert_eq!(deliver(&server, &outbox).await.delivered, 2);
        let requests = writes(&server).await;
        let methods: Vec<_> = requests.iter().map(|request| request.method.to_string()).collect();
        assert_eq!(
            methods,
            ["POST", "PUT", "GET", "POST"],
            "sent again one by one, under the same conditions; the transaction may have been done, so the message is searched"
        );
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
            let answer = fhir(
                200,
                &response(&[("200 OK", "Observation/17"), ("201 Created", "Communication/18")]),
            );
            // Committed, but the answer comes too late.
            let late = counter.fetch_add(1, Ordering::SeqCst) == 0;
            if late {
                answer.set_delay(Duration::from_secs(5))
            } else {
                answer
            }
        })
        .mount(&server)
        .await;
    let outbox = MemoryOutbox::with(step());
    let report = deliver(&server, &outbox).await;
    assert_eq!(report.waiting, 2);
    outbox
        .entries
        .lock()
        .unwrap()
        .iter_mut()
        .for_each(|entry| entry.next_attempt = now());
    assert_eq!(deliver(&server, &outbox).await.delivered, 2);
    let requests = writes(&server).await;
    let bundles: Vec<_> = requests
        .iter()
        .filter(|request| request.method.as_str() == "POST")
        .collect();
    assert_eq!(bundles.len(), 2);
    assert_eq!(body(bundles[0]), body(bundles[1]));
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
    Mock::given(path("/fhir/metadata"))
        .respond_with(ResponseTemplate::new(404))
        .mount(&server)
        .await;
    Mock::given(method("PUT"))
        .respond_with(ResponseTemplate::new(500))
        .mount(&server)
        .await;
    Mock::given(method("GET"))
        .respond_with(ResponseTemplate::new(403))
        .mount(&server)
        .await;
    Mock::given(method("POST"))
        .respond_with(ResponseTemplate::new(201))
        .mount(&server)
        .await;
    let outbox = MemoryOutbox::with(step());
    deliver(&server, &outbox).await;
    assert_eq!(
        (outbox.state(1), outbox.state(2)),
        (OutboxState::Waiting, OutboxState::Delivered)
    );
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
    let devices = requests
        .iter()
        .filter(|request| request.url.path() == "/fhir/Device")
        .count();
    assert_eq!(devices, 1);
    assert_eq!(body(&requests[1])["device"]["reference"], "Device/5");
}
