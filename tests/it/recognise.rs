//! Recognition against a table of expected fates, and against texts that nobody would send.

use deltaward::fhir::Decimal;
use deltaward::recognise::mapping::BUILTIN_FILES;
use deltaward::recognise::{Context, Mapping, Quality, Reading, Recognised, Side, Version, Withdrawal, recognise};
use proptest::prelude::*;
use serde::Deserialize;
use serde_json::Value;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::LazyLock;

/// Compiled once: the patterns take a while in a debug build.
pub(crate) static BUILTIN: LazyLock<Mapping> = LazyLock::new(Mapping::builtin);

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
    mapping: Option<String>,
    patient: Option<String>,
    withdrawn: Option<Withdrawal>,
    #[serde(default)]
    readings: Vec<ExpectedReading>,
    #[serde(default)]
    refusals: Vec<ExpectedRefusal>,
    detail: Option<String>,
    #[serde(default)]
    members: Vec<String>,
    members_side: Option<Side>,
    #[serde(default)]
    contexts: Vec<ExpectedContext>,
}

#[derive(Debug, Deserialize, PartialEq)]
#[serde(deny_unknown_fields)]
pub(crate) struct ExpectedContext {
    kind: String,
    start: String,
    end: Option<String>,
}

impl ExpectedContext {
    pub(crate) fn of(context: &Context) -> Self {
        Self {
            kind: name(context.kind),
            start: context.start.to_string(),
            end: context.end.map(|end| end.to_string()),
        }
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ExpectedReading {
    kind: String,
    mmhg: String,
    at: String,
    #[serde(default)]
    part: String,
    start: Option<String>,
    site: Option<String>,
    display: Option<String>,
    method: Option<String>,
    status: Option<String>,
    comparator: Option<String>,
    sent: Option<String>,
    digits: Option<u32>,
    #[serde(default)]
    identifiers: Vec<String>,
    quality: Option<Quality>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ExpectedRefusal {
    part: String,
    reason: String,
}

/// A component with `value` in the place of its quantity: what is told of it (no published source: what is lost of a
/// compartment is told, and nothing else is).
fn told_of_odd_component(file: &str, index: usize, value: Value) -> Recognised {
    let path = folder("fixtures/observations").join(file);
    let mut observation: Value = serde_json::from_str(&text(path)).unwrap();
    observation["component"][index]["valueQuantity"] = value;
    recognise(&observation.to_string(), "a", version(), &BUILTIN)
}

#[test]
fn an_odd_component_of_a_compartment_panel_is_told_as_lost_with_its_site_and_costs_no_other() {
    let found = told_of_odd_component("components-coded.json", 1, Value::from("28"));
    let read: Vec<&str> = found.readings.iter().map(|reading| reading.part.as_str()).collect();
    assert_eq!(read, ["component[0]"]);
    let [refusal] = &found.refusals[..] else {
        panic!("{found:?}")
    };
    assert_eq!(
        (refusal.part.as_str(), refusal.reason.code()),
        ("component[1]", "unreadable")
    );
    let meant = refusal.meant.as_ref().unwrap();
    assert_eq!(meant.at, Some(found.readings[0].at));
    assert_eq!(meant.site.side, Side::Left);
    assert_eq!(meant.site.code, "leg-lateral");
}

#[test]
fn an_odd_component_that_is_no_compartment_pressure_is_set_aside_and_no_loss() {
    for (file, index, readings) in [("quality-own-value.json", 0, 1), ("blood-pressure-panel.json", 0, 1)] {
        let found = told_of_odd_component(file, index, Value::from("28"));
        assert_eq!(found.readings.len(), readings, "{file}: {found:?}");
        let [refusal] = &found.refusals[..] else {
            panic!("{file}: {found:?}")
        };
        assert_eq!(refusal.part, format!("component[{index}]"));
        assert!(refusal.meant.is_none(), "{file}: {refusal:?}");
    }
}

pub(crate) fn folder(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(name)
}

pub(crate) fn text(path: impl AsRef<Path>) -> String {
    std::fs::read_to_string(path.as_ref()).unwrap_or_else(|error| panic!("{}: {error}", path.as_ref().display()))
}

pub(crate) fn version() -> Version {
    Version {
        last_updated: None,
        number: Some(1),
        id: String::from("1").into(),
        digest: "0".into(),
    }
}

pub(crate) fn local_mapping() -> Mapping {
    let mut files: Vec<(String, String)> = BUILTIN_FILES
        .iter()
        .map(|(name, text)| ((*name).to_owned(), (*text).to_owned()))
        .collect();
    for name in ["ConceptMap-ward.json", "ward.toml"] {
        files.push((
            name.to_owned(),
            text(folder("fixtures/observations/local-mapping").join(name)),
        ));
    }
    Mapping::from_files(&files).unwrap()
}

/// The name that an enum of the contract has in JSON.
fn name(value: impl serde::Serialize) -> String {
    serde_json::to_value(value).unwrap().as_str().unwrap().to_owned()
}

fn check_reading(about: &str, reading: &Reading, expected: &ExpectedReading) {
    assert_eq!(name(reading.kind), expected.kind, "{about}");
    assert_eq!(reading.part, expected.part, "{about}");
    let mmhg = expected
        .digits
        .map_or(reading.pressure.mmhg, |digits| reading.pressure.mmhg.round_dp(digits));
    assert_eq!(mmhg, expected.mmhg.parse::<Decimal>().unwrap(), "{about}");
    assert_eq!(reading.at.to_string(), expected.at, "{about}");
    assert_eq!(
        reading.start.to_string(),
        *expected.start.as_ref().unwrap_or(&expected.at),
        "{about}"
    );
    let key = reading.site.as_ref().map(deltaward::recognise::Site::key);
    assert_eq!(key, expected.site, "{about}");
    if expected.display.is_some() {
        assert_eq!(
            reading.site.as_ref().map(ToString::to_string),
            expected.display,
            "{about}"
        );
    }
    assert_eq!(
        name(reading.method),
        expected.method.as_deref().unwrap_or("unstated"),
        "{about}"
    );
    assert_eq!(
        name(reading.status),
        expected.status.as_deref().unwrap_or("final"),
        "{about}"
    );
    assert_eq!(reading.pressure.comparator.map(name), expected.comparator, "{about}");
    if let Some(sent) = &expected.sent {
        assert_eq!(
            format!("{} {}", reading.pressure.sent_value, reading.pressure.sent_unit),
            *sent,
            "{about}"
        );
    }
    assert_eq!(reading.identifiers, expected.identifiers, "{about}");
    assert_eq!(reading.quality.as_deref(), expected.quality.as_ref(), "{about}");
}

fn refusals(recognised: &Recognised) -> Vec<(String, String)> {
    let refusals = recognised.refusals.iter();
    refusals
        .map(|refusal| (refusal.part.clone(), refusal.reason.code().to_owned()))
        .collect()
}

#[test]
fn every_fixture_meets_its_expected_fate() {
    let local = local_mapping();
    let expected: Expected = toml::from_str(&text(folder("fixtures/observations/expected.toml"))).unwrap();
    let mut files: BTreeSet<String> = std::fs::read_dir(folder("fixtures/observations"))
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| name.ends_with(".json"))
        .collect();
    for case in &expected.case {
        assert!(files.remove(&case.file), "{}: no such file, or named twice", case.file);
        let about = format!("{}: {}", case.file, case.about);
        let mapping = if case.mapping.is_some() { &local } else { &BUILTIN };
        let json = text(folder("fixtures/observations").join(&case.file));
        let recognised = recognise(&json, "x", version(), mapping);
        assert_eq!(recognised.source, "Observation/x");
        let expected_refusals: Vec<_> = case
            .refusals
            .iter()
            .map(|refusal| (refusal.part.clone(), refusal.reason.clone()))
            .collect();
        assert_eq!(refusals(&recognised), expected_refusals, "{about}: {recognised:#?}");
        assert_eq!(
            recognised.readings.len(),
            case.readings.len(),
            "{about}: {recognised:#?}"
        );
        for (reading, expected) in recognised.readings.iter().zip(&case.readings) {
            check_reading(&about, reading, expected);
        }
        if let Some(detail) = &case.detail {
            assert!(
                recognised.refusals[0].detail.contains(detail),
                "{about}: {:?}",
                recognised.refusals[0]
            );
        }
        let contexts: Vec<_> = recognised.contexts.iter().map(ExpectedContext::of).collect();
        assert_eq!(contexts, case.contexts, "{about}");
        assert_eq!(recognised.withdrawn, case.withdrawn, "{about}");
        assert_eq!(recognised.patient.map(|key| key.0), case.patient, "{about}");
        assert_eq!(recognised.members, case.members, "{about}");
        assert_eq!(
            recognised.members_side,
            case.members_side.unwrap_or(Side::Unstated),
            "{about}"
        );
    }
    assert!(files.is_empty(), "without an expectation: {files:?}");
    assert!(expected.case.len() >= 40);
}

#[test]
fn the_body_site_is_kept_as_sent() {
    let json = text(folder("fixtures/observations/compartment-body-site.json"));
    let recognised = recognise(&json, "x", version(), &BUILTIN);
    let kept = recognised.readings[0].body_site_json.as_deref().unwrap();
    assert!(json.contains(kept));
    let sent: Value = serde_json::from_str(&json).unwrap();
    assert_eq!(serde_json::from_str::<Value>(kept).unwrap(), sent["bodySite"]);
}

#[test]
fn a_refusal_repeats_no_name_and_no_identifier() {
    let json = r#"{"resourceType":"Observation","status":"final","code":{"coding":[{"system":"http://loinc.org","code":"8462-4"}]},
        "subject":{"reference":"Mrs Invented","identifier":{"value":"0001"},"display":"Mrs Invented"},
        "effectiveDateTime":["Mrs Invented"],"valueString":"Mrs Invented"}"#;
    for text in [
        json.to_owned(),
        json.replace(r#"["Mrs Invented"]"#, r#""2026-03-05T21:10:00Z""#),
    ] {
        let recognised = recognise(&text, "x", version(), &BUILTIN);
        assert!(!recognised.refusals.is_empty());
        assert!(
            recognised
                .refusals
                .iter()
                .all(|refusal| !refusal.detail.contains("Invented")),
            "{recognised:?}"
        );
    }
}

pub(crate) fn nothing_is_dropped(recognised: &Recognised) {
    let used = recognised.readings.len() + recognised.contexts.len();
    let fate = usize::from(recognised.withdrawn.is_some()) + used + recognised.refusals.len();
    assert!(fate > 0, "silently dropped: {recognised:?}");
    if recognised.withdrawn.is_some() {
        assert!(used == 0, "withdrawn and yet read: {recognised:?}");
    }
}

/// Strings that mean something to recognition, so that mutations reach deep.
const WORDS: &[&str] = &[
    "",
    "final",
    "entered-in-error",
    "Observation",
    "Patient/a",
    "#a",
    "mm[Hg]",
    "kPa",
    "http://loinc.org",
    "8462-4",
    "2026-03-05",
    "2026-03-05T21:10:00Z",
    "left",
    "\u{0}é\"\\",
    "http://snomed.info/sct",
    "24028007",
    "50697003",
    "completed",
];

pub(crate) fn any_json() -> impl Strategy<Value = Value> {
    let leaf = prop_oneof![
        Just(Value::Null),
        any::<bool>().prop_map(Value::from),
        any::<i32>().prop_map(Value::from),
        any::<f64>().prop_map(Value::from),
        proptest::sample::select(WORDS).prop_map(Value::from),
        r"\PC{0,12}".prop_map(Value::from),
    ];
    leaf.prop_recursive(5, 40, 5, |inner| {
        let key = proptest::sample::select(
            &[
                "resourceType",
                "status",
                "code",
                "coding",
                "system",
                "text",
                "subject",
                "reference",
                "valueQuantity",
                "value",
                "component",
                "contained",
                "hasMember",
                "bodySite",
                "extension",
                "effectiveDateTime",
                "performedPeriod",
                "valueBoolean",
                "id",
                "url",
            ][..],
        );
        prop_oneof![
            proptest::collection::vec(inner.clone(), 0..5).prop_map(Value::from),
            proptest::collection::btree_map(key.prop_map(str::to_owned), inner, 0..5)
                .prop_map(|map| Value::Object(map.into_iter().collect())),
        ]
    })
}

/// Every pointer into a JSON value.
pub(crate) fn pointers(value: &Value, at: &str, all: &mut Vec<String>) {
    all.push(at.to_owned());
    match value {
        Value::Object(map) => map
            .iter()
            .for_each(|(key, value)| pointers(value, &format!("{at}/{key}"), all)),
        Value::Array(items) => {
            items
                .iter()
                .enumerate()
                .for_each(|(index, value)| pointers(value, &format!("{at}/{index}"), all));
        }
        _ => {}
    }
}

fn originals() -> Vec<Value> {
    let names = [
        "blood-pressure-panel",
        "compartment-body-site",
        "compartment-body-structure",
        "components-mixed",
        "panel-contained",
        "panel-contained-wrong",
        "components-text",
        "compartment-period",
        "panel-members",
        "context-with-diastolic",
        "quality-contained",
        "quality-own-value",
    ];
    let read = |name: &&str| text(folder("fixtures/observations").join(format!("{name}.json")));
    names
        .iter()
        .map(|name| serde_json::from_str(&read(name)).unwrap())
        .collect()
}

proptest! {
    #[test]
    fn any_text_has_a_fate(json in r"\PC{0,60}|[\[\]{}:,0-9\x22a-e\\]{0,60}") {
        nothing_is_dropped(&recognise(&json, "x", version(), &BUILTIN));
    }

    #[test]
    fn any_json_has_a_fate(mut json in any_json(), whole in any::<bool>()) {
        if let (true, Some(map)) = (whole, json.as_object_mut()) {
            map.insert(String::from("resourceType"), Value::from("Observation"));
        }
        nothing_is_dropped(&recognise(&json.to_string(), "x", version(), &BUILTIN));
    }

    /// A valid Observation with one to three elements replaced or removed.
    #[test]
    fn a_mutated_observation_has_a_fate(
        mut json in proptest::sample::select(originals()),
        changes in proptest::collection::vec((any::<proptest::sample::Index>(), any_json()), 1..4),
        cut in proptest::option::weighted(0.2, any::<proptest::sample::Index>()),
    ) {
        for (index, replacement) in changes {
            let mut all = Vec::new();
            pointers(&json, "", &mut all);
            let place = json.pointer_mut(&all[index.index(all.len())]).unwrap();
            *place = replacement;
        }
        let mut text = json.to_string();
        if let Some(cut) = cut {
            let ends: Vec<usize> = text.char_indices().map(|(at, _)| at).collect();
            text.truncate(ends[cut.index(ends.len())]);
        }
        nothing_is_dropped(&recognise(&text, "x", version(), &BUILTIN));
    }
}
