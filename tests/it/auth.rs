//! `[auth]`: what a request must carry. Bearer is RFC 6750, Basic RFC 7617, the framework of both
//! RFC 9110 section 11, issue codes those of FHIR R4 (value set issue-type).

use crate::fhir_api::support::{Api, FHIR, Got, assert_valid};
use crate::process::{BINARY, Running, config};
use axum::body::Body;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use deltaward::server::Auth;
use std::io::Read;
use std::process::{Command, Stdio};
use std::sync::Arc;

/// Invented.
const SECRET: &str = "0123456789abcdef-invented+/==";

const PATHS: [&str; 16] = [
    "/",
    "/patient?id=a",
    "/set-aside",
    "/stopped",
    "/rules",
    "/events",
    "/nothing",
    "/health/ready",
    "/health/live/",
    "/health/live%2f",
    "//health/live",
    "/metrics",
    "/fhir/metadata",
    "/fhir/Observation",
    "/fhir/Observation/a",
    "/fhirs",
];

fn guarded() -> Api {
    let mut api = Api::new();
    api.app.auth = Some(Arc::new(Auth::new(&SECRET.into())));
    api
}

fn basic(pair: &str) -> String {
    format!("Basic {}", STANDARD.encode(pair))
}

async fn ask(api: &Api, authorization: &str) -> Got {
    let headers = [("authorization", authorization)];
    api.call("GET", "/fhir/metadata", &headers, Body::empty()).await
}

fn challenges(got: &Got) -> Vec<&str> {
    let all = got.headers.get_all("www-authenticate").iter();
    all.map(|one| one.to_str().unwrap()).collect()
}

#[tokio::test]
async fn bearer_and_basic_open_and_a_scheme_has_no_case() {
    let api = guarded();
    for right in [
        format!("Bearer {SECRET}"),
        // RFC 9110, section 11.1: case-insensitive; section 11.4: one or more spaces.
        format!("bearer {SECRET}"),
        format!("BEARER   {SECRET}"),
        basic(&format!("ward:{SECRET}")),
        basic(&format!(":{SECRET}")),
        basic(&format!("Schwester Änne:{SECRET}")).replace("Basic", "bAsIc"),
    ] {
        assert_eq!(ask(&api, &right).await.status.as_u16(), 200, "{right}");
    }
}

#[tokio::test]
async fn anything_else_is_401_with_both_challenges() {
    let api = guarded();
    let wrong = [
        String::from("Bearer"),
        String::from("Bearer "),
        String::from(SECRET),
        format!("Bearer {}", &SECRET[..SECRET.len() - 1]),
        format!("Bearer {SECRET}x"),
        format!("Bearer {SECRET} {SECRET}"),
        format!("Bearer {}", SECRET.to_uppercase()),
        format!("Bearer {}", STANDARD.encode(SECRET)),
        basic(SECRET),
        basic(&format!("{SECRET}:")),
        basic(&format!("{SECRET}:{SECRET}x")),
        // The first colon ends the user-id (RFC 7617, section 2), so this password is another.
        basic(&format!("a:b:{SECRET}")),
        format!("Basic ward:{SECRET}"),
        String::from("Basic ////"),
        String::from("Basic =x"),
    ];
    for given in wrong {
        let got = ask(&api, &given).await;
        assert_eq!(got.issue(401)["code"], "login", "{given}");
        // RFC 6750, section 3.1.
        let expected = [
            r#"Bearer realm="Deltaward", error="invalid_token""#,
            r#"Basic realm="Deltaward", charset="UTF-8""#,
        ];
        assert_eq!(challenges(&got), expected, "{given}");
        assert!(!got.text.contains(SECRET));
    }
    // RFC 6750, section 3: no error code for a request without a token.
    let expected = [
        r#"Bearer realm="Deltaward""#,
        r#"Basic realm="Deltaward", charset="UTF-8""#,
    ];
    let bare = api.get("/fhir/metadata").await;
    assert_eq!(bare.issue(401)["code"], "login");
    assert_eq!(challenges(&bare), expected);
    let other = ask(&api, &format!("Digest username=\"{SECRET}\"")).await;
    assert_eq!((other.status.as_u16(), challenges(&other)), (401, expected.to_vec()));
    // Authorization is no list (RFC 9110, section 5.3): of two, none counts.
    let right = format!("Bearer {SECRET}");
    let twice = [("authorization", right.as_str()), ("authorization", right.as_str())];
    let got = api.call("GET", "/fhir/metadata", &twice, Body::empty()).await;
    assert_eq!(got.status.as_u16(), 401);
    // Not in the address, where it would be logged (RFC 6750, section 5.3).
    let got = api.get(&format!("/fhir/metadata?access_token={SECRET}")).await;
    assert_eq!(got.status.as_u16(), 401);
}

