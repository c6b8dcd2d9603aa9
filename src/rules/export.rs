//! A rule sheet as FHIR R4: a PlanDefinition that a person can read in any record system, and a
//! Library that carries the sheet itself. Pure.
//!
//! The sheet decides, not the PlanDefinition: its conditions are in no expression language of the
//! standard. R4 (4.0.1) asks of an Expression a language and an expression or a reference, and its
//! JSON Schema knows CQL, FHIRPath and x-fhir-query only; so each condition stands in words in
//! `action.description`, and there is no `action.condition` that a program could take for one.
//!
//! `Attachment.hash` is SHA-1 by the standard (R4, "Attachment"); the SHA-256 that every derived
//! resource names stands in the extension `rule-sheet` of both resources, with id and version.

use super::sheet::{Rule, Sheet};
use super::{Ages, Tier, show};
use crate::outbox::context::SheetRef;
use crate::outbox::parts;
use crate::outbox::wording::SHORT_CAUTION;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde_json::{Map, Value, json};

/// CodeSystem of PlanDefinition.type.
pub const PLAN_TYPE_SYSTEM: &str = "http://terminology.hl7.org/CodeSystem/plan-definition-type";
/// CodeSystem of Library.type.
pub const LIBRARY_TYPE_SYSTEM: &str = "http://terminology.hl7.org/CodeSystem/library-type";
/// Where the canonical addresses begin; invented, as all of ours.
pub const CANONICAL_BASE: &str = "https://deltaward.example/fhir";

/// The PlanDefinition and the Library of a sheet whose text is `source`.
pub fn export(sheet: &Sheet, source: &str) -> [Value; 2] {
    [plan(sheet), library(sheet, source)]
}

/// What both resources say of the sheet.
fn head(resource_type: &str, sheet: &Sheet) -> Map<String, Value> {
    let mut head = Map::new();
    let mut put = |name: &str, value: Value| head.insert(name.to_owned(), value);
    put("resourceType", json!(resource_type));
    put("id", json!(sheet.id));
    put("extension", json!([parts::sheet_extension(&SheetRef::from(sheet))]));
    put("url", json!(canonical(resource_type, sheet)));
    put("version", json!(sheet.version));
    put("name", json!(computer_name(&sheet.id)));
    put("title", json!(sheet.title));
    put("status", json!(if sheet.approved() { "active" } else { "draft" }));
    put("usage", json!(usage(sheet)));
    if let Some(latest) = sheet.record.of_this.last() {
        let at = latest.at.to_string();
        put("date", json!(at));
        put("approvalDate", json!(at.get(..10).unwrap_or(&at)));
        let roles: Vec<Value> = sheet
            .record
            .of_this
            .iter()
            .map(|one| json!({ "name": one.role }))
            .collect();
        put("endorser", Value::Array(roles));
    }
    head
}

fn canonical(resource_type: &str, sheet: &Sheet) -> String {
    format!("{CANONICAL_BASE}/{resource_type}/{}", sheet.id)
}

/// R4, invariant pdf-0 and lib-0: a name that begins with a capital and has only letters, digits, `_`.
fn computer_name(id: &str) -> String {
    let words = id
        .split(|one: char| !one.is_ascii_alphanumeric())
        .filter(|word| !word.is_empty());
    let capital = |word: &str| word[..1].to_uppercase() + &word[1..];
    let name: String = words.map(capital).collect();
    if name.starts_with(|one: char| one.is_ascii_uppercase()) {
        name
    } else {
        format!("Sheet{name}")
    }
}

fn usage(sheet: &Sheet) -> String {
    let years = sheet.adult_from_years;
    match sheet.ages {
        Ages::Adults => format!("For patients from {years} years and whoever's age is not known."),
        Ages::Children => format!("For patients below {years} years."),
        Ages::Any => format!("For all ages; adults are from {years} years."),
    }
}

fn plan(sheet: &Sheet) -> Value {
    let mut plan = head("PlanDefinition", sheet);
    let mut put = |name: &str, value: Value| plan.insert(name.to_owned(), value);
    put(
        "type",
        json!({ "coding": [{ "system": PLAN_TYPE_SYSTEM, "code": "eca-rule", "display": "ECA Rule" }] }),
    );
    put("description", json!(description(sheet)));
    put(
        "library",
        json!([format!("{}|{}", canonical("Library", sheet), sheet.version)]),
    );
    let actions = sheet.rules.iter().enumerate();
    put(
        "action",
        actions.map(|(index, rule)| action(index, rule, sheet)).collect(),
    );
    Value::Object(plan)
}

fn description(sheet: &Sheet) -> String {
    let not_covered: Vec<String> = sheet
        .not_covered
        .iter()
        .map(|sentence| format!("- {sentence}"))
        .collect();
    format!(
        "The rules of the sheet in words. What decides is the sheet itself, in the Library; the conditions here are not \
         for a program to evaluate. {SHORT_CAUTION}\n\nNot covered:\n\n{}",
        not_covered.join("\n")
    )
}

fn action(index: usize, rule: &Rule, sheet: &Sheet) -> Value {
    let citation = format!(
        "{} (mark {}: {})",
        rule.citation,
        rule.mark,
        show::mark_words(&rule.mark)
    );
    json!({
        "prefix": (index + 1).to_string(),
        "title": format!("{} {} ({})", rule.id, rule.version, rule.tier),
        "description": format!(
            "Holds when {}. Applies to: {}. Says: {} Shown in: {}. Known failure: {}.",
            show::condition(rule.kind, sheet),
            show::applies_to(rule, sheet),
            rule.says,
            rule.population,
            rule.known_failure
        ),
        "textEquivalent": rule.next,
        "priority": priority(rule.tier),
        "documentation": [{ "type": "citation", "citation": citation }],
    })
}

/// FHIR request-priority, as the Communications of the tier have it.
fn priority(tier: Tier) -> &'static str {
    if tier >= Tier::Act { "stat" } else { "urgent" }
}

fn library(sheet: &Sheet, source: &str) -> Value {
    let mut library = head("Library", sheet);
    let mut put = |name: &str, value: Value| library.insert(name.to_owned(), value);
    put(
        "type",
        json!({ "coding": [{ "system": LIBRARY_TYPE_SYSTEM, "code": "logic-library", "display": "Logic Library" }] }),
    );
    put(
        "description",
        json!(format!(
            "The rule sheet as a TOML file, byte for byte. Its SHA-256 is {} (also in the extension); Attachment.hash is \
             the SHA-1 that the standard asks for there.",
            sheet.hash
        )),
    );
    put(
        "content",
        json!([{
            "contentType": "application/toml",
            "data": STANDARD.encode(source),
            "size": source.len(),
            "hash": STANDARD.encode(sha1_smol::Sha1::from(source).digest().bytes()),
            "title": format!("{}-{}.toml", sheet.id, sheet.version),
        }]),
    );
    Value::Object(library)
}
