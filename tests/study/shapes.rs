//! A line whose form was read before gives what recognition gives: many lines through one reader, which
//! learns their forms, against each line through a reader of its own, which knows none.
//!
//! `DELTAWARD_SHAPES_CASES=20000 cargo test --release --test study shapes` is the long run.

use deltaward::recognise::Mapping;
use deltaward::replay::cohort::{Cohort, CohortSettings, Inputs, Order, PatientInputs};
use deltaward::replay::gather::gather;
use proptest::prelude::*;
use proptest::sample::select;
use std::sync::{Arc, LazyLock};

static MAPPING: LazyLock<Arc<Mapping>> = LazyLock::new(|| Arc::new(Mapping::builtin()));

const COMPARTMENT: &str =
    r#"{"system":"https://deltaward.example/fhir/CodeSystem/measurement","code":"compartment-pressure"}"#;
const PANEL: &str = r#"{"system":"http://loinc.org","code":"85354-9","display":"Blood pressure panel"}"#;
const DIASTOLIC: &str = r#"{"system":"http://loinc.org","code":"8462-4","display":"Diastolic blood pressure"}"#;
const SYSTOLIC: &str = r#"{"system":"http://loinc.org","code":"8480-6"}"#;
const HEART_RATE: &str = r#"{"system":"http://loinc.org","code":"8867-4","display":"Heart rate"}"#;

