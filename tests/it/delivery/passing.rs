//! One resource that the server never takes, over the real store: later alerts of the patient go out.

use super::*;
use deltaward::store::{Commit, SqliteStore, Store};

/// A server that answers the given resource type with `failing` and takes everything else.
async fn failing(kind: &'static str, failing: ResponseTemplate) -> MockServer {
    let server = MockServer::start().await;
    Mock::given(path("/fhir/metadata"))
        .respond_with(ResponseTemplate::new(404))
        .mount(&server)
        .await;
    let nothing = json!({"resourceType": "Bundle", "type": "searchset"});
    Mock::given(method("GET"))
        .respond_with(fhir(200, &nothing))
        .mount(&server)
        .await;
    Mock::given(any())
        .respond_with(move |request: &Request| {
            let sent = body(request);
            if sent["resourceType"] == kind && sent["n"] == 1 {
                failing.clone()
            } else {
                ResponseTemplate::new(201)
            }
        })
        .mount(&server)
        .await;
    server
}

/// Three steps of one patient: an Observation and the message about it.
fn store() -> Arc<SqliteStore> {
    let store = SqliteStore::in_memory().unwrap();
    let group = |n: i64| {
        let observation = entry(2 * n - 1, 0, "Observation", "Patient/1", json!({"n": n}));
        let about = urn(u128::try_from(2 * n - 1).unwrap());
        let message = entry(
            2 * n,
            0,
            "Communication",
            "Patient/1",
            json!({"n": n, "about": [about]}),
        );
        vec![observation, message]
    };
    let commit = Commit {
        outbox: (1..=3).map(group).collect(),
        ..Commit::default()
    };
    store.commit(&commit).unwrap();
    Arc::new(store)
}

/// Rounds of the worker as it would make them, each a minute after the one before.
async fn rounds(server: &MockServer, store: &Arc<SqliteStore>, rounds: i64) {
    let limits = Limits {
        max_attempts: 0,
        max_backoff_millis: 30_000,
    };
    let sender = Sender::new(client(server), Arc::clone(store), limits);
    for round in 0..rounds {
        let now = now().plus_minutes(round);
        while let Some(first) = store.outbox_due(now, 100).unwrap().first().map(|entry| entry.group) {
            let due = store.outbox_due(now, 100).unwrap();
            let group = due.into_iter().filter(|entry| entry.group == first).collect();
            sender.deliver(group, &|| now).await.unwrap();
        }
    }
}

/// `n` of the messages that the server was sent, in order.
async fn messages(server: &MockServer) -> Vec<i64> {
    let posts = writes(server).await;
    let posts = posts
        .iter()
        .filter(|request| request.method.as_str() == "POST" && request.url.path() == "/fhir/Communication");
    posts.map(|request| body(request)["n"].as_i64().unwrap()).collect()
}

#[tokio::test]
async fn an_observation_that_is_never_taken_holds_no_message_back() {
    for status in [500, 404] {
        let server = failing("Observation", ResponseTemplate::new(status)).await;
        let store = store();
        rounds(&server, &store, 1).await;
        assert_eq!(messages(&server).await, [1, 2, 3], "{status}");
        let waiting = store.outbox_list(OutboxState::Waiting, 10).unwrap();
        assert_eq!(
            waiting.iter().map(|entry| entry.seq).collect::<Vec<_>>(),
            [1],
            "{status}"
        );
    }
}

/// The same where the failure looks like an outage of the whole server.
#[tokio::test]
async fn an_observation_on_which_the_server_hangs_holds_no_message_back_for_long() {
    let server = failing("Observation", ResponseTemplate::new(504)).await;
    let store = store();
    rounds(&server, &store, 3).await;
    assert_eq!(messages(&server).await, [1, 2, 3]);
    let waiting = store.outbox_list(OutboxState::Waiting, 10).unwrap();
    assert_eq!(waiting.iter().map(|entry| entry.seq).collect::<Vec<_>>(), [1]);
}

#[tokio::test]
async fn a_message_that_is_never_taken_is_passed_after_five_failures() {
    let server = failing("Communication", ResponseTemplate::new(500)).await;
    let store = store();
    rounds(&server, &store, 4).await;
    assert!(!messages(&server).await.contains(&2), "order first");
    rounds(&server, &store, 6).await;
    let sent = messages(&server).await;
    assert_eq!(sent.iter().filter(|n| **n != 1).collect::<Vec<_>>(), [&2, &3]);
}

#[tokio::test]
async fn messages_stay_in_order_over_an_outage() {
    let server = MockServer::start().await;
    let calls = Arc::new(AtomicUsize::new(0));
    let counter = Arc::clone(&calls);
    Mock::given(path("/fhir/metadata"))
        .respond_with(ResponseTemplate::new(404))
        .with_priority(1)
        .mount(&server)
        .await;
    Mock::given(any())
        .respond_with(move |request: &Request| match request.method.as_str() {
            "POST" | "PUT" if counter.fetch_add(1, Ordering::SeqCst) >= 16 => ResponseTemplate::new(201),
            "GET" => fhir(200, &json!({"resourceType": "Bundle", "type": "searchset"})),
            _ => ResponseTemplate::new(503),
        })
        .mount(&server)
        .await;
    let store = store();
    rounds(&server, &store, 15).await;
    let sent = messages(&server).await;
    let refused = sent.iter().filter(|n| **n == 1).count() - 1;
    assert!(refused > 5, "the outage was long: {sent:?}");
    assert_eq!(sent[refused..], [1, 2, 3]);
    assert!(store.outbox_list(OutboxState::Waiting, 10).unwrap().is_empty());
}
