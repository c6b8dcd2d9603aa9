//! The mapping files: errors that can be found, codes to search for, and HL7's own schema.

use crate::recognise::{BUILTIN, folder, local_mapping, text};
use deltaward::recognise::Mapping;
use deltaward::recognise::mapping::BUILTIN_FILES;
use serde_json::Value;
use std::collections::BTreeSet;

#[test]
fn a_mapping_error_names_file_path_and_fault() {
    let with = |name: &str, change: &dyn Fn(&str) -> String| {
        let files: Vec<(&str, String)> = BUILTIN_FILES
            .iter()
            .map(|(file, text)| {
                (
                    *file,
                    if *file == name {
                        change(text)
                    } else {
                        (*text).to_owned()
                    },
                )
            })
            .collect();
        Mapping::from_files(&files).unwrap_err()
    };
    let error = with("ConceptMap-site.json", &|text| {
        text.replace("leg-anterior", "leg-front")
    });
    assert_eq!(
        (error.file.as_str(), error.at.as_str()),
        ("ConceptMap-site.json", "group[0].element[0].target[0].code")
    );
    assert!(error.what.contains("leg-front"), "{error}");
    let error = with("ConceptMap-reading.json", &|text| {
        text.replace("\"8480-6\"", "\"8462-4\"")
    });
    assert!(
        error.to_string().contains("http://loinc.org|8462-4 is mapped twice"),
        "{error}"
    );
    let error = with("ConceptMap-side.json", &|text| {
        text.replace("\"side-left\"", "\"port\"")
    });
    assert!(error.to_string().contains("\"port\" is not a code of"), "{error}");
    let error = with("ConceptMap-method.json", &|_| String::from("{"));
    assert!(error.to_string().contains("ConceptMap-method.json: line 1"), "{error}");
    let error = with("text-patterns.toml", &|text| {
        text.replace("(?i)\\b(left|lt)", "(?i)\\b((left|lt)")
    });
    assert_eq!(
        (error.file.as_str(), error.at.as_str()),
        ("text-patterns.toml", "side[0].pattern")
    );
    let error = with("ConceptMap-context.json", &|text| {
        text.replace("\"http://snomed.info/sct\"", "\"http://loinc.org\"")
            .replace("\"50697003\"", "\"8462-4\"")
    });
    assert!(
        error
            .to_string()
            .contains("http://loinc.org|8462-4 is mapped to a pressure and to a context"),
        "{error}"
    );
    let error = with("ConceptMap-quality.json", &|text| {
        text.replace("\"settled\"", "\"steady\"")
    });
    assert!(error.to_string().contains("\"steady\" is not a code of"), "{error}");
    let error = with("ConceptMap-reading.json", &|text| {
        text.replace("\"compartment\"", "\"panel\"")
    });
    assert!(
        error.to_string().contains("no code is mapped to Compartment"),
        "{error}"
    );
}

#[test]
fn the_hash_follows_the_texts_and_not_their_order() {
    let mut files = BUILTIN_FILES.to_vec();
    let hash = BUILTIN.hash.clone();
    assert_eq!(hash.len(), 64);
    files.reverse();
    assert_eq!(Mapping::from_files(&files).unwrap().hash, hash);
    assert_ne!(local_mapping().hash, hash);
}

#[test]
fn the_codes_to_search_for() {
    let mapping = &*BUILTIN;
    let loinc = |code: &str| (String::from("http://loinc.org"), code.to_owned());
    let search = mapping.search_codes();
    // standards.md names the codes; the bp profile of R4 fixes 85354-9, 8480-6 and 8462-4.
    for code in ["85354-9", "8480-6", "8462-4", "8478-0", "76213-8"] {
        assert!(search.contains(&loinc(code)), "{code}");
    }
    let measurement = deltaward::recognise::MEASUREMENT_SYSTEM.to_owned();
    assert!(search.contains(&(measurement.clone(), String::from("compartment-pressure"))));
    assert!(
        !search.contains(&(measurement, String::from("delta-pressure"))),
        "own output is never asked for"
    );
    // An Observation may say what a Procedure says; only those codes are asked of Procedures.
    let contexts = mapping.context_codes();
    let general = (String::from("http://snomed.info/sct"), String::from("50697003"));
    assert!(contexts.contains(&general) && contexts.iter().all(|code| search.contains(code)));
    assert!(!contexts.contains(&loinc("8462-4")));
    let diastolic = mapping.diastolic_codes();
    assert!(diastolic.contains(&loinc("8462-4")) && diastolic.contains(&loinc("85354-9")));
    assert!(!diastolic.contains(&loinc("8480-6")) && !diastolic.contains(&loinc("8478-0")));
}

