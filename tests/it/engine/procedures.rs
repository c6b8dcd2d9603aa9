//! Procedures and the contexts that they give, how a pressure was taken, and polling beside the readings.

use super::*;
use deltaward::recognise::{ContextKind, Quality, Withdrawal};

const SNOMED: &str = "http://snomed.info/sct";
const PATIENT: &str = "Patient/1";

fn procedure(id: &str, code: &str, status: &str) -> Value {
    json!({"resourceType": "Procedure", "id": id, "status": status, "subject": {"reference": PATIENT},
        "code": {"coding": [{"system": SNOMED, "code": code}]},
        "performedPeriod": {"start": "2026-03-05T09:00:00Z", "end": "2026-03-05T11:00:00Z"}})
}

fn anaesthesia(status: &str, version: &str) -> Value {
    meta(procedure("p", "50697003", status), version, "10:00")
}

impl Running {
    fn slots(&self, patient: &str) -> std::collections::BTreeMap<String, Box<deltaward::patient::state::Slot>> {
        let key = PatientKey(patient.into());
        self.store.load_patient(&key).unwrap().slots
    }
}

#[tokio::test]
async fn a_procedure_is_a_context_of_its_patient_until_it_is_taken_back() {
    let running = Running::fresh();
    running.poll(&[anaesthesia("in-progress", "1")]).await;
    let held = running.slots(PATIENT)["Procedure/p"].contexts.clone();
    assert_eq!((held[0].kind, held[0].end), (ContextKind::Anaesthesia, None));
    running.poll(&[anaesthesia("completed", "2")]).await;
    let held = running.slots(PATIENT)["Procedure/p"].contexts.clone();
    assert_eq!(held[0].end, Some(at("2026-03-05T11:00:00Z")));
    // An older version changes nothing.
    running.poll(&[anaesthesia("in-progress", "1")]).await;
    assert_eq!(running.slots(PATIENT)["Procedure/p"].contexts, held);
    running.poll(&[anaesthesia("not-done", "3")]).await;
    let slot = running.slots(PATIENT)["Procedure/p"].clone();
    assert_eq!(
        (slot.withdrawn, slot.contexts),
        (Some(Withdrawal::Cancelled), Vec::new())
    );
    let aside = running.store.set_aside(None, 10).unwrap();
    assert_eq!(
        (aside[0].source.as_str(), aside[0].reason.code()),
        ("Procedure/p", "taken-back")
    );
    running.end();
}

#[tokio::test]
async fn a_deleted_or_moved_procedure_is_no_context_any_more() {
    let running = Running::fresh();
    running.poll(&[anaesthesia("completed", "1")]).await;
    let mut moved = anaesthesia("completed", "2");
    moved["subject"] = json!({"reference": "Patient/2"});
    running.poll(&[moved]).await;
    let left = running.slots(PATIENT)["Procedure/p"].clone();
    assert_eq!(left.withdrawn, Some(Withdrawal::MovedToAnotherPatient));
    assert_eq!(running.slots("Patient/2")["Procedure/p"].contexts.len(), 1);
    let mut delete = incoming(&anaesthesia("completed", "2"));
    delete.operation = Operation::Delete;
    running
        .submit(Batch {
            items: vec![delete],
            ..Batch::default()
        })
        .await;
    let gone = running.slots("Patient/2")["Procedure/p"].clone();
    assert_eq!((gone.withdrawn, gone.contexts), (Some(Withdrawal::Deleted), Vec::new()));
    running.end();
}

/// One id of two types is two resources.
#[tokio::test]
async fn an_observation_and_a_procedure_of_one_id_do_not_touch_each_other() {
    let running = Running::fresh();
    let same = meta(procedure("d", "50697003", "completed"), "1", "10:00");
    running
        .poll(&[meta(diastolic("d", 70, "10:00"), "1", "10:00"), same])
        .await;
    let slots = running.slots(PATIENT);
    assert_eq!(slots["Observation/d"].readings.len(), 1);
    assert_eq!(slots["Procedure/d"].contexts.len(), 1);
    running.end();
}

#[tokio::test]
async fn a_procedure_of_no_mapped_code_is_counted_not_listed_and_tried_again() {
    let running = Running::fresh();
    let operation = meta(procedure("o", "80146002", "completed"), "1", "10:00");
    running.poll(&[operation]).await;
    assert!(
        running.slots(PATIENT).is_empty(),
        "it concerns no patient that is watched"
    );
    let counted = running.store.counts().unwrap().set_aside;
    assert_eq!(counted, [(String::from("code-not-mapped"), 1)]);
    assert_eq!(
        running.store.set_aside(None, 10).unwrap(),
        [],
        "a hospital has too many of them"
    );
    let of_patient = running.store.set_aside(Some(&PatientKey(PATIENT.into())), 10).unwrap();
    assert_eq!(of_patient[0].source, "Procedure/o");
    let store = running.end();

    let files: Vec<(&str, String)> = BUILTIN_FILES
        .iter()
        .map(|(name, text)| match *name {
            "ConceptMap-context.json" => (*name, text.replace("50697003", "80146002")),
            _ => (*name, (*text).to_owned()),
        })
        .collect();
    let running = Running::start(store, Mapping::from_files(&files).unwrap());
    assert_eq!(running.slots(PATIENT)["Procedure/o"].contexts.len(), 1);
    assert_eq!(running.store.counts().unwrap().set_aside, []);
    running.end();
}

#[tokio::test]
async fn a_newer_version_with_another_quality_counts() {
    let running = Running::fresh();
    let zeroed = |yes: bool, version: &str| {
        let mut resource = meta(pressure("c", 45, "10:02"), version, "10:03");
        resource["component"] = json!([{"valueBoolean": yes,
            "code": {"coding": [{"system": "https://deltaward.example/fhir/CodeSystem/reading", "code": "zeroed"}]}}]);
        resource
    };
    for (yes, version) in [(true, "1"), (false, "2")] {
        running.poll(&[zeroed(yes, version)]).await;
        let slot = running.slots(PATIENT)["Observation/c"].clone();
        let expected = Quality {
            zeroed: Some(yes),
            ..Quality::default()
        };
        assert_eq!(slot.readings[0].quality.as_deref(), Some(&expected));
    }
    running.end();
}

/// A poll of Procedures ends while a patient's readings of days are still being read: only the
/// poll of the readings knows when those are complete.
#[tokio::test]
async fn procedures_polled_beside_a_long_history_do_not_end_it() {
    let running = Running::fresh();
    let cursor = |name: &str| CursorUpdate {
        name: name.into(),
        position: at("2026-03-05T10:05:00Z"),
    };
    let items = [diastolic("d", 70, "08:00"), pressure("c", 45, "08:00")];
    running
        .submit(Batch {
            items: items.iter().map(incoming).collect(),
            history: true,
            ..Batch::default()
        })
        .await;
    running
        .submit(Batch {
            items: vec![incoming(&anaesthesia("completed", "1"))],
            cursors: vec![cursor("procedures")],
            aside: true,
            ..Batch::default()
        })
        .await;
    assert_eq!(running.slots(PATIENT)["Procedure/p"].contexts.len(), 1);
    assert!(running.messages().is_empty(), "{:?}", running.messages());
    running
        .submit(Batch {
            cursors: vec![cursor("observations")],
            ..Batch::default()
        })
        .await;
    assert_eq!(running.messages().len(), 1);
    running.end();
}
