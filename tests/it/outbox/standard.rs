//! Against the official R4 schema, examples and CodeSystems.

use super::*;

type Mutation = (&'static str, fn(&mut Value));

fn read(path: &str) -> Value {
    let path = format!("{}/{path}", env!("CARGO_MANIFEST_DIR"));
    serde_json::from_str(&std::fs::read_to_string(&path).expect(&path)).unwrap()
}

/// All codes of an official CodeSystem, nested ones too, with their displays.
fn code_system(name: &str) -> (String, Vec<(String, String)>) {
    fn gather(concepts: &Value, into: &mut Vec<(String, String)>) {
        for concept in concepts.as_array().into_iter().flatten() {
            let text = |field: &str| concept[field].as_str().unwrap_or("").to_string();
            into.push((text("code"), text("display")));
            gather(&concept["concept"], into);
        }
    }
    let system = read(&format!("fixtures/official/codesystems/CodeSystem-{name}.json"));
    let mut codes = Vec::new();
    gather(&system["concept"], &mut codes);
    (system["url"].as_str().unwrap().to_string(), codes)
}

/// Source: HL7 FHIR R4 CodeSystem files (fixtures/official/codesystems).
#[test]
fn code_tables_equal_the_official_code_systems() {
    for (name, table) in [
        ("observation-status", invariants::OBSERVATION_STATUS),
        ("event-status", invariants::EVENT_STATUS),
        ("request-priority", invariants::REQUEST_PRIORITY),
        ("observation-category", invariants::OBSERVATION_CATEGORY),
        ("communication-category", invariants::COMMUNICATION_CATEGORY),
    ] {
        let official: BTreeSet<String> = code_system(name).1.into_iter().map(|(code, _)| code).collect();
        assert_eq!(official, table.iter().map(|code| code.to_string()).collect(), "{name}");
    }
}

/// The coded facts that are written, looked up with their display in the official files.
#[test]
fn written_codes_are_official() {
    let mut seen = 0;
    let check = |coding: &Value, name: &str| {
        let (url, codes) = code_system(name);
        assert_eq!(coding["system"], url);
        let pair = (
            coding["code"].as_str().unwrap().to_string(),
            coding["display"].as_str().unwrap().to_string(),
        );
        assert!(codes.contains(&pair), "{pair:?} is not in {name}");
    };
    for tier in [Tier::Act, Tier::Watch] {
        let mut delta = draft(facts());
        delta.facts.tier = Some(tier);
        let value = observation(&delta);
        check(&value["interpretation"][0]["coding"][0], "v3-ObservationInterpretation");
        check(&value["category"][0]["coding"][0], "observation-category");
        check(
            &written(&message(Occasion::Raised, Some(tier)))["category"][0]["coding"][0],
            "communication-category",
        );
        seen += 1;
    }
    assert_eq!(seen, 2);
}

fn official_examples() -> Vec<(String, Value)> {
    let directory = concat!(env!("CARGO_MANIFEST_DIR"), "/fixtures/official/examples");
    let mut names: Vec<String> = std::fs::read_dir(directory)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| {
            ["Observation-", "Communication-", "Device-"]
                .iter()
                .any(|p| name.starts_with(p))
        })
        .filter(|name| name.ends_with(".json"))
        .collect();
    names.sort();
    names
        .into_iter()
        .map(|name| (name.clone(), read(&format!("fixtures/official/examples/{name}"))))
        .collect()
}

/// No false refusal: every official R4 example of the written types passes.
#[test]
fn official_examples_validate() {
    let examples = official_examples();
    assert!(examples.len() >= 12, "only {} examples", examples.len());
    for (name, example) in examples {
        assert_eq!(VALIDATOR.validate(&example), Ok(()), "{name}");
    }
}