#[tokio::test]
async fn every_path_but_one_asks_for_the_secret() {
    let api = guarded();
    for path in PATHS {
        for method in ["GET", "HEAD", "POST", "PUT", "DELETE", "OPTIONS"] {
            let got = api.call(method, path, &[FHIR], "{}").await;
            assert_eq!(got.status.as_u16(), 401, "{method} {path}");
            assert_eq!(got.header("cache-control"), "no-store");
        }
    }
    assert_eq!(api.batch_count(), 0);
    assert_eq!(api.get("/health/live").await.status.as_u16(), 200);
    let head = api.call("HEAD", "/health/live", &[], Body::empty()).await;
    assert_eq!(head.status.as_u16(), 200);
    let post = api.call("POST", "/health/live", &[], Body::empty()).await;
    assert_eq!(post.status.as_u16(), 401);
}

/// A browser adds the password to what another site's page sends: the secret does not stand in for
/// the checks of Host and Origin.
#[tokio::test]
async fn the_secret_opens_nothing_to_another_site() {
    let api = guarded();
    let right = basic(&format!("ward:{SECRET}"));
    let body = r#"{"resourceType":"Observation","id":"a","status":"final","code":{"text":"x"}}"#;
    for (name, value, status) in [
        ("origin", "https://stranger.example", 403),
        ("sec-fetch-site", "cross-site", 403),
        ("host", "stranger.example", 421),
    ] {
        let headers = [FHIR, ("authorization", right.as_str()), (name, value)];
        let got = api.call("PUT", "/fhir/Observation/a", &headers, body).await;
        assert_eq!(got.issue(status)["code"], "security", "{name}");
    }
    assert_eq!(api.batch_count(), 0);
    let own = [
        FHIR,
        ("authorization", right.as_str()),
        ("origin", "http://localhost:8080"),
        ("sec-fetch-site", "same-origin"),
    ];
    let got = api.call("PUT", "/fhir/Observation/a", &own, body).await;
    assert_eq!(got.status.as_u16(), 201);
}

/// FHIR R4, CapabilityStatement.rest.security.
#[tokio::test]
async fn the_capability_statement_says_what_is_asked_for() {
    let statement = ask(&guarded(), &format!("Bearer {SECRET}")).await.json();
    let mut as_of_the_schema = statement.clone();
    // HL7's schema file ends its list of versions there.
    as_of_the_schema["fhirVersion"] = "4.0.0".into();
    assert_valid(&as_of_the_schema);
    let security = &statement["rest"][0]["security"];
    assert_eq!(security["service"][0]["coding"][0]["code"], "Basic");
    assert!(security["description"].as_str().unwrap().contains("RFC 6750"));
    let open = Api::new().get("/fhir/metadata").await.json();
    assert!(open["rest"][0]["security"]["service"].is_null());
}

