//! `GET /fhir/{type}?…` (R4 "Search").

use super::support::{Api, assert_valid};
use axum::body::Body;
use serde_json::{Value, json};

fn observation(id: &str, patient: &str, system: Option<&str>, code: &str, at: &str) -> Value {
    let mut coding = json!({"code": code});
    if let Some(system) = system {
        coding["system"] = json!(system);
    }
    json!({"resourceType": "Observation", "id": id, "status": "final", "code": {"coding": [coding]},
           "subject": {"reference": format!("Patient/{patient}")}, "effectiveDateTime": at,
           "identifier": [{"system": "urn:m", "value": id}]})
}

/// Five Observations, one a second from 22:10:00.
async fn filled() -> Api {
    let api = Api::new();
    let loinc = Some("http://loinc.org");
    for body in [
        observation("a", "1", loinc, "8462-4", "2026-03-05T21:00:00Z"),
        observation("b", "1", None, "8462-4", "2026-03-05T21:10:00Z"),
        observation("c", "2", loinc, "8480-6", "2026-03-05T21:20:00Z"),
        observation("d", "1", Some("urn:x"), "p|q,r", "2026-03-05T23:20:00+01:00"),
        observation("e", "1", loinc, "85354-9", "2026-03-08"),
    ] {
        let id = body["id"].as_str().unwrap();
        assert_eq!(
            api.put(&format!("/fhir/Observation/{id}"), &body).await.status.as_u16(),
            201
        );
        api.pass(1);
    }
    api
}

fn ids(bundle: &Value) -> String {
    let matches = bundle["entry"].as_array().map(Vec::as_slice).unwrap_or_default().iter();
    matches
        .filter(|entry| entry["search"]["mode"] == "match")
        .map(|entry| entry["resource"]["id"].as_str().unwrap())
        .collect()
}

async fn found(api: &Api, query: &str) -> String {
    let got = api.get(&format!("/fhir/Observation?{query}")).await;
    assert_eq!(got.status.as_u16(), 200, "{query}: {}", got.text);
    let bundle = got.json();
    assert_valid(&bundle);
    let ids = ids(&bundle);
    assert_eq!(bundle["total"], ids.len(), "{query}");
    ids
}

#[tokio::test]
async fn every_parameter_selects() {
    let api = filled().await;
    for (query, expected) in [
        ("", "abcde"),
        ("patient=1", "abde"),
        ("patient=Patient/1", "abde"),
        ("patient=http://localhost:8080/fhir/Patient/1", "abde"),
        ("patient=http://other.example/fhir/Patient/1", ""),
        ("subject=2", "c"),
        ("subject:Patient=2", "c"),
        ("subject=Group/2", ""),
        ("code=8462-4", "ab"),
        ("code=http://loinc.org|8462-4", "a"),
        ("code=http://loinc.org%7C8462-4", "a"),
        ("code=%7C8462-4", "b"),
        ("code=8480-6,8462-4", "abc"),
        (r"code=urn:x|p\|q\,r", "d"),
        ("code=8462-4&patient=2", ""),
        ("_id=a,c", "ac"),
        ("identifier=urn:m|d", "d"),
        ("identifier=d", "d"),
        ("identifier=%7Cd", ""),
        ("status=final", "abcde"),
        ("status=amended,preliminary", ""),
        ("date=ge2026-03-05T21:10:00Z&date=lt2026-03-05T21:20Z", "b"),
        ("date=2026-03-05T22:10%2B01:00", "b"),
        ("_sort=-_lastUpdated", "edcba"),
        ("_sort=_lastUpdated", "abcde"),
        ("_format=json&_total=accurate", "abcde"),
    ] {
        assert_eq!(found(&api, query).await, expected, "{query}");
    }
}

