//! Questions for earlier diastolics.

use super::*;
use deltaward::source::ask::Pace;

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

/// A poller whose questions have one second, and are then asked again every 50 ms, at most so often.
fn quick(server: &MockServer, later_attempts: u32) -> (Arc<Poller<Engine>>, Engine, Arc<SourceStatus>) {
    let (engine, intake) = Engine::start();
    let mut config = source(server);
    config.ask_timeout_seconds = 1;
    let client = Arc::new(FhirClient::new(&config.server).unwrap());
    let status = Arc::new(SourceStatus::default());
    let cursors = Arc::new(engine.clone());
    let pace = Pace {
        first_wait: Duration::from_millis(100),
        longest_wait: Duration::from_millis(400),
        later_wait: Duration::from_millis(50),
        later_attempts,
    };
    let poller = Poller::new(client, intake, cursors, config, codes(), Arc::clone(&status)).with_pace(pace);
    (Arc::new(poller), engine, status)
}

#[tokio::test]
async fn a_question_is_asked_until_the_server_is_there_again_whatever_it_answered_meanwhile() {
    let server = MockServer::start().await;
    let (poller, engine, status) = quick(&server, 1_000);
    // By what was asked and said, not by the clock: the first two times unknown, then failing until the question was
    // said to be late.
    let (calls, seen) = (AtomicUsize::new(0), Arc::clone(&status));
    Mock::given(any())
        .respond_with(move |_: &Request| {
            if calls.fetch_add(1, Ordering::SeqCst) < 2 {
                ResponseTemplate::new(404)
            } else if seen.snapshot().asks_failed == 0 {
                ResponseTemplate::new(500)
            } else {
                fhir(&page(&[minute("bp", 30)], None, None))
            }
        })
        .mount(&server)
        .await;
    let (sender, receiver) = mpsc::channel(8);
    let task = tokio::spawn(poller.run_asks(receiver, CancellationToken::new(), now));
    sender.send(ask("Patient/1")).await.unwrap();
    drop(sender);
    tokio::time::timeout(Duration::from_secs(60), task)
        .await
        .unwrap()
        .unwrap();
    assert_eq!(engine.ids(), ["bp"], "after its deadline too");
    assert!(requests(&server).await.len() >= 3, "unknown twice, then late or there");
    let snapshot = status.snapshot();
    assert_eq!(
        (snapshot.asks_failed, snapshot.asks_answered),
        (1, 1),
        "late once, answered in the end"
    );
}

#[tokio::test]
async fn a_question_is_given_up_after_so_many_attempts() {
    let server = MockServer::start().await;
    Mock::given(any())
        .respond_with(ResponseTemplate::new(500))
        .mount(&server)
        .await;
    let (poller, _engine, status) = quick(&server, 3);
    let (sender, receiver) = mpsc::channel(8);
    let task = tokio::spawn(poller.run_asks(receiver, CancellationToken::new(), now));
    sender.send(ask("Patient/1")).await.unwrap();
    // Cannot be asked at all: no attempt.
    sender
        .send(ask("https://stranger.example/fhir/Patient/1"))
        .await
        .unwrap();
    drop(sender);
    tokio::time::timeout(Duration::from_secs(10), task)
        .await
        .unwrap()
        .unwrap();
    // Within the second at 0, 100, 300 and 700 ms; the one at about 1100 ms finds the deadline
    // passed, and three more follow. A slow machine makes fewer of the first.
    let asked = requests(&server).await.len();
    assert!((5..=8).contains(&asked), "{asked} attempts");
    assert_eq!((status.snapshot().asks_failed, status.snapshot().asks_answered), (2, 0));
}

#[tokio::test]
async fn questions_that_wait_for_another_attempt_hold_no_place() {
    let server = MockServer::start().await;
    Mock::given(query_param("patient", "Patient/9"))
        .respond_with(fhir(&page(&[minute("bp", 30)], None, None)))
        .with_priority(1)
        .mount(&server)
        .await;
    Mock::given(any())
        .respond_with(ResponseTemplate::new(500))
        .mount(&server)
        .await;
    let (poller, engine, _status) = quick(&server, 1_000);
    // A queue of one: run_asks takes each question out at once.
    let (sender, receiver) = mpsc::channel(1);
    let shutdown = CancellationToken::new();
    let task = tokio::spawn(poller.run_asks(receiver, shutdown.clone(), now));
    for n in 1..=9 {
        sender.send(ask(&format!("Patient/{n}"))).await.unwrap();
    }
    let begin = Clock::now();
    while engine.ids().is_empty() {
        assert!(
            begin.elapsed() < Duration::from_secs(5),
            "eight that fail hold the ninth back"
        );
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    shutdown.cancel();
    task.await.unwrap();
}
