//! A person sends a stopped entry again; a page of another site cannot.

use super::*;

/// Three stopped entries of three patients.
fn with_stopped(page: &PageState) {
    let entry = |number: u128| OutboxEntry {
        seq: 0,
        group: 0,
        identity: uuid::Uuid::from_u128(number),
        resource_type: "Communication".into(),
        patient: PatientKey(format!("Patient/{number}")),
        body: serde_json::json!({}),
        state: OutboxState::Waiting,
        attempts: 0,
        next_attempt: at(-3),
        last_answer: String::new(),
    };
    let commit = Commit {
        outbox: (1..=3).map(|number| vec![entry(number)]).collect(),
        ..Commit::default()
    };
    page.store.commit(&commit).unwrap();
    let stopped = (1..=3).map(|seq| Settlement {
        seq,
        state: OutboxState::Stopped,
        next_attempt: at(0),
        answer: "422".into(),
        own_failure: false,
        remote_reference: None,
    });
    page.store.outbox_settle(&stopped.collect::<Vec<_>>(), at(0)).unwrap();
}

/// A page over a store with the three stopped entries.
pub fn ward_with_stopped() -> PageState {
    let page = state(Vec::new(), PageMode::Live, at(0));
    with_stopped(&page);
    page
}

pub fn due(page: &PageState) -> Vec<i64> {
    let due = page.store.outbox_due(at(0), 10).unwrap();
    due.iter().map(|entry| entry.seq).collect()
}

#[tokio::test]
async fn a_stopped_entry_is_sent_again_by_a_button_of_the_page() {
    let page = state(Vec::new(), PageMode::Live, at(0));
    with_stopped(&page);
    let post = async |path: &str| {
        let request = Request::post(path).body(Body::empty()).unwrap();
        router(page.clone()).oneshot(request).await.unwrap()
    };
    let answer = post("/stopped/2/resend").await;
    assert_eq!(answer.status(), StatusCode::SEE_OTHER);
    assert_eq!(answer.headers()[header::LOCATION], "/stopped");
    assert_eq!(due(&page), [2], "in line at once: the worker looks each second");
    // Not stopped (any more), unknown, no number: nothing is changed.
    for (path, status) in [
        ("/stopped/2/resend", StatusCode::CONFLICT),
        ("/stopped/99/resend", StatusCode::CONFLICT),
        ("/stopped/x/resend", StatusCode::BAD_REQUEST),
    ] {
        assert_eq!(post(path).await.status(), status, "{path}");
    }
    assert_eq!(get(&page, "/stopped/1/resend").await.0, StatusCode::METHOD_NOT_ALLOWED);
    assert_eq!(due(&page), [2]);
    position(&ok(&page, "/stopped").await, "action=\"/stopped/resend\"");
    assert_eq!(post("/stopped/resend").await.status(), StatusCode::SEE_OTHER);
    assert_eq!(due(&page), [1, 2, 3]);
    assert_eq!(post("/stopped/resend").await.status(), StatusCode::CONFLICT);
}

#[tokio::test]
async fn a_page_of_another_site_cannot_send_a_stopped_entry_again() {
    let page = state(Vec::new(), PageMode::Live, at(0));
    with_stopped(&page);
    let api = crate::fhir_api::support::Api::new();
    let port = deltaward::server::router(api.app.clone(), router(page.clone()));
    let post = async |headers: &[(&str, &str)]| {
        let mut request = Request::post("/stopped/1/resend").header("host", "localhost:8090");
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        port.clone()
            .oneshot(request.body(Body::empty()).unwrap())
            .await
            .unwrap()
    };
    // The Fetch standard's values of Sec-Fetch-Site, and Origin as RFC 6454 writes it.
    for foreign in [
        &[("origin", "https://elsewhere.example")][..],
        &[("origin", "null")],
        &[("sec-fetch-site", "cross-site")],
        &[("sec-fetch-site", "same-site"), ("origin", "http://localhost:8090")],
    ] {
        assert_eq!(post(foreign).await.status(), StatusCode::FORBIDDEN, "{foreign:?}");
    }
    assert_eq!(due(&page), [0_i64; 0]);
    let own = post(&[("sec-fetch-site", "same-origin"), ("origin", "http://localhost:8090")]).await;
    assert_eq!(own.status(), StatusCode::SEE_OTHER);
    let policy = own.headers()[header::CONTENT_SECURITY_POLICY].to_str().unwrap();
    assert!(policy.contains("form-action 'self'"), "{policy}");
    // With `no-referrer` a browser's form would come with `Origin: null` (Fetch, "append a request
    // `Origin` header") and be refused.
    assert_eq!(own.headers()[header::REFERRER_POLICY], "same-origin");
    assert_eq!(due(&page), [1]);
}
