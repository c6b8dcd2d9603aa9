//! What is asked, what is handed over, where the cursor stands afterwards.

use super::*;

#[tokio::test]
async fn the_search_names_codes_start_order_and_page_size() {
    let server = MockServer::start().await;
    chain(&server, page(&[], None, None), vec![]).await;
    let (poller, engine) = poller(&server);
    engine.put(CURSOR, at("2026-03-05T21:30:00Z"));
    poller.poll_once(now()).await.unwrap();
    let request = &requests(&server).await[0];
    let expected = BTreeMap::from([
        ("code", "http://loinc.org|85354-9,http://loinc.org|8462-4"),
        ("_lastUpdated", "ge2026-03-05T21:28:00.000Z"),
        ("_sort", "_lastUpdated"),
        ("_count", "200"),
    ]);
    let asked = parameters(request);
    let asked: BTreeMap<&str, &str> = asked
        .iter()
        .map(|(name, value)| (name.as_str(), value.as_str()))
        .collect();
    assert_eq!(asked, expected);
    assert_eq!(request.headers["cache-control"], "no-cache");
}

#[tokio::test]
async fn a_plus_in_a_code_is_encoded() {
    let server = MockServer::start().await;
    chain(&server, page(&[], None, None), vec![]).await;
    let (engine, intake) = Engine::start();
    let codes = Codes {
        readings: vec![(String::from("http://x.example/a+b"), String::from("c+d"))],
        diastolics: Vec::new(),
    };
    poller_with(source(&server), &engine, intake, codes)
        .poll_once(now())
        .await
        .unwrap();
    let query = requests(&server).await[0].url.query().unwrap().to_owned();
    assert!(query.contains("a%2Bb%7Cc%2Bd") && !query.contains('+'), "{query}");
}

#[tokio::test]
async fn many_codes_are_several_searches_each_with_its_own_cursor() {
    let server = MockServer::start().await;
    chain(&server, page(&[minute("a", 1)], None, None), vec![]).await;
    let (engine, intake) = Engine::start();
    let readings: Vec<_> = (0..400).map(|n| (String::from(LOINC), format!("{n}-0"))).collect();
    let codes = Codes {
        readings,
        diastolics: Vec::new(),
    };
    let report = poller_with(source(&server), &engine, intake, codes)
        .poll_once(now())
        .await
        .unwrap();
    let requests = requests(&server).await;
    assert!(requests.len() > 1 && report.searches == requests.len());
    assert!(requests.iter().all(|request| request.url.as_str().len() <= 6_000));
    let asked: usize = requests
        .iter()
        .map(|request| parameters(request)["code"].split(',').count())
        .sum();
    assert_eq!(asked, 400);
    assert_eq!(engine.cursors.lock().unwrap().len(), requests.len());
}

#[tokio::test]
async fn without_a_cursor_the_first_poll_begins_at_start_or_first_hours_before_now() {
    let server = MockServer::start().await;
    chain(&server, page(&[], None, None), vec![]).await;
    poller(&server).0.poll_once(now()).await.unwrap();
    let mut config = source(&server);
    config.start = None;
    poller_of(config).0.poll_once(now()).await.unwrap();
    let requests = requests(&server).await;
    assert_eq!(parameters(&requests[0])["_lastUpdated"], "ge2026-03-05T10:00:00.000Z");
    assert_eq!(parameters(&requests[1])["_lastUpdated"], "ge2026-03-04T22:00:00.000Z");
}

#[tokio::test]
async fn next_links_are_followed_as_written_and_the_cursor_is_the_newest_seen() {
    let server = MockServer::start().await;
    let odd = format!("{}?_getpages=7f%2B1&_bundletype=searchset&page=2", base(&server));
    chain(
        &server,
        page(&[minute("a", 1), minute("b", 2)], None, Some(&odd)),
        vec![fhir(&page(&[minute("c", 3)], None, None))],
    )
    .await;
    let (poller, engine) = poller(&server);
    let report = poller.poll_once(now()).await.unwrap();
    assert_eq!(engine.ids(), ["a", "b", "c"]);
    // wiremock gives the host as localhost, so only path and query can be compared.
    let asked = requests(&server).await[1].url.clone();
    let as_written = "/fhir?_getpages=7f%2B1&_bundletype=searchset&page=2";
    assert_eq!(&asked[url::Position::BeforePath..], as_written);
    assert_eq!(engine.stands(CURSOR), Some(at(&moment(3))));
    assert_eq!(
        (report.pages, report.entries, report.newest),
        (2, 3, Some(at(&moment(3))))
    );
    let item = engine.batches.lock().unwrap()[0].items[0].clone();
    assert_eq!(item.versioning, Versioning::Theirs);
    assert_eq!(
        item.operation,
        Operation::Put(minute("a", 1).to_string()),
        "the text as it was sent"
    );
}

