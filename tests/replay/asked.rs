//! `deltaward replay`: which files are read, what is kept from being written over, and figures that end where
//! knowledge ends.

use crate::run::{replay, told};
use serde_json::{Value, json};
use std::fs;
use std::path::Path;

fn figures(folder: &Path, args: &[&str]) -> Value {
    let output = replay(folder, &[args, &["--json", "-"]].concat());
    assert!(output.status.success(), "{}", told(&output));
    serde_json::from_slice(&output.stdout).unwrap()
}

/// An invented pressure of patient p1 at `time` of one morning, known a minute later.
fn pressure(kind: &str, time: &str, value: u8) -> String {
    let (system, code) = match kind {
        "diastolic" => ("http://loinc.org", "8462-4"),
        _ => (
            "https://deltaward.example/fhir/CodeSystem/measurement",
            "compartment-pressure",
        ),
    };
    json!({
        "resourceType": "Observation", "id": format!("{kind}-{}", time.replace(':', "")), "status": "final",
        "meta": {"lastUpdated": format!("2026-03-01T{time}:30Z")},
        "code": {"coding": [{"system": system, "code": code}]},
        "subject": {"reference": "Patient/p1"},
        "effectiveDateTime": format!("2026-03-01T{time}:00Z"),
        "valueQuantity": {"value": value, "system": "http://unitsofmeasure.org", "code": "mm[Hg]"},
        "bodySite": {"coding": [
            {"system": "https://deltaward.example/fhir/CodeSystem/compartment", "code": "leg-anterior"},
            {"system": "http://snomed.info/sct", "code": "7771000"}
        ]},
    })
    .to_string()
}

fn written(folder: &Path, name: &str, lines: &[String]) {
    fs::write(folder.join(name), lines.join("\n")).unwrap();
}

#[test]
fn a_folder_is_read_with_the_folders_in_it() {
    let folder = tempfile::tempdir().unwrap();
    fs::create_dir_all(folder.path().join("export/2026/03")).unwrap();
    // A link in a circle is no folder of its own.
    std::os::unix::fs::symlink("..", folder.path().join("export/2026/again")).unwrap();
    written(folder.path(), "export/a.ndjson", &[pressure("diastolic", "09:00", 70)]);
    written(
        folder.path(),
        "export/2026/03/b.jsonl",
        &[pressure("compartment", "09:01", 45)],
    );
    let found = figures(folder.path(), &["export"]);
    assert_eq!(found["files"], json!(["export/2026/03/b.jsonl", "export/a.ndjson"]));
    assert_eq!(found["burden"]["watchedPatients"], 1);
}

#[test]
fn an_approval_and_a_mapping_are_not_written_over() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    written(folder.path(), "in.ndjson", &[pressure("compartment", "09:01", 45)]);
    let sheet = Path::new(env!("CARGO_MANIFEST_DIR")).join("profiles/rules/adult.toml");
    fs::copy(sheet, at("adult.toml")).unwrap();
    fs::write(at("adult.toml.approval.toml"), "invented").unwrap();
    fs::create_dir(at("mapping")).unwrap();
    let map = include_str!("../../profiles/ConceptMap-site.json");
    fs::write(at("mapping/ConceptMap-site.json"), map).unwrap();
    for args in [
        ["--rules", "adult.toml", "--json", "adult.toml.approval.toml"],
        ["--against", "adult.toml", "--html", "adult.toml.approval.toml"],
        ["--mapping", "mapping", "--pairs", "mapping/ConceptMap-site.json"],
    ] {
        let output = replay(folder.path(), &[&["in.ndjson"][..], &args].concat());
        assert_eq!(output.status.code(), Some(64), "{args:?}: {}", told(&output));
        assert!(told(&output).contains("are one file"), "{}", told(&output));
    }
    assert_eq!(fs::read_to_string(at("adult.toml.approval.toml")).unwrap(), "invented");
    assert_eq!(fs::read_to_string(at("mapping/ConceptMap-site.json")).unwrap(), map);
}

