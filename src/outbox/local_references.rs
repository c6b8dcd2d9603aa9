//! References between derived resources, for the self-contained endpoint.

use serde_json::{Map, Value};

/// The types that this service derives and that a `urn:uuid:` reference can name.
const DERIVED_TYPES: [&str; 3] = ["Observation", "Communication", "Device"];

/// The same resource with each `urn:uuid:<identity>` reference turned into `<type>/<identity>`,
/// the type taken from Reference.type. A reference without a type that we derive is left alone.
/// All else is unchanged; doing it twice changes nothing more.
pub fn localise(resource: &Value) -> Value {
    match resource {
        Value::Object(fields) => Value::Object(localise_object(fields)),
        Value::Array(items) => Value::Array(items.iter().map(localise).collect()),
        other => other.clone(),
    }
}

fn localise_object(fields: &Map<String, Value>) -> Map<String, Value> {
    let mut local: Map<String, Value> = fields
        .iter()
        .map(|(key, value)| (key.clone(), localise(value)))
        .collect();
    let identity = fields
        .get("reference")
        .and_then(Value::as_str)
        .and_then(|r| r.strip_prefix("urn:uuid:"));
    let named = fields
        .get("type")
        .and_then(Value::as_str)
        .filter(|name| DERIVED_TYPES.contains(name));
    if let (Some(identity), Some(name)) = (identity, named) {
        local.insert("reference".into(), Value::String(format!("{name}/{identity}")));
    }
    local
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn only_typed_urns_are_turned() {
        let urn = "urn:uuid:6a2f41a3-c54c-5ce8-82a2-000000000001";
        let before = json!({
            "about": [{ "reference": urn, "type": "Observation" }, { "reference": urn }],
            "subject": { "reference": "Patient/1", "type": "Patient" },
            "payload": [{ "contentReference": { "reference": urn, "type": "Communication" } }],
        });
        let after = localise(&before);
        let id = "6a2f41a3-c54c-5ce8-82a2-000000000001";
        assert_eq!(after["about"][0]["reference"], format!("Observation/{id}"));
        assert_eq!(after["about"][1]["reference"], urn);
        assert_eq!(
            after["payload"][0]["contentReference"]["reference"],
            format!("Communication/{id}")
        );
        assert_eq!(after["subject"], before["subject"]);
        assert_eq!(localise(&after), after);
    }
}
