//! What `deltaward replay` writes: never over what it reads, never half, and never without saying so.

use crate::run::{replay, told};
use serde_json::{Value, json};
use std::fs;
use std::path::Path;
use std::process::{Command, Output, Stdio};

/// 64 is EX_USAGE of BSD's sysexits.h.
fn is_usage(output: &Output, names: &str) {
    assert_eq!(output.status.code(), Some(64), "{names}: {}", told(output));
    assert!(told(output).contains(names), "{names}: {}", told(output));
}

/// A version of an invented reading of `patient`; `updated` is the rest of meta.
fn reading(id: &str, patient: &str, kind: &str, value: u8, minute: u8, status: &str, updated: Option<&str>) -> String {
    let (system, code) = match kind {
        "diastolic" => ("http://loinc.org", "8462-4"),
        _ => (
            "https://deltaward.example/fhir/CodeSystem/measurement",
            "compartment-pressure",
        ),
    };
    let mut observation = json!({
        "resourceType": "Observation", "id": id, "status": status,
        "code": {"coding": [{"system": system, "code": code}]},
        "subject": {"reference": format!("Patient/{patient}")},
        "effectiveDateTime": format!("2026-03-01T09:{minute:02}:00Z"),
        "valueQuantity": {"value": value, "system": "http://unitsofmeasure.org", "code": "mm[Hg]"},
        "bodySite": {"coding": [
            {"system": "https://deltaward.example/fhir/CodeSystem/compartment", "code": "leg-anterior"},
            {"system": "http://snomed.info/sct", "code": "7771000"}
        ]},
    });
    if let Some(updated) = updated {
        observation["meta"] = json!({"lastUpdated": updated});
    }
    observation.to_string()
}

/// One patient with an alert.
fn record(folder: &Path) {
    let lines = [
        reading("d", "p1", "diastolic", 70, 0, "final", Some("2026-03-01T09:00:00Z")),
        reading("c", "p1", "compartment", 45, 1, "final", Some("2026-03-01T09:01:00Z")),
    ];
    fs::write(folder.join("in.ndjson"), lines.join("\n")).unwrap();
}

#[test]
fn nothing_is_written_over_what_is_read() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    record(folder.path());
    fs::write(at("labels.csv"), "patient,outcome\np1,1\n").unwrap();
    std::os::unix::fs::symlink(at("in.ndjson"), at("link.html")).unwrap();
    fs::hard_link(at("in.ndjson"), at("hard.csv")).unwrap();
    let before = fs::read(at("in.ndjson")).unwrap();
    for output in [
        ["--html", "in.ndjson"],
        ["--html", "./in.ndjson"],
        ["--html", "link.html"],
        ["--pairs", "hard.csv"],
        ["--json", "in.ndjson"],
        ["--events", "in.ndjson"],
    ] {
        is_usage(&replay(folder.path(), &["in.ndjson", output[0], output[1]]), "one file");
    }
    is_usage(
        &replay(
            folder.path(),
            &["in.ndjson", "--labels", "labels.csv", "--pairs", "labels.csv"],
        ),
        "labels.csv",
    );
    is_usage(
        &replay(folder.path(), &["in.ndjson", "--html", "same", "--json", "./same"]),
        "one file",
    );
    is_usage(&replay(folder.path(), &["in.ndjson", "--html", "-"]), "--html -");
    assert_eq!(fs::read(at("in.ndjson")).unwrap(), before);
    assert!(!at("same").exists() && !at("-").exists());
}

