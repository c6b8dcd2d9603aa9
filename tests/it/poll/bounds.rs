//! Every mistake of a server that must neither lose a reading nor hold the poller for ever.

use super::*;

#[tokio::test]
async fn a_dropped_search_is_begun_anew_from_the_cursor() {
    for gone in [410, 404] {
        let server = MockServer::start().await;
        let calls = AtomicUsize::new(0);
        let link = next(&server, 2);
        Mock::given(any())
            .respond_with(move |request: &Request| {
                let call = calls.fetch_add(1, Ordering::SeqCst);
                match (parameters(request).contains_key("page"), call) {
                    (false, _) => fhir(&page(&[minute("a", 1)], None, Some(&link))),
                    (true, 1) => ResponseTemplate::new(gone),
                    (true, _) => fhir(&page(&[minute("b", 2)], None, None)),
                }
            })
            .mount(&server)
            .await;
        let (poller, engine) = poller(&server);
        let report = poller.poll_once(now()).await.unwrap();
        assert_eq!((report.restarts, report.duplicates), (1, 1));
        assert_eq!(
            (engine.ids(), engine.stands(CURSOR)),
            (vec!["a".into(), "b".into()], Some(at(&moment(2))))
        );
    }
}

#[tokio::test]
async fn a_search_that_is_dropped_again_and_again_is_left() {
    let server = MockServer::start().await;
    let first = page(&[minute("a", 1)], None, Some(&next(&server, 2)));
    chain(&server, first, vec![ResponseTemplate::new(410)]).await;
    let (poller, engine) = poller(&server);
    let error = poller.poll_once(now()).await.unwrap_err();
    assert!(matches!(error, PollError::Expired(_)), "{error}");
    assert_eq!((requests(&server).await.len(), engine.stands(CURSOR)), (8, None));
}

#[tokio::test]
async fn a_server_that_says_when_to_come_back_is_waited_for_in_the_chain() {
    for status in [429, 503] {
        let server = MockServer::start().await;
        let calls = AtomicUsize::new(0);
        let link = next(&server, 2);
        Mock::given(any())
            .respond_with(move |request: &Request| {
                let call = calls.fetch_add(1, Ordering::SeqCst);
                match (parameters(request).contains_key("page"), call) {
                    (false, _) => fhir(&page(&[minute("b", 2), minute("a", 1)], None, Some(&link))),
                    (true, 1) => ResponseTemplate::new(status).insert_header("retry-after", "1"),
                    (true, _) => fhir(&page(&[minute("c", 3)], None, None)),
                }
            })
            .mount(&server)
            .await;
        let (poller, engine) = poller(&server);
        let begin = Clock::now();
        let report = poller.poll_once(now()).await.unwrap();
        assert!(begin.elapsed() >= Duration::from_secs(1));
        assert_eq!(
            (report.restarts, requests(&server).await.len(), engine.ids().len()),
            (0, 3, 3)
        );
    }
}

#[tokio::test]
async fn a_long_wish_to_wait_ends_the_poll_and_is_handed_on_in_both_forms() {
    for wish in ["600", "Thu, 05 Mar 2026 22:10:00 GMT"] {
        let server = MockServer::start().await;
        let busy = ResponseTemplate::new(503).insert_header("retry-after", wish);
        Mock::given(any()).respond_with(busy).mount(&server).await;
        let error = poller(&server).0.poll_once(now()).await.unwrap_err();
        assert_eq!(error.retry_after_millis(now()), Some(600_000), "{wish}");
    }
}

#[tokio::test]
async fn between_polls_retry_after_is_waited_for() {
    let server = MockServer::start().await;
    let busy = ResponseTemplate::new(503).insert_header("retry-after", "300");
    Mock::given(any()).respond_with(busy).mount(&server).await;
    let (poller, _engine) = poller(&server);
    let shutdown = CancellationToken::new();
    let (token, own) = (shutdown.clone(), Arc::clone(&poller));
    let task = tokio::spawn(async move { own.run(token, now).await });
    // The interval is one second: without the wish there would be a second poll by now.
    tokio::time::sleep(Duration::from_millis(2_500)).await;
    assert_eq!(requests(&server).await.len(), 1);
    shutdown.cancel();
    tokio::time::timeout(Duration::from_secs(1), task)
        .await
        .unwrap()
        .unwrap();
}