/// R4 "date" search: a value stands for the whole interval of its precision. Entries stand at
/// 22:10:00, :01, :02, :03, :04.
#[tokio::test]
async fn last_updated_follows_prefix_and_precision() {
    let api = filled().await;
    for (query, expected) in [
        ("_lastUpdated=ge2026-03-05T22:10:02Z", "cde"),
        ("_lastUpdated=gt2026-03-05T22:10:02Z", "de"),
        ("_lastUpdated=sa2026-03-05T22:10:02Z", "de"),
        ("_lastUpdated=le2026-03-05T22:10:02Z", "abc"),
        ("_lastUpdated=lt2026-03-05T22:10:02Z", "ab"),
        ("_lastUpdated=eb2026-03-05T22:10:02Z", "ab"),
        ("_lastUpdated=eq2026-03-05T22:10:02Z", "c"),
        ("_lastUpdated=2026-03-05T22:10:02.000Z", "c"),
        ("_lastUpdated=2026-03-05T22:10:02.001Z", ""),
        ("_lastUpdated=2026-03-05T23:10:02%2B01:00", "c"),
        ("_lastUpdated=2026-03-05T22:10Z", "abcde"),
        ("_lastUpdated=2026-03-05", "abcde"),
        ("_lastUpdated=2026-03", "abcde"),
        ("_lastUpdated=lt2026", ""),
        ("_lastUpdated=gt2026-03-05", ""),
        (
            "_lastUpdated=ge2026-03-05T22:10:01Z&_lastUpdated=lt2026-03-05T22:10:03Z",
            "bc",
        ),
        (
            "_lastUpdated=ge2026-03-05T22:10:04Z&_lastUpdated=lt2026-03-05T22:10:01Z",
            "",
        ),
    ] {
        assert_eq!(found(&api, query).await, expected, "{query}");
    }
}

#[tokio::test]
async fn bad_values_are_always_refused() {
    let api = filled().await;
    for query in [
        "_lastUpdated=yesterday",
        "_lastUpdated=ne2026",
        "_lastUpdated=ap2026",
        "_lastUpdated=2026-13",
        "_lastUpdated=2026-02-30",
        "_lastUpdated=0000",
        "_lastUpdated=2026-3-5",
        "_lastUpdated=2026-03-05T22:10:02",
        "_lastUpdated=2026-03-05T23:10:02+01:00",
        "_lastUpdated=ge2026,lt2027",
        "_lastUpdated=",
        "_lastUpdated:missing=true",
        "date=sa2026",
        "_count=-1",
        "_count=x",
        "_sort=date",
        "_page=1",
        "_page=a.b.c",
        "code=",
        "code=a,,b",
        "code=a|b|c",
        "code=a|",
        "code=a&code=b",
        "code:text=a",
        "patient=1,2",
        "patient=1&subject=2",
        "patient=a_b",
        "_id=a_b",
        "identifier=a,b",
        "_total=many",
    ] {
        let issue = api.get(&format!("/fhir/Observation?{query}")).await.issue(400);
        assert_eq!(issue["code"], "value", "{query}");
    }
    let issue = api
        .get("/fhir/Observation?date=2026-03-05T23:10:02+01:00")
        .await
        .issue(400);
    assert!(issue["diagnostics"].as_str().unwrap().contains("%2B"));
    let many = vec!["x"; 201].join(",");
    api.get(&format!("/fhir/Observation?code={many}")).await.issue(400);
}

/// R4 "Handling Errors" of search: lenient by default and said so, strict on request.
#[tokio::test]
async fn unknown_parameters_are_listed_or_refused() {
    let api = filled().await;
    let got = api.get("/fhir/Observation?_id=a&colour=red&_include=x").await;
    let bundle = got.json();
    assert_valid(&bundle);
    assert_eq!((ids(&bundle).as_str(), &bundle["total"]), ("a", &json!(1)));
    assert_eq!(bundle["link"][0]["url"], "http://localhost:8080/fhir/Observation?_id=a");
    let outcome = &bundle["entry"][1];
    assert_eq!(outcome["search"]["mode"], "outcome");
    let said = outcome["resource"]["issue"][0]["diagnostics"].as_str().unwrap();
    assert!(said.contains("colour, _include"), "{said}");
    let strict = [("prefer", "handling=strict")];
    api.call("GET", "/fhir/Observation?_id=a&colour=red", &strict, Body::empty())
        .await
        .issue(400);
    // A parameter of another type is unknown here.
    api.call("GET", "/fhir/Patient?code=a", &strict, Body::empty())
        .await
        .issue(400);
}

