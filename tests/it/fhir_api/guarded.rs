//! Host and Origin, security headers, the capability statement, metrics without patient data.

use super::support::{Api, FHIR, assert_valid, server_config};
use axum::body::Body;
use axum::http::Request;
use deltaward::config::ServerConfig;
use deltaward::server::{AppState, Hosts};
use serde_json::Value;
use std::sync::Arc;

const OBSERVATION: &str = r#"{"resourceType":"Observation","id":"a","status":"final","code":{"text":"x"}}"#;

#[test]
fn hosts_are_ours_or_not() {
    let loopback = Hosts::new("127.0.0.1:8080".parse().unwrap(), &[String::from("Ward.example")]);
    for ours in [
        "localhost",
        "LOCALHOST:8080",
        "127.0.0.1",
        "127.0.0.1:1",
        "[::1]:8080",
        "[::1]",
        "ward.example:443",
    ] {
        assert!(loopback.allows(ours), "{ours}");
    }
    for not in [
        "",
        ":80",
        "evil.example",
        "localhost.evil.example",
        "localhost:",
        "localhost:x",
        "localhost:99999",
        "localhost:+1",
        "user@localhost",
        "localhost/x",
        "10.0.0.1",
        "[::2]",
        "[::1",
        "::1",
        "localhost localhost",
    ] {
        assert!(!loopback.allows(not), "{not}");
    }
    let everywhere = Hosts::new("0.0.0.0:8080".parse().unwrap(), &[]);
    assert!(everywhere.allows("10.0.0.1:8080") && everywhere.allows("[fd00::1]"));
    assert!(!everywhere.allows("evil.example"));
    assert!(Hosts::new("10.0.0.1:80".parse().unwrap(), &[]).allows("10.0.0.1"));
}

/// DNS rebinding, and a page of another site that posts here.
#[tokio::test]
async fn a_foreign_host_or_origin_is_refused() {
    let api = Api::new();
    let foreign = api
        .call("GET", "/fhir/metadata", &[("host", "evil.example")], Body::empty())
        .await;
    foreign.issue(421);
    let outside = api
        .call("GET", "/metrics", &[("host", "evil.example")], Body::empty())
        .await;
    assert_eq!(outside.status.as_u16(), 421);
    let two = Request::get("/fhir/metadata")
        .header("host", "localhost")
        .header("host", "localhost");
    api.send(two.body(Body::empty()).unwrap()).await.issue(400);
    for (name, value) in [
        ("origin", "https://evil.example"),
        ("origin", "null"),
        ("origin", "http://localhost:9999"),
        ("sec-fetch-site", "cross-site"),
    ] {
        // A page can send a body without a Content-Type and so without a preflight.
        let got = api
            .call("PUT", "/fhir/Observation/a", &[(name, value)], OBSERVATION)
            .await;
        assert_eq!(got.issue(403)["code"], "security", "{name}: {value}");
    }
    assert_eq!(api.batch_count(), 0);
    let own = [
        FHIR,
        ("origin", "http://localhost:8080"),
        ("sec-fetch-site", "same-origin"),
    ];
    let got = api.call("PUT", "/fhir/Observation/a", &own, OBSERVATION).await;
    assert_eq!(got.status.as_u16(), 201);
}

#[tokio::test]
async fn links_are_absolute_only_when_the_host_is_known() {
    let mut api = Api::new();
    let bare = Request::put("/fhir/Observation/a")
        .body(Body::from(OBSERVATION))
        .unwrap();
    assert_eq!(api.send(bare).await.header("location"), "Observation/a/_history/1");
    let bare = Request::get("/fhir/Observation").body(Body::empty()).unwrap();
    let found = api.send(bare).await.json();
    assert_valid(&found);
    assert_eq!(found["link"][0]["url"], "Observation");
    assert_eq!(found["entry"][0].get("fullUrl"), None);
    let config = ServerConfig {
        public_base: Some("https://ward.example/fhir".parse().unwrap()),
        ..server_config()
    };
    api.app = AppState::new(
        api.app.intake.clone(),
        api.store.clone(),
        &config,
        api.app.clock.clone(),
    );
    let found = api.get("/fhir/Observation").await.json();
    assert_eq!(found["entry"][0]["fullUrl"], "https://ward.example/fhir/Observation/a");
    // The proxy's name is answered to, and its own pages may write; no other name is.
    let proxied = [FHIR, ("host", "ward.example"), ("origin", "https://ward.example")];
    let got = api.call("PUT", "/fhir/Observation/a", &proxied, OBSERVATION).await;
    assert_eq!(got.status.as_u16(), 200);
    let other = api
        .call("GET", "/fhir/metadata", &[("host", "evil.example")], Body::empty())
        .await;
    other.issue(421);
}

