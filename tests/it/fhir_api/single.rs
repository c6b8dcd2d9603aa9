//! Create, read, update, delete of one resource.

use super::support::{Api, FHIR, START, assert_valid, example};
use axum::body::Body;
use deltaward::fhir::Instant;
use serde_json::{Value, json};

fn pressure(id: &str) -> Value {
    json!({"resourceType": "Observation", "id": id, "status": "final", "code": {"text": "x"},
           "subject": {"reference": "Patient/1"}})
}

/// R4 "create": 201, Location with id and version, ETag, the server's id and meta.
#[tokio::test]
async fn a_create_gets_an_id_of_ours_after_the_commit() {
    let api = Api::new();
    let got = api.post("/fhir/Observation", &pressure("the-clients")).await;
    assert_eq!(got.status.as_u16(), 201);
    let stored = got.json();
    assert_valid(&stored);
    let id = stored["id"].as_str().unwrap();
    assert_eq!(uuid::Uuid::parse_str(id).unwrap().get_version_num(), 4);
    assert_eq!(stored["meta"]["versionId"], "1");
    assert_eq!(stored["meta"]["lastUpdated"], Instant::from_millis(START).to_string());
    assert_eq!(got.header("etag"), "W/\"1\"");
    // `date -u -R -d @1772748600`
    assert_eq!(got.header("last-modified"), "Thu, 05 Mar 2026 22:10:00 GMT");
    assert_eq!(
        got.header("location"),
        format!("http://localhost:8080/fhir/Observation/{id}/_history/1")
    );
    assert_eq!(got.header("content-type"), "application/fhir+json");
    assert!(api.store.input("Observation", id).unwrap().is_some());
    let read = api.get(&format!("/fhir/Observation/{id}")).await;
    assert_eq!(read.text, got.text);
    let version = api.get(&format!("/fhir/Observation/{id}/_history/1")).await;
    assert_eq!(version.text, got.text);
    api.get(&format!("/fhir/Observation/{id}/_history/2")).await.issue(404);
}

#[tokio::test]
async fn official_examples_go_in_and_come_back_as_sent() {
    let api = Api::new();
    let names = [
        "Observation-blood-pressure",
        "Observation-blood-pressure-cancel",
        "Observation-blood-pressure-dar",
        "Observation-decimal",
        "Observation-map-sitting",
        "Observation-mbp",
        "Observation-unsat",
        "Observation-vitals-panel",
        "Patient-example",
        "Procedure-ambulation",
        "Procedure-example",
        "Procedure-f002",
    ];
    for name in names {
        let sent = example(name);
        let (kind, id) = name.split_once('-').unwrap();
        // A file's name is made of its id, except this one's: "vitals-panel" is, "unsat" is.
        let body: Value = serde_json::from_str(&sent).unwrap();
        assert_eq!(body["id"], id, "{name}");
        let got = api
            .call("PUT", &format!("/fhir/{kind}/{id}"), &[FHIR], sent.clone())
            .await;
        assert_eq!(got.status.as_u16(), 201, "{name}: {}", got.text);
        let mut back = got.json();
        assert_valid(&back);
        back["meta"]
            .as_object_mut()
            .unwrap()
            .retain(|key, _| key != "versionId" && key != "lastUpdated");
        let mut sent: Value = serde_json::from_str(&sent).unwrap();
        if let Some(meta) = sent["meta"].as_object_mut() {
            meta.retain(|key, _| key != "versionId" && key != "lastUpdated");
        } else {
            sent["meta"] = json!({});
        }
        assert_eq!(back, sent, "{name}");
        let posted = api
            .call("POST", &format!("/fhir/{kind}"), &[FHIR], sent.to_string())
            .await;
        assert_eq!(posted.status.as_u16(), 201, "{name}: {}", posted.text);
    }
}