#[tokio::test]
async fn included_resources_and_outcomes_are_skipped_and_counted() {
    let server = MockServer::start().await;
    let mut body = page(&[minute("a", 1), minute("b", 2), minute("c", 3)], None, None);
    body["entry"][1]["search"]["mode"] = json!("include");
    body["entry"][2]["search"]["mode"] = json!("outcome");
    body["entry"]
        .as_array_mut()
        .unwrap()
        .push(json!({"resource": {"resourceType": "Patient", "id": "p"}}));
    chain(&server, body, vec![]).await;
    let (poller, engine) = poller(&server);
    let report = poller.poll_once(now()).await.unwrap();
    assert_eq!((engine.ids(), report.skipped), (vec![String::from("a")], 3));
}

#[tokio::test]
async fn the_overlap_does_not_resend_but_a_new_version_goes() {
    let server = MockServer::start().await;
    let pages = [
        page(&[minute("a", 1), minute("b", 2)], None, None),
        page(
            &[minute("a", 1), minute("b", 2), observation("b", "2", &moment(3))],
            None,
            None,
        ),
    ];
    let calls = AtomicUsize::new(0);
    Mock::given(any())
        .respond_with(move |_: &Request| fhir(&pages[calls.fetch_add(1, Ordering::SeqCst).min(1)]))
        .mount(&server)
        .await;
    let (poller, engine) = poller(&server);
    poller.poll_once(now()).await.unwrap();
    let second = poller.poll_once(now()).await.unwrap();
    assert_eq!(engine.ids(), ["a", "b", "b"]);
    assert_eq!((second.duplicates, second.entries), (2, 1));
    assert_eq!(engine.stands(CURSOR), Some(at(&moment(3))));
}

#[tokio::test]
async fn what_was_not_committed_is_sent_again_and_the_cursor_stays() {
    let server = MockServer::start().await;
    chain(&server, page(&[minute("a", 1)], None, None), vec![]).await;
    let (poller, engine) = poller(&server);
    *engine.commits_left.lock().unwrap() = Some(0);
    let error = poller.poll_once(now()).await.unwrap_err();
    assert!(matches!(error, PollError::Intake(_)), "{error}");
    assert_eq!(engine.stands(CURSOR), None);
    *engine.commits_left.lock().unwrap() = None;
    poller.poll_once(now()).await.unwrap();
    assert_eq!(
        (engine.ids(), engine.stands(CURSOR)),
        (vec![String::from("a")], Some(at(&moment(1))))
    );
}

#[tokio::test]
async fn the_cursor_never_comes_from_our_own_clock() {
    let server = MockServer::start().await;
    // The server's clock is two hours behind ours.
    chain(
        &server,
        page(&[observation("a", "1", "2026-03-05T20:00:00.5Z")], None, None),
        vec![],
    )
    .await;
    let (poller, engine) = poller(&server);
    poller.poll_once(now()).await.unwrap();
    assert_eq!(engine.stands(CURSOR), Some(at("2026-03-05T20:00:00.5Z")));
    // An answer with nothing new leaves it there.
    poller.poll_once(at("2026-03-05T23:00:00Z")).await.unwrap();
    assert_eq!(engine.stands(CURSOR), Some(at("2026-03-05T20:00:00.5Z")));
}

#[tokio::test]
async fn a_stamp_far_ahead_does_not_hide_what_comes_after_it() {
    let server = MockServer::start().await;
    let resources = [minute("a", 1), observation("wrong", "1", "2099-01-01T00:00:00Z")];
    chain(&server, page(&resources, None, None), vec![]).await;
    let (poller, engine) = poller(&server);
    let report = poller.poll_once(now()).await.unwrap();
    assert_eq!((engine.ids().len(), report.ahead), (2, 1));
    assert_eq!(engine.stands(CURSOR), Some(at(&moment(1))));
}

#[tokio::test]
async fn a_total_failure_never_moves_the_cursor() {
    for template in [
        ResponseTemplate::new(500),
        ResponseTemplate::new(401),
        ResponseTemplate::new(200).set_body_raw("<html>", "text/html"),
        ResponseTemplate::new(200).set_body_raw("{\"resourceType\":\"Bundle\",\"type\":\"sear", FHIR_JSON),
    ] {
        let server = MockServer::start().await;
        Mock::given(any()).respond_with(template).mount(&server).await;
        let (poller, engine) = poller(&server);
        engine.put(CURSOR, at(&moment(1)));
        assert!(poller.poll_once(now()).await.is_err());
        assert_eq!((engine.stands(CURSOR), engine.ids().len()), (Some(at(&moment(1))), 0));
    }
}

#[tokio::test]
async fn a_chain_that_the_server_says_is_sorted_keeps_what_is_certain_when_it_breaks() {
    let server = MockServer::start().await;
    chain(
        &server,
        page(
            &[minute("a", 1), minute("b", 2)],
            Some(&sorted(&server)),
            Some(&next(&server, 2)),
        ),
        vec![
            fhir(&page(&[minute("c", 3)], None, Some(&next(&server, 3)))),
            ResponseTemplate::new(500),
        ],
    )
    .await;
    let (poller, engine) = poller(&server);
    poller.poll_once(now()).await.unwrap_err();
    assert_eq!(engine.ids(), ["a", "b", "c"]);
    // Page 2 showed that the order goes on from page 1; nothing has shown it for page 2 yet.
    assert_eq!(engine.stands(CURSOR), Some(at(&moment(2))));
}

