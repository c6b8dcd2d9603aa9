//! The twelve things that must hold (DEVELOPERS.md), one test each under its own name. Each is shown
//! in many more ways elsewhere; here stands one plain case that fails when the invariant is broken.

use crate::architecture;
use crate::contract::{diastolic, pressure, start};
use crate::fhir_api::support::{Api, FHIR, server_config};
use crate::memory_fhir::MemoryFhir;
use crate::pages::text_of;
use crate::patient_support::{Obs, Ward, compartment, diastolic as cuff};
use deltaward::config::{FhirServerConfig, from_text};
use deltaward::delivery::client::FhirClient;
use deltaward::outbox::draft::Family;
use deltaward::outbox::wording;
use deltaward::patient::history::SLOTS_KEPT;
use deltaward::recognise::reading::Comparator;
use deltaward::recognise::{Mapping, Side, Version, recognise};
use deltaward::rules::{Sheet, Tier, show};
use deltaward::source::IntakeError;
use reqwest::{Method, StatusCode};
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::path::Path;
use std::time::Duration;
use wiremock::matchers::any;
use wiremock::{Mock, MockServer, ResponseTemplate};

/// Nothing is acknowledged before its commit, and what was acknowledged is there after a kill.
#[tokio::test]
async fn invariant_01_nothing_lost() {
    let (hand_over, submissions) = tokio::sync::oneshot::channel();
    let api = Api::with(|_, _, _, receiver| drop(hand_over.send(receiver)));
    let mut submissions = submissions.await.unwrap();
    let (router, body) = (api.router(), diastolic("d1", "10:00", 70.0).to_string());
    let request = axum::http::Request::put("/fhir/Observation/d1").header(FHIR.0, FHIR.1);
    let request = request.body(axum::body::Body::from(body)).unwrap();
    let mut answer = tokio::spawn(tower::ServiceExt::oneshot(router, request));
    let submission = submissions.recv().await.unwrap();
    let early = tokio::time::timeout(Duration::from_millis(200), &mut answer).await;
    assert!(early.is_err(), "answered before the commit");
    submission
        .reply
        .send(Err(IntakeError::Store(String::from("disk full"))))
        .unwrap();
    assert_eq!(
        answer.await.unwrap().unwrap().status(),
        503,
        "nothing was kept, and it says so"
    );

    let folder = tempfile::tempdir().unwrap();
    let (mut running, fhir) = start(folder.path());
    assert_eq!(fhir.put(&diastolic("d1", "10:00", 70.0)).await, StatusCode::CREATED);
    assert_eq!(
        fhir.put(&pressure("c1", "10:02", 45.0, "final")).await,
        StatusCode::CREATED
    );
    running.signal("KILL");
    running.wait();
    drop(running);
    let (_running, fhir) = start(folder.path());
    let (status, kept) = fhir.send(Method::GET, "Observation/c1", None).await;
    assert_eq!(
        (status, &kept["valueQuantity"]["value"]),
        (StatusCode::OK, &json!(45.0))
    );
    assert_eq!((fhir.deltas().await.len(), fhir.messages().await.len()), (1, 1));
}

/// The same ground gives the same identifier in any store, and a repeated write meets the first.
#[tokio::test]
async fn invariant_02_nothing_doubled() {
    let readings = [cuff("d", 0, "70"), compartment("c", 2, "45")];
    let (mut one, mut other) = (Ward::adult(), Ward::adult());
    let (first, second) = (one.take(3, &readings), other.take(3, &readings));
    assert_eq!((first.published.len(), first.messages.len()), (1, 1));
    assert_eq!(first.published[0].identity, second.published[0].identity);
    assert_eq!(first.messages[0].identity, second.messages[0].identity);
    assert_eq!(
        first.messages[0].identity.get_version_num(),
        5,
        "RFC 9562: a name-based UUID"
    );
    assert!(one.take(4, &readings).is_nothing());

    let (server, address) = MemoryFhir::start().await;
    let base = format!("http://{address}/fhir").parse().unwrap();
    let client = FhirClient::new(&FhirServerConfig::new(base)).unwrap();
    let (system, value) = (
        "https://deltaward.example/fhir/derived",
        first.messages[0].identity.to_string(),
    );
    let body = json!({"resourceType": "Communication", "identifier": [{"system": system, "value": value}]});
    for _ in 0..2 {
        let token = format!("{system}|{value}");
        client.create_if_none("Communication", &token, &body).await.unwrap();
    }
    assert_eq!(server.all("Communication").len(), 1);
}