/// Numbers of compartments: the anatomy table of the clinical sources (hand from memory, as the
/// CodeSystem says).
#[test]
fn compartments_by_region() {
    let mapping = &*BUILTIN;
    for (region, number) in [
        ("leg", 4),
        ("thigh", 3),
        ("gluteal", 3),
        ("arm", 2),
        ("forearm", 4),
        ("foot", 9),
        ("hand", 10),
    ] {
        let codes: Vec<&str> = mapping
            .compartment_codes()
            .filter(|code| mapping.region(code) == Some(region))
            .collect();
        assert_eq!(codes.len(), number, "{codes:?}");
        assert!(
            codes
                .iter()
                .all(|code| mapping.compartment_display(code).unwrap().starts_with(region))
        );
    }
    assert_eq!(
        mapping.compartment_display("leg-anterior"),
        Some("leg, anterior compartment")
    );
    assert_eq!(mapping.region("nowhere"), None);
}

/// Every profile is valid by HL7's own JSON Schema of R4 (CC0), against the definition of its type.
#[test]
fn profiles_are_valid_r4() {
    let mut schema: Value = serde_json::from_str(&text(folder("profiles/schema/fhir-r4.schema.json"))).unwrap();
    let schema = schema.as_object_mut().unwrap();
    for kind in ["discriminator", "oneOf"] {
        schema.remove(kind);
    }
    let mut checked = 0;
    for kind in ["CodeSystem", "ConceptMap", "ValueSet"] {
        schema.insert(String::from("$ref"), Value::from(format!("#/definitions/{kind}")));
        let validator = jsonschema::draft6::new(&Value::Object(schema.clone())).unwrap();
        assert!(
            !validator.is_valid(&serde_json::json!({ "resourceType": kind, "surprise": 1 })),
            "{kind}"
        );
        for entry in std::fs::read_dir(folder("profiles")).unwrap() {
            let path = entry.unwrap().path();
            let name = path.file_name().unwrap().to_str().unwrap().to_owned();
            if !name.starts_with(&format!("{kind}-")) {
                continue;
            }
            let value: Value = serde_json::from_str(&text(&path)).unwrap();
            let errors: Vec<String> = validator.iter_errors(&value).map(|error| error.to_string()).collect();
            assert!(errors.is_empty(), "{name}: {errors:?}");
            checked += 1;
        }
    }
    assert!(checked >= 9, "{checked}");
}

/// The ValueSets list what the reading ConceptMap maps, so that neither goes stale.
#[test]
fn value_sets_agree_with_the_concept_map() {
    let mut listed = BTreeSet::new();
    for name in ["ValueSet-compartment-pressure.json", "ValueSet-blood-pressure.json"] {
        let value: Value = serde_json::from_str(&text(folder("profiles").join(name))).unwrap();
        for include in value["compose"]["include"].as_array().unwrap() {
            for concept in include["concept"].as_array().unwrap() {
                let word = |value: &Value| value.as_str().unwrap().to_owned();
                listed.insert((word(&include["system"]), word(&concept["code"])));
            }
        }
    }
    // The vital-signs panel holds more than blood pressure.
    listed.insert((String::from("http://loinc.org"), String::from("85353-1")));
    listed.extend(BUILTIN.context_codes());
    assert_eq!(listed.into_iter().collect::<Vec<_>>(), BUILTIN.search_codes());
}
