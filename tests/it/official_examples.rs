//! The official R4 examples (npm hl7.fhir.r4.examples 4.0.1, CC0) and what becomes of each.

use deltaward::fhir::Decimal;
use deltaward::recognise::{Kind, Mapping, Recognised, Version, Withdrawal, recognise};
use std::collections::BTreeMap;
use std::path::Path;

/// The fate of each example Observation, from its text: three name only a day, one a Period that
/// ends to the second, two are cancelled, one is no pressure, one is a panel of others.
const FATES: &[(&str, &str)] = &[
    ("Observation-blood-pressure-cancel.json", "withdrawn Cancelled"),
    ("Observation-blood-pressure-dar.json", "time-too-coarse"),
    ("Observation-blood-pressure.json", "time-too-coarse"),
    ("Observation-decimal.json", "code-not-mapped"),
    ("Observation-map-sitting.json", "Mean 60"),
    ("Observation-mbp.json", "time-too-coarse"),
    ("Observation-unsat.json", "withdrawn Cancelled"),
    ("Observation-vitals-panel.json", "panel-only"),
];

fn folder() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/official")
}

fn run(json: &str) -> Recognised {
    let version = Version {
        last_updated: None,
        number: None,
        id: "".into(),
        digest: "".into(),
    };
    recognise(json, "example", version, &Mapping::builtin())
}

fn fate(recognised: &Recognised) -> String {
    let withdrawn = recognised
        .withdrawn
        .map(|withdrawal| format!("withdrawn {withdrawal:?}"));
    let readings = recognised
        .readings
        .iter()
        .map(|reading| format!("{:?} {}", reading.kind, reading.pressure.mmhg));
    let refusals = recognised
        .refusals
        .iter()
        .map(|refusal| refusal.reason.code().to_owned());
    withdrawn
        .into_iter()
        .chain(readings)
        .chain(refusals)
        .collect::<Vec<_>>()
        .join(", ")
}

#[test]
fn every_official_example_has_its_fate() {
    let mut fates: BTreeMap<&str, &str> = FATES.iter().copied().collect();
    let mut others = 0;
    for entry in std::fs::read_dir(folder()).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_str().unwrap().to_owned();
        if !name.ends_with(".json") {
            continue;
        }
        let recognised = run(&std::fs::read_to_string(&path).unwrap());
        match fates.remove(name.as_str()) {
            Some(expected) => assert_eq!(fate(&recognised), expected, "{name}: {recognised:#?}"),
            None => {
                others += 1;
                assert!(!name.starts_with("Observation-"), "{name} has no written fate");
                assert_eq!(fate(&recognised), "unreadable", "{name}");
                assert!(recognised.refusals[0].detail.starts_with("resourceType is"), "{name}");
            }
        }
    }
    assert!(fates.is_empty(), "missing: {fates:?}");
    assert!(others >= 20, "{others}");
}

/// The official blood pressure example gives its diastolic once its time is a moment.
#[test]
fn the_blood_pressure_example_gives_its_diastolic() {
    let json = std::fs::read_to_string(folder().join("Observation-blood-pressure.json")).unwrap();
    let (day, moment) = (
        r#""effectiveDateTime": "2012-09-17""#,
        r#""effectiveDateTime": "2012-09-17T08:00:00+10:00""#,
    );
    let changed = json.replacen(day, moment, 1);
    assert_ne!(changed, json, "the example says {day}");
    let recognised = run(&changed);
    let found: Vec<(Kind, Decimal)> = recognised
        .readings
        .iter()
        .map(|reading| (reading.kind, reading.pressure.mmhg))
        .collect();
    assert_eq!(
        found,
        [
            (Kind::Systolic, Decimal::from(107)),
            (Kind::Diastolic, Decimal::from(60))
        ]
    );
    assert!(recognised.refusals.is_empty());
    assert_eq!(recognised.readings[1].at.to_string(), "2012-09-16T22:00:00.000Z");
    assert_eq!(recognised.patient.unwrap().0, "Patient/example");
    assert_eq!(
        recognised.readings[1].identifiers,
        ["urn:ietf:rfc:3986|urn:uuid:187e0c12-8dd2-67e2-99b2-bf273c878281"]
    );
}

/// With a moment, the example whose diastolic was not performed refuses that part and keeps the rest.
#[test]
fn the_absent_diastolic_is_told() {
    let json = std::fs::read_to_string(folder().join("Observation-blood-pressure-dar.json")).unwrap();
    let recognised = run(&json.replacen("\"2012-09-17\"", "\"2012-09-17T08:00:00Z\"", 1));
    assert_eq!(fate(&recognised), "Systolic 107, data-absent");
    assert_eq!(recognised.refusals[0].part, "component[1]");
    assert_eq!(recognised.refusals[0].detail, "dataAbsentReason \"not-performed\"");
}

#[test]
fn a_cancelled_example_keeps_its_patient() {
    let json = std::fs::read_to_string(folder().join("Observation-unsat.json")).unwrap();
    let recognised = run(&json);
    assert_eq!(recognised.withdrawn, Some(Withdrawal::Cancelled));
    assert_eq!(recognised.patient.unwrap().0, "Patient/f001");
}
