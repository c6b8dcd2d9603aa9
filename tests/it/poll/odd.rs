//! Entries that are no proper resource, versions that move by half, and long histories.

use super::*;
use deltaward::config::Config;
use deltaward::pipeline::service::settings;
use deltaward::pipeline::work::Work;
use deltaward::recognise::Reason;
use deltaward::source::{Batch, UnreadableEntry};
use deltaward::store::{SqliteStore, Store};

fn unreadable(engine: &Engine) -> Vec<UnreadableEntry> {
    let batches = engine.batches.lock().unwrap();
    batches.iter().flat_map(|batch| batch.unreadable.clone()).collect()
}

/// One page with entries as text, between two good ones.
fn page_with(odd: &str) -> ResponseTemplate {
    let (a, b) = (minute("a", 1), minute("b", 2));
    let text = format!(
        r#"{{"resourceType":"Bundle","type":"searchset","entry":[{{"resource":{a}}},{odd},{{"resource":{b}}}]}}"#
    );
    ResponseTemplate::new(200).set_body_raw(text, FHIR_JSON)
}

#[tokio::test]
async fn odd_entries_are_handed_over_as_unreadable_once_and_cost_no_other() {
    // R4: Resource.id is [A-Za-z0-9\-\.]{1,64}.
    for odd in [
        r#"{"resource":{"resourceType":"Observation","id":"o","id":"p"}}"#,
        r#"{"resource":{"resourceType":"Observation"}}"#,
        r#"{"resource":{"resourceType":"Observation","id":"../../x<b>"}}"#,
        r#"{"fullUrl":7,"search":{"mode":1},"resource":7}"#,
        "7",
    ] {
        let server = MockServer::start().await;
        Mock::given(any()).respond_with(page_with(odd)).mount(&server).await;
        let (poller, engine) = poller(&server);
        let report = poller.poll_once(now()).await.unwrap();
        assert_eq!(
            (engine.ids(), report.unusable),
            (vec!["a".into(), "b".into()], 1),
            "{odd}"
        );
        assert_eq!(engine.stands(CURSOR), Some(at(&moment(2))));
        let kept = unreadable(&engine);
        assert_eq!(kept.len(), 1, "{odd}");
        assert!(odd.contains(&kept[0].body) && kept[0].source.starts_with("Observation/"));
        poller.poll_once(now()).await.unwrap();
        assert_eq!(unreadable(&engine).len(), 1, "the overlap does not resend it: {odd}");
    }
}

