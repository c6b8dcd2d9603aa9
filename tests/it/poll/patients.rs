//! Patient resources of patients that yielded compartment readings.

use super::*;
use deltaward::config::FhirServerConfig;
use deltaward::delivery::client::{NoAnswer, Transport};
use futures_util::future::BoxFuture;

#[tokio::test]
async fn a_patient_is_read_once_a_day_and_again_soon_after_a_failure() {
    let server = MockServer::start().await;
    let patient = json!({"resourceType": "Patient", "id": "1", "birthDate": "2012-03"});
    Mock::given(method("GET"))
        .and(path("/fhir/Patient/1"))
        .respond_with(fhir(&patient))
        .mount(&server)
        .await;
    Mock::given(path("/fhir/Patient/2"))
        .respond_with(ResponseTemplate::new(500))
        .mount(&server)
        .await;
    let (poller, engine) = poller(&server);
    let elsewhere = poller
        .fetch_patient("https://stranger.example/fhir/Patient/1")
        .await
        .unwrap_err();
    assert!(matches!(elsewhere, PollError::PatientElsewhere));

    let (sender, receiver) = mpsc::channel(8);
    let minutes = Arc::new(AtomicUsize::new(0));
    let clock = Arc::clone(&minutes);
    let task = tokio::spawn(async move {
        let clock = move || now().plus_minutes(i64::try_from(clock.load(Ordering::SeqCst)).unwrap());
        poller.run_patients(receiver, CancellationToken::new(), clock).await;
    });
    // Each round sends both keys twice; rounds at 0, 11 minutes, 25 hours.
    for (minute, patients, failures) in [(0, 1, 1), (11, 1, 2), (25 * 60, 2, 3)] {
        minutes.store(minute, Ordering::SeqCst);
        for key in ["Patient/1", "Patient/1", "Patient/2", "Patient/2"] {
            sender.send(PatientKey(key.to_owned())).await.unwrap();
        }
        let begin = Clock::now();
        loop {
            let count = |path: &'static str, all: &[Request]| all.iter().filter(|one| one.url.path() == path).count();
            let all = requests(&server).await;
            let seen = (count("/fhir/Patient/1", &all), count("/fhir/Patient/2", &all));
            if seen == (patients, failures) {
                break;
            }
            assert!(begin.elapsed() < Duration::from_secs(5), "at {minute} min: {seen:?}");
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    drop(sender);
    task.await.unwrap();
    let all = requests(&server).await;
    assert_eq!(all.len(), 5, "no key was read more often than that");
    let item = engine.batches.lock().unwrap()[0].items[0].clone();
    assert_eq!((item.resource_type.as_str(), item.id.as_str()), ("Patient", "1"));
    assert_eq!(item.operation, Operation::Put(patient.to_string()));
}

/// A way to a server that answers nothing at first.
#[derive(Debug, Default)]
struct BrokenAtFirst {
    failures: AtomicUsize,
}

impl Transport for BrokenAtFirst {
    fn send(&self, _: reqwest::Request) -> BoxFuture<'_, Result<reqwest::Response, NoAnswer>> {
        let broken = self.failures.fetch_add(1, Ordering::SeqCst) < 3;
        let answer = match broken {
            true => Err(NoAnswer::Broken(String::from("refused"))),
            false => Ok(axum::http::Response::new(r#"{"resourceType":"Patient","id":"1"}"#).into()),
        };
        Box::pin(std::future::ready(answer))
    }
}

#[tokio::test(start_paused = true)]
async fn a_patient_who_could_not_be_read_is_read_again_though_nothing_more_is_heard() {
    let (engine, intake) = Engine::start();
    let server = FhirServerConfig::new("http://server.invalid/fhir".parse().unwrap());
    let client = FhirClient::new(&server)
        .unwrap()
        .over(Arc::new(BrokenAtFirst::default()));
    let (cursors, status) = (Arc::new(engine.clone()), Arc::new(SourceStatus::default()));
    let poller = Poller::new(
        Arc::new(client),
        intake,
        cursors,
        SourceConfig::new(server),
        codes(),
        status,
    );
    let (sender, receiver) = mpsc::channel(8);
    sender.send(PatientKey(String::from("Patient/1"))).await.unwrap();
    let task = tokio::spawn(async move { poller.run_patients(receiver, CancellationToken::new(), now).await });
    // Failures at once, after 30 s, and 60 s after that; read 120 s later.
    tokio::time::sleep(Duration::from_secs(209)).await;
    assert!(engine.batches.lock().unwrap().is_empty());
    tokio::time::sleep(Duration::from_secs(2)).await;
    assert_eq!(engine.ids(), ["1"]);
    drop(sender);
    task.await.unwrap();
}