#[test]
fn a_result_that_cannot_be_written_leaves_the_one_of_before_and_is_told() {
    let folder = tempfile::tempdir().unwrap();
    record(folder.path());
    let page = folder.path().join("page.html");
    fs::write(&page, "the one of before").unwrap();
    let outputs = ["in.ndjson", "--html", "page.html", "--pairs", "nowhere/pairs.csv"];
    let output = replay(folder.path(), &outputs);
    assert_eq!(output.status.code(), Some(1), "{}", told(&output));
    assert!(told(&output).contains("nowhere/pairs.csv"), "{}", told(&output));
    // Each is whole or not there; nothing of a half one is left.
    assert!(fs::read_to_string(&page).unwrap().ends_with("</html>"));
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 2);
    for args in [&["in.ndjson", "--json", "-"][..], &["in.ndjson", "--summary"]] {
        let full = fs::File::options().write(true).open("/dev/full").unwrap();
        let mut command = Command::new(env!("CARGO_BIN_EXE_deltaward"));
        command.current_dir(folder.path()).arg("replay").args(args).stdout(full);
        let output = command
            .stderr(Stdio::piped())
            .spawn()
            .unwrap()
            .wait_with_output()
            .unwrap();
        assert_eq!(output.status.code(), Some(1), "{}", told(&output));
        assert!(told(&output).contains("standard output"), "{}", told(&output));
        assert!(!told(&output).contains("panicked"), "{}", told(&output));
    }
}

#[test]
fn wrong_arguments_are_refused_before_anything_is_read() {
    let folder = tempfile::tempdir().unwrap();
    record(folder.path());
    fs::write(folder.path().join("wrong.csv"), "who,what\n").unwrap();
    for (args, names) in [
        (["--threads", "100000"], "1024"),
        (["--sweep", "no_such_number=1..2"], "no_such_number"),
        (["--labels", "nowhere.csv"], "nowhere.csv"),
        (["--labels", "wrong.csv"], "line 1"),
        (
            ["--sweep", "a=-9223372036854775808..9223372036854775807"],
            "18446744073709551616",
        ),
    ] {
        let output = replay(folder.path(), &["in.ndjson", args[0], args[1]]);
        is_usage(&output, names);
        // Said once.
        assert_eq!(told(&output).matches(names).count(), 1, "{}", told(&output));
    }
    assert!(!folder.path().join("replay-report.html").exists());
}

fn figures(folder: &Path, lines: &[String], more: &[&str]) -> Value {
    fs::write(folder.join("all.ndjson"), lines.join("\n")).unwrap();
    let output = replay(folder, &[&["all.ndjson", "--json", "-"], more].concat());
    assert!(output.status.success(), "{}", told(&output));
    serde_json::from_slice(&output.stdout).unwrap()
}

/// A false alarm whose reading was taken back later stays an alarm, and its patient one who was watched.
#[test]
fn whoever_was_alerted_counts_though_the_reading_was_taken_back() {
    let folder = tempfile::tempdir().unwrap();
    let mut lines = Vec::new();
    for patient in ["p1", "p9"] {
        let at = Some("2026-03-01T09:02:00Z");
        lines.push(reading(
            &format!("d{patient}"),
            patient,
            "diastolic",
            70,
            0,
            "final",
            at,
        ));
        lines.push(reading(
            &format!("c{patient}"),
            patient,
            "compartment",
            40,
            1,
            "final",
            at,
        ));
    }
    let later = Some("2026-03-01T09:20:00Z");
    lines.push(reading("cp1", "p1", "compartment", 40, 1, "entered-in-error", later));
    fs::write(folder.path().join("labels.csv"), "patient,outcome\np1,0\np9,0\n").unwrap();
    let found = figures(folder.path(), &lines, &["--arrival", "--labels", "labels.csv"]);
    let alerted = &found["burden"]["alertedPatients"];
    assert_eq!(
        (&alerted["part"], &alerted["whole"]),
        (&json!(2), &json!(2)),
        "{alerted}"
    );
    assert_eq!(found["labels"]["falsePositive"], json!(2), "{}", found["labels"]);
    assert_eq!(found["labels"]["labelledNotWatched"], json!(0), "{}", found["labels"]);
}

