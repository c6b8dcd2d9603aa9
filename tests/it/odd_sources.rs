//! What a source copied into our resources may be odd; an alert must go out all the same.

use deltaward::outbox::build::{self, Draft};
use deltaward::outbox::{MessageContext, Mode, SheetRef, Validator};
use deltaward::patient::{AskPolicy, Effect, Input, State, step};
use deltaward::recognise::reading::{PatientKey, Version};
use deltaward::recognise::{Mapping, recognise};
use deltaward::rules::Sheet;
use serde_json::{Value, json};

fn observation(id: &str, code: Value, value: i64, subject: &Value) -> Value {
    json!({"resourceType": "Observation", "id": id, "status": "final", "code": {"coding": [code]}, "subject": subject,
        "effectiveDateTime": "2026-03-05T10:00:00Z",
        "valueQuantity": {"value": value, "system": "http://unitsofmeasure.org", "code": "mm[Hg]"}})
}

/// Everything that is derived from a pressure of 60 at 70 with this bodySite and subject, checked.
fn derived(body_site: &Value, subject: &Value) -> Vec<Result<Value, Vec<String>>> {
    let mapping = Mapping::builtin();
    let code =
        json!({"system": "https://deltaward.example/fhir/CodeSystem/measurement", "code": "compartment-pressure"});
    let mut pressure = observation("c", code, 60, subject);
    pressure["bodySite"] = body_site.clone();
    let diastolic = observation(
        "d",
        json!({"system": "http://loinc.org", "code": "8462-4"}),
        70,
        subject,
    );
    let version = Version {
        number: Some(1),
        last_updated: None,
        id: "1".into(),
        digest: "".into(),
    };
    let inputs: Vec<Input> = [(pressure, "c"), (diastolic, "d")]
        .into_iter()
        .map(|(resource, id)| recognise(&resource.to_string(), id, version.clone(), &mapping))
        .map(Input::Recognised)
        .collect();
    let Input::Recognised(first) = &inputs[0] else {
        unreachable!()
    };
    let patient = first
        .patient
        .clone()
        .unwrap_or_else(|| PatientKey("Patient/none".into()));
    let sheet = Sheet::adult().unwrap();
    let now = deltaward::fhir::datetime::parse("2026-03-05T10:01:00Z")
        .unwrap()
        .earliest;
    let policy = AskPolicy {
        ask: false,
        timeout_seconds: 0,
    };
    let step = step(&mut State::new(patient), inputs, &sheet, policy, now);
    let sheet = SheetRef {
        id: sheet.id,
        version: sheet.version,
        hash: sheet.hash,
    };
    let context = MessageContext {
        mode: Mode::Live,
        sheet,
        recipients: Vec::new(),
    };
    let validator = Validator::new().unwrap();
    let drafts = step.effects.iter().filter_map(|effect| match effect {
        Effect::Publish(draft) => Some(Draft::Delta(draft)),
        Effect::Notify(draft) => Some(Draft::Message(draft)),
        _ => None,
    });
    build::resources(drafts, &context, &validator)
        .into_iter()
        .map(|built| built.map(|resource| resource.value).map_err(|error| error.messages))
        .collect()
}

#[test]
fn an_odd_body_site_or_subject_never_costs_the_alert() {
    let plain = json!({"reference": "Patient/1"});
    let ours = json!({"system": "https://deltaward.example/fhir/CodeSystem/compartment", "code": "leg-anterior"});
    let odd_sites = [
        json!({"coding": [ours], "text": ""}),
        json!({"coding": [ours, {}]}),
        json!({"coding": [{"system": "urn:x", "code": "left ant "}]}),
        json!({"coding": [{"system": "urn:x y", "code": "a"}]}),
        json!({"coding": [{"system": "urn:x", "code": "a", "display": ""}]}),
        json!({"coding": [{"system": "urn:x", "code": "a", "userSelected": "yes"}]}),
        json!({"coding": [ours], "unknown": 1}),
        json!({"coding": [ours], "extension": [{"url": "a b", "valueString": "x"}]}),
    ];
    let odd_subject = json!({"identifier": {"system": "urn:hospital mrn", "value": " 7 "}});
    let cases = odd_sites
        .iter()
        .map(|site| (site, &plain))
        .chain([(&odd_sites[0], &odd_subject)]);
    for (site, subject) in cases {
        let built = derived(site, subject);
        let kinds: Vec<&str> = built
            .iter()
            .flatten()
            .filter_map(|resource| resource["resourceType"].as_str())
            .collect();
        assert!(built.iter().all(Result::is_ok), "{site} {subject}: {built:?}");
        assert!(
            kinds.contains(&"Observation") && kinds.contains(&"Communication"),
            "{site}: {kinds:?}"
        );
    }
}