#[tokio::test]
async fn a_page_over_the_limit_is_asked_for_in_smaller_parts() {
    let server = MockServer::start().await;
    let filler = "x".repeat(1_000);
    Mock::given(any())
        .respond_with(move |request: &Request| {
            let count: usize = parameters(request)["_count"].parse().unwrap();
            let mut resource = minute("a", 1);
            resource["note"] = json!([{"text": filler}]);
            fhir(&page(&vec![resource; count], None, None))
        })
        .mount(&server)
        .await;
    let mut config = source(&server);
    config.server.max_response_bytes = 20_000;
    let (poller, engine) = poller_of(config);
    let report = poller.poll_once(now()).await.unwrap();
    let counts: Vec<String> = requests(&server)
        .await
        .iter()
        .map(|request| parameters(request)["_count"].clone())
        .collect();
    assert_eq!(counts, ["200", "50", "12"]);
    assert_eq!(
        (report.smaller_pages, engine.ids().len(), report.duplicates),
        (2, 1, 11)
    );
}

#[tokio::test]
async fn one_resource_over_the_limit_is_an_error_that_names_the_limit() {
    let server = MockServer::start().await;
    let mut resource = minute("a", 1);
    resource["note"] = json!([{"text": "x".repeat(5_000)}]);
    chain(&server, page(&[resource], None, None), vec![]).await;
    let mut config = source(&server);
    config.server.max_response_bytes = 4_321;
    let (poller, engine) = poller_of(config);
    let error = poller.poll_once(now()).await.unwrap_err();
    assert!(matches!(error, PollError::Client(ClientError::TooLarge { .. })) && error.to_string().contains("4321"));
    let last = requests(&server)
        .await
        .last()
        .map(|request| parameters(request)["_count"].clone());
    assert_eq!((last.as_deref(), engine.stands(CURSOR)), (Some("1"), None));
}

#[tokio::test]
async fn resources_without_last_updated_are_handed_over_and_move_nothing() {
    let server = MockServer::start().await;
    let mut bare = minute("bare", 1);
    bare["meta"] = json!({"versionId": "3"});
    let mut naked = minute("naked", 1);
    naked.as_object_mut().unwrap().remove("meta");
    let mut odd = minute("odd", 1);
    odd["meta"]["lastUpdated"] = json!("yesterday");
    chain(&server, page(&[bare, naked, odd], None, None), vec![]).await;
    let (poller, engine) = poller(&server);
    let report = poller.poll_once(now()).await.unwrap();
    assert_eq!(
        (engine.ids().len(), report.without_last_updated, engine.stands(CURSOR)),
        (3, 3, None)
    );
    // Without any version only the engine can tell whether it is new.
    poller.poll_once(now()).await.unwrap();
    assert_eq!(engine.ids()[3..], ["naked"]);
}

#[tokio::test]
async fn a_server_that_sends_more_than_asked_is_read_in_bounded_batches() {
    let server = MockServer::start().await;
    let resources: Vec<Value> = (0..1_201).map(|n| minute(&format!("o{n}"), n / 30)).collect();
    chain(&server, page(&resources, None, None), vec![]).await;
    let mut config = source(&server);
    config.page_count = 10;
    let (poller, engine) = poller_of(config);
    poller.poll_once(now()).await.unwrap();
    let batches = engine.batches.lock().unwrap().clone();
    let sizes: Vec<usize> = batches.iter().map(|batch| batch.items.len()).collect();
    assert_eq!(sizes, [250, 250, 250, 250, 201]);
    let moves: Vec<usize> = batches.iter().map(|batch| batch.cursors.len()).collect();
    assert_eq!(moves, [0, 0, 0, 0, 1], "the cursor goes with the last part");
}

/// However large a page is, no more than two parts of it wait for a commit: others are not held up by it.
#[tokio::test]
async fn parts_of_a_large_page_wait_two_at_a_time() {
    let server = MockServer::start().await;
    let resources: Vec<Value> = (0..1_201).map(|n| minute(&format!("o{n}"), n / 30)).collect();
    chain(&server, page(&resources, None, None), vec![]).await;
    let (engine, _) = Engine::start();
    let (intake, mut receiver) = deltaward::source::Intake::new(16);
    let poller = poller_with(source(&server), &engine, intake, codes());
    let task = tokio::spawn(async move { poller.poll_once(now()).await });
    let (mut waited, mut moves) = (Vec::new(), 0);
    while moves == 0 {
        let mut waiting = vec![receiver.recv().await.unwrap()];
        while let Ok(Some(more)) = tokio::time::timeout(Duration::from_millis(200), receiver.recv()).await {
            waiting.push(more);
        }
        waited.push(waiting.len());
        for one in waiting {
            moves += one.batch.cursors.len();
            let version = deltaward::recognise::Version {
                number: Some(1),
                id: "1".into(),
                last_updated: None,
                digest: "".into(),
            };
            let answers = vec![deltaward::source::Answer::Created(version); one.batch.items.len()];
            one.reply.send(Ok(answers)).unwrap();
        }
    }
    assert_eq!(waited, [2, 2, 1]);
    assert_eq!(task.await.unwrap().unwrap().entries, 1_201);
}

