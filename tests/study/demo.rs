//! The demo's own recorded resources, replayed, give the concerns that the live demo had.

use crate::calm::JUDGES;
use axum::body::Body;
use axum::http::Request;
use deltaward::config::Config;
use deltaward::fhir::Instant;
use deltaward::pipeline::Clock;
use deltaward::pipeline::demo::ward::Ward;
use deltaward::pipeline::service::{Face, Service};
use deltaward::recognise::Mapping;
use deltaward::recognise::reading::PatientKey;
use deltaward::replay::clock::{Pace, replay_patient};
use deltaward::replay::cohort::{Cohort, CohortSettings, Order};
use deltaward::replay::gather::gather;
use deltaward::store::SqliteStore;
use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::Duration;
use tower::ServiceExt;

/// Site and family → tier now, since when it is raised, messages.
type Concerns = BTreeMap<(String, String, String), (Option<deltaward::rules::Tier>, Instant, u32)>;

fn add(concerns: &mut Concerns, state: &deltaward::patient::State) {
    for (key, concern) in &state.concerns {
        let key = (state.patient.0.clone(), key.site.clone(), format!("{:?}", key.family));
        concerns.insert(key, (concern.tier, concern.since, concern.messages));
    }
}

/// Run the script through the whole service: what it held at the end, and every resource as it was
/// served after it was sent.
async fn live(ward: &Ward) -> (Concerns, Vec<String>) {
    let start = ward.start().unwrap();
    let time = Arc::new(AtomicI64::new(start.millis()));
    let clock: Clock = {
        let time = Arc::clone(&time);
        Arc::new(move || Instant::from_millis(time.load(Ordering::SeqCst)))
    };
    let store = SqliteStore::in_memory().unwrap();
    let service = Service::start(&Config::default(), store, clock, Face::default()).unwrap();
    let timers_until = |until: Instant| {
        let (store, time) = (Arc::clone(&service.store), Arc::clone(&time));
        async move {
            while let Some(due) = store.next_due().unwrap().filter(|due| *due < until) {
                time.store(due.millis(), Ordering::SeqCst);
                while store.next_due().unwrap() == Some(due) {
                    tokio::time::sleep(Duration::from_millis(20)).await;
                }
            }
        }
    };
    let mut recorded = Vec::new();
    for sending in ward.sendings().unwrap() {
        timers_until(sending.at).await;
        time.store(sending.at.millis(), Ordering::SeqCst);
        let address = format!("/fhir/{}", sending.address);
        let request = |method: &str, body: String| {
            let request = Request::builder()
                .method(method)
                .uri(&address)
                .header("host", "127.0.0.1:8080");
            request
                .header("content-type", "application/fhir+json")
                .body(Body::from(body))
                .unwrap()
        };
        let put = request("PUT", sending.body.to_string());
        assert!(service.router.clone().oneshot(put).await.unwrap().status().is_success());
        // The interaction of a Patient or Procedure is not served: the record's own text is taken then.
        let served = service
            .router
            .clone()
            .oneshot(request("GET", String::new()))
            .await
            .unwrap();
        let is_served = served.status().is_success();
        let body = axum::body::to_bytes(served.into_body(), 1 << 20).await.unwrap();
        recorded.push(match is_served {
            true => String::from_utf8(body.to_vec()).unwrap(),
            false => {
                let mut body = sending.body.clone();
                body["meta"] = serde_json::json!({"lastUpdated": sending.at.to_string()});
                body.to_string()
            }
        });
    }
    timers_until(start.plus_minutes(ward.end_minute)).await;
    let mut concerns = Concerns::new();
    for patient in &ward.patients {
        let key = PatientKey(format!("Patient/{}", patient.id));
        add(&mut concerns, &service.store.load_patient(&key).unwrap());
    }
    service.stop().await;
    (concerns, recorded)
}

fn replayed(recorded: &[String], order: Order, until: Instant) -> Concerns {
    let settings = Arc::new(CohortSettings {
        mapping: Arc::new(Mapping::builtin()),
        as_of: None,
        bases: Vec::new(),
        systolics: order == Order::Arrived,
    });
    let mut cohort = Cohort::new(&settings);
    for line in recorded {
        cohort.take(line).unwrap();
    }
    let (patients, _) = gather(vec![cohort], order).unwrap();
    let mut concerns = Concerns::new();
    for patient in patients.iter().map(Result::unwrap) {
        // The script ends at a moment; timers beyond it are no part of it.
        let done = replay_patient(patient, &JUDGES, Pace::Each);
        let mut state = done.state;
        state.concerns.retain(|_, concern| concern.since < until);
        add(&mut concerns, &state);
    }
    concerns
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_recorded_demo_gives_the_same_concerns() {
    let ward = Ward::read().unwrap();
    let (live, recorded) = live(&ward).await;
    assert!(live.len() >= 8, "{live:#?}");
    let until = ward.start().unwrap().plus_minutes(ward.end_minute);
    // By arrival everything is the same: tiers, moments, number of messages.
    assert_eq!(replayed(&recorded, Order::Arrived, until), live);
    // On the clinical clock a corrected reading never alarmed, and blood pressures count two minutes
    // sooner, when they were taken: what is open at the end is the same.
    let open = |concerns: &Concerns| -> Vec<_> {
        let open = concerns
            .iter()
            .filter_map(|(key, (tier, _, _))| Some((key.clone(), (*tier)?)));
        open.collect()
    };
    assert_eq!(open(&replayed(&recorded, Order::Taken, until)), open(&live));
}
