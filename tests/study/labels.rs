//! Labels: how the file is read, and who counts where.

use crate::calm::{JUDGES, inputs};
use crate::patient_support::{Obs, at, compartment, diastolic};
use deltaward::recognise::Mapping;
use deltaward::recognise::reading::PatientKey;
use deltaward::replay::clock::{Pace, replay_patient};
use deltaward::replay::cohort::{Cohort, CohortSettings, Order};
use deltaward::replay::findings::{Findings, Keep};
use deltaward::replay::gather::gather;
use deltaward::replay::labels::{Labels, judge};
use std::sync::Arc;

fn findings(patients: &[(&str, Vec<Obs>)]) -> Findings {
    let mut findings = Findings::default();
    for (name, observations) in patients {
        let mut inputs = inputs(observations, Some("1980-02-03"));
        inputs.patient = PatientKey((*name).to_owned());
        findings.add(
            replay_patient(inputs, &JUDGES, Pace::WhenItMatters),
            &JUDGES,
            Keep::default(),
        );
    }
    findings
}

/// 28 mmHg at minute 2: alerted. 60 − 15: not.
fn alerted() -> Vec<Obs> {
    vec![diastolic("d", 0, "70"), compartment("c", 2, "42")]
}

fn quiet() -> Vec<Obs> {
    vec![diastolic("d", 0, "60"), compartment("c", 2, "15")]
}

#[test]
fn who_counts_where() {
    let findings = findings(&[
        ("Patient/in-time", alerted()),
        ("Patient/too-late", alerted()),
        ("Patient/false", alerted()),
        ("Patient/missed", quiet()),
        ("Patient/unlabelled", quiet()),
        ("Patient/unwatched", vec![diastolic("d", 0, "60")]),
    ]);
    let text = format!(
        "patient,outcome,time\nPatient/in-time,1,{}\ntoo-late, yes ,{}\nfalse,no,\nPatient/missed,TRUE,\nunwatched,1,\nelsewhere,0,\n",
        at(182),
        at(1)
    );
    let judged = judge(&findings, &Labels::parse(&text).unwrap());
    let cells = judged.cells;
    let found = (
        cells.true_positive,
        cells.false_positive,
        cells.false_negative,
        cells.true_negative,
    );
    assert_eq!(found, (1, 1, 2, 0));
    // 182 − 2 minutes.
    assert_eq!(judged.lead.map(|lead| (lead.count, lead.median)), Some((1, 180)));
    assert_eq!((judged.too_late, judged.without_label), (1, 1));
    assert_eq!((judged.not_watched, judged.not_watched_present), (2, 1));
    assert_eq!(cells.specificity().part, 0);
}

#[test]
fn a_wrong_file_is_refused_by_line() {
    for (text, line, words) in [
        ("patient,result\na,1\n", 1, "no column outcome"),
        ("patient,outcome\na,maybe\n", 2, "none of"),
        ("patient,outcome\na,1\n,0\n", 3, "empty"),
        ("patient,outcome\na,1\nPatient/a,0\n", 3, "twice"),
        ("patient,outcome,time\na,1,2026-01-10\n", 2, "2026-01-10"),
        ("patient,outcome\na,1,2\n", 2, "number of columns"),
    ] {
        let error = Labels::parse(text).unwrap_err();
        assert_eq!(error.line, line, "{text:?}: {error}");
        assert!(error.message.contains(words), "{text:?}: {error}");
    }
}

/// A view of the past leaves out what was updated later; the version before counts.
#[test]
fn a_view_of_the_past_counts_the_version_of_its_time() {
    let line = |updated: &str, pressure: i64| {
        format!(
            "{{\"resourceType\":\"Observation\",\"id\":\"a\",\"meta\":{{\"lastUpdated\":\"{updated}\"}},\"status\":\"final\",\
             \"code\":{{\"coding\":[{{\"system\":\"https://deltaward.example/fhir/CodeSystem/measurement\",\"code\":\"compartment-pressure\"}}]}},\
             \"subject\":{{\"reference\":\"Patient/a\"}},\"effectiveDateTime\":\"2026-01-10T02:00:00Z\",\
             \"valueQuantity\":{{\"value\":{pressure},\"system\":\"http://unitsofmeasure.org\",\"code\":\"mm[Hg]\"}}}}"
        )
    };
    let as_of = |moment: Option<&str>| {
        let settings = Arc::new(CohortSettings {
            mapping: Arc::new(Mapping::builtin()),
            as_of: moment.map(|text| deltaward::fhir::datetime::parse_instant(text).unwrap()),
            bases: Vec::new(),
            systolics: false,
        });
        let mut cohort = Cohort::new(&settings);
        cohort.take(&line("2026-01-10T02:05:00Z", 52)).unwrap();
        cohort.take(&line("2026-01-10T02:30:00Z", 25)).unwrap();
        let (patients, inputs) = gather(vec![cohort], Order::Taken).unwrap();
        let replayed = replay_patient(patients.patient(0).unwrap().unwrap(), &JUDGES, Pace::Each);
        let slot = replayed.state.slots.values().next().unwrap().clone();
        (slot.readings[0].pressure.sent_value.to_string(), inputs.later_than_view)
    };
    assert_eq!(as_of(None), (String::from("25"), 0));
    assert_eq!(as_of(Some("2026-01-10T02:29:59Z")), (String::from("52"), 1));
    assert_eq!(as_of(Some("2026-01-10T02:30:00Z")), (String::from("25"), 0));
}
