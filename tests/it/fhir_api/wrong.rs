//! Every refusal is an OperationOutcome, and leaves nothing behind.

use super::support::{Api, FHIR, server_config};
use axum::body::Body;
use axum::http::Request;
use deltaward::source::{IntakeError, intake::Submission};
use futures_util::stream;
use std::time::Duration;

async fn put(api: &Api, body: impl Into<Body>) -> super::support::Got {
    api.call("PUT", "/fhir/Observation/a", &[FHIR], body).await
}

#[tokio::test]
async fn what_is_no_such_resource_is_refused_with_its_place() {
    let api = Api::new();
    let deep = format!("{}{}", "[".repeat(65), "]".repeat(65));
    let deep_object = format!(
        r#"{{"resourceType":"Observation","id":"a","x":{}1{}}}"#,
        "[".repeat(64),
        "]".repeat(64)
    );
    let endless = "[".repeat(1 << 19);
    let cases: Vec<(Vec<u8>, &str)> = vec![
        (b"".to_vec(), "empty"),
        (b"  \n ".to_vec(), "empty"),
        (
            b"{\n  \"resourceType\": \"Observation\",,\n}".to_vec(),
            "line 2 column 33",
        ),
        (b"[]".to_vec(), "expected a JSON object"),
        (b"null".to_vec(), "expected a JSON object"),
        (b"\xEF\xBB\xBF{}".to_vec(), "byte order mark"),
        (b"{\"a\":\n \"\xff\"}".to_vec(), "line 2, column 3"),
        (
            br#"{"resourceType":"Observation","id":"a","id":"b"}"#.to_vec(),
            "\"id\" stands twice",
        ),
        (
            br#"{"resourceType":"Observation","id":"a"} x"#.to_vec(),
            "trailing characters at line 1 column 41",
        ),
        (
            br#"{"resourceType":"Observation","id":"a","x":"\ud800"}"#.to_vec(),
            "no character (line 1, column 44)",
        ),
        (br#"{"resourceType":"Observation","id":"a""#.to_vec(), "EOF"),
        (br#"{"resourceType":"Patient","id":"a"}"#.to_vec(), "resourceType"),
        (br#"{"id":"a"}"#.to_vec(), "resourceType"),
        (br#"{"resourceType":"Observation"}"#.to_vec(), "same id"),
        (br#"{"resourceType":"Observation","id":"b"}"#.to_vec(), "same id"),
        (br#"{"resourceType":"Observation","id":1}"#.to_vec(), "same id"),
        (deep.into_bytes(), "line 1, column 65"),
        (deep_object.into_bytes(), "deeper than 64"),
        (endless.into_bytes(), "deeper than 64"),
    ];
    for (body, words) in cases {
        let shown = String::from_utf8_lossy(&body[..body.len().min(60)]).into_owned();
        let issue = put(&api, body).await.issue(400);
        let text = issue["diagnostics"].as_str().unwrap();
        assert!(text.contains(words), "{shown:?}: {text:?} does not say {words:?}");
    }
    let fits = format!(
        r#"{{"resourceType":"Observation","id":"a","x":{}1{}}}"#,
        "[".repeat(63),
        "]".repeat(63)
    );
    assert_eq!(put(&api, fits).await.status.as_u16(), 201, "64 levels are allowed");
    assert_eq!(api.batch_count(), 1, "no refused body reached the engine");
}

#[tokio::test]
async fn an_id_follows_the_grammar() {
    let api = Api::new();
    let long = "x".repeat(65);
    for id in ["a_b", "a%20b", long.as_str(), "%C3%A4", "a%2Fb"] {
        let body = r#"{"resourceType":"Observation","id":"a"}"#;
        let got = api.call("PUT", &format!("/fhir/Observation/{id}"), &[FHIR], body).await;
        got.issue(400);
        api.get(&format!("/fhir/Observation/{id}")).await.issue(400);
    }
    api.get("/fhir/Observation/%FF").await.issue(400);
}

#[tokio::test]
async fn unknown_paths_types_and_methods() {
    let api = Api::new();
    for path in [
        "/fhir",
        "/fhir/",
        "/fhir/Observation/a/b",
        "/fhir/Encounter",
        "/fhir/Encounter/1",
        "/fhir/a/b/c/d/e",
    ] {
        api.get(path).await.issue(404);
    }
    api.call("POST", "/fhir/Encounter", &[FHIR], "{}").await.issue(404);
    api.call("PUT", "/fhir/Encounter/1", &[FHIR], "{}").await.issue(404);
    for (method, path) in [
        ("PATCH", "/fhir/Observation/a"),
        ("POST", "/fhir/Observation/a"),
        ("DELETE", "/fhir/Observation"),
        ("PUT", "/fhir"),
        ("POST", "/fhir/metadata"),
        ("OPTIONS", "/fhir/Observation"),
    ] {
        let got = api.call(method, path, &[FHIR], "{}").await;
        got.issue(405);
        assert!(!got.header("allow").is_empty(), "{method} {path}");
    }
    let outside = api.get("/nothing").await;
    assert_eq!(outside.status.as_u16(), 404);
}

#[tokio::test]
async fn media_types() {
    let api = Api::new();
    let body = r#"{"resourceType":"Observation","id":"a"}"#;
    for (content_type, status) in [
        ("application/fhir+json", 201),
        ("application/fhir+json; charset=UTF-8; fhirVersion=4.0", 200),
        ("application/json", 200),
        ("Application/JSON;charset=\"utf-8\"", 200),
        ("text/plain", 415),
        ("application/fhir+xml", 415),
        ("application/fhir+json; charset=latin1", 415),
        ("application/fhir+json; fhirVersion=5.0", 415),
        ("application/x-www-form-urlencoded", 415),
    ] {
        let got = api
            .call("PUT", "/fhir/Observation/a", &[("content-type", content_type)], body)
            .await;
        assert_eq!(got.status.as_u16(), status, "{content_type}");
        if status == 415 {
            got.issue(415);
        }
    }
    let coded = [FHIR, ("content-encoding", "gzip")];
    api.call("PUT", "/fhir/Observation/a", &coded, body).await.issue(415);
    assert_eq!(
        api.call("PUT", "/fhir/Observation/a", &[], body).await.status.as_u16(),
        200
    );
    for (accept, status) in [
        ("application/fhir+json", 200),
        ("application/json", 200),
        ("text/html, application/xhtml+xml, */*;q=0.8", 200),
        ("application/*", 200),
        ("application/fhir+json;fhirVersion=4.0", 200),
        ("application/fhir+json;fhirVersion=3.0", 406),
        ("application/fhir+xml", 406),
        ("text/html", 406),
        ("application/json;q=0", 406),
    ] {
        let got = api
            .call("GET", "/fhir/Observation/a", &[("accept", accept)], Body::empty())
            .await;
        assert_eq!(got.status.as_u16(), status, "{accept}");
        if status == 406 {
            got.issue(406);
        }
    }
    for (format, status) in [
        ("json", 200),
        ("application/fhir%2Bjson", 200),
        ("application/fhir+json", 200),
        ("xml", 406),
    ] {
        let got = api.get(&format!("/fhir/Observation/a?_format={format}")).await;
        assert_eq!(got.status.as_u16(), status, "{format}");
    }
}

/// 413 by the announced length, and by what really arrives.
#[tokio::test]
async fn bodies_have_a_limit() {
    let api = Api::new();
    let of = |length: usize| {
        let head = r#"{"resourceType":"Observation","id":"a","x":""#;
        format!("{head}{}\"}}", "x".repeat(length - head.len() - 2))
    };
    let limit = server_config().max_body_bytes;
    assert_eq!(put(&api, of(limit)).await.status.as_u16(), 201);
    assert_eq!(put(&api, of(limit + 1)).await.issue(413)["code"], "too-long");
    let chunks = stream::iter((0..20).map(|_| Ok::<_, std::io::Error>(vec![b' '; 1 << 16])));
    let request = Request::put("/fhir/Observation/a").header("host", "localhost");
    api.send(request.body(Body::from_stream(chunks)).unwrap())
        .await
        .issue(413);
    let announced = [FHIR, ("content-length", "99999999999")];
    api.call("POST", "/fhir/Observation", &announced, "{}").await.issue(413);
    // A Bundle may be larger than one resource, each resource in it may not.
    let big = serde_json::from_str::<serde_json::Value>(&of(limit + 1)).unwrap();
    let bundle = serde_json::json!({"resourceType": "Bundle", "type": "batch", "entry": [
        {"resource": big, "request": {"method": "PUT", "url": "Observation/a"}}
    ]});
    let got = api.post("/fhir", &bundle).await;
    assert_eq!(got.json()["entry"][0]["response"]["status"], "413 Payload Too Large");
    let chunks = stream::iter((0..257).map(|_| Ok::<_, std::io::Error>(vec![b' '; 1 << 16])));
    let request = Request::post("/fhir").header("host", "localhost");
    api.send(request.body(Body::from_stream(chunks)).unwrap())
        .await
        .issue(413);
}

#[tokio::test]
async fn a_body_that_never_comes_is_given_up() {
    let mut api = Api::new();
    api.app.limits.body_timeout = Duration::from_millis(20);
    let never = stream::pending::<Result<Vec<u8>, std::io::Error>>();
    let request = Request::put("/fhir/Observation/a").header("host", "localhost");
    let got = api.send(request.body(Body::from_stream(never)).unwrap()).await;
    assert_eq!(got.issue(408)["code"], "timeout");
    let broken = stream::iter([Err::<Vec<u8>, _>(std::io::Error::other("gone"))]);
    let request = Request::put("/fhir/Observation/a").header("host", "localhost");
    api.send(request.body(Body::from_stream(broken)).unwrap())
        .await
        .issue(400);
}

fn kept_nothing(got: &super::support::Got, seconds: &str) {
    assert_eq!(got.issue(503)["code"], "transient");
    assert_eq!(got.header("retry-after"), seconds);
}

/// 201 is never sent before the commit: no engine, a full queue, a store that cannot commit.
#[tokio::test]
async fn nothing_kept_says_so_and_asks_to_come_back() {
    let body = r#"{"resourceType":"Observation","id":"a"}"#;
    let stopped = Api::with(|_, _, _, receiver| drop(receiver));
    kept_nothing(&put(&stopped, body).await, "1");

    let cannot = Api::with(|_, _, _, mut receiver| {
        tokio::spawn(async move {
            while let Some(Submission { reply, .. }) = receiver.recv().await {
                let _gone = reply.send(Err(IntakeError::Store("/secret/path: disk full".into())));
            }
        });
    });
    let got = put(&cannot, body).await;
    // What has to be mended first is asked for less often than a queue that empties at once.
    kept_nothing(&got, "10");
    assert!(!got.text.contains("secret"), "{}", got.text);
    let bundle = r#"{"resourceType":"Bundle","type":"batch","entry":[
        {"resource":{"resourceType":"Observation","id":"a"},"request":{"method":"PUT","url":"Observation/a"}}]}"#;
    kept_nothing(&cannot.call("POST", "/fhir", &[FHIR], bundle).await, "10");

    // An engine that never answers: the queue fills, then new batches are refused at once, and
    // the waiting ones are told after the time limit that nobody knows.
    let mut silent = Api::with(|_, _, _, receiver| std::mem::forget(receiver));
    silent.app.limits.answer_timeout = Duration::from_millis(200);
    let waiting = async {
        for _ in 0..4 {
            let intake = silent.app.intake.clone();
            tokio::spawn(async move { intake.submit(deltaward::source::Batch::default()).await });
        }
        tokio::task::yield_now().await;
        put(&silent, body).await
    };
    kept_nothing(&waiting.await, "1");
    let mut silent = Api::with(|_, _, _, receiver| std::mem::forget(receiver));
    silent.app.limits.answer_timeout = Duration::from_millis(20);
    assert_eq!(put(&silent, body).await.issue(504)["code"], "timeout");
}

mod any_bytes {
    use super::*;
    use crate::fhir_api::support::example;
    use proptest::prelude::*;

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(200))]

        /// HL7's blood pressure example with some bytes changed or cut off: kept as a resource, or
        /// refused with an OperationOutcome; never a 5xx. What is kept is served as JSON that says
        /// the same.
        #[test]
        fn are_kept_or_refused(
            changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 0..4),
            cut in prop::option::of(any::<prop::sample::Index>()),
        ) {
            let mut body = example("Observation-blood-pressure").into_bytes();
            for (index, byte) in changes {
                let at = index.index(body.len());
                body[at] = byte;
            }
            if let Some(cut) = cut {
                body.truncate(cut.index(body.len()));
            }
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
            runtime.block_on(async {
                let api = Api::new();
                let path = "/fhir/Observation/blood-pressure";
                let got = api.call("PUT", path, &[FHIR], body.clone()).await;
                if got.status.as_u16() == 201 {
                    let mut sent: serde_json::Value = serde_json::from_slice(&body).unwrap();
                    let mut served = api.get(path).await.json();
                    sent.as_object_mut().unwrap().remove("meta");
                    served.as_object_mut().unwrap().remove("meta");
                    assert_eq!(sent, served);
                } else {
                    got.issue(400);
                }
            });
        }
    }
}