/// One mutation of an official example each, and of our own output: all are refused.
#[test]
fn each_mutation_is_refused() {
    let any: &[Mutation] = &[
        ("unknown property", |r| r["colour"] = json!("red")),
        ("wrong type", |r| r["id"] = json!(7)),
        ("empty array", |r| r["identifier"] = json!([])),
        ("null", |r| r["language"] = Value::Null),
        ("extension without url", |r| {
            r["extension"] = json!([{ "valueString": "x" }])
        }),
        ("extension without content", |r| {
            r["extension"] = json!([{ "url": "http://example.org/x" }])
        }),
        ("resourceType", |r| r["resourceType"] = json!("Patient")),
    ];
    let observation: &[Mutation] = &[
        ("drop status", |r| drop_field(r, "status")),
        ("bogus status", |r| r["status"] = json!("done")),
        ("drop code", |r| drop_field(r, "code")),
        ("bad dateTime", |r| r["effectiveDateTime"] = json!("2024-05-01T10:00")),
        ("two effective", |r| {
            r["effectiveDateTime"] = json!("2024-05-01");
            r["effectivePeriod"] = json!({ "start": "2024-05-01" });
        }),
        ("two values", |r| {
            r["valueQuantity"] = json!({ "value": 1 });
            r["valueString"] = json!("x");
        }),
        ("obs-6", |r| {
            r["valueQuantity"] = json!({ "value": 1 });
            r["dataAbsentReason"] = json!({ "text": "x" });
        }),
        ("obs-7", |r| {
            drop_field(r, "dataAbsentReason");
            r["valueQuantity"] = json!({ "value": 1 });
            let code = json!({ "coding": [{ "system": "http://example.org", "code": "a" }] });
            r["code"] = code.clone();
            r["component"] = json!([{ "code": code, "valueQuantity": { "value": 1 } }]);
        }),
        ("unit code without system", |r| {
            r["valueQuantity"] = json!({ "value": 1, "code": "mm[Hg]" })
        }),
        ("note without text", |r| r["note"] = json!([{ "authorString": "x" }])),
        ("category outside its system", |r| {
            r["category"] = json!([{ "coding": [{ "system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "vitals" }] }]);
        }),
    ];
    let communication: &[Mutation] = &[
        ("drop status", |r| drop_field(r, "status")),
        ("bogus status", |r| r["status"] = json!("final")),
        ("bogus priority", |r| r["priority"] = json!("high")),
        ("bad sent", |r| r["sent"] = json!("yesterday")),
        ("payload without content", |r| r["payload"] = json!([{ "id": "x" }])),
        (
            "two contents",
            |r| r["payload"] = json!([{ "contentString": "x", "contentReference": { "display": "y" } }]),
        ),
        ("category outside its system", |r| {
            r["category"] = json!([{ "coding": [{ "system": "http://terminology.hl7.org/CodeSystem/communication-category", "code": "alarm" }] }]);
        }),
    ];
    let mut refused = 0;
    let mut subjects = official_examples();
    subjects.push(("own delta".into(), self::observation(&draft(facts()))));
    subjects.push(("own alert".into(), written(&message(Occasion::Raised, Some(Tier::Act)))));
    for (name, subject) in subjects {
        let own: &[Mutation] = match subject["resourceType"].as_str().unwrap() {
            "Observation" => observation,
            "Communication" => communication,
            _ => &[],
        };
        for (what, mutate) in any.iter().chain(own) {
            let mut mutant = subject.clone();
            mutate(&mut mutant);
            assert_ne!(mutant, subject, "{name}: {what} changed nothing");
            assert!(VALIDATOR.validate(&mutant).is_err(), "{name}: {what} was accepted");
            refused += 1;
        }
    }
    assert!(refused > 150, "{refused}");
}

fn drop_field(resource: &mut Value, field: &str) {
    resource.as_object_mut().unwrap().remove(field);
}

/// What the standard allows but our own output must have.
#[test]
fn each_mutation_of_our_own_is_refused() {
    let own = [
        observation(&draft(facts())),
        written(&message(Occasion::Raised, Some(Tier::Act))),
    ];
    for value in &own {
        for field in ["identifier", "meta", "subject"] {
            let mut mutant = value.clone();
            drop_field(&mut mutant, field);
            assert!(VALIDATOR.validate_derived(&mutant).is_err(), "{field}");
        }
    }
    for (field, inner) in [
        ("valueQuantity", "system"),
        ("valueQuantity", "code"),
        ("device", "type"),
    ] {
        let mut mutant = own[0].clone();
        drop_field(&mut mutant[field], inner);
        assert!(VALIDATOR.validate_derived(&mutant).is_err(), "{field}.{inner}");
    }
    for field in ["derivedFrom", "effectiveDateTime", "issued", "valueQuantity"] {
        let mut mutant = own[0].clone();
        drop_field(&mut mutant, field);
        assert!(VALIDATOR.validate_derived(&mutant).is_err(), "{field}");
    }
    let components: &[Mutation] = &[
        ("no code", |c| drop_field(c, "code")),
        ("no coding", |c| drop_field(&mut c["code"], "coding")),
        ("a reading's code", |c| {
            c["code"]["coding"][0] = json!({ "system": "http://loinc.org", "code": "8462-4" });
        }),
        ("another code of ours", |c| {
            c["code"]["coding"][0]["code"] = json!("compartment-pressure")
        }),
        ("no value", |c| drop_field(c, "valueQuantity")),
        ("no unit code", |c| drop_field(&mut c["valueQuantity"], "code")),
        ("a text as value", |c| c["valueQuantity"]["value"] = json!("34.0")),
    ];
    let whole = observation(&draft(beside::kakar()));
    for (what, mutate) in components {
        let mut mutant = whole.clone();
        mutate(&mut mutant["component"][0]);
        assert!(VALIDATOR.validate_derived(&mutant).is_err(), "{what}");
    }
}

#[test]
fn a_bundle_is_checked_with_what_it_holds() {
    let inner = observation(&draft(facts()));
    let bundle = json!({
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [{ "fullUrl": "urn:uuid:1", "resource": inner, "request": { "method": "POST", "url": "Observation" } }],
    });
    VALIDATOR.validate(&bundle).unwrap();
    for (what, pointer) in [
        ("type", ""),
        ("request", "/entry/0"),
        ("method", "/entry/0/request"),
        ("url", "/entry/0/request"),
        ("status", "/entry/0/resource"),
    ] {
        let mut mutant = bundle.clone();
        drop_field(mutant.pointer_mut(pointer).unwrap(), what);
        let messages = VALIDATOR.validate(&mutant).unwrap_err();
        assert!(messages.iter().any(|m| m.contains(what)), "{what}: {messages:?}");
    }
}

#[test]
fn messages_do_not_carry_values() {
    let mut mutant = observation(&draft(facts()));
    mutant["subject"]["reference"] = json!(["Patient/secret"]);
    mutant["status"] = json!("secret");
    let messages = VALIDATOR.validate_derived(&mutant).unwrap_err().join("\n");
    assert!(
        messages.contains("/subject") && messages.contains("/status"),
        "{messages}"
    );
    assert!(!messages.contains("secret"), "{messages}");
}

/// The StructureDefinitions of profiles/ are themselves R4 (official JSON Schema).
#[test]
fn profiles_follow_the_official_schema() {
    let mut schema = read("profiles/schema/fhir-r4.schema.json");
    schema.as_object_mut().unwrap().remove("oneOf");
    schema["allOf"] = json!([{ "$ref": "#/definitions/StructureDefinition" }]);
    let compiled = jsonschema::options()
        .with_draft(jsonschema::Draft::Draft6)
        .build(&schema)
        .unwrap();
    for name in [
        "delta-pressure",
        "pressure-message",
        "rule-sheet",
        "source-version",
        "pairing",
    ] {
        let profile = read(&format!("profiles/StructureDefinition-{name}.json"));
        // The schema's list of versions ends at 4.0.0; the standard's text and examples are 4.0.1.
        let mut profile = profile;
        assert_eq!(profile["fhirVersion"], "4.0.1");
        profile["fhirVersion"] = json!("4.0.0");
        let errors: Vec<String> = compiled.iter_errors(&profile).map(|error| error.to_string()).collect();
        assert!(errors.is_empty(), "{name}: {errors:?}");
        assert_eq!(
            profile["url"],
            format!("https://deltaward.example/fhir/StructureDefinition/{name}")
        );
    }
}

/// Compiled at every start and in every test: it must stay a matter of milliseconds. The bound is
/// wide, for an unoptimised build on a busy machine.
#[test]
fn the_schema_compiles_quickly() {
    let start = std::time::Instant::now();
    Validator::new().unwrap();
    let taken = start.elapsed();
    println!("schema compiled in {taken:?}");
    assert!(taken < std::time::Duration::from_secs(5), "{taken:?}");
    let value = observation(&draft(facts()));
    let start = std::time::Instant::now();
    for _ in 0..100 {
        VALIDATOR.validate_derived(&value).unwrap();
    }
    println!("one Observation checked in {:?}", start.elapsed() / 100);
}
