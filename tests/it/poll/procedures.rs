//! Procedures are polled by a poller of their own: the same rules, another search, other cursors.

use super::*;
use deltaward::source::poll::PROCEDURE_CURSOR;

const SNOMED: &str = "http://snomed.info/sct";

fn procedure(id: &str, minute: u32) -> Value {
    json!({"resourceType": "Procedure", "id": id, "meta": {"versionId": "1", "lastUpdated": moment(minute)},
        "status": "completed", "code": {"coding": [{"system": SNOMED, "code": "50697003"}]},
        "subject": {"reference": "Patient/1"}})
}

fn poller_of_procedures(config: SourceConfig) -> (Poller<Engine>, Engine) {
    let (engine, intake) = Engine::start();
    let client = Arc::new(FhirClient::new(&config.server).unwrap());
    let codes = Codes {
        readings: vec![(String::from(SNOMED), String::from("50697003"))],
        diastolics: Vec::new(),
    };
    let status = Arc::new(SourceStatus::default());
    let poller = Poller::new(client, intake, Arc::new(engine.clone()), config, codes, status);
    (poller.of_procedures(), engine)
}

async fn serve(server: &MockServer, first: Value, second: Option<ResponseTemplate>) {
    Mock::given(path("/fhir/Procedure"))
        .and(query_param_is_missing("page"))
        .respond_with(fhir(&first))
        .mount(server)
        .await;
    if let Some(template) = second {
        Mock::given(path("/fhir/Procedure"))
            .and(query_param("page", "2"))
            .respond_with(template)
            .mount(server)
            .await;
    }
}

fn second_page(server: &MockServer) -> String {
    format!("{}/Procedure?page=2", base(server))
}

#[tokio::test]
async fn the_search_is_of_procedures_with_the_context_codes_and_its_own_cursor() {
    let server = MockServer::start().await;
    let next = second_page(&server);
    // An Observation on a page of Procedures is no match.
    let first = page(&[procedure("a", 1), minute("x", 1)], None, Some(&next));
    serve(&server, first, Some(fhir(&page(&[procedure("b", 2)], None, None)))).await;
    let (poller, engine) = poller_of_procedures(source(&server));
    engine.put(CURSOR, at("2026-03-05T21:50:00Z"));
    engine.put(PROCEDURE_CURSOR, at("2026-03-05T20:30:00Z"));
    let report = poller.poll_once(now()).await.unwrap();
    assert_eq!((report.pages, report.entries, report.skipped), (2, 2, 1));
    let asked = parameters(&requests(&server).await[0]);
    let expected = [
        ("_count", "200"),
        ("_lastUpdated", "ge2026-03-05T20:28:00.000Z"),
        ("_sort", "_lastUpdated"),
        ("code", "http://snomed.info/sct|50697003"),
    ];
    assert_eq!(asked, expected.map(|(name, value)| (name.into(), value.into())).into());
    assert_eq!(engine.stands(PROCEDURE_CURSOR), Some(at(&moment(2))));
    assert_eq!(engine.stands(CURSOR), Some(at("2026-03-05T21:50:00Z")));
    for batch in engine.batches.lock().unwrap().iter() {
        assert!(batch.aside && !batch.history, "{batch:?}");
        assert!(batch.items.iter().all(|item| item.resource_type == "Procedure"));
        assert!(batch.items.iter().all(|item| item.versioning == Versioning::Theirs));
    }
    // The overlap hands nothing over a second time.
    assert_eq!(poller.poll_once(now()).await.unwrap().duplicates, 2);
}

#[tokio::test]
async fn in_per_patient_mode_each_patients_procedures_have_their_cursor() {
    let server = MockServer::start().await;
    let member = json!([{"entity": {"reference": "Patient/1"}}, {"entity": {"reference": "Patient/2"}}]);
    Mock::given(path("/fhir/Group/1"))
        .respond_with(fhir(&json!({"resourceType": "Group", "member": member})))
        .mount(&server)
        .await;
    Mock::given(path("/fhir/Procedure"))
        .respond_with(|request: &Request| {
            let number = parameters(request)["patient"]
                .trim_start_matches("Patient/")
                .parse()
                .unwrap();
            fhir(&page(&[procedure(&format!("of{number}"), number)], None, None))
        })
        .mount(&server)
        .await;
    let config = SourceConfig {
        mode: PollMode::PerPatient {
            members_of: String::from("Group/1"),
        },
        ..source(&server)
    };
    let (poller, engine) = poller_of_procedures(config);
    assert_eq!(poller.poll_once(now()).await.unwrap().members, Some(2));
    assert_eq!(engine.stands("procedures/Patient/1"), Some(at(&moment(1))));
    assert_eq!(engine.stands("procedures/Patient/2"), Some(at(&moment(2))));
}

#[tokio::test]
async fn a_failure_or_a_link_to_another_host_leaves_the_cursor_where_it_was() {
    for second in [None, Some(ResponseTemplate::new(500))] {
        let server = MockServer::start().await;
        let next = match second {
            Some(_) => second_page(&server),
            None => String::from("https://stranger.example/fhir/Procedure?page=2"),
        };
        serve(&server, page(&[procedure("a", 1)], None, Some(&next)), second).await;
        let (poller, engine) = poller_of_procedures(source(&server));
        poller.poll_once(now()).await.unwrap_err();
        assert_eq!(engine.ids(), ["a"], "what was read is kept");
        assert_eq!(engine.stands(PROCEDURE_CURSOR), None);
    }
}

#[tokio::test]
async fn without_a_context_code_nothing_is_asked() {
    let server = MockServer::start().await;
    let (engine, intake) = Engine::start();
    let client = Arc::new(FhirClient::new(&source(&server).server).unwrap());
    let status = Arc::new(SourceStatus::default());
    let poller = Poller::new(
        client,
        intake,
        Arc::new(engine),
        source(&server),
        Codes::default(),
        status,
    );
    let error = poller.of_procedures().poll_once(now()).await.unwrap_err();
    assert!(matches!(error, PollError::NoCodes), "{error}");
    assert!(requests(&server).await.is_empty());
}
