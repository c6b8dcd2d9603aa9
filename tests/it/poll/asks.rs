//! Questions for earlier diastolics.

use super::*;

fn ask(patient: &str) -> Ask {
    Ask {
        patient: PatientKey(patient.to_owned()),
        source: String::from("Observation/compartment"),
        from: at("2026-03-05T20:55:00Z"),
        to: at("2026-03-05T22:00:00Z"),
    }
}

#[tokio::test]
async fn a_question_asks_for_the_patients_diastolics_in_the_window() {
    let server = MockServer::start().await;
    chain(&server, page(&[minute("bp", 30)], None, None), vec![]).await;
    let (poller, engine) = poller(&server);
    let batch = poller.ask_diastolics(&ask("Patient/1"), now()).await.unwrap();
    assert_eq!(batch.items[0].id, "bp");
    assert_eq!(batch.answered[0].patient, PatientKey(String::from("Patient/1")));
    assert_eq!(batch.answered[0].source, "Observation/compartment");
    assert!(batch.cursors.is_empty() && engine.ids().is_empty());
    let query: Vec<(String, String)> = requests(&server).await[0].url.query_pairs().into_owned().collect();
    let pair = |name: &str, value: &str| (name.to_owned(), value.to_owned());
    let expected = [
        pair("patient", "Patient/1"),
        pair("code", "http://loinc.org|8462-4"),
        pair("date", "ge2026-03-05T20:55:00.000Z"),
        pair("date", "le2026-03-05T22:00:00.000Z"),
        pair("_count", "200"),
    ];
    assert_eq!(query, expected);
}

#[tokio::test]
async fn a_question_without_a_find_is_answered_too() {
    let server = MockServer::start().await;
    chain(&server, page(&[], None, None), vec![]).await;
    let batch = poller(&server)
        .0
        .ask_diastolics(&ask("Patient/1"), now())
        .await
        .unwrap();
    assert_eq!((batch.items.len(), batch.answered.len()), (0, 1));
}

#[tokio::test]
async fn a_question_follows_the_chain_to_its_end() {
    let server = MockServer::start().await;
    let first = page(&[minute("a", 1)], None, Some(&next(&server, 2)));
    chain(&server, first, vec![fhir(&page(&[minute("b", 2)], None, None))]).await;
    let batch = poller(&server)
        .0
        .ask_diastolics(&ask("Patient/1"), now())
        .await
        .unwrap();
    assert_eq!(batch.items.len(), 2);
}

#[tokio::test]
async fn a_question_that_fails_is_no_answer() {
    let server = MockServer::start().await;
    Mock::given(any())
        .respond_with(ResponseTemplate::new(400))
        .mount(&server)
        .await;
    let (poller, _engine) = poller(&server);
    assert!(poller.ask_diastolics(&ask("Patient/1"), now()).await.is_err());
    for elsewhere in ["https://stranger.example/fhir/Patient/1", "identifier:s|v", "Device/1"] {
        let error = poller.ask_diastolics(&ask(elsewhere), now()).await.unwrap_err();
        assert!(matches!(error, PollError::PatientElsewhere), "{error}");
    }
    assert_eq!(requests(&server).await.len(), 1);
}

#[tokio::test]
async fn questions_in_flight_are_not_asked_twice_and_a_passing_failure_is_tried_again() {
    let server = MockServer::start().await;
    let calls = AtomicUsize::new(0);
    Mock::given(any())
        .respond_with(move |request: &Request| {
            let first_of_two =
                parameters(request)["patient"] == "Patient/2" && calls.fetch_add(1, Ordering::SeqCst) == 0;
            let found = fhir(&page(&[minute("bp", 30)], None, None)).set_delay(Duration::from_millis(300));
            if first_of_two {
                ResponseTemplate::new(503)
            } else {
                found
            }
        })
        .mount(&server)
        .await;
    let (poller, engine) = poller(&server);
    let (sender, receiver) = mpsc::channel(8);
    let shutdown = CancellationToken::new();
    let task = tokio::spawn(poller.run_asks(receiver, shutdown, now));
    for patient in ["Patient/1", "Patient/1", "Patient/2", "Patient/1"] {
        sender.send(ask(patient)).await.unwrap();
    }
    drop(sender);
    task.await.unwrap();
    let asked: Vec<String> = requests(&server)
        .await
        .iter()
        .map(|request| parameters(request)["patient"].clone())
        .collect();
    assert_eq!(asked.iter().filter(|patient| *patient == "Patient/1").count(), 1);
    assert_eq!(asked.iter().filter(|patient| *patient == "Patient/2").count(), 2);
    let answered: usize = engine
        .batches
        .lock()
        .unwrap()
        .iter()
        .map(|batch| batch.answered.len())
        .sum();
    assert_eq!(answered, 2);
}
