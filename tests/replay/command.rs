//! `deltaward replay` from outside.

use crate::made;
use crate::run::{replay, told};
use serde_json::{Value, json};
use std::fs::{self, File};
use std::io::Write;
use std::process::{Command, Output, Stdio};

fn answer(output: &Output) -> Value {
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

/// 64 is EX_USAGE of BSD's sysexits.h.
#[test]
fn a_path_that_leads_nowhere_is_a_fault_of_usage() {
    let folder = tempfile::tempdir().unwrap();
    for path in ["nowhere.ndjson", "nowhere/*.ndjson", "."] {
        let output = replay(folder.path(), &[path, "--summary"]);
        assert_eq!(output.status.code(), Some(64), "{path}: {}", told(&output));
        assert!(told(&output).contains(path), "{}", told(&output));
        assert!(output.stdout.is_empty());
    }
}

#[test]
fn the_first_bad_line_ends_a_strict_replay_and_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let good = r#"{"resourceType":"Observation","id":"a","status":"final"}"#;
    // The comma of the third line is its 16th byte; what stands there instead of a colon is no JSON.
    let bad = r#"{"resourceType","Observation"}"#;
    fs::write(folder.path().join("a.ndjson"), format!("{good}\n\n{bad}\nnot JSON\n")).unwrap();
    let lenient = replay(folder.path(), &["a.ndjson", "--summary"]);
    assert_eq!(answer(&lenient)["bad_lines"], json!(2));
    assert_eq!(answer(&lenient)["observations"], json!(1));
    assert!(
        told(&lenient).contains("a.ndjson: line 3, column 16"),
        "{}",
        told(&lenient)
    );
    assert!(
        told(&lenient).contains("a.ndjson: line 4, column "),
        "{}",
        told(&lenient)
    );
    let strict = replay(folder.path(), &["a.ndjson", "--summary", "--strict"]);
    assert_eq!(strict.status.code(), Some(1), "{}", told(&strict));
    assert!(
        told(&strict).contains("a.ndjson: line 3, column 16"),
        "{}",
        told(&strict)
    );
    assert!(strict.stdout.is_empty());
}

