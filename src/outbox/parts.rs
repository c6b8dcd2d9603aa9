//! Pieces of JSON that several resources share.

use crate::fhir::Decimal;
use crate::outbox::context::{MODE_SYSTEM, Mode, SheetRef};
use crate::outbox::draft::SourceRef;
use crate::recognise::DERIVED_IDENTIFIER_SYSTEM;
use crate::recognise::reading::PatientKey;
use rust_decimal::RoundingStrategy;
use serde_json::{Map, Number, Value, json};
use uuid::Uuid;

/// Extension: which rule sheet (id, version, hash) judged.
pub const RULE_SHEET_EXTENSION: &str = "https://deltaward.example/fhir/StructureDefinition/rule-sheet";
/// Extension on a Reference: the versionId of the source that was used.
pub const SOURCE_VERSION_EXTENSION: &str = "https://deltaward.example/fhir/StructureDefinition/source-version";
/// Extension: how the pairing came about (age class, minutes, carried).
pub const PAIRING_EXTENSION: &str = "https://deltaward.example/fhir/StructureDefinition/pairing";
/// SNOMED CT.
pub const SNOMED: &str = "http://snomed.info/sct";
/// UCUM.
pub const UCUM: &str = "http://unitsofmeasure.org";

/// A reference to another derived resource, before it has an id at a server. It carries
/// Reference.type, so that `local_references::localise` can tell which type it is.
pub fn derived_reference(resource_type: &str, identity: Uuid) -> Value {
    json!({ "reference": format!("urn:uuid:{identity}"), "type": resource_type })
}

/// A reference to a source Observation, with the version used as an extension. The reference
/// itself stays without a version, so that a search by `derived-from` finds it.
pub fn source_reference(source: &SourceRef) -> Value {
    let mut reference = json!({ "reference": source.reference, "type": "Observation" });
    if !source.version_id.is_empty() {
        reference["extension"] = json!([{ "url": SOURCE_VERSION_EXTENSION, "valueString": source.version_id }]);
    }
    reference
}

/// Subject: literal reference, or a logical one by identifier.
pub fn patient_reference(patient: &PatientKey) -> Value {
    let Some(logical) = patient.0.strip_prefix("identifier:") else {
        return json!({ "reference": patient.0, "type": "Patient" });
    };
    // A system is a URI, in which `|` may not stand unescaped: the first `|` divides.
    let (system, value) = logical.split_once('|').unwrap_or(("", logical));
    let mut identifier = Map::new();
    // A record may hold a system that is no URI: then the value alone, so that the message still goes out.
    if !system.is_empty() && !system.contains(char::is_whitespace) {
        identifier.insert("system".into(), system.into());
    }
    let value = value.trim();
    identifier.insert(
        "value".into(),
        if value.is_empty() { "not stated" } else { value }.into(),
    );
    json!({ "identifier": identifier, "type": "Patient" })
}

/// The identifier by which a conditional create or update finds the resource again.
pub fn identifier(identity: Uuid) -> Value {
    json!([{ "system": DERIVED_IDENTIFIER_SYSTEM, "value": identity.to_string() }])
}

/// `meta` with the mode tag. No `meta.profile`: a server that does not hold the profile may refuse
/// a resource that claims it.
pub fn meta(mode: Mode) -> Value {
    json!({ "tag": [{ "system": MODE_SYSTEM, "code": mode.code() }] })
}

/// The rule sheet as an extension.
pub fn sheet_extension(sheet: &SheetRef) -> Value {
    json!({
        "url": RULE_SHEET_EXTENSION,
        "extension": [
            { "url": "id", "valueString": sheet.id },
            { "url": "version", "valueString": sheet.version },
            { "url": "hash", "valueString": sheet.hash },
        ],
    })
}

/// Mmhg with exactly one decimal, a half toward the alert (downward): "30.0".
pub fn tenth_mmhg(exact: Decimal) -> String {
    let strategy = if exact.is_sign_negative() {
        RoundingStrategy::MidpointAwayFromZero
    } else {
        RoundingStrategy::MidpointTowardZero
    };
    let rounded = exact.round_dp_with_strategy(1, strategy);
    if rounded.is_zero() {
        String::from("0.0")
    } else {
        format!("{rounded:.1}")
    }
}

/// A JSON number that prints digit for digit as the text ("30.0" stays "30.0"): one decimal of a
/// pressure is far inside what the shortest form of a double gives back unchanged.
pub fn number(text: &str) -> Value {
    match text.parse::<Number>() {
        Ok(number) => Value::Number(number),
        // Not reached for a decimal; a text in a number's place is refused by validation.
        Err(_) => Value::String(text.to_string()),
    }
}

/// A pressure Quantity in UCUM `mm[Hg]`.
pub fn mmhg_quantity(value: Value) -> Value {
    json!({ "value": value, "unit": "mmHg", "system": UCUM, "code": "mm[Hg]" })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tenth(text: &str) -> String {
        tenth_mmhg(text.parse().unwrap_or_default())
    }

    #[test]
    fn one_decimal_a_half_downward() {
        for (exact, written) in [
            ("30", "30.0"),
            ("30.05", "30.0"),
            ("30.051", "30.1"),
            ("-0.04", "0.0"),
            ("-0.05", "-0.1"),
            ("-3", "-3.0"),
            ("30.0249919999", "30.0"),
        ] {
            assert_eq!(tenth(exact), written);
            assert_eq!(number(written).to_string(), written, "no noise of a double");
        }
    }

    #[test]
    fn a_logical_patient_keeps_system_and_value() {
        let reference = patient_reference(&PatientKey("identifier:urn:oid:1.2|A|7".into()));
        assert_eq!(
            reference["identifier"],
            json!({ "system": "urn:oid:1.2", "value": "A|7" })
        );
        assert!(reference.get("reference").is_none());
    }
}