/// The real process on every address of the machine, at its most talkative.
#[tokio::test(flavor = "multi_thread")]
async fn a_process_that_other_machines_reach_asks_for_the_secret_and_never_logs_it() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("auth.token"), format!("{SECRET}\n")).unwrap();
    let more = "[auth]\ntoken_file = \"auth.token\"\n[telemetry]\nlevel = \"trace\"\n";
    let file = config(folder.path(), more);
    let text = std::fs::read_to_string(&file)
        .unwrap()
        .replace("127.0.0.1:0", "0.0.0.0:0");
    std::fs::write(&file, text).unwrap();
    let log = std::fs::File::create(folder.path().join("log")).unwrap();
    let running = Running::start_by_logging(
        folder.path(),
        Command::new(BINARY).args(["run", "--config", &file]),
        log.into(),
    );
    let base = running.base.replace("0.0.0.0", "127.0.0.1");
    let client = reqwest::Client::new();
    let ready = async || {
        let asked = client.get(format!("{base}/health/ready")).bearer_auth(SECRET).send();
        asked.await.unwrap().status() == 200
    };
    // The engine's first sign of life may come a moment after the first line.
    for _ in 0..100 {
        if ready().await {
            break;
        }
        tokio::time::sleep(std::time::Duration::from_millis(100)).await;
    }
    for path in ["/", "/events", "/metrics", "/health/ready", "/fhir/metadata"] {
        let url = format!("{base}{path}");
        assert_eq!(client.get(&url).send().await.unwrap().status(), 401, "{path}");
        let wrong = client.get(&url).bearer_auth("fedcba9876543210-wrong").send();
        assert_eq!(wrong.await.unwrap().status(), 401, "{path}");
        let bearer = client.get(&url).bearer_auth(SECRET).send();
        assert_eq!(bearer.await.unwrap().status(), 200, "{path}");
        let basic = client.get(&url).basic_auth("ward", Some(SECRET)).send();
        assert_eq!(basic.await.unwrap().status(), 200, "{path}");
    }
    let live = client.get(format!("{base}/health/live")).send();
    assert_eq!(live.await.unwrap().status(), 200);
    let metrics = client.get(format!("{base}/metrics")).bearer_auth(SECRET).send();
    let metrics = metrics.await.unwrap().text().await.unwrap();
    assert!(metrics.contains("401"), "refusals are counted:\n{metrics}");
    drop(running);
    let mut log = String::new();
    let mut file = std::fs::File::open(folder.path().join("log")).unwrap();
    file.read_to_string(&mut log).unwrap();
    assert!(log.contains("plain http for other machines"), "{log}");
    for secret in [
        SECRET,
        "fedcba9876543210-wrong",
        &STANDARD.encode(format!("ward:{SECRET}")),
    ] {
        assert!(!log.contains(secret), "{log}");
    }
}

/// Without a configuration file the variable counts as well: who set it does not mean an open door.
#[tokio::test(flavor = "multi_thread")]
async fn the_variable_alone_closes_the_door() {
    let folder = tempfile::tempdir().unwrap();
    let check = |secret: &str| {
        Command::new(BINARY)
            .args(["config", "check"])
            .env("DELTAWARD_AUTH_TOKEN", secret)
            .current_dir(folder.path())
            .output()
            .unwrap()
    };
    let short = check("hush-hush");
    let said = String::from_utf8_lossy(&short.stderr).into_owned();
    assert_eq!(short.status.code(), Some(64), "{said}");
    assert!(
        said.contains("shorter than 16 characters") && !said.contains("hush"),
        "{said}"
    );
    assert_eq!(check(SECRET).status.code(), Some(0));

    let file = config(folder.path(), "");
    let mut command = Command::new(BINARY);
    command
        .args(["run", "--config", &file])
        .env("DELTAWARD_AUTH_TOKEN", SECRET);
    let running = Running::start_by_logging(folder.path(), &mut command, Stdio::inherit());
    let url = format!("{}/fhir/metadata", running.base);
    let client = reqwest::Client::new();
    assert_eq!(client.get(&url).send().await.unwrap().status(), 401);
    assert_eq!(client.get(&url).bearer_auth(SECRET).send().await.unwrap().status(), 200);
}