/// Follows `next` as it is given; the ids of every page.
async fn pages(api: &Api, query: &str) -> Vec<String> {
    let mut path = format!("/fhir/Observation?{query}");
    let mut pages = Vec::new();
    loop {
        let bundle = api.get(&path).await.json();
        assert_valid(&bundle);
        assert_eq!(bundle["total"], 5, "each page says the same total");
        pages.push(ids(&bundle));
        let links = bundle["link"].as_array().unwrap();
        assert_eq!(links[0]["relation"], "self");
        let Some(next) = links.iter().find(|link| link["relation"] == "next") else {
            return pages;
        };
        path = next["url"]
            .as_str()
            .unwrap()
            .strip_prefix("http://localhost:8080")
            .unwrap()
            .to_owned();
        assert!(pages.len() < 9, "pages without an end");
    }
}

#[tokio::test]
async fn pages_follow_each_other() {
    let api = filled().await;
    assert_eq!(pages(&api, "_count=2").await, ["ab", "cd", "e"]);
    assert_eq!(pages(&api, "_count=2&_sort=-_lastUpdated").await, ["ed", "cb", "a"]);
    assert_eq!(pages(&api, "_count=5").await, ["abcde"]);
    assert_eq!(pages(&api, "_count=100000").await, ["abcde"]);
    let none = api.get("/fhir/Observation?_count=0").await.json();
    assert_valid(&none);
    assert_eq!((ids(&none).as_str(), &none["total"]), ("", &json!(5)));
    // All of one moment, as a group commit makes them.
    let api = Api::new();
    for id in ["a", "b", "c", "d", "e"] {
        api.put(
            &format!("/fhir/Observation/{id}"),
            &observation(id, "1", None, "x", "2026-03-05T21:00:00Z"),
        )
        .await;
    }
    assert_eq!(pages(&api, "_count=2").await, ["ab", "cd", "e"]);
    assert_eq!(pages(&api, "_count=2&_sort=-_lastUpdated").await, ["ed", "cb", "a"]);
}

/// R4 "Search", 3.1.1.5: a server may return fewer than `_count` asks for, and every match is on some page.
#[tokio::test]
async fn a_page_ends_by_bytes_as_well_as_by_count() {
    use deltaward::server::fhir::search::PAGE_BYTES;
    let mut api = Api::new();
    api.app.limits.max_body_bytes = 2 * PAGE_BYTES;
    // Three fit into a page, and one is larger than a page; of one moment, and of several.
    let letters = ["a", "b", "c", "d", "e"];
    for pass in [0, 1] {
        for id in letters {
            let mut body = observation(id, "1", None, "x", "2026-03-05T21:00:00Z");
            let bytes = if id == "d" {
                PAGE_BYTES + 1
            } else {
                PAGE_BYTES / 3 - 1000
            };
            body["note"] = json!([{"text": format!("{pass}{}", "x".repeat(bytes))}]);
            let got = api.put(&format!("/fhir/Observation/{id}"), &body).await;
            assert!(got.status.is_success(), "{}", got.status);
            api.pass(pass);
        }
        for count in ["", "_count=1000"] {
            assert_eq!(pages(&api, count).await, ["abc", "d", "e"]);
            let newest_first = format!("{count}&_sort=-_lastUpdated");
            assert_eq!(
                pages(&api, newest_first.trim_start_matches('&')).await,
                ["e", "d", "cba"]
            );
        }
        assert_eq!(pages(&api, "_count=2").await, ["ab", "c", "d", "e"]);
        let first = api.get("/fhir/Observation").await;
        assert!(first.text.len() < PAGE_BYTES + 10_000, "{}", first.text.len());
        assert_eq!(first.json()["total"], json!(5));
    }
}

