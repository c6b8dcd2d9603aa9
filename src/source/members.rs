//! The patients of a Group or a List. Pure.

use crate::delivery::FhirClient;
use serde_json::Value;
use std::collections::BTreeSet;

/// Most patients that are polled one by one.
pub const MAX_MEMBERS: usize = 10_000;

/// Who is to be polled.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Members {
    /// `Patient/1`, each once.
    pub patients: BTreeSet<String>,
    /// Members that are no patients of this server, or beyond [`MAX_MEMBERS`].
    pub unusable: usize,
}

/// Read a Group (`member.entity`, unless `inactive`) or a List (`entry.item`, unless `deleted`);
/// None for any other resource. References must lead to the client's own server.
pub fn read(resource: &Value, client: &FhirClient) -> Option<Members> {
    let (items, reference, left) = match resource.get("resourceType").and_then(Value::as_str) {
        Some("Group") => ("member", "/entity/reference", "inactive"),
        Some("List") => ("entry", "/item/reference", "deleted"),
        _ => return None,
    };
    let mut members = Members::default();
    for item in resource.get(items).and_then(Value::as_array).into_iter().flatten() {
        if item.get(left).and_then(Value::as_bool) == Some(true) {
            continue;
        }
        let text = item.pointer(reference).and_then(Value::as_str);
        let local = text.and_then(|text| client.local_reference(text).ok());
        match local.filter(|local| local.starts_with("Patient/")) {
            Some(_) if members.patients.len() >= MAX_MEMBERS => members.unusable += 1,
            Some(patient) => {
                members.patients.insert(patient);
            }
            None => members.unusable += 1,
        }
    }
    Some(members)
}