#[test]
fn however_the_lines_come_the_answer_is_the_same() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    let text: String = (1..60).map(|seed| made::file(seed, true) + "\n").collect();
    fs::write(at("plain.ndjson"), &text).unwrap();
    let mut gzip = flate2::write::GzEncoder::new(File::create(at("a.ndjson.gz")).unwrap(), flate2::Compression::fast());
    gzip.write_all(text.as_bytes()).unwrap();
    gzip.finish().unwrap();
    fs::write(at("a.ndjson.zst"), zstd::encode_all(text.as_bytes(), 3).unwrap()).unwrap();
    // Two files of a folder, cut between lines, beside one that is none of its kind.
    fs::create_dir(at("folder")).unwrap();
    let cut = text[..text.len() / 2].rfind('\n').unwrap() + 1;
    fs::write(at("folder/1.ndjson"), &text[..cut]).unwrap();
    fs::write(at("folder/2.jsonl"), &text[cut..]).unwrap();
    fs::write(at("folder/notes.txt"), "not JSON\n").unwrap();
    let expected = answer(&replay(folder.path(), &["plain.ndjson", "--summary"]));
    assert!(expected["pairs"].as_u64().unwrap() > 40, "{expected}");
    let ways: [&[&str]; 6] = [
        &["a.ndjson.gz"],
        &["a.ndjson.zst"],
        &["folder"],
        &["folder/[12].*"],
        &["folder/1.ndjson", "folder/2.jsonl", "folder/1.ndjson"],
        &["plain.ndjson", "--threads", "1"],
    ];
    for way in ways {
        let args = [way, &["--summary"][..]].concat();
        assert_eq!(answer(&replay(folder.path(), &args)), expected, "{way:?}");
    }
    let mut child = Command::new(env!("CARGO_BIN_EXE_deltaward"))
        .args(["replay", "-", "--summary"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    child.stdin.take().unwrap().write_all(text.as_bytes()).unwrap();
    assert_eq!(answer(&child.wait_with_output().unwrap()), expected);
}

/// One compartment pressure in three versions, beside a diastolic of 70 mmHg.
#[test]
fn a_view_of_the_past_knows_only_what_was_known_then() {
    let folder = tempfile::tempdir().unwrap();
    let line = |id: &str, updated: &str, status: &str, coding: Value, value: u32| {
        json!({
            "resourceType": "Observation", "id": id, "status": status, "meta": {"lastUpdated": updated},
            "code": {"coding": [coding]}, "subject": {"reference": "Patient/p"},
            "effectiveDateTime": "2026-01-05T08:00:00Z",
            "valueQuantity": {"value": value, "system": "http://unitsofmeasure.org", "code": "mm[Hg]"},
        })
        .to_string()
    };
    let compartment =
        json!({"system": "https://deltaward.example/fhir/CodeSystem/measurement", "code": "compartment-pressure"});
    let diastolic = json!({"system": "http://loinc.org", "code": "8462-4"});
    let lines = [
        line("c", "2026-01-05T10:00:00Z", "entered-in-error", compartment.clone(), 20),
        line("c", "2026-01-05T08:10:00Z", "final", compartment.clone(), 45),
        line("c", "2026-01-05T09:00:00Z", "corrected", compartment, 20),
        line("d", "2026-01-05T08:05:00Z", "final", diastolic, 70),
    ];
    fs::write(folder.path().join("a.ndjson"), lines.join("\n")).unwrap();
    // As of; observations, superseded, withdrawn, pairs, low; sum of the deltas.
    let expected = [
        ("2026-01-05T08:09:59Z", [1, 0, 0, 0, 0], 0.0),
        ("2026-01-05T08:10:00Z", [2, 0, 0, 1, 1], 25.0),
        ("2026-01-05T10:30:00+01:00", [3, 1, 0, 1, 0], 50.0),
        ("2026-01-05T10:00:00Z", [4, 2, 1, 0, 0], 0.0),
    ];
    for (as_of, counts, sum) in expected {
        let answer = answer(&replay(folder.path(), &["a.ndjson", "--summary", "--as-of", as_of]));
        let found = ["observations", "superseded", "withdrawn", "pairs", "low"].map(|name| answer[name].clone());
        assert_eq!(found, counts.map(|count| json!(count)), "{as_of}");
        assert_eq!(answer["sum_delta_mmhg"], json!(sum), "{as_of}");
        assert_eq!(answer["later_versions"], json!(4 - counts[0]), "{as_of}");
    }
    let refused = replay(folder.path(), &["a.ndjson", "--summary", "--as-of", "2026-01-05"]);
    assert_eq!(refused.status.code(), Some(64), "{}", told(&refused));
}

/// By hand: 70 − 40.0004 rounds to 70 − 40.000 = 30.000, which is low; 70 − 39.9995 = 30.000 is too (a half
/// away from zero), and 70 − 39.999 = 30.001 is not. Each exactly 60 minutes after the diastolic. The hash is
/// that of `printf 'Patient/p|s|1772708400000' | sha256sum` (GNU coreutils).
#[test]
fn a_code_of_the_house_is_a_compartment_pressure_when_it_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let observation = |id: &str, coding: Value, hour: u8, value: &str| {
        let value: serde_json::Number = value.parse().unwrap();
        json!({
            "resourceType": "Observation", "id": id, "status": "final", "code": {"coding": [coding]},
            "subject": {"reference": "Patient/p"}, "effectiveDateTime": format!("2026-03-05T{hour}:00:00Z"),
            "bodySite": {"coding": [{"code": "s"}]},
            "valueQuantity": {"value": value, "system": "http://unitsofmeasure.org", "code": "mm[Hg]"},
        })
    };
    let house = json!({"system": "http://codes.example", "code": "77"});
    let bare = json!({"code": "CP"});
    let lines = [
        observation("d", json!({"system": "http://loinc.org", "code": "8462-4"}), 10, "70"),
        observation("a", house.clone(), 11, "40.0004"),
        observation("b", house, 11, "39.9995"),
        observation("c", bare, 11, "39.999"),
    ];
    let text: Vec<String> = lines.iter().map(Value::to_string).collect();
    fs::write(folder.path().join("a.ndjson"), text.join("\n")).unwrap();
    let of_house = ["--compartment-code", "http://codes.example|77"];
    let of_all = [
        &["a.ndjson", "--summary"][..],
        &of_house,
        &of_house,
        &["--compartment-code", "|CP"],
    ]
    .concat();
    let output = replay(folder.path(), &of_all);
    let told = answer(&output);
    let wanted = json!({
        "pairs": 3, "low": 2, "low_runs": 1, "groups": 1,
        "first_low_sha256": "fe9a22002c53fe2033771b8a74b4cff2ba6448165733df761a86ae41957c414f",
    });
    for (field, wanted) in wanted.as_object().unwrap() {
        assert_eq!(told[field], *wanted, "{field}");
    }
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(text.contains("90.001"), "the sum with its decimals: {text}");
    // A code that is known already is no fault; one that is another reading is.
    let known = "https://deltaward.example/fhir/CodeSystem/measurement|compartment-pressure";
    let output = replay(folder.path(), &["a.ndjson", "--summary", "--compartment-code", known]);
    assert_eq!(answer(&output)["pairs"], json!(0));
    let output = replay(
        folder.path(),
        &["a.ndjson", "--summary", "--compartment-code", "http://loinc.org|8462-4"],
    );
    assert_eq!(output.status.code(), Some(64), "{}", self::told(&output));
}
