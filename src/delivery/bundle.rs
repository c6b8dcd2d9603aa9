//! One group of entries as a FHIR transaction Bundle, and the reading of its answer. Pure.

use super::references::identifier_token;
use crate::fhir::outcome;
use crate::fhir::reference::is_id;
use crate::store::OutboxEntry;
use serde_json::{Value, json};
use uuid::Uuid;

/// What the server said of one entry.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EntryAnswer {
    /// HTTP status of the entry.
    pub status: u16,
    /// It came with an OperationOutcome.
    pub outcome: bool,
    /// Its outcome in words, shortened; empty when there is none.
    pub told: String,
    /// The server's reference (`Observation/17`), when it gave one.
    pub remote: Option<String>,
    /// The resource, when it came back.
    pub resource: Option<Value>,
}

/// Why an answer to a transaction cannot be matched with what was sent.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BundleError {
    /// No Bundle of type transaction-response.
    #[error("the answer to a transaction is not a Bundle of type transaction-response")]
    NotAResponse,
    /// FHIR R4 §3.1.0.11.2: one entry for each that was sent, in the same order.
    #[error("the answer to a transaction of {sent} entries has {got}")]
    Length {
        /// Entries sent.
        sent: usize,
        /// Entries in the answer.
        got: usize,
    },
    /// An entry without a readable status.
    #[error("entry {0} of the answer to a transaction has no HTTP status")]
    Status(usize),
}

/// Observations are updated in place, so the current form always stands; messages and the Device
/// are created once and never rewritten.
pub fn is_updated(resource_type: &str) -> bool {
    resource_type == "Observation"
}

/// A transaction Bundle of these resources (FHIR R4 §3.1.0.11).
pub fn transaction<'a>(entries: impl Iterator<Item = (&'a Uuid, &'a str, Value)>) -> Value {
    let entry: Vec<Value> = entries
        .map(|(identity, kind, resource)| {
            let condition = format!("identifier={}", identifier_token(identity));
            let request = if is_updated(kind) {
                json!({"method": "PUT", "url": format!("{kind}?{condition}")})
            } else if mutated!(CreatedUnconditionally) {
                json!({"method": "POST", "url": kind})
            } else {
                json!({"method": "POST", "url": kind, "ifNoneExist": condition})
            };
            json!({"fullUrl": format!("urn:uuid:{identity}"), "resource": resource, "request": request})
        })
        .collect();
    json!({"resourceType": "Bundle", "type": "transaction", "entry": entry})
}

/// Match the answer to a transaction with what was sent, entry by entry.
///
/// # Errors
/// When the answer is no transaction-response, or its entries do not match in number or form.
pub fn answers(response: &Value, sent: &[OutboxEntry]) -> Result<Vec<EntryAnswer>, BundleError> {
    let is = |element: &str, value: &str| response.get(element).and_then(Value::as_str) == Some(value);
    if !is("resourceType", "Bundle") || !is("type", "transaction-response") {
        return Err(BundleError::NotAResponse);
    }
    let none = Vec::new();
    let entries = response.get("entry").and_then(Value::as_array).unwrap_or(&none);
    if entries.len() != sent.len() {
        return Err(BundleError::Length {
            sent: sent.len(),
            got: entries.len(),
        });
    }
    let pairs = entries.iter().zip(sent).enumerate();
    pairs
        .map(|(index, (entry, sent))| entry_answer(entry, &sent.resource_type).ok_or(BundleError::Status(index)))
        .collect()
}

fn entry_answer(entry: &Value, kind: &str) -> Option<EntryAnswer> {
    let response = entry.get("response")?;
    // "201 Created" or "201".
    let status = response
        .get("status")?
        .as_str()?
        .split_whitespace()
        .next()?
        .parse()
        .ok()?;
    let told = response.get("outcome").map(|told| outcome::summary(&told.to_string()));
    let location = response.get("location").and_then(Value::as_str);
    Some(EntryAnswer {
        status,
        outcome: response.get("outcome").is_some_and(outcome::is_outcome),
        told: told.unwrap_or_default(),
        remote: remote_reference(kind, location, entry.get("resource")),
        resource: entry.get("resource").cloned(),
    })
}

/// `Type/id` from a Location (`[base]/Type/id/_history/vid`, absolute or relative) or, failing
/// that, from the resource that came back.
pub fn remote_reference(kind: &str, location: Option<&str>, resource: Option<&Value>) -> Option<String> {
    let from_location = location.and_then(|location| {
        let path = location.split(['?', '#']).next()?;
        let segments: Vec<&str> = path.split('/').collect();
        let at = segments.iter().rposition(|segment| *segment == kind)?;
        segments.get(at + 1).copied()
    });
    let from_resource = || {
        let resource = resource?;
        (resource.get("resourceType")?.as_str()? == kind).then_some(())?;
        resource.get("id")?.as_str()
    };
    let id = from_location.or_else(from_resource)?;
    is_id(id).then(|| format!("{kind}/{id}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    // Forms of Location: FHIR R4 §3.1.0.8 "[base]/[type]/[id]/_history/[vid]".
    #[test]
    fn the_servers_reference_is_found_in_location_or_body() {
        let of = |location| remote_reference("Observation", Some(location), None);
        assert_eq!(of("Observation/17/_history/1").as_deref(), Some("Observation/17"));
        assert_eq!(
            of("https://fhir.example/base/Observation/17").as_deref(),
            Some("Observation/17")
        );
        assert_eq!(of("/base/Patient/17/_history/1"), None);
        assert_eq!(of("Observation/"), None);
        let body = json!({"resourceType": "Observation", "id": "18"});
        assert_eq!(
            remote_reference("Observation", None, Some(&body)).as_deref(),
            Some("Observation/18")
        );
        assert_eq!(remote_reference("Device", None, Some(&body)), None);
    }

    #[test]
    fn bundle_entries_are_conditional_by_identifier() {
        let identity = Uuid::from_u128(5);
        let token = format!("https://deltaward.example/fhir/derived|{identity}");
        let kinds = ["Observation", "Communication"];
        let bundle = transaction(
            kinds
                .iter()
                .map(|kind| (&identity, *kind, json!({"resourceType": kind}))),
        );
        let put = &bundle["entry"][0]["request"];
        assert_eq!(put["method"], "PUT");
        assert_eq!(put["url"], format!("Observation?identifier={token}"));
        let post = &bundle["entry"][1]["request"];
        assert_eq!(
            (&post["method"], &post["url"]),
            (&json!("POST"), &json!("Communication"))
        );
        assert_eq!(post["ifNoneExist"], format!("identifier={token}"));
        assert_eq!(bundle["entry"][1]["fullUrl"], format!("urn:uuid:{identity}"));
    }
}