#[tokio::test]
async fn every_answer_has_the_security_headers() {
    let api = Api::new();
    for (path, host) in [
        ("/fhir/metadata", "localhost"),
        ("/fhir/nothing", "localhost"),
        ("/health/live", "localhost"),
        ("/metrics", "localhost"),
        ("/nothing", "localhost"),
        ("/fhir/metadata", "evil.example"),
    ] {
        let headers = [("host", host), ("origin", "https://evil.example")];
        let got = api.call("GET", path, &headers, Body::empty()).await;
        assert_eq!(got.header("x-content-type-options"), "nosniff", "{path}");
        assert_eq!(
            got.header("content-security-policy"),
            "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; img-src 'self' data:; \
             frame-ancestors 'none'; form-action 'self'; base-uri 'none'",
            "{path}"
        );
        assert_eq!(got.header("cache-control"), "no-store", "{path}");
        assert!(
            !got.headers
                .keys()
                .any(|name| name.as_str().starts_with("access-control"))
        );
    }
}

/// A store that panics: the caller gets an OperationOutcome, the next request is answered.
#[tokio::test]
async fn a_panic_is_caught() {
    let mut api = Api::new();
    let clock = api.app.clock.clone();
    api.app.clock = Arc::new(|| panic!("invented defect"));
    let live = api.get("/health/ready").await;
    assert_eq!(live.status.as_u16(), 500);
    api.app.clock = clock;
    assert_eq!(api.get("/fhir/metadata").await.status.as_u16(), 200);
}

#[tokio::test]
async fn the_capability_statement_is_valid_and_true() {
    let api = Api::new();
    let got = api.get("/fhir/metadata").await;
    assert_eq!(got.header("content-type"), "application/fhir+json");
    let statement = got.json();
    assert_eq!(statement["fhirVersion"], "4.0.1");
    // HL7's schema file was made for 4.0.0 and its list of versions ends there; nothing else of
    // the statement differs between the two.
    let mut as_of_the_schema = statement.clone();
    as_of_the_schema["fhirVersion"] = "4.0.0".into();
    assert_valid(&as_of_the_schema);
    let resources = statement["rest"][0]["resource"].as_array().unwrap();
    for resource in resources {
        let kind = resource["type"].as_str().unwrap();
        // Each listed parameter is used, and shown in the self link, also under strict handling.
        for param in resource["searchParam"].as_array().unwrap() {
            let name = param["name"].as_str().unwrap();
            let value = match param["type"].as_str().unwrap() {
                "date" => "2026",
                _ => "a",
            };
            let path = format!("/fhir/{kind}?{name}={value}");
            let found = api
                .call("GET", &path, &[("prefer", "handling=strict")], Body::empty())
                .await;
            assert_eq!(found.status.as_u16(), 200, "{path}: {}", found.text);
            assert_eq!(found.json()["link"][0]["url"], format!("http://localhost:8080{path}"));
        }
        let interactions: Vec<&str> = resource["interaction"]
            .as_array()
            .unwrap()
            .iter()
            .map(|interaction| interaction["code"].as_str().unwrap())
            .collect();
        let body = format!(r#"{{"resourceType":"{kind}","id":"a"}}"#);
        let put = api.call("PUT", &format!("/fhir/{kind}/a"), &[FHIR], body.clone()).await;
        assert_eq!(put.status.is_success(), interactions.contains(&"update"), "{kind}");
        let post = api.call("POST", &format!("/fhir/{kind}"), &[FHIR], body).await;
        assert_eq!(post.status.is_success(), interactions.contains(&"create"), "{kind}");
        let delete = api.call("DELETE", &format!("/fhir/{kind}/a"), &[], Body::empty()).await;
        assert_eq!(delete.status.is_success(), interactions.contains(&"delete"), "{kind}");
    }
    let types: Vec<&Value> = resources.iter().map(|resource| &resource["type"]).collect();
    assert_eq!(
        types,
        ["Communication", "Device", "Observation", "Patient", "Procedure"]
    );
}
