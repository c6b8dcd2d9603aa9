//! What the R4 JSON Schema misses. It lists no primitive in `required` (a resource without
//! `status` passes it) and gives `Communication.status` and `.priority` no enumeration.
//! Source of each rule: the R4 StructureDefinitions (4.0.1) and "JSON Representation of Resources".

use crate::outbox::context::MODE_SYSTEM;
use crate::outbox::delta_observation::beside_code;
use crate::outbox::draft::BesideKind;
use crate::outbox::parts::UCUM;
use crate::recognise::{DERIVED_IDENTIFIER_SYSTEM, MEASUREMENT_SYSTEM};
use serde_json::Value;
use std::fmt;

/// observation-status, required binding of Observation.status.
pub const OBSERVATION_STATUS: &[&str] = &[
    "registered",
    "preliminary",
    "final",
    "amended",
    "corrected",
    "cancelled",
    "entered-in-error",
    "unknown",
];
/// event-status, required binding of Communication.status.
pub const EVENT_STATUS: &[&str] = &[
    "preparation",
    "in-progress",
    "not-done",
    "on-hold",
    "stopped",
    "completed",
    "entered-in-error",
    "unknown",
];
/// request-priority, required binding of Communication.priority.
pub const REQUEST_PRIORITY: &[&str] = &["routine", "urgent", "asap", "stat"];
/// observation-category, preferred binding of Observation.category.
pub const OBSERVATION_CATEGORY: &[&str] = &[
    "social-history",
    "vital-signs",
    "imaging",
    "laboratory",
    "procedure",
    "survey",
    "exam",
    "therapy",
    "activity",
];
/// communication-category, example binding of Communication.category.
pub const COMMUNICATION_CATEGORY: &[&str] = &["alert", "notification", "reminder", "instruction"];
/// bundle-type, required binding of Bundle.type.
pub const BUNDLE_TYPE: &[&str] = &[
    "document",
    "message",
    "transaction",
    "transaction-response",
    "batch",
    "batch-response",
    "history",
    "searchset",
    "collection",
];
/// http-verb, required binding of Bundle.entry.request.method.
pub const HTTP_VERB: &[&str] = &["GET", "HEAD", "POST", "PUT", "DELETE", "PATCH"];

/// A code system that may only carry its own codes, wherever it is named.
const CLOSED_SYSTEMS: [(&str, &[&str]); 2] = [
    (crate::outbox::delta_observation::CATEGORY_SYSTEM, OBSERVATION_CATEGORY),
    (crate::outbox::communication::CATEGORY_SYSTEM, COMMUNICATION_CATEGORY),
];

/// Deepest JSON that is walked; deeper is refused.
const JSON_DEPTH_MAX: usize = 64;

/// The standard's own rules for any resource of a checked type.
pub fn check(name: &str, resource: &Value, at: &str, messages: &mut Vec<String>) {
    match name {
        "Observation" => observation(resource, at, messages),
        "Communication" => communication(resource, at, messages),
        "Bundle" => bundle(resource, at, messages),
        _ => {}
    }
    walk(resource, &Path::At(at), 0, messages);
}

/// Where an element stands. Written out only when something is wrong there.
enum Path<'p> {
    At(&'p str),
    Field(&'p Path<'p>, &'p str),
    Index(&'p Path<'p>, usize),
}

impl fmt::Display for Path<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::At(at) => f.write_str(at),
            Self::Field(parent, name) => write!(f, "{parent}/{name}"),
            Self::Index(parent, index) => write!(f, "{parent}/{index}"),
        }
    }
}

fn observation(resource: &Value, at: &str, messages: &mut Vec<String>) {
    required_code(resource, "status", OBSERVATION_STATUS, at, messages);
    closed_codings(resource, at, messages);
    for prefix in ["value", "effective"] {
        one_choice(resource, prefix, at, messages);
    }
    let value = has_choice(resource, "value");
    if value && resource.get("dataAbsentReason").is_some() {
        messages.push(format!("{at}/dataAbsentReason: obs-6, only when there is no value"));
    }
    for (index, component) in items(resource, "component").enumerate() {
        one_choice(component, "value", &format!("{at}/component/{index}"), messages);
        if value && shares_coding(&resource["code"], &component["code"]) {
            messages.push(format!(
                "{at}/component/{index}/code: obs-7, the Observation itself has a value for it"
            ));
        }
    }
}

fn communication(resource: &Value, at: &str, messages: &mut Vec<String>) {
    required_code(resource, "status", EVENT_STATUS, at, messages);
    if resource.get("priority").is_some() {
        required_code(resource, "priority", REQUEST_PRIORITY, at, messages);
    }
    closed_codings(resource, at, messages);
    for (index, payload) in items(resource, "payload").enumerate() {
        let here = format!("{at}/payload/{index}");
        one_choice(payload, "content", &here, messages);
        if !has_choice(payload, "content") {
            messages.push(format!("{here}: content[x] is required"));
        }
    }
}

