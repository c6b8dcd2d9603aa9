//! Readings of patients without a compartment pressure are kept as long as pairing can need them,
//! and no longer. The hours are ours: no published source says how long.

use super::*;
use std::time::Duration;

const HOUR: i64 = 60 * 60 * 1000;

impl Running {
    /// Let the service's clock show so many hours past 12:00 of the first day.
    fn after_hours(&self, hours: i64) {
        let start = at("2026-03-05T12:00:00Z").millis();
        self.clock.store(start + hours * HOUR, Ordering::SeqCst);
    }

    /// The engine looks by itself, a few times a second.
    async fn until(&self, what: &str, holds: impl Fn(&dyn Store) -> bool) {
        let end = std::time::Instant::now() + Duration::from_secs(20);
        while !holds(self.store.as_ref()) {
            assert!(std::time::Instant::now() < end, "{what}");
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    }

    /// Sources that are judged of patient 1.
    fn judged(&self) -> Vec<String> {
        let state = self.store.load_patient(&PatientKey("Patient/1".into())).unwrap();
        state.slots.into_keys().collect()
    }

    /// A reading of somebody else is forgotten at this time: whatever was to be forgotten has been.
    async fn looked_after_hours(&self, hours: i64) {
        let mut other = diastolic("witness", 70, "11:59");
        other["subject"] = json!({"reference": "Patient/2"});
        self.clock.store(at("2026-03-05T12:00:00Z").millis(), Ordering::SeqCst);
        self.poll(&[other]).await;
        self.after_hours(hours);
        self.until("nothing is forgotten", |store| {
            store.input("Observation", "witness").unwrap().is_none()
        })
        .await;
    }
}

#[tokio::test]
async fn blood_pressures_of_the_unwatched_are_forgotten_by_themselves_with_all_that_was_sent() {
    let running = Running::fresh();
    running.poll(&[diastolic("d", 70, "11:00")]).await;
    running.after_hours(47);
    tokio::time::sleep(Duration::from_millis(500)).await;
    assert_eq!(running.judged(), ["Observation/d"]);
    running.after_hours(49);
    running
        .until("it is kept for ever", |store| store.counts().unwrap().inputs == 0)
        .await;
    assert!(running.judged().is_empty());
    assert_eq!(running.store.input("Observation", "d").unwrap(), None);
    assert!(running.served("Observation").is_empty());
    running.end();
}

/// Nothing of a patient who was ever watched, and never of an open concern.
#[tokio::test]
async fn nothing_of_a_watched_patient_is_forgotten() {
    let running = Running::fresh();
    running
        .poll(&[
            diastolic("d", 70, "10:00"),
            diastolic("e", 71, "11:00"),
            pressure("c", 50, "11:02"),
        ])
        .await;
    running.looked_after_hours(24 * 30).await;
    assert_eq!(running.judged().len(), 3);
    assert!(!running.store.open_concerns().unwrap().is_empty());
    assert_eq!(running.deltas().len(), 1);
    running.end();
}

/// Order does not matter within the time that is kept: the compartment pressure comes 40 hours late.
#[tokio::test]
async fn a_compartment_pressure_that_comes_late_still_finds_its_diastolic() {
    let running = Running::fresh();
    running.poll(&[diastolic("d", 70, "11:00")]).await;
    running.after_hours(40);
    running.poll(&[pressure("c", 50, "11:02")]).await;
    assert_eq!(running.deltas()[0]["valueQuantity"]["value"], json!(20.0));
    running.end();
}

/// Later than that it is heard all the same, and once the diastolic comes again (the source is asked
/// for it) the result is that of the right order.
#[tokio::test]
async fn later_than_that_it_is_told_of_and_the_diastolic_counts_when_it_comes_again() {
    let running = Running::fresh();
    running.poll(&[diastolic("d", 70, "11:00")]).await;
    running.after_hours(60);
    running
        .until("it is kept for ever", |store| store.counts().unwrap().inputs == 0)
        .await;
    running.poll(&[pressure("c", 50, "11:02")]).await;
    assert!(running.deltas().is_empty());
    let told = serde_json::to_string(&running.messages()).unwrap();
    assert!(told.contains("diastolic-missing"), "{told}");
    running.poll(&[diastolic("d", 70, "11:00")]).await;
    assert_eq!(running.deltas()[0]["valueQuantity"]["value"], json!(20.0));
    running.end();
}

/// What was sent long after it was measured (a first poll of the past) is kept as long as what is new.
#[tokio::test]
async fn age_counts_from_when_it_was_received() {
    let running = Running::fresh();
    running.after_hours(24 * 60);
    running.poll(&[diastolic("d", 70, "11:00")]).await;
    running.after_hours(24 * 60 + 40);
    running.poll(&[pressure("c", 50, "11:02")]).await;
    assert_eq!(running.deltas().len(), 1);
    running.end();
}

/// It might be a compartment pressure under another mapping, or once its unit is known.
#[tokio::test]
async fn what_could_not_be_read_is_kept() {
    let running = Running::fresh();
    let mut unit = pressure("u", 50, "11:00");
    unit["valueQuantity"] = json!({"value": 50});
    let mut status = diastolic("s", 50, "11:00");
    status["valueQuantity"] = json!({"value": 50});
    status["subject"] = json!({"reference": "Patient/3"});
    running.poll(&[unit, status]).await;
    running.looked_after_hours(24 * 30).await;
    assert!(running.store.input("Observation", "u").unwrap().is_some());
    assert!(running.store.input("Observation", "s").unwrap().is_some());
    assert_eq!(running.store.set_aside(None, 9).unwrap().len(), 2);
    running.end();
}

/// A reading that moved to another patient is that patient's: the first forgets only its own trace.
#[tokio::test]
async fn a_reading_that_moved_away_is_not_forgotten_with_its_first_patient() {
    let running = Running::fresh();
    running.poll(&[meta(diastolic("d", 70, "11:00"), "1", "11:01")]).await;
    let mut moved = meta(diastolic("d", 70, "11:00"), "2", "11:02");
    moved["subject"] = json!({"reference": "Patient/9"});
    let mut limb = pressure("c", 50, "11:02");
    limb["subject"] = json!({"reference": "Patient/9"});
    running.poll(&[moved, limb]).await;
    assert_eq!(running.judged().len(), 1);
    running.looked_after_hours(24 * 30).await;
    assert!(running.judged().is_empty());
    assert!(running.store.input("Observation", "d").unwrap().is_some());
    assert_eq!(running.deltas().len(), 1);
    running.end();
}

/// Kakar 2007 (J Orthop Trauma 21:99-103): the diastolic before anaesthesia is what the one under it is
/// held against. While an anaesthesia counts (12 hours without a recorded end), it is kept.
#[tokio::test]
async fn the_diastolic_before_an_anaesthesia_is_kept_as_long_as_that_counts() {
    let running = Running::fresh();
    let anaesthesia = json!({"resourceType": "Procedure", "id": "an1", "status": "in-progress",
        "subject": {"reference": "Patient/1"},
        "code": {"coding": [{"system": "http://snomed.info/sct", "code": "50697003"}]},
        "performedPeriod": {"start": "2026-03-05T12:00:00Z"}});
    running.poll(&[diastolic("before", 70, "11:00"), anaesthesia]).await;
    assert_eq!(running.judged().len(), 2);
    running.looked_after_hours(58).await;
    assert_eq!(
        running.judged().len(),
        2,
        "it ends 60 hours before the age limit passes it"
    );
    running.looked_after_hours(62).await;
    running
        .until("it is kept for ever", |store| store.counts().unwrap().inputs == 0)
        .await;
    running.end();
}