/// Mostly the first; else one of the others, each of which is out of the ordinary or of another form.
fn mostly(usual: &'static str, odd: &'static [&'static str]) -> impl Strategy<Value = &'static str> {
    prop_oneof![14 => Just(usual), 1 => select(odd)]
}

fn version() -> impl Strategy<Value = String> {
    let number = prop_oneof![12 => (1_u8..4).prop_map(|number| format!(r#""versionId":"{number}","#)),
        1 => Just(String::new()), 1 => Just(String::from(r#""versionId":7,"#))];
    let updated = prop_oneof![
        12 => (0_u8..60).prop_map(|minute| format!(r#""lastUpdated":"2026-01-10T04:{minute:02}:00Z","#)),
        1 => Just(String::new()),
        1 => Just(String::from(r#""lastUpdated":"yesterday","#)),
        1 => Just(String::from(r#""lastUpdated":"2026-01-10","#)),
    ];
    let more = mostly(
        r#""profile":["http://hl7.org/fhir/StructureDefinition/vitalsigns"]"#,
        &[
            r#""profile":[],"tag":[{"system":"https://deltaward.example/fhir/CodeSystem/mode","code":"live"}]"#,
            r#""profile":{"odd":[1,{"x":null}]}"#,
            r#""profile":["unclosed]"#,
        ],
    );
    (number, updated, more).prop_map(|(number, updated, more)| format!(r#""meta":{{{number}{updated}{more}}}"#))
}

fn number() -> impl Strategy<Value = String> {
    prop_oneof![
        12 => (5_u16..120).prop_map(|number| number.to_string()),
        6 => (50_u16..1200).prop_map(|tenths| format!("{}.{}", tenths / 10, tenths % 10)),
        1 => select(&["-4", "1.2e1", "012", "\"12\"", "null", "{\"a\":1}", "1e400", "-", "12.", "3.0001",
            "123456789012345678901234567890"][..]).prop_map(str::to_owned),
    ]
}

fn quantity() -> impl Strategy<Value = String> {
    let unit = mostly(
        r#""unit":"mmHg","system":"http://unitsofmeasure.org","code":"mm[Hg]""#,
        &[
            r#""unit":"kPa","system":"http://unitsofmeasure.org","code":"kPa""#,
            r#""unit":"mmHg","comparator":"<""#,
            r#""unit":"furlong""#,
            r#""system":5"#,
        ],
    );
    (number(), unit).prop_map(|(number, unit)| format!(r#""valueQuantity":{{"value":{number},{unit}}}"#))
}

fn component(code: &'static str) -> impl Strategy<Value = String> {
    quantity().prop_map(move |quantity| format!(r#"{{"code":{{"coding":[{code}]}},{quantity}}}"#))
}

fn said() -> impl Strategy<Value = String> {
    let site = mostly(
        r#""bodySite":{"coding":[{"system":"https://deltaward.example/fhir/CodeSystem/compartment","code":"leg-anterior"},{"system":"http://snomed.info/sct","code":"7771000"}]},"#,
        &[
            r#""bodySite":{"coding":[{"system":"https://deltaward.example/fhir/CodeSystem/compartment","code":"leg-lateral"}]},"#,
            r#""bodySite":{"text":"left leg"},"#,
            "",
        ],
    );
    let compartment = (site, quantity())
        .prop_map(|(site, quantity)| format!(r#""code":{{"coding":[{COMPARTMENT}]}},{site}{quantity}"#));
    let diastolic = quantity().prop_map(|quantity| format!(r#""code":{{"coding":[{DIASTOLIC}]}},{quantity}"#));
    let panel = (component(SYSTOLIC), component(DIASTOLIC))
        .prop_map(|(one, other)| format!(r#""code":{{"coding":[{PANEL}],"text":"BP"}},"component":[{one},{other}]"#));
    let own = quantity().prop_map(|quantity| format!(r#""code":{{"coding":[{PANEL}]}},{quantity}"#));
    let systolic = component(SYSTOLIC)
        .prop_map(|only| format!(r#""code":{{"coding":[{PANEL}],"text":"BP"}},"component":[{only}]"#));
    let odd = (component(DIASTOLIC), component(HEART_RATE), quantity()).prop_map(|(one, other, quantity)| {
        format!(r#""code":{{"coding":[{COMPARTMENT}]}},"component":[{one},{other}],{quantity}"#)
    });
    let heart = number().prop_map(|number| {
        format!(r#""code":{{"coding":[{HEART_RATE}]}},"valueQuantity":{{"value":{number},"unit":"/min"}}"#)
    });
    prop_oneof![4 => compartment, 3 => diastolic, 4 => panel, 1 => odd, 3 => heart, 1 => own, 1 => systolic]
}

fn line() -> impl Strategy<Value = String> {
    let id = prop_oneof![14 => (0_u16..400).prop_map(|id| format!("o{id}")), 1 => Just(String::from(r"o\u0031"))];
    let beside = mostly(
        r#""text":{"status":"generated","div":"<div>Invented</div>"}"#,
        &[
            r#""text":{"status":"generated","div":"<div>\"Invented\"</div>"}"#,
            r#""text":[[[[{"a":{"b":[1,2,3.5e1,true,null]}}]]]]"#,
            r#""text":{"a":}"#,
            r#""contained":[]"#,
            r#""extension":[{"url":"https://invented.example/x","valueString":"left"}]"#,
            r#""status":"final""#,
        ],
    );
    let identifier = prop_oneof![
        8 => (0_u8..30).prop_map(|number| format!(r#""identifier":[{{"system":"urn:m","value":"{number}"}}],"#)),
        2 => (0_u8..30).prop_map(|number| format!(r#""identifier":[{{"value":"{number}"}},{{"system":"urn:n","value":"a"}}],"#)),
        2 => Just(String::new()),
        1 => Just(String::from(r#""identifier":[{"system":"https://deltaward.example/fhir/derived","value":"1"}],"#)),
    ];
    let status = mostly(
        r#""status":"final""#,
        &[
            r#""status":"entered-in-error""#,
            r#""status":"registered""#,
            r#""status":"corrected""#,
            r#""status":4"#,
        ],
    );
    let patient = prop_oneof![
        12 => (0_u8..3).prop_map(|patient| format!("Patient/p{patient}")),
        1 => select(&["Patient/p1/_history/3", "https://other.example/fhir/Patient/p1", "https://here.example/fhir/Patient/p1",
            "Group/g", "#p", "", "Patient/p 1", r"Patient\/p1", "urn:uuid:0", "Patient/"][..]).prop_map(str::to_owned),
    ];
    let named = mostly(
        "",
        &[r#","display":"Invented, A.""#, r#","display":5"#, r#","type":"Group""#],
    );
    let effective = prop_oneof![
        12 => (0_u8..24, 0_u8..60).prop_map(|(hour, minute)| format!(r#""effectiveDateTime":"2026-01-10T{hour:02}:{minute:02}:00Z","#)),
        1 => select(&[r#""effectiveDateTime":"2026-01-10","#, r#""effectiveDateTime":"2026-02-30T10:00:00Z","#,
            r#""effectiveDateTime":"2026-01-10T10:00:00+02:00","#, "", r#""effectiveInstant":"2026-01-10T10:00:00Z","#,
            r#""effectivePeriod":{"start":"2026-01-10T10:00:00Z","end":"2026-01-10T10:05:00Z"},"#][..]).prop_map(str::to_owned),
    ];
    let end = mostly(
        r#""device":{"reference":"Device/1"}}"#,
        &[
            r#""device":{"reference":"Device/1"}} "#,
            r#""device":{"reference":"Device/1"}"#,
            r#""device":{}}x"#,
            r#""valueString":"x"}"#,
        ],
    );
    let who = (patient, named, effective);
    (id, version(), (beside, identifier, status), said(), who, end).prop_map(
        |(id, version, (beside, identifier, status), said, (patient, named, effective), end)| {
            format!(
                r#"{{"resourceType":"Observation","id":"{id}",{version},{beside},{identifier}{status},{said},"subject":{{"reference":"{patient}"{named}}},{effective}{end}"#
            )
        },
    )
}

fn outcome(cohorts: Vec<Cohort>, order: Order) -> (Vec<PatientInputs>, Inputs) {
    let (patients, inputs) = gather(cohorts, order).unwrap();
    (patients.iter().map(Result::unwrap).collect(), inputs)
}

fn cases() -> ProptestConfig {
    let cases = std::env::var("DELTAWARD_SHAPES_CASES");
    ProptestConfig::with_cases(cases.ok().and_then(|text| text.parse().ok()).unwrap_or(150))
}

proptest! {
    #![proptest_config(cases())]

    #[test]
    fn what_is_known_of_a_form_is_what_recognition_says(
        lines in prop::collection::vec(line(), 1..60),
        arrived in any::<bool>(),
        systolics in any::<bool>(),
        view in any::<bool>(),
    ) {
        let order = if arrived { Order::Arrived } else { Order::Taken };
        let settings = Arc::new(CohortSettings {
            mapping: Arc::clone(&MAPPING),
            as_of: view.then(|| deltaward::fhir::datetime::parse_instant("2026-01-10T04:30:00Z").unwrap()),
            bases: vec![String::from("https://here.example/fhir")],
            systolics,
        });
        let mut one = Cohort::new(&settings);
        let mut each = Vec::new();
        for line in &lines {
            let mut alone = Cohort::new(&settings);
            prop_assert_eq!(one.take(line), alone.take(line), "{}", line);
            each.push(alone);
        }
        let (together, apart) = (outcome(vec![one], order), outcome(each, order));
        prop_assert_eq!(together, apart);
    }
}
