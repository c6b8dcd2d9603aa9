//! Batch and transaction (R4 "RESTful API", sections "Batch/Transaction" and "Transaction
//! Processing Rules").

use super::support::{Api, FHIR, Got, assert_valid, example};
use serde_json::{Value, json};

const PATIENT: &str = "urn:uuid:61ebe359-bfdc-4613-8bf2-c5e300945f0a";
const MEMBER: &str = "urn:uuid:88f151c0-a954-468a-88bd-5ae15c08e059";

fn observation(subject: &str) -> Value {
    json!({"resourceType": "Observation", "status": "final", "code": {"text": "x"}, "subject": {"reference": subject}})
}

fn with_id(id: &str) -> Value {
    let mut body = observation("Patient/1");
    body["id"] = json!(id);
    body
}

fn entry(method: &str, url: &str, resource: Option<Value>) -> Value {
    let mut entry = json!({"request": {"method": method, "url": url}});
    if let Some(resource) = resource {
        entry["resource"] = resource;
    }
    entry
}

async fn send(api: &Api, kind: &str, entries: Vec<Value>) -> Got {
    let bundle = json!({"resourceType": "Bundle", "type": kind, "entry": entries});
    api.post("/fhir", &bundle).await
}

/// The statuses of a response Bundle that passes the R4 schema.
fn statuses(got: &Got, kind: &str) -> Vec<u16> {
    assert_eq!(got.status.as_u16(), 200, "{}", got.text);
    assert_eq!(got.header("content-type"), "application/fhir+json");
    let bundle = got.json();
    assert_valid(&bundle);
    assert_eq!(bundle["type"], kind);
    let entries = bundle["entry"].as_array().unwrap().iter();
    entries
        .map(|entry| {
            let status = entry["response"]["status"].as_str().unwrap();
            let code: u16 = status.split(' ').next().unwrap().parse().unwrap();
            assert_eq!(code >= 400, entry["response"]["outcome"].is_object(), "{entry}");
            code
        })
        .collect()
}

#[tokio::test]
async fn a_batch_answers_each_entry_on_its_own() {
    let api = Api::new();
    api.put("/fhir/Observation/old", &with_id("old")).await;
    let mut stale = entry("PUT", "Observation/old", Some(with_id("old")));
    stale["request"]["ifMatch"] = json!("W/\"9\"");
    let mut held = entry("GET", "Observation/old", None);
    held["request"]["ifNoneMatch"] = json!("W/\"1\"");
    let entries = vec![
        entry("GET", "Observation/new", None),
        entry("POST", "Observation", Some(observation("Patient/1"))),
        entry("PUT", "Observation/new", Some(with_id("new"))),
        entry("PUT", "Observation/other", Some(with_id("new"))),
        stale,
        entry("DELETE", "Observation/never", None),
        entry("POST", "Encounter", Some(json!({"resourceType": "Encounter"}))),
        entry("PUT", "Communication/x", Some(json!({"resourceType": "Communication"}))),
        entry("PUT", "Observation/new", None),
        entry("GET", "Observation?patient=1&_count=1", None),
        entry("GET", "Observation?_count=x", None),
        held,
        entry("PATCH", "Observation/new", None),
        json!({"resource": observation("Patient/1")}),
        json!(7),
        entry("POST", "Observation", Some(observation(PATIENT))),
    ];
    let got = send(&api, "batch", entries).await;
    assert_eq!(
        statuses(&got, "batch-response"),
        [
            200, 201, 201, 400, 412, 204, 404, 405, 400, 200, 400, 304, 400, 400, 400, 400
        ]
    );
    let bundle = got.json();
    let entries = &bundle["entry"];
    assert_eq!(entries[0]["resource"]["id"], "new", "reads see what the batch wrote");
    assert_eq!(entries[2]["response"]["etag"], "W/\"1\"");
    assert_eq!(
        entries[2]["response"]["location"],
        "http://localhost:8080/fhir/Observation/new/_history/1"
    );
    assert_eq!(entries[2]["response"]["lastModified"], "2026-03-05T22:10:00.000Z");
    assert_eq!(entries[2].get("resource"), None);
    assert_eq!(entries[9]["resource"]["type"], "searchset");
    assert_eq!(entries[9]["resource"]["total"], 3);
    // All writes were one batch, so one commit (the first one was the PUT before).
    assert_eq!(api.batch_count(), 2);
    assert!(!api.batches.lock().unwrap()[1].atomic);
}

