//! `/health/*` and `/metrics`: green and red for each reason, and no patient data.

use crate::fhir_api::support::{Api, START};
use deltaward::delivery::status::DeliverySnapshot;
use deltaward::fhir::Instant;
use deltaward::outbox::draft::Occasion;
use deltaward::recognise::reading::PatientKey;
use deltaward::recognise::reason::Reason;
use deltaward::rules::Tier;
use deltaward::source::Answer;
use deltaward::source::poll::PollReport;
use deltaward::source::status::{SourceSnapshot, SourceStatus};
use deltaward::store::{Commit, OutboxEntry, OutboxState, Settlement};
use serde_json::{Value, json};
use std::sync::Arc;
use std::time::Duration;

/// Status, and each check's name and colour.
async fn ready(api: &Api) -> (u16, Vec<(String, bool)>, Value) {
    let got = api.get("/health/ready").await;
    let report = got.json();
    let checks = report["checks"].as_array().unwrap().iter();
    let checks = checks
        .map(|check| {
            (
                check["name"].as_str().unwrap().to_owned(),
                check["ok"].as_bool().unwrap(),
            )
        })
        .collect();
    assert_eq!(
        report["status"],
        if got.status.as_u16() == 200 {
            "ready"
        } else {
            "not-ready"
        }
    );
    (got.status.as_u16(), checks, report)
}

fn red(checks: &[(String, bool)]) -> Vec<&str> {
    checks
        .iter()
        .filter(|(_, ok)| !ok)
        .map(|(name, _)| name.as_str())
        .collect()
}

fn waiting(api: &Api) -> OutboxEntry {
    OutboxEntry {
        seq: 0,
        group: 0,
        identity: uuid::Uuid::nil(),
        resource_type: "Communication".into(),
        patient: PatientKey("Patient/secret-4711".into()),
        body: json!({}),
        state: OutboxState::Waiting,
        attempts: 0,
        next_attempt: api.app.now(),
        last_answer: String::new(),
    }
}

#[tokio::test]
async fn live_while_it_answers() {
    let api = Api::with(|_, _, _, receiver| drop(receiver));
    let got = api.get("/health/live").await;
    assert_eq!((got.status.as_u16(), &got.json()["status"]), (200, &json!("live")));
}

#[tokio::test]
async fn ready_needs_the_engines_heartbeat() {
    let api = Api::new();
    let (status, checks, _) = ready(&api).await;
    assert_eq!((status, red(&checks)), (503, vec!["engine"]));
    api.app.health.engine_beat(api.app.now());
    let (status, checks, _) = ready(&api).await;
    assert_eq!((status, red(&checks)), (200, vec![]));
    assert!(!checks.iter().any(|(name, _)| name == "poll"), "nothing is polled");
    api.pass(30);
    assert_eq!(ready(&api).await.0, 200);
    api.pass(1);
    assert_eq!(red(&ready(&api).await.1), ["engine"]);
}

#[tokio::test]
async fn ready_needs_polls_within_three_intervals() {
    let api = Api::new();
    let beat = || api.app.health.engine_beat(api.app.now());
    api.app.health.expect_polls(10, api.app.now());
    let polling = Arc::new(SourceStatus::default());
    api.app.health.watch_source(Arc::clone(&polling));
    api.pass(30);
    beat();
    assert_eq!(ready(&api).await.0, 200, "the first poll may take three intervals");
    api.pass(1);
    assert_eq!(red(&ready(&api).await.1), ["poll"]);
    polling.record_report(&PollReport::default(), api.app.now());
    assert_eq!(ready(&api).await.0, 200);
    api.pass(31);
    beat();
    assert_eq!(red(&ready(&api).await.1), ["poll"]);
}

