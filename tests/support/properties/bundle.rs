//! A Bundle: every entry is planned as it asks or refused with an OperationOutcome, in its place.

use deltaward::server::fhir::bundle;
use deltaward::server::fhir::entry::{Entry, Plan};
use deltaward::server::fhir::json::{Members, checked_text, rewrite_strings};
use deltaward::server::fhir::problem::Problem;
use deltaward::server::fhir::references::References;
use serde_json::Value;

const MAX_ENTRIES: usize = 50;

pub fn holds(data: &[u8]) {
    let text = match checked_text(data, 64) {
        Ok(text) => text,
        Err(problem) => return is_an_outcome(&problem),
    };
    let oracle: Result<Value, _> = serde_json::from_str(text);
    let (atomic, entries) = match bundle::read(text, MAX_ENTRIES) {
        Ok(read) => read,
        Err(problem) => return is_an_outcome(&problem),
    };
    let oracle = match oracle {
        Ok(oracle) => oracle,
        // RFC 8259 §6 bounds no number; this oracle holds none beyond f64. What is refused says so.
        Err(error) => {
            assert!(
                error.to_string().starts_with("number out of range"),
                "what is carried out is JSON: {error}"
            );
            return entries
                .iter()
                .filter_map(|entry| entry.as_ref().err())
                .for_each(is_an_outcome);
        }
    };
    assert_eq!(oracle["resourceType"], "Bundle");
    assert_eq!(oracle["type"] == "transaction", atomic);
    let sent = oracle["entry"].as_array().map(Vec::as_slice).unwrap_or_default();
    assert_eq!(entries.len(), sent.len(), "one slot an entry");
    assert!(entries.len() <= MAX_ENTRIES);
    let references = references(&entries);
    for (entry, sent) in entries.iter().zip(sent) {
        match entry {
            Ok(entry) => {
                asks_as_sent(entry, sent);
                keeps_its_resource(entry, sent, &references);
            }
            Err(problem) => is_an_outcome(problem),
        }
    }
}

fn is_an_outcome(problem: &Problem) {
    assert!(problem.status.is_client_error(), "{problem:?}");
    let outcome = problem.outcome();
    assert_eq!(outcome["resourceType"], "OperationOutcome");
    let said = outcome["issue"][0]["diagnostics"].as_str().unwrap();
    assert!(!said.is_empty() && said.chars().count() < 1000, "{said}");
}

/// The plan is the request's method and URL.
fn asks_as_sent(entry: &Entry, sent: &Value) {
    assert!(sent.is_object(), "{sent}");
    let request = &sent["request"];
    assert!(request.is_object(), "{sent}");
    let (method, url) = (request["method"].as_str().unwrap(), request["url"].as_str().unwrap());
    let (wanted, asked) = match &entry.plan {
        Plan::Create { kind, .. } => ("POST", kind.name.to_owned()),
        Plan::Update { kind, id, .. } => ("PUT", format!("{}/{id}", kind.name)),
        Plan::UpdateWhere { kind, query, .. } => ("PUT", format!("{}?{query}", kind.name)),
        Plan::Delete { kind, id, .. } => ("DELETE", format!("{}/{id}", kind.name)),
        Plan::Read { kind, id, .. } => ("GET", format!("{}/{id}", kind.name)),
        Plan::Search { kind, query } => ("GET", format!("{}?{query}", kind.name)),
    };
    assert_eq!(wanted, method.replace("HEAD", "GET"));
    assert_eq!(asked.trim_end_matches('?'), url.trim_end_matches('?'));
    assert_eq!(entry.full_url.as_deref(), sent["fullUrl"].as_str());
}

fn references(entries: &[Result<Entry, Problem>]) -> References {
    let mut references = References::default();
    for (position, entry) in entries.iter().flatten().enumerate() {
        if let Some(full_url) = &entry.full_url {
            references.add(full_url, format!("Patient/p{position}"));
        }
    }
    references
}

/// The resource is what was sent; rewriting references changes strings only.
fn keeps_its_resource(entry: &Entry, sent: &Value, references: &References) {
    let Ok(text) = entry.body() else {
        assert!(sent.get("resource").is_none_or(Value::is_null), "{sent}");
        return;
    };
    let same: Value = serde_json::from_str(text).unwrap();
    assert_eq!(same, sent["resource"]);
    assert_eq!(rewrite_strings(text, |_, _| None), text);
    if let Ok(rewritten) = references.rewrite(text, entry.full_url.as_deref()) {
        let rewritten: Value = serde_json::from_str(&rewritten).unwrap();
        assert_eq!(without_strings(&rewritten), without_strings(&same));
    }
    if let Ok(members) = Members::parse(text) {
        let kept: Value = serde_json::from_str(&members.to_json()).unwrap();
        assert_eq!(kept, same);
    }
}

fn without_strings(value: &Value) -> Value {
    match value {
        Value::String(_) => Value::from(""),
        Value::Array(items) => items.iter().map(without_strings).collect(),
        Value::Object(members) => members
            .iter()
            .map(|(key, item)| (key.clone(), without_strings(item)))
            .collect(),
        other => other.clone(),
    }
}