#[tokio::test]
async fn prefer_reaches_the_entries() {
    let api = Api::new();
    let bundle = json!({"resourceType": "Bundle", "type": "batch",
                        "entry": [entry("PUT", "Observation/a", Some(with_id("a")))]});
    let post = async |prefer: &str| {
        let headers = [FHIR, ("prefer", prefer)];
        api.call("POST", "/fhir", &headers, bundle.to_string()).await.json()["entry"][0].clone()
    };
    let full = post("return=representation").await;
    assert_eq!(full["resource"]["meta"]["versionId"], "1");
    let outcome = post("return=OperationOutcome").await;
    assert_eq!(outcome["response"]["outcome"]["issue"][0]["severity"], "information");
    assert_eq!(post("return=minimal").await.get("resource"), None);
}

/// References between entries are rewritten, wherever they stand; nothing else is.
#[tokio::test]
async fn a_transaction_gives_ids_and_rewrites_references() {
    let api = Api::new();
    let mut panel = observation(PATIENT);
    panel["hasMember"] = json!([{"reference": MEMBER}]);
    panel["note"] = json!([{"text": format!("about {PATIENT}")}]);
    let mut member = observation("Patient/77");
    member["valueQuantity"] = json!({"value": 40});
    let mut entries = vec![
        entry("POST", "Observation", Some(panel)),
        entry("POST", "Observation", Some(member)),
        entry("POST", "Patient", Some(json!({"resourceType": "Patient"}))),
        entry("POST", "Patient", Some(json!({"resourceType": "Patient"}))),
    ];
    // A relative reference belongs to the base of its entry's fullUrl ("Resolving references").
    entries[1]["fullUrl"] = json!(MEMBER);
    entries[2]["fullUrl"] = json!(PATIENT);
    entries[3]["fullUrl"] = json!("http://other.example/r4/Patient/77");
    let mut third = entry("POST", "Observation", Some(observation("Patient/77")));
    third["fullUrl"] = json!("http://other.example/r4/Observation/5");
    entries.push(third);
    let got = send(&api, "transaction", entries).await;
    assert_eq!(statuses(&got, "transaction-response"), [201, 201, 201, 201, 201]);
    let reference = |position: usize| {
        let location = got.json()["entry"][position]["response"]["location"]
            .as_str()
            .unwrap()
            .to_owned();
        let path = location.strip_prefix("http://localhost:8080/fhir/").unwrap();
        path.strip_suffix("/_history/1").unwrap().to_owned()
    };
    let panel = api.get(&format!("/fhir/{}", reference(0))).await.json();
    assert_eq!(panel["subject"]["reference"], reference(2));
    assert_eq!(panel["hasMember"][0]["reference"], reference(1));
    assert_eq!(panel["note"][0]["text"], format!("about {PATIENT}"));
    let member = api.get(&format!("/fhir/{}", reference(1))).await.json();
    assert_eq!(member["subject"]["reference"], "Patient/77", "its fullUrl has no base");
    let third = api.get(&format!("/fhir/{}", reference(4))).await.json();
    assert_eq!(third["subject"]["reference"], reference(3));
    assert!(api.batches.lock().unwrap()[0].atomic);
}

