//! Order, parallel work, waking and stopping.

use super::*;

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
    let worker = Worker::new(
        client,
        Arc::clone(outbox),
        &sink(server),
        Arc::clone(&wake),
        Arc::clone(&status),
    );
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
    (1..=patients)
        .map(|n| entry(n, n, "Observation", &format!("Patient/{n}"), json!({})))
        .collect()
}

#[tokio::test]
async fn order_holds_for_each_patient() {
    let server = answering(ResponseTemplate::new(201)).await;
    let groups = (1..=6)
        .map(|n| entry(n, n, "Communication", "Patient/1", json!({"n": n})))
        .collect();
    let outbox = MemoryOutbox::with(groups);
    let running = start(&server, &outbox);
    until("six messages", || running.status.snapshot().delivered == 6).await;
    let sent: Vec<_> = writes(&server)
        .await
        .iter()
        .map(|request| body(request)["n"].as_i64().unwrap())
        .collect();
    assert_eq!(sent, [1, 2, 3, 4, 5, 6]);
    let snapshot = running.status.snapshot();
    assert_eq!((snapshot.delivered, snapshot.consecutive_failures), (6, 0));
}

#[tokio::test]
async fn a_waiting_group_keeps_the_patients_next_one_back_but_no_other_patient() {
    let server = MockServer::start().await;
    Mock::given(path("/fhir/metadata"))
        .respond_with(ResponseTemplate::new(404))
        .mount(&server)
        .await;
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
    assert_eq!(
        (outbox.state(1), outbox.state(2)),
        (OutboxState::Waiting, OutboxState::Waiting)
    );
    assert!(writes(&server).await.iter().all(|request| body(request)["n"] != 2));
}

#[tokio::test]
async fn four_patients_are_served_side_by_side_and_no_more() {
    let server = answering(ResponseTemplate::new(201).set_delay(Duration::from_secs(1))).await;
    let outbox = MemoryOutbox::with(one_each(8));
    let begin = Clock::now();
    let _running = start(&server, &outbox);
    while writes(&server).await.len() < 4 {
        assert!(begin.elapsed() < Duration::from_secs(10), "four requests never came");
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    tokio::time::sleep(Duration::from_millis(300)).await;
    assert_eq!(writes(&server).await.len(), 4, "before the first answer");
    until("all", || outbox.settled.lock().unwrap().len() == 8).await;
    // One at a time would take eight seconds.
    assert!(begin.elapsed() < Duration::from_secs(7), "{:?}", begin.elapsed());
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
    let push = |n| {
        let next = entry(n, n, "Observation", "Patient/1", json!({}));
        outbox.entries.lock().unwrap().push(next);
    };
    let settled = || outbox.settled.lock().unwrap().len();
    let begin = Clock::now();
    for n in 2..=6 {
        push(n);
        running.wake.notify_one();
        until("a woken one", || settled() == usize::try_from(n).unwrap()).await;
    }
    // Found by looking alone, each would take a second.
    let passed = begin.elapsed();
    assert!(passed < Duration::from_secs(3), "five woken after {passed:?}");
    let begin = Clock::now();
    push(7);
    until("the one nobody called for", || settled() == 7).await;
    let passed = begin.elapsed();
    assert!(passed < Duration::from_millis(2_500), "found after {passed:?}");
}