/// What was measured after the view was not known then, whatever its lastUpdated says; and after the view
/// no timer runs.
#[test]
fn a_view_of_the_past_holds_nothing_of_later() {
    let folder = tempfile::tempdir().unwrap();
    let lines = [
        reading("d1", "p1", "diastolic", 70, 0, "final", None),
        reading("c1", "p1", "compartment", 30, 1, "final", None),
        reading("c2", "p1", "compartment", 60, 30, "final", None),
    ];
    let view = ["--as-of", "2026-03-01T09:10:00Z"];
    let whole = figures(folder.path(), &lines, &[]);
    assert_eq!(whole["inputs"]["undated"], json!(3));
    assert_eq!(whole["burden"]["alertedPatients"]["part"], json!(1));
    let past = figures(folder.path(), &lines, &view);
    assert_eq!(past["inputs"]["laterThanView"], json!(1));
    assert_eq!(past["burden"]["alertedPatients"]["part"], json!(0));
    let output = replay(folder.path(), &["all.ndjson", "--summary", view[0], view[1]]);
    let summary: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(
        (
            &summary["later_versions"],
            &summary["undated_versions"],
            &summary["pairs"]
        ),
        (&json!(1), &json!(2), &json!(1))
    );
    // The alert at 09:01 asks to measure again within the hour: that is after the view.
    let alerted = [
        lines[0].clone(),
        reading("c3", "p1", "compartment", 45, 1, "final", None),
    ];
    let messages = |found: &Value| found["burden"]["messages"].as_u64().unwrap();
    let (whole, past) = (
        figures(folder.path(), &alerted, &[]),
        figures(folder.path(), &alerted, &view),
    );
    assert!(
        messages(&past) > 0 && messages(&past) < messages(&whole),
        "{past} {whole}"
    );
}

/// One id of two servers: half of the readings would be gone without a word.
#[test]
fn ids_that_stand_for_different_patients_are_told() {
    let folder = tempfile::tempdir().unwrap();
    let at = Some("2026-03-01T09:02:00Z");
    let lines = ["p1", "p2"].map(|patient| reading("same", patient, "diastolic", 70, 0, "final", at));
    fs::write(folder.path().join("two.ndjson"), lines.join("\n")).unwrap();
    let output = replay(folder.path(), &["two.ndjson", "--json", "-"]);
    let found: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(found["inputs"]["idsOfSeveralPatients"], json!(1));
    assert!(
        told(&output).contains("1 ids stand for different patients"),
        "{}",
        told(&output)
    );
}

/// `… --summary | head` closes the pipe early.
#[test]
fn a_reader_that_has_gone_is_no_fault() {
    let folder = tempfile::tempdir().unwrap();
    record(folder.path());
    for args in [&["in.ndjson", "--json", "-"][..], &["in.ndjson", "--summary"]] {
        let (reader, writer) = std::io::pipe().unwrap();
        drop(reader);
        let mut command = Command::new(env!("CARGO_BIN_EXE_deltaward"));
        command
            .current_dir(folder.path())
            .arg("replay")
            .args(args)
            .stdout(writer);
        let output = command
            .stderr(Stdio::piped())
            .spawn()
            .unwrap()
            .wait_with_output()
            .unwrap();
        assert_eq!(output.status.code(), Some(0), "{}", told(&output));
        assert!(!told(&output).contains("panicked"), "{}", told(&output));
    }
}

/// A text that turns the order of letters around would show another patient or number than it is.
#[test]
fn the_page_holds_no_letter_that_turns_the_others_around() {
    let folder = tempfile::tempdir().unwrap();
    record(folder.path());
    let title = "Cohort \u{202e}51\u{202c} \u{1}";
    let output = replay(folder.path(), &["in.ndjson", "--html", "page.html", "--title", title]);
    assert!(output.status.success(), "{}", told(&output));
    let page = fs::read_to_string(folder.path().join("page.html")).unwrap();
    assert!(
        page.contains("Cohort \u{fffd}51\u{fffd} \u{fffd}"),
        "the title is not there"
    );
}