/// "the order DELETE, POST, PUT"; the answers come in the order of the entries.
#[tokio::test]
async fn a_transaction_deletes_first() {
    let api = Api::new();
    api.put("/fhir/Observation/old", &with_id("old")).await;
    let entries = vec![
        entry("PUT", "Observation/a", Some(with_id("a"))),
        entry("POST", "Observation", Some(observation("Patient/1"))),
        entry("DELETE", "Observation/old", None),
    ];
    let got = send(&api, "transaction", entries).await;
    assert_eq!(statuses(&got, "transaction-response"), [201, 201, 204]);
    assert_eq!(api.batches.lock().unwrap()[1].items[0].id, "old");
}

#[tokio::test]
async fn a_transaction_is_all_or_nothing() {
    let api = Api::new();
    let good = || entry("PUT", "Observation/a", Some(with_id("a")));
    let mut stale = entry("PUT", "Observation/b", Some(with_id("b")));
    stale["request"]["ifMatch"] = json!("W/\"9\"");
    let mut twice = [good(), entry("PUT", "Observation/b", Some(with_id("b")))];
    twice[0]["fullUrl"] = json!(PATIENT);
    twice[1]["fullUrl"] = json!(PATIENT);
    let conditional = || {
        let mut entry = entry("POST", "Observation", Some(observation("Patient/1")));
        entry["request"]["ifNoneExist"] = json!("identifier=urn:m|7");
        entry
    };
    let cases: Vec<(&str, u16, &str, Vec<Value>)> = vec![
        (
            "a wrong id",
            400,
            "Bundle.entry[1].resource.id",
            vec![good(), entry("PUT", "Observation/b", Some(with_id("c")))],
        ),
        ("an old version", 412, "Bundle.entry[1]", vec![good(), stale]),
        (
            "a read",
            400,
            "Bundle.entry[0]",
            vec![entry("GET", "Observation/a", None), good()],
        ),
        (
            "a derived type",
            405,
            "Bundle.entry[1]",
            vec![good(), entry("DELETE", "Communication/x", None)],
        ),
        ("the same resource twice", 400, "Bundle.entry[1]", vec![good(), good()]),
        (
            "written and deleted",
            400,
            "Bundle.entry[1]",
            vec![good(), entry("DELETE", "Observation/a", None)],
        ),
        ("the same fullUrl twice", 400, "Bundle.entry[1]", twice.to_vec()),
        (
            "the same condition twice",
            409,
            "Bundle.entry[2]",
            vec![good(), conditional(), conditional()],
        ),
        (
            "a urn that nobody bears",
            400,
            "Bundle.entry[1]",
            vec![good(), entry("POST", "Observation", Some(observation(PATIENT)))],
        ),
        (
            "a conditional reference to nobody",
            412,
            "Bundle.entry[1]",
            vec![
                good(),
                entry("POST", "Observation", Some(observation("Patient?identifier=urn:p|1"))),
            ],
        ),
        ("no request", 400, "Bundle.entry[1]", vec![good(), json!({})]),
    ];
    for (name, status, expression, entries) in cases {
        let got = send(&api, "transaction", entries).await;
        let issue = got.issue(status);
        assert_eq!(issue["expression"], json!([expression]), "{name}");
        assert_eq!(api.get("/fhir/Observation").await.json()["total"], 0, "{name}");
    }
}

#[tokio::test]
async fn conditions_inside_a_transaction() {
    let api = Api::new();
    let patient = json!({"resourceType": "Patient", "id": "p", "identifier": [{"system": "urn:p", "value": "1"}]});
    api.put("/fhir/Patient/p", &patient).await;
    let mut held = entry("POST", "Patient", Some(json!({"resourceType": "Patient"})));
    held["request"]["ifNoneExist"] = json!("identifier=urn:p|1");
    held["fullUrl"] = json!(PATIENT);
    let mut made = entry("POST", "Patient", Some(json!({"resourceType": "Patient"})));
    made["request"]["ifNoneExist"] = json!("identifier=urn:p|2");
    let entries = vec![
        held,
        made,
        entry(
            "PUT",
            "Patient?identifier=urn:p%7C3",
            Some(json!({"resourceType": "Patient"})),
        ),
        entry(
            "PUT",
            "Observation/a",
            Some({
                let mut body = with_id("a");
                body["subject"]["reference"] = json!(PATIENT);
                body
            }),
        ),
        entry(
            "PUT",
            "Observation/b",
            Some({
                let mut body = with_id("b");
                body["subject"]["reference"] = json!("Patient?identifier=urn:p|1");
                body
            }),
        ),
    ];
    let got = send(&api, "transaction", entries).await;
    assert_eq!(statuses(&got, "transaction-response"), [200, 201, 201, 201, 201]);
    for id in ["a", "b"] {
        let body = api.get(&format!("/fhir/Observation/{id}")).await.json();
        assert_eq!(body["subject"]["reference"], "Patient/p", "{id}");
    }
}