/// Heap's algorithm: every order of `items`.
fn orders(items: &mut [Obs], size: usize, each: &mut impl FnMut(&[Obs])) {
    if size <= 1 {
        return each(items);
    }
    for index in 0..size {
        orders(items, size - 1, each);
        items.swap(if size.is_multiple_of(2) { index } else { 0 }, size - 1);
    }
}

/// All 120 orders of five inputs, a correction among them, one by one.
#[test]
fn invariant_03_order_does_not_matter() {
    let mut inputs = [
        cuff("d1", 0, "70"),
        compartment("c1", 2, "45"),
        compartment("c1", 2, "10").version(2, 20),
        cuff("d2", 60, "62"),
        compartment("c2", 62, "40"),
    ];
    let mut ends = BTreeSet::new();
    let mut count = 0;
    orders(&mut inputs, 5, &mut |order| {
        let mut ward = Ward::adult();
        for (index, input) in order.iter().enumerate() {
            ward.take(70 + i64::try_from(index).unwrap(), std::slice::from_ref(input));
        }
        let mut standing: Vec<String> = ward
            .standing()
            .iter()
            .map(|standing| format!("{} {:?}", standing.draft.identity, standing.draft.facts.delta_mmhg))
            .collect();
        standing.sort();
        ends.insert(format!("{standing:?} {:?}", ward.open()));
        count += 1;
    });
    assert_eq!((count, ends.len()), (120, 1), "{ends:?}");
    assert!(ends.first().unwrap().contains("Act"), "{ends:?}");
}

/// A pressure of 45 speaks by itself, whatever is wrong with the diastolic; that is told as well.
#[test]
fn invariant_04_stale_never_silences() {
    let diastolics: [(&str, Vec<Obs>); 3] = [
        ("none", Vec::new()),
        ("61 minutes old", vec![cuff("d", -59, "90")]),
        (
            "a bound that says nothing",
            vec![cuff("d", 0, "60").comparator(Comparator::Greater)],
        ),
    ];
    for (case, mut readings) in diastolics {
        let mut ward = Ward::adult();
        readings.push(compartment("c", 2, "45"));
        ward.take(3, &readings);
        assert!(ward.left(Family::Pressure) >= Some(Tier::Watch), "{case}");
        // A bound gives a delta that can raise nothing; without a delta the check is told.
        if case != "a bound that says nothing" {
            assert_eq!(ward.left(Family::Measurement), Some(Tier::Check), "{case}");
        }
        // An alert that is open is not closed by pressures that have no diastolic.
        let mut open = Ward::adult();
        open.take(3, &[cuff("d0", 0, "70"), compartment("c0", 2, "45")]);
        for minute in [120, 180, 240] {
            open.take(minute + 1, &[compartment(&format!("c{minute}"), minute, "10")]);
        }
        assert_eq!(open.left(Family::Pressure), Some(Tier::Act), "{case}");
    }
}

/// Every page, message and derived Observation of a limb that was low and is no longer.
#[tokio::test]
async fn invariant_05_no_all_clear() {
    assert!(
        wording::forbidden_in("The limb is safe.").is_some(),
        "the search finds what it is for"
    );
    let folder = tempfile::tempdir().unwrap();
    let (running, fhir) = start(folder.path());
    for (number, (hour, mmhg)) in [("08", 45.0), ("09", 12.0), ("10", 10.0), ("11", 10.0)]
        .into_iter()
        .enumerate()
    {
        fhir.put(&diastolic(&format!("d{number}"), &format!("{hour}:00"), 70.0))
            .await;
        fhir.put(&pressure(&format!("c{number}"), &format!("{hour}:02"), mmhg, "final"))
            .await;
    }
    fhir.put(&pressure("c0", "08:02", 45.0, "entered-in-error")).await;
    let mut texts: Vec<String> = Vec::new();
    for resource in fhir.deltas().await.iter().chain(&fhir.messages().await) {
        texts.push(resource.to_string());
    }
    assert!(texts.len() >= 6, "{texts:?}");
    for page in ["/", "/patient?id=Patient/p1", "/set-aside", "/stopped", "/rules"] {
        let answer = reqwest::get(format!("{}{page}", running.base)).await.unwrap();
        texts.push(text_of(&answer.text().await.unwrap()));
    }
    for text in texts {
        assert_eq!(wording::forbidden_in(&text), None, "{text}");
    }
}