fn bundle(resource: &Value, at: &str, messages: &mut Vec<String>) {
    required_code(resource, "type", BUNDLE_TYPE, at, messages);
    let kind = resource["type"].as_str().unwrap_or("");
    // bdl-3: entry.request is for these types, and for them it must be there.
    let request_due = matches!(kind, "batch" | "transaction" | "history");
    for (index, entry) in items(resource, "entry").enumerate() {
        let here = format!("{at}/entry/{index}");
        match entry.get("request") {
            Some(request) => {
                required_code(request, "method", HTTP_VERB, &format!("{here}/request"), messages);
                required_text(request, "url", &format!("{here}/request"), messages);
                if !request_due {
                    messages.push(format!("{here}/request: bdl-3, not in a Bundle of this type"));
                }
            }
            None if request_due => messages.push(format!("{here}/request: bdl-3, required in a {kind}")),
            None => {}
        }
    }
}

/// What a resource of our own must carry beyond the standard.
pub fn derived(resource: &Value, messages: &mut Vec<String>) {
    let ours =
        |id: &Value| id["system"] == DERIVED_IDENTIFIER_SYSTEM && id["value"].as_str() == resource["id"].as_str();
    if !items(resource, "identifier").any(ours) {
        messages.push(String::from(
            "/identifier: the derived identifier, equal to the id, is required",
        ));
    }
    let name = resource["resourceType"].as_str().unwrap_or("");
    if matches!(name, "Observation" | "Communication") {
        let tagged = |tag: &Value| {
            tag["system"] == MODE_SYSTEM
                && tag["code"]
                    .as_str()
                    .is_some_and(|code| ["shadow", "live"].contains(&code))
        };
        if !items(&resource["meta"], "tag").any(tagged) {
            messages.push(String::from("/meta/tag: the mode tag (shadow or live) is required"));
        }
        if !resource["subject"].is_object() {
            messages.push(String::from("/subject: required"));
        }
    }
    if name == "Observation" {
        derived_observation(resource, messages);
    }
    untyped_urns(resource, &Path::At(""), messages);
}

fn derived_observation(resource: &Value, messages: &mut Vec<String>) {
    if !is_mmhg(&resource["valueQuantity"]) {
        messages.push(String::from("/valueQuantity: a number in UCUM mm[Hg] is required"));
    }
    if items(resource, "derivedFrom").next().is_none() {
        messages.push(String::from("/derivedFrom: the sources are required"));
    }
    for field in ["effectiveDateTime", "issued"] {
        required_text(resource, field, "", messages);
    }
    for (index, component) in items(resource, "component").enumerate() {
        let at = format!("/component/{index}");
        // A code that is not ours could be read again as a measurement.
        let ours = |coding: &Value| {
            let known = BesideKind::ALL.map(|kind| beside_code(kind).0);
            coding["system"] == MEASUREMENT_SYSTEM && known.iter().any(|code| coding["code"] == *code)
        };
        let mut codings = items(&component["code"], "coding").peekable();
        if codings.peek().is_none() || !codings.all(ours) {
            messages.push(format!("{at}/code: a second difference of our own is required"));
        }
        if !is_mmhg(&component["valueQuantity"]) {
            messages.push(format!("{at}/valueQuantity: a number in UCUM mm[Hg] is required"));
        }
    }
}

fn is_mmhg(quantity: &Value) -> bool {
    quantity["system"] == UCUM && quantity["code"] == "mm[Hg]" && quantity["value"].is_number()
}

/// A `urn:uuid:` reference without Reference.type cannot be turned into a local one.
fn untyped_urns(value: &Value, at: &Path<'_>, messages: &mut Vec<String>) {
    match value {
        Value::Object(fields) => {
            let urn = fields
                .get("reference")
                .and_then(Value::as_str)
                .is_some_and(|r| r.starts_with("urn:uuid:"));
            if urn && !fields.contains_key("type") {
                messages.push(format!("{at}/type: required beside a urn:uuid reference"));
            }
            fields
                .iter()
                .for_each(|(key, inner)| untyped_urns(inner, &Path::Field(at, key), messages));
        }
        Value::Array(items) => {
            items
                .iter()
                .enumerate()
                .for_each(|(i, inner)| untyped_urns(inner, &Path::Index(at, i), messages));
        }
        _ => {}
    }
}

