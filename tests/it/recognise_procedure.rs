//! Procedures against a table of expected fates, the official examples, and texts that nobody would
//! send.

use crate::recognise::{BUILTIN, ExpectedContext, any_json, folder, nothing_is_dropped, pointers, text, version};
use deltaward::recognise::{Recognised, Withdrawal, recognise_procedure};
use proptest::prelude::*;
use serde::Deserialize;
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Expected {
    case: Vec<Case>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Case {
    file: String,
    about: String,
    patient: Option<String>,
    withdrawn: Option<Withdrawal>,
    #[serde(default)]
    contexts: Vec<ExpectedContext>,
    refusal: Option<String>,
    detail: Option<String>,
}

fn files(of: &str) -> BTreeSet<String> {
    let entries = std::fs::read_dir(folder(of)).unwrap();
    let names = entries.map(|entry| entry.unwrap().file_name().into_string().unwrap());
    names.filter(|name| name.ends_with(".json")).collect()
}

fn run(json: &str) -> Recognised {
    recognise_procedure(json, "x", version(), &BUILTIN)
}

#[test]
fn every_fixture_meets_its_expected_fate() {
    let expected: Expected = toml::from_str(&text(folder("fixtures/procedures/expected.toml"))).unwrap();
    let mut files = files("fixtures/procedures");
    for case in &expected.case {
        assert!(files.remove(&case.file), "{}: no such file, or named twice", case.file);
        let about = format!("{}: {}", case.file, case.about);
        let recognised = run(&text(folder("fixtures/procedures").join(&case.file)));
        assert_eq!(recognised.source, "Procedure/x");
        let contexts: Vec<_> = recognised.contexts.iter().map(ExpectedContext::of).collect();
        assert_eq!(contexts, case.contexts, "{about}: {recognised:#?}");
        let refusals: Vec<&str> = recognised
            .refusals
            .iter()
            .map(|refusal| refusal.reason.code())
            .collect();
        let refused: Vec<&str> = case.refusal.iter().map(String::as_str).collect();
        assert_eq!(refusals, refused, "{about}: {recognised:#?}");
        if let Some(detail) = &case.detail {
            assert!(
                recognised.refusals[0].detail.contains(detail),
                "{about}: {recognised:#?}"
            );
        }
        assert_eq!(recognised.withdrawn, case.withdrawn, "{about}");
        assert_eq!(
            recognised.patient.as_ref().map(|key| &key.0),
            case.patient.as_ref(),
            "{about}"
        );
        assert!(recognised.readings.is_empty(), "{about}");
        nothing_is_dropped(&recognised);
    }
    assert!(files.is_empty(), "without an expectation: {files:?}");
}

/// The official R4 examples (npm hl7.fhir.r4.examples 4.0.1, CC0): none is anaesthesia; one was not
/// done. With the code of general anaesthesia, one with moments becomes a context, and those that
/// name a day, no time or no patient are refused for it.
#[test]
fn every_official_example_has_its_fate() {
    let mut fates: BTreeMap<&str, &str> = BTreeMap::from([
        ("Procedure-HCBS.json", "time-too-coarse"),
        ("Procedure-ambulation.json", "Cancelled"),
        ("Procedure-appendectomy-narrative.json", "no-effective-time"),
        ("Procedure-biopsy.json", "time-too-coarse"),
        ("Procedure-colon-biopsy.json", "no-effective-time"),
        ("Procedure-colonoscopy.json", "no-effective-time"),
        ("Procedure-education.json", "no-patient"),
        ("Procedure-example-implant.json", "time-too-coarse"),
        ("Procedure-example.json", "time-too-coarse"),
        ("Procedure-f001.json", "time-too-coarse"),
        (
            "Procedure-f002.json",
            "2013-03-08T08:00:10.000Z to 2013-03-08T08:30:10.000Z",
        ),
        (
            "Procedure-f003.json",
            "2013-03-24T08:30:10.000Z to 2013-03-24T09:30:10.000Z",
        ),
        (
            "Procedure-f004.json",
            "2013-03-22T08:30:10.000Z to 2013-03-22T09:30:10.000Z",
        ),
        (
            "Procedure-f201.json",
            "2013-01-28T12:31:00.000Z to 2013-01-28T13:27:00.000Z",
        ),
        ("Procedure-ob.json", "no-patient"),
        ("Procedure-physical-therapy.json", "time-too-coarse"),
    ]);
    for name in files("fixtures/official")
        .iter()
        .filter(|name| name.starts_with("Procedure-"))
    {
        let json = text(folder("fixtures/official").join(name));
        let as_sent = run(&json);
        let mut anaesthesia: Value = serde_json::from_str(&json).unwrap();
        anaesthesia["code"] = serde_json::json!({"coding": [{"system": "http://snomed.info/sct", "code": "50697003"}]});
        let changed = run(&anaesthesia.to_string());
        let fate = match (&changed.withdrawn, changed.contexts.first(), changed.refusals.first()) {
            (Some(withdrawn), None, None) => format!("{withdrawn:?}"),
            (None, Some(context), None) => format!("{} to {}", context.start, context.end.unwrap()),
            (None, None, Some(refusal)) => refusal.reason.code().to_owned(),
            other => panic!("{name}: {other:?}"),
        };
        assert_eq!(Some(fate.as_str()), fates.remove(name.as_str()), "{name}");
        if as_sent.withdrawn.is_none() {
            assert_eq!(
                as_sent.refusals[0].reason.code(),
                "code-not-mapped",
                "{name}: {as_sent:?}"
            );
        }
    }
    assert!(fates.is_empty(), "missing: {fates:?}");
}

fn originals() -> Vec<Value> {
    let names = [
        "anaesthesia-completed",
        "both-contexts",
        "own-tag",
        "subject-absolute",
        "modifier",
    ];
    let read = |name: &&str| text(folder("fixtures/procedures").join(format!("{name}.json")));
    names
        .iter()
        .map(|name| serde_json::from_str(&read(name)).unwrap())
        .collect()
}

proptest! {
    #[test]
    fn any_text_has_a_fate(json in r"\PC{0,60}|[\[\]{}:,0-9\x22a-e\\]{0,60}") {
        nothing_is_dropped(&run(&json));
    }

    #[test]
    fn any_json_has_a_fate(mut json in any_json(), whole in any::<bool>()) {
        if let (true, Some(map)) = (whole, json.as_object_mut()) {
            map.insert(String::from("resourceType"), Value::from("Procedure"));
        }
        nothing_is_dropped(&run(&json.to_string()));
    }

    /// A valid Procedure with one to three elements replaced.
    #[test]
    fn a_mutated_procedure_has_a_fate(
        mut json in proptest::sample::select(originals()),
        changes in proptest::collection::vec((any::<proptest::sample::Index>(), any_json()), 1..4),
    ) {
        for (index, replacement) in changes {
            let mut all = Vec::new();
            pointers(&json, "", &mut all);
            let place = json.pointer_mut(&all[index.index(all.len())]).unwrap();
            *place = replacement;
        }
        nothing_is_dropped(&run(&json.to_string()));
    }
}
