//! What is sent: Bundles, conditional requests, references.

use super::*;

#[tokio::test]
async fn a_group_is_one_transaction_where_the_server_can() {
    let server = MockServer::start().await;
    metadata(&server, &statement(true)).await;
    let answer = response(&[
        ("201 Created", "Observation/17/_history/1"),
        ("201", "Communication/18/_history/1"),
    ]);
    Mock::given(method("POST"))
        .and(path("/fhir"))
        .respond_with(fhir(200, &answer))
        .expect(1)
        .mount(&server)
        .await;
    let outbox = MemoryOutbox::with(step());
    let report = deliver(&server, &outbox).await;
    assert_eq!((report.delivered, report.waiting, report.stopped), (2, 0, 0));
    let bundle = body(&writes(&server).await[0]);
    assert_eq!(
        (&bundle["type"], bundle["entry"].as_array().unwrap().len()),
        (&json!("transaction"), 2)
    );
    let first = Uuid::from_u128(1);
    assert_eq!(
        bundle["entry"][0]["request"]["url"],
        format!("Observation?identifier={SYSTEM}|{first}")
    );
    assert_eq!(bundle["entry"][0]["fullUrl"], format!("urn:uuid:{first}"));
    // A reference inside the Bundle stays, so that the server resolves it.
    assert_eq!(bundle["entry"][1]["resource"]["about"][0], urn(1));
    assert_eq!(outbox.settlement(1).remote_reference.as_deref(), Some("Observation/17"));
    assert_eq!(
        outbox.settlement(2).remote_reference.as_deref(),
        Some("Communication/18")
    );
}

#[tokio::test]
async fn in_a_transaction_known_targets_are_named_and_unknown_ones_found_by_condition() {
    let server = MockServer::start().await;
    metadata(&server, &statement(true)).await;
    let answer = response(&[("201", "Communication/3")]);
    Mock::given(method("POST"))
        .respond_with(fhir(200, &answer))
        .mount(&server)
        .await;
    let message = json!({"about": [urn(100)], "inResponseTo": [urn(200)]});
    let outbox = MemoryOutbox::with(vec![entry(1, 1, "Communication", "Patient/1", message)]);
    outbox
        .remote
        .lock()
        .unwrap()
        .insert(Uuid::from_u128(100), String::from("Observation/55"));
    deliver(&server, &outbox).await;
    let resource = body(&writes(&server).await[0])["entry"][0]["resource"].clone();
    assert_eq!(resource["about"][0]["reference"], "Observation/55");
    let condition = format!("Communication?identifier={SYSTEM}|{}", Uuid::from_u128(200));
    assert_eq!(resource["inResponseTo"][0]["reference"], condition);
}

#[tokio::test]
async fn single_conditional_requests_in_order_where_nothing_is_stated() {
    let server = MockServer::start().await;
    Mock::given(path("/fhir/metadata"))
        .respond_with(ResponseTemplate::new(404))
        .mount(&server)
        .await;
    Mock::given(method("PUT"))
        .and(path("/fhir/Observation"))
        .respond_with(fhir(201, &json!({"resourceType": "Observation", "id": "17"})))
        .mount(&server)
        .await;
    let created = ResponseTemplate::new(201).insert_header("location", "http://x/fhir/Communication/18/_history/1");
    Mock::given(method("POST"))
        .and(path("/fhir/Communication"))
        .respond_with(created)
        .mount(&server)
        .await;
    let outbox = MemoryOutbox::with(step());
    assert_eq!(deliver(&server, &outbox).await.delivered, 2);
    let requests = writes(&server).await;
    assert_eq!(requests.len(), 2);
    let (first, second) = (Uuid::from_u128(1), Uuid::from_u128(2));
    assert_eq!(parameters(&requests[0])["identifier"], format!("{SYSTEM}|{first}"));
    assert_eq!(
        requests[1].headers["if-none-exist"],
        format!("identifier={SYSTEM}|{second}").as_str()
    );
    assert_eq!(requests[1].headers["content-type"], FHIR_JSON);
    // The Observation's own id is known by now.
    assert_eq!(body(&requests[1])["about"][0]["reference"], "Observation/17");
    assert_eq!(outbox.settlement(1).remote_reference.as_deref(), Some("Observation/17"));
    assert_eq!(
        outbox.settlement(2).remote_reference.as_deref(),
        Some("Communication/18")
    );
}

#[tokio::test]
async fn a_single_request_searches_for_a_target_and_names_it_logically_when_it_is_not_there() {
    let server = MockServer::start().await;
    Mock::given(path("/fhir/metadata"))
        .respond_with(ResponseTemplate::new(404))
        .mount(&server)
        .await;
    Mock::given(method("GET"))
        .respond_with(|request: &Request| {
            let known = parameters(request)["identifier"].ends_with(&Uuid::from_u128(100).to_string());
            let found = json!([{"resource": ours("Observation", 100, "55")}]);
            let entry = if known { found } else { json!([]) };
            fhir(
                200,
                &json!({"resourceType": "Bundle", "type": "searchset", "entry": entry}),
            )
        })
        .mount(&server)
        .await;
    Mock::given(method("POST"))
        .respond_with(ResponseTemplate::new(201))
        .mount(&server)
        .await;
    let message = json!({"about": [urn(100), urn(300)]});
    let outbox = MemoryOutbox::with(vec![entry(1, 1, "Communication", "Patient/1", message)]);
    assert_eq!(deliver(&server, &outbox).await.delivered, 1);
    let sent = body(writes(&server).await.last().unwrap());
    assert_eq!(sent["about"][0]["reference"], "Observation/55");
    let value = Uuid::from_u128(300).to_string();
    let logical = json!({"type": "Observation", "identifier": {"system": SYSTEM, "value": value}});
    assert_eq!(sent["about"][1], logical);
}

#[tokio::test]
async fn where_conditions_are_not_offered_the_identifier_is_searched_first() {
    let server = MockServer::start().await;
    metadata(&server, &statement(false)).await;
    let found = json!({"resourceType": "Bundle", "type": "searchset",
        "entry": [{"resource": ours("Observation", 1, "17")}]});
    Mock::given(method("GET"))
        .and(path("/fhir/Observation"))
        .respond_with(fhir(200, &found))
        .mount(&server)
        .await;
    let none = json!({"resourceType": "Bundle", "type": "searchset"});
    Mock::given(method("GET"))
        .and(path("/fhir/Communication"))
        .respond_with(fhir(200, &none))
        .mount(&server)
        .await;
    Mock::given(method("PUT"))
        .and(path("/fhir/Observation/17"))
        .respond_with(ResponseTemplate::new(200))
        .expect(1)
        .mount(&server)
        .await;
    Mock::given(method("POST"))
        .and(path("/fhir/Communication"))
        .respond_with(ResponseTemplate::new(201))
        .expect(1)
        .mount(&server)
        .await;
    let outbox = MemoryOutbox::with(step());
    assert_eq!(deliver(&server, &outbox).await.delivered, 2);
    let requests = writes(&server).await;
    let put = requests
        .iter()
        .find(|request| request.method.as_str() == "PUT")
        .unwrap();
    assert_eq!(
        body(put)["id"],
        "17",
        "FHIR demands the id of the address in the body of an update"
    );
}