#[tokio::test]
async fn failed_polls_are_counted_with_their_reason_and_three_in_a_row_are_red() {
    let api = Api::new();
    let status = std::sync::Arc::new(SourceStatus::default());
    api.app.health.expect_polls(60, api.app.now());
    api.app.health.watch_source(std::sync::Arc::clone(&status));
    api.app.health.engine_beat(api.app.now());
    for (failures, expected) in [(1, 200), (2, 200), (3, 503)] {
        api.pass(1);
        status.record_failure(String::from("the server answered 404"), api.app.now());
        let (code, checks, report) = ready(&api).await;
        assert_eq!(code, expected, "{checks:?}");
        let said = format!(
            "no poll has gone through yet; waiting for {failures} s; {failures} in a row failed, the last: the server answered 404"
        );
        assert!(report.to_string().contains(&said), "{report}");
    }
    status.record_report(&PollReport::default(), api.app.now());
    let (code, _, report) = ready(&api).await;
    assert_eq!(code, 200);
    assert!(report.to_string().contains("last poll ended 0 s ago\""), "{report}");
}

/// Contexts only add to what the readings say: their trouble is shown, and closes nothing.
#[tokio::test]
async fn failed_polls_of_procedures_are_shown_and_never_red() {
    let api = Api::new();
    let (readings, procedures) = (Arc::new(SourceStatus::default()), Arc::new(SourceStatus::default()));
    api.app.health.expect_polls(60, api.app.now());
    api.app.health.watch_source(Arc::clone(&readings));
    api.app.health.watch_procedures(Arc::clone(&procedures));
    api.app.health.engine_beat(api.app.now());
    readings.record_report(&PollReport::default(), api.app.now());
    for _ in 0..5 {
        procedures.record_failure(String::from("the server answered 403"), api.app.now());
    }
    let (code, checks, report) = ready(&api).await;
    assert_eq!(code, 200, "{checks:?}");
    let said = "of Procedures 5 in a row failed, the last: the server answered 403";
    assert!(report.to_string().contains(said), "{report}");
    api.app.health.observe(&api.app.metrics);
    let metrics = api.app.metrics.render().unwrap();
    assert!(
        metrics.contains("deltaward_source{figure=\"procedure_failures_in_a_row\"} 5"),
        "{metrics}"
    );
    assert!(
        metrics.contains("deltaward_source{figure=\"failures_in_a_row\"} 0"),
        "{metrics}"
    );
}

#[tokio::test]
async fn ready_needs_an_outbox_that_moves() {
    let mut api = Api::new();
    let entry = waiting(&api);
    let commit = Commit {
        outbox: vec![vec![entry]],
        ..Commit::default()
    };
    api.store.commit(&commit).unwrap();
    api.app.self_contained = false;
    for (minutes, expected) in [(0, 200), (15, 200), (1, 503)] {
        api.pass(minutes * 60);
        api.app.health.engine_beat(api.app.now());
        let (status, checks, report) = ready(&api).await;
        assert_eq!(status, expected, "{checks:?}");
        assert!(!report.to_string().contains("4711"));
        assert!(
            checks
                .iter()
                .any(|(name, ok)| name == "outbox" && *ok == (expected == 200))
        );
    }
    api.app.self_contained = true;
    assert_eq!(ready(&api).await.0, 200, "nothing is to be delivered");
}

#[tokio::test]
async fn ready_needs_an_outbox_in_which_nothing_is_stopped() {
    let mut api = Api::new();
    let entry = waiting(&api);
    let commit = Commit {
        outbox: vec![vec![entry]],
        ..Commit::default()
    };
    api.store.commit(&commit).unwrap();
    let refused = Settlement {
        seq: 1,
        state: OutboxState::Stopped,
        next_attempt: api.app.now(),
        answer: "422".into(),
        own_failure: false,
        remote_reference: None,
    };
    api.store.outbox_settle(&[refused], api.app.now()).unwrap();
    api.app.self_contained = false;
    api.app.health.engine_beat(api.app.now());
    let (status, checks, report) = ready(&api).await;
    assert_eq!((status, red(&checks)), (503, vec!["outbox"]));
    assert!(
        report.to_string().contains("1 stopped entries need a person"),
        "{report}"
    );
    assert!(api.store.outbox_resend(1, api.app.now()).unwrap());
    api.pass(6);
    api.app.health.engine_beat(api.app.now());
    assert_eq!(ready(&api).await.0, 200);
}