/// With plain offsets, an update between two pages would make the reader miss a resource.
#[tokio::test]
async fn an_update_between_pages_hides_nothing() {
    let api = filled().await;
    let first = api.get("/fhir/Observation?_count=2").await.json();
    assert_eq!(ids(&first), "ab");
    let mut changed = observation("a", "1", None, "x", "2026-03-05T21:00:00Z");
    changed["status"] = json!("amended");
    api.put("/fhir/Observation/a", &changed).await;
    let mut path = first["link"][1]["url"].as_str().unwrap().to_owned();
    let mut rest = String::new();
    for _ in 0..3 {
        let bundle = api
            .get(path.strip_prefix("http://localhost:8080").unwrap())
            .await
            .json();
        rest.push_str(&ids(&bundle));
        match bundle["link"].get(1) {
            Some(next) => path = next["url"].as_str().unwrap().to_owned(),
            None => break,
        }
    }
    for id in ["c", "d", "e", "a"] {
        assert!(rest.contains(id), "{id} is missing from {rest}");
    }
}

#[tokio::test]
async fn deleted_resources_are_not_found() {
    let api = filled().await;
    api.call("DELETE", "/fhir/Observation/c", &[], Body::empty()).await;
    assert_eq!(found(&api, "").await, "abde");
}

#[tokio::test]
async fn derived_communications_are_found_by_patient() {
    let api = Api::new();
    let identity = uuid::Uuid::new_v5(&uuid::Uuid::NAMESPACE_URL, b"m");
    api.derive(
        "Communication",
        identity,
        json!({"resourceType": "Communication", "status": "completed", "subject": {"reference": "Patient/1"}}),
    );
    let bundle = api.get("/fhir/Communication?patient=1&status=completed").await.json();
    assert_valid(&bundle);
    assert_eq!(
        bundle["entry"][0]["fullUrl"],
        format!("http://localhost:8080/fhir/Communication/{identity}")
    );
    assert_eq!(api.get("/fhir/Communication?patient=2").await.json()["total"], 0);
}

/// What all callers read at once is bounded: a batch by itself, and all of them together.
#[tokio::test]
async fn what_is_read_at_once_is_bounded() {
    use deltaward::server::fhir::search::PAGE_BYTES;
    let mut api = Api::new();
    api.app.limits.max_body_bytes = 2 * PAGE_BYTES;
    let mut body = observation("a", "1", None, "x", "2026-03-05T21:00:00Z");
    body["note"] = json!([{"text": "x".repeat(PAGE_BYTES - 1000)}]);
    assert!(api.put("/fhir/Observation/a", &body).await.status.is_success());
    let read = json!({"request": {"method": "GET", "url": "Observation/a"}});
    let batch = json!({"resourceType": "Bundle", "type": "batch", "entry": vec![read; 5]});
    let answer = api.post("/fhir", &batch).await.json();
    let statuses: Vec<&str> = answer["entry"]
        .as_array()
        .unwrap()
        .iter()
        .map(|entry| entry["response"]["status"].as_str().unwrap().split(' ').next().unwrap())
        .collect();
    assert_eq!(statuses, ["200", "200", "200", "413", "413"]);
    // Answers that nobody takes hold their room; whoever comes past it is told to come again.
    let ask = || {
        let request = axum::http::Request::get("/fhir/Observation").header("host", "localhost:8080");
        tower::ServiceExt::oneshot(api.router(), request.body(axum::body::Body::empty()).unwrap())
    };
    let mut unread = Vec::new();
    let refused = loop {
        let answer = ask().await.unwrap();
        if answer.status() != 200 {
            break answer;
        }
        unread.push(answer);
        assert!(unread.len() < 20, "nothing bounds the answers");
    };
    assert_eq!(refused.status(), 503);
    assert!(refused.headers().contains_key("retry-after"));
    drop(unread);
    assert_eq!(ask().await.unwrap().status(), 200);
}