/// 30 alerts, 31 does not; the sheet says how it compares, and that is printed.
#[test]
fn invariant_06_exactly_30_alerts() {
    for (pressure, alert) in [("40", true), ("39", false)] {
        let mut ward = Ward::adult();
        let told = ward.take(3, &[cuff("d", 0, "70"), compartment("c", 2, pressure)]);
        assert_eq!(ward.left(Family::Pressure) >= Some(Tier::Act), alert, "{pressure}");
        let sentence = told.messages.iter().flat_map(|message| &message.grounds).next();
        assert_eq!(
            sentence.is_some_and(|ground| ground.sentence.contains("at or below 30")),
            alert
        );
    }
    let sheet = Sheet::adult().unwrap();
    let printed = show::text(&sheet);
    assert!(printed.contains("at or below 30"), "{printed}");
}

/// The same compartment left, right and without a side: three sites, each on its own.
#[test]
fn invariant_07_left_is_never_right() {
    let mut ward = Ward::adult();
    let of = |name: &str, side: Side, mmhg: &str| compartment(name, 2, mmhg).at_site(side, "leg-anterior");
    ward.take(
        3,
        &[
            cuff("d", 0, "70"),
            of("left", Side::Left, "45"),
            of("right", Side::Right, "10"),
            of("unstated", Side::Unstated, "52"),
        ],
    );
    let tier = |side: Side| ward.tier(&crate::patient_support::site(side, "leg-anterior"), Family::Pressure);
    assert_eq!(tier(Side::Left), Some(Tier::Act));
    assert_eq!(tier(Side::Right), None);
    assert_eq!(tier(Side::Unstated), Some(Tier::Critical));
    let sites: BTreeSet<String> = ward
        .standing()
        .iter()
        .map(|one| format!("{:?}", one.draft.facts.site))
        .collect();
    assert_eq!(sites.len(), 3);
}

/// Every fixture, however broken, gives a reading, a withdrawal, a context, its members, or a refusal
/// with a reason of the closed list.
#[test]
fn invariant_08_nothing_silently_dropped() {
    let mapping = Mapping::builtin();
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/observations");
    let (mut refused, mut used) = (0, 0);
    for file in std::fs::read_dir(folder).unwrap() {
        let path = file.unwrap().path();
        if path.extension().is_none_or(|ending| ending != "json") {
            continue;
        }
        let text = String::from_utf8_lossy(&std::fs::read(&path).unwrap()).into_owned();
        let version = Version {
            number: None,
            id: "".into(),
            last_updated: None,
            digest: "".into(),
        };
        let found = recognise(&text, "x", version, &mapping);
        let taken = !found.readings.is_empty()
            || !found.contexts.is_empty()
            || !found.members.is_empty()
            || found.withdrawn.is_some();
        assert!(taken || !found.refusals.is_empty(), "{} is dropped", path.display());
        used += usize::from(taken);
        refused += found.refusals.len();
    }
    assert!(used > 30 && refused > 30, "{used} used, {refused} refused");
}

/// What was derived comes back under another id, as from a server that copies: it is set aside.
#[tokio::test]
async fn invariant_09_own_output_is_never_input() {
    let folder = tempfile::tempdir().unwrap();
    let (running, fhir) = start(folder.path());
    fhir.put(&diastolic("d1", "10:00", 70.0)).await;
    fhir.put(&pressure("c1", "10:02", 45.0, "final")).await;
    let before = (fhir.deltas().await, fhir.messages().await);
    let mut copy = before.0[0].clone();
    copy["id"] = json!("copy");
    // As a careless server might send it: with the code of a pressure beside ours.
    let coding =
        json!({"system": "https://deltaward.example/fhir/CodeSystem/measurement", "code": "compartment-pressure"});
    copy["code"]["coding"].as_array_mut().unwrap().push(coding);
    assert_eq!(fhir.put(&copy).await, StatusCode::CREATED);
    let deltas: Vec<Value> = fhir
        .deltas()
        .await
        .into_iter()
        .filter(|one| one["id"] != "copy")
        .collect();
    assert_eq!((deltas, fhir.messages().await), before);
    let metrics = reqwest::get(format!("{}/metrics", running.base)).await.unwrap();
    assert!(metrics.text().await.unwrap().contains("{reason=\"own-output\"} 1"));
}

/// Nothing pure reads a clock, only `main` makes one, and SQL never asks the time.
#[test]
fn invariant_10_time_is_an_argument() {
    architecture::pure_modules_reach_no_shell();
    let sql_times = [
        "current_timestamp",
        "current_time",
        "current_date",
        "datetime(",
        "julianday(",
        "strftime(",
        "unixepoch(",
    ];
    let mut files = architecture::rust_files(&architecture::src());
    let folder = architecture::src().join("store/sqlite");
    files.extend(std::fs::read_dir(folder).unwrap().map(|file| file.unwrap().path()));
    for path in files {
        let text = std::fs::read_to_string(&path).unwrap();
        let store = path.components().any(|part| part.as_os_str() == "store");
        if store {
            let low = text.to_lowercase();
            let asked = sql_times.iter().find(|word| low.contains(**word));
            assert_eq!(asked, None, "{}", path.display());
        }
        let clock = text.contains("Timestamp::now()") || text.contains("SystemTime::now()");
        assert!(
            !clock || path.ends_with("src/main.rs"),
            "{} reads the time",
            path.display()
        );
    }
}