#[tokio::test]
async fn a_server_that_sends_fewer_than_asked_is_followed_to_its_last_page() {
    let server = MockServer::start().await;
    chain(
        &server,
        page(&[minute("a", 1)], None, Some(&next(&server, 2))),
        vec![
            // An empty page is no end while it has a next link.
            fhir(&page(&[], None, Some(&next(&server, 3)))),
            fhir(&page(&[minute("b", 2)], None, None)),
        ],
    )
    .await;
    let (poller, engine) = poller(&server);
    poller.poll_once(now()).await.unwrap();
    assert_eq!((engine.ids().len(), engine.stands(CURSOR)), (2, Some(at(&moment(2)))));
}

#[tokio::test]
async fn a_next_link_back_into_the_chain_is_left() {
    let server = MockServer::start().await;
    chain(
        &server,
        page(&[minute("a", 1)], None, Some(&next(&server, 2))),
        vec![
            fhir(&page(&[minute("b", 2)], None, Some(&next(&server, 3)))),
            fhir(&page(&[minute("c", 3)], None, Some(&next(&server, 2)))),
        ],
    )
    .await;
    let (poller, engine) = poller(&server);
    let error = poller.poll_once(now()).await.unwrap_err();
    assert!(matches!(error, PollError::LinkLoop), "{error}");
    assert_eq!(
        (engine.ids().len(), engine.stands(CURSOR), requests(&server).await.len()),
        (3, None, 3)
    );
}

#[tokio::test]
async fn the_same_page_under_ever_new_links_is_left() {
    let server = MockServer::start().await;
    let number = AtomicUsize::new(2);
    let base = base(&server);
    Mock::given(any())
        .respond_with(move |_: &Request| {
            let link = format!("{base}/Observation?page={}", number.fetch_add(1, Ordering::SeqCst));
            fhir(&page(&[minute("a", 1)], None, Some(&link)))
        })
        .mount(&server)
        .await;
    let (poller, engine) = poller(&server);
    let error = poller.poll_once(now()).await.unwrap_err();
    assert!(matches!(error, PollError::RepeatedPage), "{error}");
    assert_eq!((requests(&server).await.len(), engine.stands(CURSOR)), (2, None));
}

#[tokio::test]
async fn only_a_searchset_is_an_answer() {
    for body in [
        json!({"resourceType": "Bundle", "type": "history"}),
        json!({"resourceType": "Bundle"}),
        json!({"resourceType": "OperationOutcome", "issue": []}),
    ] {
        let server = MockServer::start().await;
        chain(&server, body, vec![]).await;
        let error = poller(&server).0.poll_once(now()).await.unwrap_err();
        assert!(matches!(error, PollError::Page(_)), "{error}");
    }
}

#[tokio::test]
async fn a_next_link_to_another_server_is_refused_and_the_token_stays_here() {
    let server = MockServer::start().await;
    let stranger = MockServer::start().await;
    Mock::given(any())
        .respond_with(fhir(&page(&[], None, None)))
        .mount(&stranger)
        .await;
    let away = format!("{}/fhir/Observation?page=2", stranger.uri());
    chain(
        &server,
        page(&[minute("a", 1)], Some(&sorted(&server)), Some(&away)),
        vec![],
    )
    .await;
    let mut config = source(&server);
    config.server.bearer_token = Some("invented-token".into());
    let (poller, engine) = poller_of(config);
    let error = poller.poll_once(now()).await.unwrap_err();
    assert!(
        matches!(error, PollError::Client(ClientError::Origin { .. })),
        "{error}"
    );
    assert!(requests(&stranger).await.is_empty());
    assert_eq!((engine.ids().len(), engine.stands(CURSOR)), (1, None));
}