#[tokio::test]
async fn a_meta_or_a_number_that_cannot_be_read_costs_no_resource() {
    // R4: versionId is an id and lastUpdated an instant, both strings. RFC 8259 §6 bounds no number.
    for (odd, without_last_updated) in [
        (
            r#"{"resource":{"resourceType":"Observation","id":"o","meta":{"versionId":7}}}"#,
            1,
        ),
        (
            r#"{"resource":{"resourceType":"Observation","id":"o","meta":{"lastUpdated":1772748600}}}"#,
            1,
        ),
        (r#"{"resource":{"resourceType":"Observation","id":"o","meta":5}}"#, 1),
        (
            r#"{"search":{"score":1e999},"resource":{"resourceType":"Observation","id":"o","meta":{"lastUpdated":"2026-03-05T21:01:30Z","versionId":1e999}}}"#,
            0,
        ),
    ] {
        let server = MockServer::start().await;
        Mock::given(any()).respond_with(page_with(odd)).mount(&server).await;
        let (poller, engine) = poller(&server);
        let report = poller.poll_once(now()).await.unwrap();
        assert_eq!(
            (report.unusable, report.without_last_updated),
            (0, without_last_updated),
            "{odd}"
        );
        assert_eq!(engine.ids(), ["a", "o", "b"], "{odd}");
        assert_eq!(
            engine.stands(CURSOR),
            Some(at(&moment(2))),
            "what has no order moves no cursor: {odd}"
        );
    }
}

#[tokio::test]
async fn an_odd_entry_around_a_good_resource_is_used() {
    let server = MockServer::start().await;
    let good = minute("o", 3);
    let odd = format!(r#"{{"fullUrl":7,"search":{{"mode":1}},"resource":{good}}}"#);
    Mock::given(any()).respond_with(page_with(&odd)).mount(&server).await;
    let (poller, engine) = poller(&server);
    assert_eq!(poller.poll_once(now()).await.unwrap().unusable, 0);
    assert_eq!(engine.ids(), ["a", "o", "b"]);
}

#[test]
fn the_engine_keeps_an_unreadable_entry_and_shows_it() {
    let store = SqliteStore::in_memory().unwrap();
    let settings = settings(&Config::default()).unwrap();
    let entry = UnreadableEntry {
        source: String::from("Observation/../../x<b>?0123456789abcdef"),
        body: String::from(r#"{"resourceType":"Observation","id":"../../x<b>","valueQuantity":{"value":30.10}}"#),
        detail: String::from("the resource has no id, or one that FHIR does not allow"),
    };
    for round in 0..2 {
        let mut work = Work::new(&store, &settings, now().plus_minutes(round));
        let batch = Batch {
            unreadable: vec![entry.clone()],
            ..Batch::default()
        };
        assert!(work.batch(batch).unwrap().is_empty(), "answers do not count it");
        store.commit(&work.commit).unwrap();
        let rows = store.set_aside(None, 10).unwrap();
        assert_eq!(rows.len(), 1);
        assert_eq!(
            (rows[0].source.as_str(), rows[0].reason),
            (entry.source.as_str(), Reason::Unreadable)
        );
        assert_eq!(rows[0].since, now(), "since it was first seen");
        let kept = store.inputs_after(None, 10).unwrap();
        assert_eq!((kept.len(), kept[0].body.as_str()), (1, entry.body.as_str()));
    }
}

#[tokio::test]
async fn a_correction_is_seen_by_its_version_or_by_its_last_updated() {
    let versions = [
        observation("a", "1", &moment(1)),
        observation("a", "1", &moment(2)),
        observation("a", "2", &moment(2)),
    ];
    let server = MockServer::start().await;
    let calls = AtomicUsize::new(0);
    Mock::given(any())
        .respond_with(move |_: &Request| {
            let version = versions[calls.fetch_add(1, Ordering::SeqCst).min(2)].clone();
            fhir(&page(&[version], None, None))
        })
        .mount(&server)
        .await;
    let (poller, engine) = poller(&server);
    for _ in 0..4 {
        poller.poll_once(now()).await.unwrap();
    }
    assert_eq!(engine.ids(), ["a", "a", "a"], "and the same one again is known");
}

fn flags(engine: &Engine) -> Vec<(usize, bool)> {
    let batches = engine.batches.lock().unwrap();
    batches.iter().map(|batch| (batch.items.len(), batch.history)).collect()
}

#[tokio::test]
async fn a_long_history_is_marked_and_ends_with_a_batch_that_may_be_told() {
    let server = MockServer::start().await;
    chain(
        &server,
        page(&[minute("a", 1)], None, Some(&next(&server, 2))),
        vec![
            fhir(&page(&[minute("b", 49)], None, Some(&next(&server, 3)))),
            // Ten minutes before the poll at 22:00: no history any more.
            fhir(&page(&[minute("c", 49), minute("d", 50)], None, None)),
        ],
    )
    .await;
    let (poller, engine) = poller(&server);
    poller.poll_once(now()).await.unwrap();
    assert_eq!(flags(&engine), [(1, true), (1, true), (2, false), (0, false)]);
    poller.poll_once(now()).await.unwrap();
    assert_eq!(
        flags(&engine).len(),
        4,
        "the overlap is known: nothing to mark, nothing to end"
    );
}

#[tokio::test]
async fn one_page_is_no_history_and_a_chain_that_breaks_is_told_too() {
    let server = MockServer::start().await;
    chain(&server, page(&[minute("a", 1)], None, None), vec![]).await;
    let (one, engine) = poller(&server);
    one.poll_once(now()).await.unwrap();
    assert_eq!(flags(&engine), [(1, false)]);
    let server = MockServer::start().await;
    let first = page(&[minute("a", 1)], None, Some(&next(&server, 2)));
    chain(&server, first, vec![ResponseTemplate::new(500)]).await;
    let (broken, engine) = poller(&server);
    broken.poll_once(now()).await.unwrap_err();
    assert_eq!(flags(&engine), [(1, true), (0, false)]);
}