#[tokio::test]
async fn metrics_count_in_closed_words() {
    let api = Api::new();
    let metrics = &api.app.metrics;
    metrics.input(&Answer::NotFound);
    metrics.set_aside(Reason::UnitUnknown);
    metrics.message(Occasion::Raised, Some(Tier::Critical));
    metrics.message(Occasion::Resolved, None);
    metrics.observe_source(&SourceSnapshot {
        consecutive_failures: 2,
        ..SourceSnapshot::default()
    });
    metrics.observe_delivery(&DeliverySnapshot {
        stopped: 1,
        ..DeliverySnapshot::default()
    });
    metrics.commit(Duration::from_millis(3));
    let commit = Commit {
        outbox: vec![vec![waiting(&api)]],
        ..Commit::default()
    };
    api.store.commit(&commit).unwrap();
    let body = json!({"resourceType": "Observation", "id": "secret-4711"});
    api.put("/fhir/Observation/secret-4711", &body).await;
    api.get("/fhir/Observation/secret-4711?patient=secret-4711").await;
    api.get("/secret-4711").await;
    api.call("SECRET4711", "/fhir/Observation", &[], axum::body::Body::empty())
        .await;
    let got = api.get("/metrics").await;
    assert_eq!(
        got.header("content-type"),
        "application/openmetrics-text; version=1.0.0; charset=utf-8"
    );
    for line in [
        r#"deltaward_inputs_total{outcome="not-found"} 1"#,
        r#"deltaward_set_aside_inputs_total{reason="unit-unknown"} 1"#,
        r#"deltaward_messages_total{occasion="raised",tier="critical"} 1"#,
        r#"deltaward_messages_total{occasion="resolved",tier="none"} 1"#,
        r#"deltaward_source{figure="failures_in_a_row"} 2"#,
        r#"deltaward_delivery{figure="stopped"} 1"#,
        r#"deltaward_concerns_open{tier="critical"} 0"#,
        r#"deltaward_outbox_entries{state="waiting"} 1"#,
        r#"deltaward_set_aside_standing{reason="unit-unknown"} 0"#,
        r#"deltaward_http_requests_total{method="PUT",route="/fhir/{type}/{id}",status="201"} 1"#,
        r#"deltaward_http_requests_total{method="GET",route="/fhir/{type}/{id}",status="200"} 1"#,
        r#"deltaward_http_requests_total{method="GET",route="unmatched",status="404"} 1"#,
        r#"deltaward_http_requests_total{method="other",route="/fhir/{type}",status="405"} 1"#,
        r#"deltaward_commit_duration_seconds_bucket{le="0.004"} 1"#,
        r#"deltaward_commit_duration_seconds_bucket{le="0.002"} 0"#,
        "deltaward_store_readable 1",
    ] {
        assert!(
            got.text.lines().any(|found| found == line),
            "{line}\nis not in\n{}",
            got.text
        );
    }
    // The OpenMetrics text ends so.
    assert!(got.text.ends_with("# EOF\n"));
    assert!(!got.text.to_lowercase().contains("4711"), "{}", got.text);
}

#[tokio::test]
async fn a_look_at_the_store_is_kept_for_five_seconds() {
    let mut api = Api::new();
    api.app.self_contained = false;
    assert_eq!(api.app.now(), Instant::from_millis(START));
    let waits = |report: &Value| report["checks"][2]["detail"] != "nothing waits";
    let (.., report) = ready(&api).await;
    assert!(!waits(&report));
    let commit = Commit {
        outbox: vec![vec![waiting(&api)]],
        ..Commit::default()
    };
    api.store.commit(&commit).unwrap();
    api.pass(5);
    assert!(!waits(&ready(&api).await.2), "the kept look is used");
    api.pass(1);
    assert!(waits(&ready(&api).await.2), "a new look is taken");
}
