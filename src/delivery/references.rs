//! References between derived resources. In the outbox they are `urn:uuid:<identity>`; on the way
//! out each becomes what the server can resolve. Pure.

use crate::recognise::DERIVED_IDENTIFIER_SYSTEM;
use serde_json::{Map, Value, json};
use std::collections::BTreeSet;
use uuid::Uuid;

/// Where a derived resource stands, as far as is known.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Place {
    /// In the same Bundle: the `urn:uuid` stays.
    SameBundle,
    /// The server's own reference (`Observation/17`).
    Remote(String),
    /// A conditional reference, which a transaction resolves (FHIR R4 §3.1.0.11.3).
    Conditional,
    /// Not on the server (yet): a logical reference by identifier, which needs no target. So a
    /// refused Observation never keeps its message back.
    Identifier,
}

/// `system|identity`: the token by which a derived resource is found.
pub fn identifier_token(identity: &Uuid) -> String {
    format!("{DERIVED_IDENTIFIER_SYSTEM}|{identity}")
}

/// The derived resources that a body refers to, with the type of each.
pub fn mentioned(body: &Value) -> BTreeSet<(Uuid, &'static str)> {
    let mut found = BTreeSet::new();
    visit(body, "", &mut found);
    found
}

fn visit(value: &Value, element: &str, found: &mut BTreeSet<(Uuid, &'static str)>) {
    match value {
        Value::Object(object) => {
            if let Some(identity) = urn(object) {
                found.insert((identity, target_type(object, element)));
            }
            for (name, child) in object {
                visit(child, name, found);
            }
        }
        Value::Array(items) => items.iter().for_each(|item| visit(item, element, found)),
        _ => {}
    }
}

/// Rewrite every reference to a derived resource.
pub fn rewrite(body: &mut Value, place_of: &impl Fn(&Uuid) -> Place) {
    rewrite_below(body, "", place_of);
}

fn rewrite_below(value: &mut Value, element: &str, place_of: &impl Fn(&Uuid) -> Place) {
    match value {
        Value::Object(object) => {
            if let Some(identity) = urn(object) {
                let kind = target_type(object, element);
                put(object, &identity, kind, place_of(&identity));
            }
            for (name, child) in object.iter_mut() {
                rewrite_below(child, name, place_of);
            }
        }
        Value::Array(items) => items.iter_mut().for_each(|item| rewrite_below(item, element, place_of)),
        _ => {}
    }
}

fn put(object: &mut Map<String, Value>, identity: &Uuid, kind: &str, place: Place) {
    let token = identifier_token(identity);
    match place {
        Place::SameBundle => {}
        Place::Remote(reference) => {
            object.insert(String::from("reference"), Value::String(reference));
        }
        Place::Conditional => {
            let conditional = format!("{kind}?identifier={token}");
            object.insert(String::from("reference"), Value::String(conditional));
        }
        Place::Identifier => {
            object.remove("reference");
            object.insert(String::from("type"), Value::String(kind.to_owned()));
            let identifier = json!({"system": DERIVED_IDENTIFIER_SYSTEM, "value": identity.to_string()});
            object.insert(String::from("identifier"), identifier);
        }
    }
}

fn urn(object: &Map<String, Value>) -> Option<Uuid> {
    let reference = object.get("reference")?.as_str()?;
    Uuid::parse_str(reference.strip_prefix("urn:uuid:")?).ok()
}

/// Reference.type when given; else by the element, since each of ours points to one type.
fn target_type(object: &Map<String, Value>, element: &str) -> &'static str {
    match object.get("type").and_then(Value::as_str) {
        Some("Communication") => return "Communication",
        Some("Device") => return "Device",
        Some("Observation") => return "Observation",
        _ => {}
    }
    match element {
        "inResponseTo" => "Communication",
        "device" | "sender" | "author" => "Device",
        _ => "Observation",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_place_has_its_form_and_the_element_tells_the_type() {
        let (known, unknown, inside) = (Uuid::from_u128(1), Uuid::from_u128(2), Uuid::from_u128(3));
        let mut body = json!({
            "subject": {"reference": "Patient/1"},
            "reasonReference": [{"reference": format!("urn:uuid:{known}"), "display": "delta"}],
            "inResponseTo": [{"reference": format!("urn:uuid:{unknown}")}],
            "sender": {"reference": format!("urn:uuid:{inside}")},
        });
        let expected = BTreeSet::from([(known, "Observation"), (unknown, "Communication"), (inside, "Device")]);
        assert_eq!(mentioned(&body), expected);
        rewrite(&mut body, &|identity| match identity.as_u128() {
            1 => Place::Remote(String::from("Observation/17")),
            2 => Place::Conditional,
            _ => Place::SameBundle,
        });
        assert_eq!(body["subject"]["reference"], "Patient/1");
        assert_eq!(
            body["reasonReference"][0],
            json!({"reference": "Observation/17", "display": "delta"})
        );
        assert_eq!(
            body["inResponseTo"][0]["reference"],
            format!("Communication?identifier=https://deltaward.example/fhir/derived|{unknown}")
        );
        assert_eq!(body["sender"]["reference"], format!("urn:uuid:{inside}"));
    }

    #[test]
    fn a_target_that_is_not_there_becomes_a_logical_reference() {
        let mut body = json!({"about": [{"reference": format!("urn:uuid:{}", Uuid::from_u128(9))}]});
        rewrite(&mut body, &|_| Place::Identifier);
        assert_eq!(body["about"][0]["reference"], Value::Null);
        assert_eq!(body["about"][0]["type"], "Observation");
        assert_eq!(body["about"][0]["identifier"]["value"], Uuid::from_u128(9).to_string());
    }
}
