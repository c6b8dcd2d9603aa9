//! Observation.bodySite of a delta: the source's own, with our compartment and the side added.

use crate::outbox::draft::DeltaFacts;
use crate::outbox::parts::SNOMED;
use crate::recognise::reading::{Side, Site};
use serde_json::{Value, json};

/// The side as a SNOMED CT qualifier (7771000 "Left", 24028007 "Right": Global Patient Set
/// 20200930), or none.
fn side_coding(side: Side) -> Option<Value> {
    match side {
        Side::Left => Some(json!({ "system": SNOMED, "code": "7771000", "display": "Left" })),
        Side::Right => Some(json!({ "system": SNOMED, "code": "24028007", "display": "Right" })),
        Side::Unstated => None,
    }
}

/// The site's own coding, when it has a code system and both are of FHIR's grammar (a uri has no
/// white space, a code neither begins nor ends with it nor holds two in a row).
fn site_coding(site: &Site) -> Option<Value> {
    let uri = !site.system.is_empty() && !site.system.contains(char::is_whitespace);
    let code = !site.code.is_empty()
        && site
            .code
            .split(' ')
            .all(|part| !part.is_empty() && !part.contains(char::is_whitespace));
    (uri && code).then(|| json!({ "system": site.system, "code": site.code, "display": site.display }))
}

/// The body site to write: what the source sent is kept as it is, codings are only added. None
/// when the record said nothing about where.
pub fn body_site(facts: &DeltaFacts) -> Option<Value> {
    let sent = facts.body_site_json.as_deref();
    let copied = sent
        .and_then(|json| serde_json::from_str::<Value>(json).ok())
        .filter(Value::is_object);
    let was_sent = copied.is_some();
    let mut concept = copied.unwrap_or_else(|| json!({}));
    let mut codings = concept["coding"].as_array().cloned().unwrap_or_default();
    for added in [site_coding(&facts.site), side_coding(facts.site.side)]
        .into_iter()
        .flatten()
    {
        let known = codings
            .iter()
            .any(|c| c["system"] == added["system"] && c["code"] == added["code"]);
        if !known {
            codings.push(added);
        }
    }
    if !codings.is_empty() {
        concept["coding"] = Value::Array(codings);
    } else if let Some(fields) = concept.as_object_mut() {
        // Indexing for reading leaves no trace, but an empty array may have been sent.
        fields.remove("coding");
    }
    if !was_sent && (!facts.site.system.is_empty() || facts.site.code != "unstated") {
        concept["text"] = Value::String(facts.site.to_string());
    }
    concept
        .as_object()
        .is_some_and(|fields| !fields.is_empty())
        .then_some(concept)
}