#[tokio::test]
async fn a_chain_over_max_pages_is_cut_and_the_next_poll_goes_on() {
    let server = MockServer::start().await;
    let base = base(&server);
    // One Observation a minute; each page holds one, from the asked start or page.
    Mock::given(any())
        .respond_with(move |request: &Request| {
            let asked = parameters(request);
            let first = asked.get("page").map_or_else(
                || asked["_lastUpdated"].split(':').nth(1).unwrap().parse().unwrap(),
                |page| page.parse::<u32>().unwrap(),
            );
            let next = (first < 40).then(|| format!("{base}/Observation?page={}", first + 1));
            let own = format!("{base}/Observation?_sort=_lastUpdated");
            fhir(&page(
                &[minute(&format!("o{first}"), first)],
                Some(&own),
                next.as_deref(),
            ))
        })
        .mount(&server)
        .await;
    let mut config = source(&server);
    config.start = Some(at(&moment(10)));
    config.max_pages = 5;
    let (poller, engine) = poller_of(config);
    let report = poller.poll_once(now()).await.unwrap();
    assert!(report.hit_page_limit && report.advanced);
    assert_eq!(engine.stands(CURSOR), Some(at(&moment(14))));
    poller.poll_once(now()).await.unwrap();
    assert_eq!(
        engine.stands(CURSOR),
        Some(at(&moment(16))),
        "5 pages from 12, two of them overlap"
    );
}

#[tokio::test]
async fn an_order_that_nobody_states_counts_at_the_cut_only_after_enough_steps() {
    for (resources, expected) in [(3_u32, None), (30, Some(at(&moment(29))))] {
        let server = MockServer::start().await;
        let ascending: Vec<Value> = (0..resources).map(|n| minute(&format!("o{n}"), n)).collect();
        chain(&server, page(&ascending, None, Some(&next(&server, 2))), vec![]).await;
        let mut config = source(&server);
        config.max_pages = 1;
        let (poller, engine) = poller_of(config);
        assert_eq!(
            poller.poll_once(now()).await.is_ok(),
            expected.is_some(),
            "{resources} resources"
        );
        assert_eq!(engine.stands(CURSOR), expected, "{resources} resources");
    }
}

#[tokio::test]
async fn a_chain_over_max_pages_in_no_order_is_an_error_that_says_what_to_raise() {
    let server = MockServer::start().await;
    let first = page(&[minute("b", 2), minute("a", 1)], None, Some(&next(&server, 2)));
    chain(&server, first, vec![]).await;
    let mut config = source(&server);
    config.max_pages = 1;
    let (poller, engine) = poller_of(config);
    let error = poller.poll_once(now()).await.unwrap_err();
    assert!(error.to_string().contains("`max_pages` = 1"), "{error}");
    assert_eq!((engine.ids().len(), engine.stands(CURSOR)), (2, None));
}

#[tokio::test]
async fn status_tells_failures_in_a_row_and_recovery() {
    let server = MockServer::start().await;
    let calls = AtomicUsize::new(0);
    Mock::given(any())
        .respond_with(move |_: &Request| match calls.fetch_add(1, Ordering::SeqCst) {
            0 => ResponseTemplate::new(500),
            _ => fhir(&page(&[minute("a", 1)], None, None)),
        })
        .mount(&server)
        .await;
    let (engine, intake) = Engine::start();
    let config = source(&server);
    let client = Arc::new(FhirClient::new(&config.server).unwrap());
    let status = Arc::new(SourceStatus::default());
    let poller = Poller::new(
        client,
        intake,
        Arc::new(engine.clone()),
        config,
        codes(),
        Arc::clone(&status),
    );
    let shutdown = CancellationToken::new();
    let token = shutdown.clone();
    let task = tokio::spawn(async move { poller.run(token, now).await });
    let mut seen_failure = false;
    let begin = Clock::now();
    while status.snapshot().last_success.is_none() {
        let snapshot = status.snapshot();
        seen_failure |= snapshot.consecutive_failures == 1 && snapshot.last_trouble.contains("500");
        assert!(begin.elapsed() < Duration::from_secs(10));
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    let snapshot = status.snapshot();
    assert!(seen_failure && snapshot.consecutive_failures == 0 && snapshot.last_trouble.is_empty());
    assert_eq!(snapshot.entries, 1);
    shutdown.cancel();
    task.await.unwrap();
}

#[tokio::test]
async fn a_report_is_empty_when_there_is_nothing() {
    let server = MockServer::start().await;
    chain(&server, page(&[], None, None), vec![]).await;
    let (poller, engine) = poller(&server);
    let report = poller.poll_once(now()).await.unwrap();
    let expected = PollReport {
        searches: 1,
        pages: 1,
        ..PollReport::default()
    };
    assert_eq!(report, expected);
    assert!(
        engine.batches.lock().unwrap().is_empty(),
        "nothing to commit, no commit"
    );
}