/// HL7's own example holds what we do not offer: a conditional delete, an operation, reads. As a
/// transaction it is refused whole, and says each of them; as a batch the rest is carried out.
#[tokio::test]
async fn the_official_transaction() {
    let api = Api::new();
    let text = example("Bundle-bundle-transaction");
    let got = api.call("POST", "/fhir", &[FHIR], text.clone()).await;
    got.issue(400);
    let issues = got.json();
    let places: Vec<&str> = issues["issue"]
        .as_array()
        .unwrap()
        .iter()
        .map(|issue| issue["expression"][0].as_str().unwrap())
        .collect();
    let refused = [6, 7, 8, 9].map(|position| format!("Bundle.entry[{position}]"));
    assert_eq!(places, refused);
    assert_eq!(api.get("/fhir/Patient").await.json()["total"], 0);

    let batch = text.replace(r#""type": "transaction""#, r#""type": "batch""#);
    assert_ne!(batch, text);
    let got = api.call("POST", "/fhir", &[FHIR], batch).await;
    assert_eq!(
        statuses(&got, "batch-response"),
        [201, 201, 201, 201, 412, 204, 400, 400, 200, 404]
    );

    let mut bundle: Value = serde_json::from_str(&text).unwrap();
    let entries = bundle["entry"].as_array_mut().unwrap();
    entries.truncate(6);
    entries.remove(4);
    let got = api.post("/fhir", &bundle).await;
    assert_eq!(statuses(&got, "transaction-response").len(), 5);
}

#[tokio::test]
async fn what_is_no_batch_or_transaction_is_refused() {
    let mut api = Api::new();
    for body in [
        json!({"resourceType": "Bundle", "type": "collection"}),
        json!({"resourceType": "Bundle"}),
        json!({"resourceType": "Observation"}),
        json!({"resourceType": "Bundle", "type": "batch", "entry": {}}),
        json!([]),
        json!({}),
    ] {
        api.post("/fhir", &body).await.issue(400);
        api.post("/fhir/", &body).await.issue(400);
    }
    let empty = api
        .post("/fhir", &json!({"resourceType": "Bundle", "type": "batch"}))
        .await;
    assert_eq!(empty.status.as_u16(), 200);
    assert_valid(&empty.json());
    api.app.limits.max_bundle_entries = 1;
    let entries = vec![entry("GET", "Observation", None), entry("GET", "Observation", None)];
    send(&api, "batch", entries).await.issue(413);
    let surrogate = r#"{"resourceType":"Bundle","type":"batch","entry":[
        {"resource":{"resourceType":"Observation","x":"\ud800"},"request":{"method":"POST","url":"Observation"}}]}"#;
    api.call("POST", "/fhir", &[FHIR], surrogate).await.issue(400);
    assert_eq!(api.batch_count(), 0);
}

#[tokio::test]
async fn a_batch_holds_a_bounded_number_of_reads() {
    let api = Api::new();
    let entries = vec![entry("GET", "Observation?_count=1", None); 101];
    let got = send(&api, "batch", entries).await;
    let statuses = statuses(&got, "batch-response");
    assert!(statuses[..100].iter().all(|status| *status == 200));
    assert_eq!(statuses[100], 413);
}