/// R4 "decimal": the precision is part of the value and must be kept.
#[tokio::test]
async fn decimals_keep_their_digits() {
    let api = Api::new();
    let body = r#"{"resourceType":"Observation","id":"d","status":"final","valueQuantity":{"value":40.00,"unit":"mm[Hg]"},
                   "component":[{"valueQuantity":{"value":1.000000000000000000001e1}}]}"#;
    let got = api.call("PUT", "/fhir/Observation/d", &[FHIR], body).await;
    let read = api.get("/fhir/Observation/d").await;
    let found = api.get("/fhir/Observation?_id=d").await;
    for text in [&got.text, &read.text, &found.text] {
        assert!(text.contains(r#""value":40.00,"#), "{text}");
        assert!(text.contains("1.000000000000000000001e1"), "{text}");
    }
}

#[tokio::test]
async fn an_update_creates_then_updates_then_changes_nothing() {
    let api = Api::new();
    let first = api.put("/fhir/Observation/a", &pressure("a")).await;
    assert_eq!((first.status.as_u16(), first.header("etag")), (201, "W/\"1\""));
    assert_eq!(
        first.header("location"),
        "http://localhost:8080/fhir/Observation/a/_history/1"
    );
    api.pass(1);
    let same = api.put("/fhir/Observation/a", &pressure("a")).await;
    assert_eq!((same.status.as_u16(), same.header("etag")), (200, "W/\"1\""));
    // What was read here and is sent back as it is, with our meta, is no change either.
    let read = api.get("/fhir/Observation/a").await.json();
    let back = api.put("/fhir/Observation/a", &read).await;
    assert_eq!(back.header("etag"), "W/\"1\"");
    let mut changed = pressure("a");
    changed["status"] = json!("amended");
    let updated = api.put("/fhir/Observation/a", &changed).await;
    assert_eq!((updated.status.as_u16(), updated.header("etag")), (200, "W/\"2\""));
    assert_eq!(updated.json()["status"], "amended");
}

/// R4 "Managing Resource Contention": If-Match with another version is 412.
#[tokio::test]
async fn if_match_guards_a_write() {
    let api = Api::new();
    api.put("/fhir/Observation/a", &pressure("a")).await;
    let mut changed = pressure("a");
    changed["status"] = json!("amended");
    let with = async |tag: &str, method: &str| {
        api.call(
            method,
            "/fhir/Observation/a",
            &[FHIR, ("if-match", tag)],
            changed.to_string(),
        )
        .await
    };
    let issue = with("W/\"7\"", "PUT").await.issue(412);
    assert_eq!(issue["code"], "conflict");
    with("W/\"7\"", "DELETE").await.issue(412);
    with("*", "PUT").await.issue(400);
    assert_eq!(with("W/\"1\"", "PUT").await.status.as_u16(), 200);
    assert_eq!(with("W/\"2\"", "DELETE").await.status.as_u16(), 204);
    // A create-only PUT is not offered: to ignore the header would overwrite.
    let only_new = [FHIR, ("if-none-match", "*")];
    api.call("PUT", "/fhir/Observation/b", &only_new, pressure("b").to_string())
        .await
        .issue(400);
    assert!(api.store.input("Observation", "b").unwrap().is_none());
    api.call("POST", "/fhir/Observation", &only_new, pressure("b").to_string())
        .await
        .issue(400);
    // Nor in a Bundle (Bundle.entry.request.ifNoneMatch), in which the resource would be overwritten, too.
    api.put("/fhir/Observation/b", &pressure("b")).await;
    for kind in ["batch", "transaction"] {
        let bundle = json!({"resourceType": "Bundle", "type": kind, "entry": [{
            "resource": pressure("b"),
            "request": {"method": "PUT", "url": "Observation/b", "ifNoneMatch": "*"},
        }]});
        let answer = api.call("POST", "/fhir", &[FHIR], bundle.to_string()).await;
        assert!(answer.text.contains("not-supported"), "{kind}: {}", answer.text);
        let held = api.store.input("Observation", "b").unwrap().unwrap();
        assert_eq!(held.version.id, "1", "{kind}");
    }
}

/// R4 "conditional read": 304 for the version that the caller holds.
#[tokio::test]
async fn a_reader_who_holds_the_version_gets_304() {
    let api = Api::new();
    api.put("/fhir/Observation/a", &pressure("a")).await;
    let read = async |name: &str, value: &str| {
        api.call("GET", "/fhir/Observation/a", &[(name, value)], Body::empty())
            .await
    };
    for (name, value, status) in [
        ("if-none-match", "W/\"1\"", 304),
        ("if-none-match", "W/\"0\", W/\"1\"", 304),
        ("if-none-match", "W/\"2\"", 200),
        ("if-modified-since", "Thu, 05 Mar 2026 22:10:00 GMT", 304),
        ("if-modified-since", "Thu, 05 Mar 2026 22:09:59 GMT", 200),
    ] {
        let got = read(name, value).await;
        assert_eq!(got.status.as_u16(), status, "{name}: {value}");
        assert_eq!(got.header("etag"), "W/\"1\"");
        assert_eq!(got.text.is_empty(), status == 304);
    }
}

/// R4 "delete" and "read": 204 also when there was nothing; 410 after a delete, 404 for the unknown.
#[tokio::test]
async fn deleted_is_gone_and_can_come_back() {
    let api = Api::new();
    api.get("/fhir/Observation/a").await.issue(404);
    api.put("/fhir/Observation/a", &pressure("a")).await;
    let delete = async |path: &str| api.call("DELETE", path, &[], Body::empty()).await;
    assert_eq!(delete("/fhir/Observation/a").await.status.as_u16(), 204);
    let gone = api.get("/fhir/Observation/a").await;
    assert_eq!(gone.issue(410)["code"], "deleted");
    assert_eq!(gone.header("etag"), "W/\"2\"");
    assert_eq!(delete("/fhir/Observation/a").await.status.as_u16(), 204);
    assert_eq!(delete("/fhir/Observation/never").await.status.as_u16(), 204);
    let again = api.put("/fhir/Observation/a", &pressure("a")).await;
    assert_eq!((again.status.as_u16(), again.header("etag")), (201, "W/\"3\""));
}

/// RFC 7240 with the values of R4 "Managing Return Content".
#[tokio::test]
async fn prefer_says_what_comes_back() {
    let api = Api::new();
    let put = async |prefer: &str| {
        api.call(
            "PUT",
            "/fhir/Observation/a",
            &[FHIR, ("prefer", prefer)],
            pressure("a").to_string(),
        )
        .await
    };
    let minimal = put("handling=lenient, return=minimal").await;
    assert_eq!((minimal.status.as_u16(), minimal.text.as_str()), (201, ""));
    assert_eq!(minimal.header("etag"), "W/\"1\"");
    assert!(!minimal.header("location").is_empty());
    assert_eq!(put("return=representation").await.json()["resourceType"], "Observation");
    let issue = put("return=OperationOutcome").await.issue(200);
    assert_eq!(issue["severity"], "information");
    let headers = [("prefer", "return=OperationOutcome")];
    let deleted = api.call("DELETE", "/fhir/Observation/a", &headers, Body::empty()).await;
    assert_eq!(deleted.issue(200)["severity"], "information");
}

/// R4 "conditional create": none → 201, one → 200 and nothing created, more → 412.
#[tokio::test]
async fn if_none_exist_creates_once() {
    let api = Api::new();
    let mut body = pressure("x");
    body["identifier"] = json!([{"system": "urn:m", "value": "7"}]);
    let create = async |condition: &str| {
        api.call(
            "POST",
            "/fhir/Observation",
            &[FHIR, ("if-none-exist", condition)],
            body.to_string(),
        )
        .await
    };
    let first = create("identifier=urn:m|7").await;
    assert_eq!(first.status.as_u16(), 201);
    let second = create("identifier=urn:m%7C7").await;
    assert_eq!(second.status.as_u16(), 200);
    assert_eq!(second.json()["id"], first.json()["id"]);
    assert_eq!(second.header("location"), first.header("location"));
    // Two at once: one of them creates.
    body["identifier"] = json!([{"system": "urn:m", "value": "8"}]);
    let create = async |condition: &str| {
        let headers = [FHIR, ("if-none-exist", condition)];
        api.call("POST", "/fhir/Observation", &headers, body.to_string()).await
    };
    let (one, two) = tokio::join!(create("identifier=urn:m|8"), create("identifier=urn:m|8"));
    let mut statuses = [one.status.as_u16(), two.status.as_u16()];
    statuses.sort_unstable();
    assert_eq!(statuses, [200, 201]);
    api.post("/fhir/Observation", &body).await;
    assert_eq!(
        create("identifier=urn:m|8").await.issue(412)["code"],
        "multiple-matches"
    );
    // A condition that would match on less than it says is refused.
    for condition in [
        "",
        "code=x",
        "identifier=urn:m|8&status=final",
        "identifier=a&foo=b",
        "identifier=urn:m|",
    ] {
        create(condition).await.issue(400);
    }
}

/// R4 "conditional update".
#[tokio::test]
async fn put_by_identifier_updates_the_one() {
    let api = Api::new();
    let mut body = json!({"resourceType": "Observation", "status": "final", "code": {"text": "x"},
                          "identifier": [{"system": "urn:m", "value": "7"}]});
    let path = "/fhir/Observation?identifier=urn:m%7C7";
    let created = api.put(path, &body).await;
    assert_eq!(created.status.as_u16(), 201);
    body["status"] = json!("amended");
    let updated = api.put(path, &body).await;
    assert_eq!(updated.status.as_u16(), 200);
    assert_eq!(updated.json()["id"], created.json()["id"]);
    assert_eq!(updated.json()["status"], "amended");
    body["id"] = json!("another");
    api.put(path, &body).await.issue(400);
    // No match, id provided: "the server treats the interaction as an Update as Create interaction".
    body["identifier"][0]["value"] = json!("9");
    let named = api.put("/fhir/Observation?identifier=urn:m%7C9", &body).await;
    assert_eq!(
        (named.status.as_u16(), named.json()["id"].as_str()),
        (201, Some("another"))
    );
    api.put("/fhir/Observation", &body).await.issue(400);
}

#[tokio::test]
async fn what_we_derive_can_only_be_read() {
    let api = Api::new();
    let identity_of = |kind: &str| uuid::Uuid::new_v5(&uuid::Uuid::NAMESPACE_URL, kind.as_bytes());
    for body in [
        json!({"resourceType": "Observation", "status": "final", "code": {"text": "x"}}),
        json!({"resourceType": "Communication", "status": "completed"}),
        json!({"resourceType": "Device"}),
    ] {
        let kind = body["resourceType"].as_str().unwrap().to_owned();
        api.derive(&kind, identity_of(&kind), body);
        let got = api.get(&format!("/fhir/{kind}/{}", identity_of(&kind))).await;
        assert_eq!(got.status.as_u16(), 200, "{kind}");
        assert_valid(&got.json());
        assert_eq!(got.header("etag"), "W/\"1\"");
    }
    let identity = identity_of("Observation");
    let path = format!("/fhir/Observation/{identity}");
    assert_eq!(
        api.put(&path, &pressure(&identity.to_string())).await.issue(403)["code"],
        "business-rule"
    );
    api.call("DELETE", &path, &[], Body::empty()).await.issue(403);
    let got = api
        .put(
            "/fhir/Communication/x",
            &json!({"resourceType": "Communication", "id": "x"}),
        )
        .await;
    got.issue(405);
    assert_eq!(got.header("allow"), "GET,HEAD");
    api.post("/fhir/Communication", &json!({"resourceType": "Communication"}))
        .await
        .issue(405);
    api.call("DELETE", "/fhir/Device/x", &[], Body::empty())
        .await
        .issue(405);
    assert_eq!(api.batch_count(), 0, "nothing reached the engine");
    // Another sender's version 5 id is not ours.
    let foreign = uuid::Uuid::new_v5(&uuid::Uuid::NAMESPACE_URL, b"b").to_string();
    let got = api
        .put(&format!("/fhir/Observation/{foreign}"), &pressure(&foreign))
        .await;
    assert_eq!(got.status.as_u16(), 201);
}

/// A measurement is not thrown back over its form: it is kept, and the engine sets it aside.
#[tokio::test]
async fn an_observation_that_cannot_be_used_is_kept() {
    let api = Api::new();
    for body in [
        json!({"resourceType": "Observation", "id": "a"}),
        json!({"resourceType": "Observation", "id": "a", "status": 7, "code": [], "nonsense": true}),
        json!({"resourceType": "Observation", "id": "a", "valueQuantity": {"value": 40, "unit": "furlong"}}),
    ] {
        let got = api.put("/fhir/Observation/a", &body).await;
        assert!(got.status.is_success(), "{}", got.text);
        let kept: Value = serde_json::from_str(&api.store.input("Observation", "a").unwrap().unwrap().body).unwrap();
        let mut kept = kept;
        kept.as_object_mut().unwrap().remove("meta");
        assert_eq!(kept, body);
    }
}