#[tokio::test]
async fn without_a_word_on_the_order_the_cursor_moves_at_the_end_only() {
    let server = MockServer::start().await;
    chain(
        &server,
        page(&[minute("a", 1), minute("b", 2)], None, Some(&next(&server, 2))),
        vec![
            fhir(&page(&[minute("c", 3)], None, Some(&next(&server, 3)))),
            ResponseTemplate::new(500),
        ],
    )
    .await;
    let (poller, engine) = poller(&server);
    poller.poll_once(now()).await.unwrap_err();
    assert_eq!((engine.ids().len(), engine.stands(CURSOR)), (3, None));
}

#[tokio::test]
async fn a_server_that_ignores_sort_is_noticed_and_still_read_in_full() {
    let server = MockServer::start().await;
    chain(
        &server,
        page(
            &[minute("c", 3), minute("a", 1)],
            Some(&sorted(&server)),
            Some(&next(&server, 2)),
        ),
        vec![fhir(&page(&[minute("b", 2)], None, None))],
    )
    .await;
    let (poller, engine) = poller(&server);
    let report = poller.poll_once(now()).await.unwrap();
    assert!(report.order_ignored);
    assert_eq!((engine.ids().len(), engine.stands(CURSOR)), (3, Some(at(&moment(3)))));
    let first = engine.batches.lock().unwrap()[0].clone();
    assert!(
        first.cursors.is_empty(),
        "page 1 was out of order, so its commit must not move the cursor"
    );
}

#[tokio::test]
async fn a_move_is_taken_back_when_a_later_page_is_out_of_order() {
    let server = MockServer::start().await;
    chain(
        &server,
        page(&[minute("c", 30)], Some(&sorted(&server)), Some(&next(&server, 2))),
        vec![
            fhir(&page(&[minute("d", 31)], None, Some(&next(&server, 3)))),
            fhir(&page(&[minute("a", 10)], None, Some(&next(&server, 4)))),
            ResponseTemplate::new(500),
        ],
    )
    .await;
    let (poller, engine) = poller(&server);
    engine.put(CURSOR, at(&moment(5)));
    poller.poll_once(now()).await.unwrap_err();
    let batches = engine.batches.lock().unwrap().clone();
    assert_eq!(batches[1].cursors[0].position, at(&moment(30)));
    assert_eq!(
        engine.stands(CURSOR),
        Some(at(&moment(5))),
        "what lies between 10 and 30 is not certain"
    );
}

/// A server that works out each page anew, by its place in the result, while a resource of a page
/// that was read is updated: those behind it move up by one.
struct ByPlace {
    /// Minute of each of `p1` to `p8`.
    minutes: std::sync::Mutex<BTreeMap<String, u32>>,
    base: String,
}

impl wiremock::Respond for ByPlace {
    fn respond(&self, request: &Request) -> ResponseTemplate {
        let asked: BTreeMap<String, String> = parameters(request).into_iter().collect();
        let from = at(asked["_lastUpdated"].trim_start_matches("ge"));
        let place = asked.get("_skip").map_or(0, |skip| skip.parse().unwrap());
        let mut minutes = self.minutes.lock().unwrap();
        let mut found: Vec<(u32, String)> = minutes.iter().map(|(id, minute)| (*minute, id.clone())).collect();
        found.retain(|(minute, _)| at(&moment(*minute)) >= from);
        found.sort();
        let entries: Vec<Value> = found
            .iter()
            .skip(place)
            .take(4)
            .map(|(at, id)| minute(id, *at))
            .collect();
        let query: Vec<&str> = request
            .url
            .query()
            .unwrap()
            .split('&')
            .filter(|part| !part.starts_with("_skip"))
            .collect();
        let own = format!("{}/Observation?{}", self.base, query.join("&"));
        let next = (place + 4 < found.len()).then(|| format!("{own}&_skip={}", place + 4));
        // After the first page one of it is updated.
        minutes.insert(String::from("p1"), 40);
        fhir(&page(&entries, Some(&own), next.as_deref()))
    }
}

#[tokio::test]
async fn what_moves_over_the_edge_of_a_page_is_not_missed() {
    let server = MockServer::start().await;
    let minutes = (1..=8).map(|number| (format!("p{number}"), number)).collect();
    let by_place = ByPlace {
        minutes: std::sync::Mutex::new(minutes),
        base: base(&server),
    };
    Mock::given(path("/fhir/Observation"))
        .respond_with(by_place)
        .mount(&server)
        .await;
    let (poller, engine) = poller(&server);
    for _ in 0..3 {
        poller.poll_once(now()).await.unwrap();
    }
    let ids: std::collections::BTreeSet<String> = engine.ids().into_iter().collect();
    let all: std::collections::BTreeSet<String> = (1..=8).map(|number| format!("p{number}")).collect();
    assert_eq!(ids, all);
}