/// Every limit has a name, a default and a range, and a body past one is refused.
#[tokio::test]
async fn invariant_11_bounded() {
    let nothing = |_: &str| None;
    for (table, keys) in [
        (
            "server",
            &[
                "max_body_bytes",
                "max_bundle_bytes",
                "max_depth",
                "queue_batches",
                "max_waiting_bytes",
                "max_connections",
                "head_seconds",
                "body_seconds",
                "idle_seconds",
                "write_seconds",
            ][..],
        ),
        (
            "source",
            &[
                "max_pages",
                "page_count",
                "timeout_seconds",
                "max_response_bytes",
                "interval_seconds",
            ][..],
        ),
        (
            "sink",
            &["max_backoff_seconds", "timeout_seconds", "max_response_bytes"][..],
        ),
    ] {
        for key in keys {
            let fhir = if table == "server" {
                ""
            } else {
                "fhir = \"http://127.0.0.1:1/fhir\"\n"
            };
            for value in ["0", "9223372036854775807"] {
                let text = format!("[{table}]\n{fhir}{key} = {value}\n");
                let refused = from_text(&text, "d.toml", &nothing).unwrap_err().to_string();
                assert!(refused.contains(&format!("{key} must be")), "{text}: {refused}");
            }
        }
    }
    let api = Api::new();
    let nested = |depth: usize| format!("{}1{}", "[".repeat(depth - 1), "]".repeat(depth - 1));
    let body = |depth| format!(r#"{{"resourceType":"Observation","id":"a","x":{}}}"#, nested(depth));
    let limits = server_config();
    for (depth, status) in [(limits.max_depth, 201), (limits.max_depth + 1, 400), (100_000, 400)] {
        let got = api.call("PUT", "/fhir/Observation/a", &[FHIR], body(depth)).await;
        assert_eq!(got.status.as_u16(), status, "{depth} deep");
    }
    for (bytes, status) in [(limits.max_body_bytes + 1, 413), (limits.max_bundle_bytes + 1, 413)] {
        let path = if bytes > limits.max_bundle_bytes {
            "/fhir"
        } else {
            "/fhir/Observation"
        };
        let got = api.call("POST", path, &[FHIR], " ".repeat(bytes)).await;
        got.issue(status);
    }
    // A patient's history is bounded too: the oldest are forgotten, and the newest judge.
    let mut ward = Ward::adult();
    let many = i64::try_from(SLOTS_KEPT + 100).unwrap();
    let readings: Vec<Obs> = (0..many)
        .map(|number| cuff(&format!("d{number}"), number * 10, "70"))
        .collect();
    ward.take(many * 10, &readings);
    assert_eq!(ward.state.slots.len(), SLOTS_KEPT);
}

/// A redirect, a `next` link and an absolute reference to another host: it is asked nothing.
#[tokio::test]
async fn invariant_12_no_token_to_strangers() {
    let (server, stranger) = (MockServer::start().await, MockServer::start().await);
    Mock::given(any())
        .respond_with(ResponseTemplate::new(200))
        .mount(&stranger)
        .await;
    let away = format!("{}/fhir/Observation", stranger.uri());
    let redirect = ResponseTemplate::new(302).insert_header("location", away.as_str());
    Mock::given(any()).respond_with(redirect).mount(&server).await;
    let mut config = FhirServerConfig::new(format!("{}/fhir", server.uri()).parse().unwrap());
    config.bearer_token = Some("invented-token".into());
    let client = FhirClient::new(&config).unwrap();
    let from = client.url("Observation", "").unwrap();
    assert!(client.get(from.clone()).await.is_err());
    assert!(client.get(away.parse().unwrap()).await.is_err());
    assert!(client.link(&from, &away).is_err());
    assert!(
        client
            .local_reference(&format!("{}/fhir/Patient/1", stranger.uri()))
            .is_err()
    );
    let own = server.received_requests().await.unwrap();
    assert_eq!(own.len(), 1);
    assert_eq!(own[0].headers["authorization"], "Bearer invented-token");
    assert!(stranger.received_requests().await.unwrap().is_empty());
}