#[test]
fn what_cannot_have_been_meant_is_said() {
    let folder = tempfile::tempdir().unwrap();
    written(folder.path(), "in.ndjson", &[pressure("diastolic", "09:00", 70)]);
    let nothing = replay(folder.path(), &["in.ndjson", "--json", "a.json"]);
    assert!(
        told(&nothing).contains("no compartment pressure was found in 1 lines"),
        "{}",
        told(&nothing)
    );
    written(folder.path(), "in.ndjson", &[pressure("compartment", "09:01", 45)]);
    fs::write(folder.path().join("labels.csv"), "patient,outcome\nsomebody,1\n").unwrap();
    let labelled = replay(
        folder.path(),
        &["in.ndjson", "--json", "a.json", "--labels", "labels.csv"],
    );
    assert!(
        told(&labelled).contains("no label is of a watched patient"),
        "{}",
        told(&labelled)
    );
    assert!(
        !told(&labelled).contains("no compartment pressure"),
        "{}",
        told(&labelled)
    );
    for (args, names) in [
        (["--sweep", "delta_threshold=45..10:5"], "FROM must not be above TO"),
        (["--sweep", "delta_threshold=10..45:0"], "STEP not below 1"),
        (["--sweep", "delta_threshold"], "write NAME=FROM..TO:STEP"),
        (["--base", "hospital"], "http or https"),
    ] {
        let output = replay(folder.path(), &[&["in.ndjson"][..], &args].concat());
        assert_eq!(output.status.code(), Some(64), "{args:?}: {}", told(&output));
        assert!(told(&output).contains(names), "{}", told(&output));
    }
    let output = replay(folder.path(), &["in.ndjson", "--html", "nowhere/a.html"]);
    assert!(
        told(&output).contains("nowhere/a.html: cannot be written"),
        "{}",
        told(&output)
    );
    assert!(!told(&output).contains(".tmp"), "{}", told(&output));
}

/// The adult sheet carries a compartment reading for 240 minutes.
#[test]
fn a_low_delta_counts_no_longer_than_its_reading_and_nothing_counts_after_the_view() {
    let folder = tempfile::tempdir().unwrap();
    let lines = [
        pressure("diastolic", "09:00", 70),
        pressure("compartment", "09:01", 30),
        pressure("diastolic", "09:50", 55),
    ];
    written(folder.path(), "carried.ndjson", &lines);
    let minutes = |found: &Value| {
        (
            found["burden"]["lowMinutes"].clone(),
            found["burden"]["patientDays"].as_f64().unwrap() * 1440.0,
        )
    };
    let (low, watched) = minutes(&figures(folder.path(), &["carried.ndjson"]));
    // From 09:50 to 13:01.
    assert_eq!(low, 191);
    assert!((watched - 240.0).abs() < 1e-6, "{watched}");
    let view = ["carried.ndjson", "--as-of", "2026-03-01T10:00:00Z"];
    let (low, watched) = minutes(&figures(folder.path(), &view));
    assert_eq!(low, 10);
    assert!((watched - 59.0).abs() < 1e-6, "{watched}");
}

#[test]
fn an_alert_whose_reading_was_taken_back_stood_on_one() {
    let folder = tempfile::tempdir().unwrap();
    let low = pressure("compartment", "09:01", 45);
    let gone = low
        .replace("\"final\"", "\"entered-in-error\"")
        .replace("T09:01:30Z", "T09:20:00Z");
    written(
        folder.path(),
        "in.ndjson",
        &[pressure("diastolic", "09:00", 70), low, gone],
    );
    let found = figures(folder.path(), &["in.ndjson", "--arrival"]);
    let of_one = &found["burden"]["alertsFromOneReading"];
    assert_eq!((&of_one["part"], &of_one["whole"]), (&json!(1), &json!(1)));
}
