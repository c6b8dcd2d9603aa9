//! One search a patient, for the members of a Group or List.

use super::*;

fn group() -> Value {
    json!({"resourceType": "Group", "type": "person", "actual": true, "member": [
        {"entity": {"reference": "Patient/1"}},
        {"entity": {"reference": "Patient/2"}, "inactive": false},
        {"entity": {"reference": "Patient/3"}, "inactive": true},
        {"entity": {"reference": "https://stranger.example/fhir/Patient/4"}},
        {"entity": {"reference": "Device/5"}},
        {"entity": {"reference": "Patient/1"}}]})
}

fn per_patient(server: &MockServer, members_of: &str) -> SourceConfig {
    SourceConfig {
        mode: PollMode::PerPatient {
            members_of: members_of.to_owned(),
        },
        ..source(server)
    }
}

async fn patients(server: &MockServer) {
    Mock::given(path("/fhir/Observation"))
        .respond_with(|request: &Request| {
            let patient = parameters(request)["patient"].clone();
            let number: u32 = patient.strip_prefix("Patient/").unwrap().parse().unwrap();
            fhir(&page(&[minute(&format!("of{number}"), number)], None, None))
        })
        .mount(server)
        .await;
}

#[tokio::test]
async fn active_members_of_a_group_are_polled_each_with_its_own_cursor() {
    let server = MockServer::start().await;
    Mock::given(path("/fhir/Group/1"))
        .respond_with(fhir(&group()))
        .mount(&server)
        .await;
    patients(&server).await;
    let (poller, engine) = poller_of(per_patient(&server, "Group/1"));
    let report = poller.poll_once(now()).await.unwrap();
    assert_eq!(
        (report.members, report.members_unusable, report.searches),
        (Some(2), 2, 2)
    );
    let mut ids = engine.ids();
    ids.sort();
    assert_eq!(ids, ["of1", "of2"]);
    assert_eq!(engine.stands("observations/Patient/1"), Some(at(&moment(1))));
    assert_eq!(engine.stands("observations/Patient/2"), Some(at(&moment(2))));
    // A new member begins at first_hours before now, whatever `start` says.
    let requests = requests(&server).await;
    let search = requests
        .iter()
        .find(|request| request.url.path() == "/fhir/Observation")
        .unwrap();
    assert_eq!(parameters(search)["_lastUpdated"], "ge2026-03-04T22:00:00.000Z");
}

#[tokio::test]
async fn members_of_a_list_are_polled_unless_deleted() {
    let server = MockServer::start().await;
    let list = json!({"resourceType": "List", "status": "current", "mode": "working", "entry": [
        {"item": {"reference": format!("{}/Patient/1", base(&server))}},
        {"item": {"reference": "Patient/2"}, "deleted": true}]});
    Mock::given(path("/fhir/List/1"))
        .respond_with(fhir(&list))
        .mount(&server)
        .await;
    patients(&server).await;
    let (poller, engine) = poller_of(per_patient(&server, "List/1"));
    assert_eq!(poller.poll_once(now()).await.unwrap().members, Some(1));
    assert_eq!(engine.ids(), ["of1"]);
}

#[tokio::test]
async fn one_patients_failure_does_not_keep_the_others_back() {
    let server = MockServer::start().await;
    Mock::given(path("/fhir/Group/1"))
        .respond_with(fhir(&group()))
        .mount(&server)
        .await;
    Mock::given(query_param("patient", "Patient/1"))
        .respond_with(ResponseTemplate::new(500))
        .with_priority(1)
        .mount(&server)
        .await;
    patients(&server).await;
    let (poller, engine) = poller_of(per_patient(&server, "Group/1"));
    let report = poller.poll_once(now()).await.unwrap();
    assert_eq!((report.failed_patients, engine.ids()), (1, vec![String::from("of2")]));
    assert!(
        report.trouble.contains("1 of 2") && !report.trouble.contains("Patient/"),
        "{}",
        report.trouble
    );
    assert_eq!(engine.stands("observations/Patient/1"), None);
    let status = SourceStatus::default();
    status.record_report(&report, now());
    assert_eq!(
        (status.snapshot().consecutive_failures, status.snapshot().last_success),
        (1, None)
    );
}

#[tokio::test]
async fn the_group_is_read_again_now_and_then_and_the_known_members_stay_while_it_cannot_be() {
    let server = MockServer::start().await;
    let reads = Arc::new(AtomicUsize::new(0));
    let counter = Arc::clone(&reads);
    Mock::given(path("/fhir/Group/1"))
        .respond_with(move |_: &Request| match counter.fetch_add(1, Ordering::SeqCst) {
            0 => fhir(&group()),
            1 => ResponseTemplate::new(500),
            _ => fhir(&json!({"resourceType": "Group", "member": [{"entity": {"reference": "Patient/9"}}]})),
        })
        .mount(&server)
        .await;
    patients(&server).await;
    let (poller, engine) = poller_of(per_patient(&server, "Group/1"));
    for _ in 0..MEMBERS_EVERY_POLLS {
        poller.poll_once(now()).await.unwrap();
    }
    assert_eq!(reads.load(Ordering::SeqCst), 1);
    let failed = poller.poll_once(now()).await.unwrap();
    assert_eq!((reads.load(Ordering::SeqCst), failed.members), (2, Some(2)));
    assert!(!failed.trouble.is_empty());
    poller.poll_once(now()).await.unwrap();
    assert_eq!(engine.stands("observations/Patient/9"), Some(at(&moment(9))));
}

#[tokio::test]
async fn at_most_four_patients_are_asked_for_at_once() {
    let server = MockServer::start().await;
    let member: Vec<Value> = (1..=9)
        .map(|n| json!({"entity": {"reference": format!("Patient/{n}")}}))
        .collect();
    let group = json!({"resourceType": "Group", "member": member});
    Mock::given(path("/fhir/Group/1"))
        .respond_with(fhir(&group))
        .mount(&server)
        .await;
    let slow = fhir(&page(&[], None, None)).set_delay(Duration::from_millis(500));
    Mock::given(path("/fhir/Observation"))
        .respond_with(slow)
        .mount(&server)
        .await;
    let (poller, _engine) = poller_of(per_patient(&server, "Group/1"));
    let begin = Clock::now();
    assert_eq!(poller.poll_once(now()).await.unwrap().searches, 9);
    let passed = begin.elapsed();
    // 9 searches, 4 at a time: three rounds of 500 ms; one at a time would be nine.
    assert!(
        passed >= Duration::from_millis(1_500) && passed < Duration::from_millis(4_400),
        "{passed:?}"
    );
}

#[tokio::test]
async fn something_that_is_no_group_is_said() {
    let server = MockServer::start().await;
    Mock::given(any())
        .respond_with(fhir(&json!({"resourceType": "Patient"})))
        .mount(&server)
        .await;
    let (poller, _engine) = poller_of(per_patient(&server, "Group/1"));
    let error = poller.poll_once(now()).await.unwrap_err();
    assert!(matches!(error, PollError::Members), "{error}");
}