/// Rules that hold for every element: JSON form, ext-1, qty-3, Extension.url, Annotation.text,
/// Narrative.status.
fn walk(value: &Value, at: &Path<'_>, depth: usize, messages: &mut Vec<String>) {
    if depth > JSON_DEPTH_MAX {
        messages.push(format!("{at}: nested more than {JSON_DEPTH_MAX} deep"));
        return;
    }
    match value {
        Value::Null => messages.push(format!("{at}: null is not allowed here")),
        Value::String(text) if text.is_empty() => messages.push(format!("{at}: a text may not be empty")),
        Value::Object(fields) => {
            if fields.is_empty() {
                messages.push(format!("{at}: an element may not be empty"));
            }
            if fields.contains_key("code") && fields.contains_key("value") && !fields.contains_key("system") {
                messages.push(format!("{at}: qty-3, a unit code needs its system"));
            }
            for (key, inner) in fields {
                if key == "resource" || key == "contained" {
                    continue; // Checked as its own type.
                }
                named(key, inner, at, messages);
                walk(inner, &Path::Field(at, key), depth + 1, messages);
            }
        }
        Value::Array(elements) => {
            if elements.is_empty() {
                messages.push(format!("{at}: an array may not be empty"));
            }
            for (index, inner) in elements.iter().enumerate() {
                // In an array null keeps the place of a primitive that has only extensions.
                if !inner.is_null() {
                    walk(inner, &Path::Index(at, index), depth + 1, messages);
                }
            }
        }
        _ => {}
    }
}

/// Rules that follow from the name of the element.
fn named(key: &str, value: &Value, at: &Path<'_>, messages: &mut Vec<String>) {
    match key {
        "extension" | "modifierExtension" => {
            for (index, extension) in value.as_array().map_or(&[][..], Vec::as_slice).iter().enumerate() {
                let here = format!("{at}/{key}/{index}");
                required_text(extension, "url", &here, messages);
                if has_choice(extension, "value") == extension.get("extension").is_some() {
                    messages.push(format!("{here}: ext-1, either a value or extensions"));
                }
            }
        }
        "note" => {
            for (index, note) in value.as_array().map_or(&[][..], Vec::as_slice).iter().enumerate() {
                required_text(note, "text", &format!("{at}/note/{index}"), messages);
            }
        }
        "text" if value.is_object() => {
            let statuses = &["generated", "extensions", "additional", "empty"];
            required_code(value, "status", statuses, &format!("{at}/text"), messages);
        }
        _ => {}
    }
}

fn items<'a>(resource: &'a Value, field: &str) -> impl Iterator<Item = &'a Value> {
    resource[field].as_array().into_iter().flatten()
}

/// A required primitive: text, present and not blank.
fn required_text(element: &Value, field: &str, at: &str, messages: &mut Vec<String>) {
    if element[field].as_str().is_none_or(|text| text.trim().is_empty()) {
        messages.push(format!("{at}/{field}: required"));
    }
}

/// A required primitive with a required binding.
fn required_code(element: &Value, field: &str, codes: &[&str], at: &str, messages: &mut Vec<String>) {
    match element[field].as_str() {
        Some(code) if codes.contains(&code) => {}
        Some(_) => messages.push(format!("{at}/{field}: not one of {}", codes.join(", "))),
        None => messages.push(format!("{at}/{field}: required, one of {}", codes.join(", "))),
    }
}

/// A category that names the standard's system must use one of its codes.
fn closed_codings(resource: &Value, at: &str, messages: &mut Vec<String>) {
    for (index, category) in items(resource, "category").enumerate() {
        for coding in items(category, "coding") {
            let closed = CLOSED_SYSTEMS.iter().find(|(system, _)| coding["system"] == *system);
            let unknown = |codes: &[&str]| !coding["code"].as_str().is_some_and(|code| codes.contains(&code));
            if closed.is_some_and(|(_, codes)| unknown(codes)) {
                messages.push(format!("{at}/category/{index}: not a code of its system"));
            }
        }
    }
}

/// True when the element has `prefix[x]`: the prefix followed by a type name.
fn has_choice(element: &Value, prefix: &str) -> bool {
    choices(element, prefix) > 0
}

/// A choice element may be given in one type only.
fn one_choice(element: &Value, prefix: &str, at: &str, messages: &mut Vec<String>) {
    if choices(element, prefix) > 1 {
        messages.push(format!("{at}/{prefix}[x]: more than one"));
    }
}

fn choices(element: &Value, prefix: &str) -> usize {
    let typed = |key: &String| {
        key.strip_prefix(prefix)
            .is_some_and(|rest| rest.chars().next().is_some_and(|c| c.is_ascii_uppercase()))
    };
    element
        .as_object()
        .map_or(0, |fields| fields.keys().filter(|key| typed(key)).count())
}

/// obs-7 compares codings by system and code.
fn shares_coding(one: &Value, other: &Value) -> bool {
    let same = |a: &Value, b: &Value| a["system"] == b["system"] && a["code"].is_string() && a["code"] == b["code"];
    items(one, "coding").any(|a| items(other, "coding").any(|b| same(a, b)))
}
