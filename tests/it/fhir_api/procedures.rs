//! Procedures over REST: the same answers as for an Observation.

use super::support::{Api, FHIR, assert_valid};
use axum::body::Body;
use serde_json::{Value, json};

fn anaesthesia(id: &str) -> Value {
    json!({"resourceType": "Procedure", "id": id, "status": "in-progress", "subject": {"reference": "Patient/1"},
        "identifier": [{"system": "urn:ward", "value": id}],
        "code": {"coding": [{"system": "http://snomed.info/sct", "code": "50697003"}]},
        "performedPeriod": {"start": "2026-03-05T20:00:00Z"}})
}

#[tokio::test]
async fn create_read_update_delete() {
    let api = Api::new();
    let created = api.put("/fhir/Procedure/p", &anaesthesia("p")).await;
    assert_eq!((created.status.as_u16(), created.header("etag")), (201, "W/\"1\""));
    assert_eq!(
        created.header("location"),
        "http://localhost:8080/fhir/Procedure/p/_history/1"
    );
    assert_valid(&created.json());
    assert_eq!(api.get("/fhir/Procedure/p").await.text, created.text);
    assert_eq!(
        api.put("/fhir/Procedure/p", &anaesthesia("p")).await.header("etag"),
        "W/\"1\""
    );
    let mut ended = anaesthesia("p");
    ended["status"] = json!("completed");
    let stale = [FHIR, ("if-match", "W/\"9\"")];
    let refused = api.call("PUT", "/fhir/Procedure/p", &stale, ended.to_string()).await;
    assert_eq!(refused.issue(412)["code"], "conflict");
    let updated = api.put("/fhir/Procedure/p", &ended).await;
    assert_eq!((updated.status.as_u16(), updated.header("etag")), (200, "W/\"2\""));
    let item = api.batches.lock().unwrap().last().unwrap().items[0].clone();
    assert_eq!((item.resource_type.as_str(), item.id.as_str()), ("Procedure", "p"));
    let gone = api.call("DELETE", "/fhir/Procedure/p", &[], Body::empty()).await;
    assert_eq!(gone.status.as_u16(), 204);
    api.get("/fhir/Procedure/p").await.issue(410);
    let posted = api.post("/fhir/Procedure", &anaesthesia("q")).await;
    assert_eq!(posted.status.as_u16(), 201);
    assert_ne!(posted.json()["id"], "q");
    let once = [FHIR, ("if-none-exist", "identifier=urn:ward|q")];
    let again = api
        .call("POST", "/fhir/Procedure", &once, anaesthesia("q").to_string())
        .await;
    assert_eq!(again.status.as_u16(), 200, "{}", again.text);
}

#[tokio::test]
async fn a_body_of_another_type_or_id_is_refused() {
    let api = Api::new();
    let issue = api.put("/fhir/Procedure/q", &anaesthesia("p")).await.issue(400);
    assert_eq!(issue["expression"][0], "Procedure.id");
    api.put("/fhir/Observation/p", &anaesthesia("p")).await.issue(400);
    // Other types stay as they were.
    let encounter = json!({"resourceType": "Encounter", "id": "e"});
    assert_eq!(
        api.put("/fhir/Encounter/e", &encounter).await.issue(404)["code"],
        "not-supported"
    );
    assert_eq!(api.batch_count(), 0);
}

#[tokio::test]
async fn procedures_stand_in_a_transaction_and_name_its_patient() {
    let api = Api::new();
    let full_url = "urn:uuid:61ebe359-bfdc-4613-8bf2-c5e300945f0a";
    let mut procedure = anaesthesia("p");
    procedure["subject"]["reference"] = json!(full_url);
    let bundle = json!({"resourceType": "Bundle", "type": "transaction", "entry": [
        {"fullUrl": full_url, "resource": {"resourceType": "Patient"}, "request": {"method": "POST", "url": "Patient"}},
        {"resource": procedure, "request": {"method": "PUT", "url": "Procedure/p"}}]});
    let got = api.post("/fhir", &bundle).await;
    assert_eq!(got.status.as_u16(), 200, "{}", got.text);
    assert_valid(&got.json());
    let patient = got.json()["entry"][0]["response"]["location"]
        .as_str()
        .unwrap()
        .to_owned();
    let subject = api.get("/fhir/Procedure/p").await.json()["subject"]["reference"].clone();
    assert!(
        patient.contains(&format!("/{}/", subject.as_str().unwrap())),
        "{patient} {subject}"
    );
    let batch = json!({"resourceType": "Bundle", "type": "batch", "entry": [
        {"resource": anaesthesia("r"), "request": {"method": "PUT", "url": "Procedure/r"}},
        {"request": {"method": "DELETE", "url": "Procedure/p"}},
        {"request": {"method": "GET", "url": "Procedure/r"}}]});
    let got = api.post("/fhir", &batch).await.json();
    let status = |index: usize| got["entry"][index]["response"]["status"].as_str().unwrap()[..3].to_owned();
    assert_eq!([status(0), status(1), status(2)], ["201", "204", "200"], "{got}");
}

/// R4 search parameters of Procedure: patient, subject, code, status, date (when it was performed).
#[tokio::test]
async fn procedures_are_found() {
    let api = Api::new();
    api.put("/fhir/Procedure/p", &anaesthesia("p")).await;
    let mut other = anaesthesia("q");
    other["subject"] = json!({"reference": "Patient/2"});
    other["performedPeriod"]["end"] = json!("2026-03-05T21:00:00Z");
    api.put("/fhir/Procedure/q", &other).await;
    for (query, total) in [
        ("", 2),
        ("patient=1", 1),
        ("code=http://snomed.info/sct|50697003&subject=Patient/2", 1),
        ("code=27372005", 0),
        ("status=in-progress", 2),
        ("identifier=urn:ward|q", 1),
        ("date=ge2026-03-05T21:30:00Z", 1),
        ("date=lt2026-03-05T20:00:00Z", 0),
    ] {
        let found = api.get(&format!("/fhir/Procedure?{query}")).await;
        assert_eq!(found.json()["total"], total, "{query}: {}", found.text);
    }
    assert_eq!(api.get("/fhir/Observation").await.json()["total"], 0);
}

#[tokio::test]
async fn the_capability_statement_lists_procedures_like_observations() {
    let api = Api::new();
    let statement = api.get("/fhir/metadata").await.json();
    let resources = statement["rest"][0]["resource"].as_array().unwrap();
    let of = |kind: &str| {
        let mut found = resources
            .iter()
            .find(|resource| resource["type"] == kind)
            .unwrap()
            .clone();
        found["type"] = json!("");
        found
    };
    assert_eq!(of("Procedure"), of("Observation"));
}
