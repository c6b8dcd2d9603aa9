//! References between derived resources, for the self-contained endpoint.

use serde_json::{Map, Value};

/// The types that this service derives and that a `urn:uuid:` reference can name.
const DERIVED_TYPES: [&str; 3] = ["Observation", "Communication", "Device"];

/// Each `urn:uuid:<identity>` reference of a resource becomes `<type>/<identity>`,
/// the type taken from Reference.type. A reference without a type that we derive is left alone.
/// All else is unchanged; doing it twice changes nothing more.
pub fn localise(resource: &mut Value) {
    match resource {
        Value::Object(fields) => localise_object(fields),
        Value::Array(items) => items.iter_mut().for_each(localise),
        _ => {}
    }
}

fn localise_object(fields: &mut Map<String, Value>) {
    fields.values_mut().for_each(localise);
    let text = |name: &str| fields.get(name).and_then(Value::as_str);
    let identity = text("reference").and_then(|reference| reference.strip_prefix("urn:uuid:"));
    let named = text("type").filter(|name| DERIVED_TYPES.contains(name));
    if let (Some(identity), Some(name)) = (identity, named) {
        let local = format!("{name}/{identity}");
        fields.insert("reference".into(), Value::String(local));
    }
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
        let mut after = before.clone();
        localise(&mut after);
        let id = "6a2f41a3-c54c-5ce8-82a2-000000000001";
        assert_eq!(after["about"][0]["reference"], format!("Observation/{id}"));
        assert_eq!(after["about"][1]["reference"], urn);
        assert_eq!(
            after["payload"][0]["contentReference"]["reference"],
            format!("Communication/{id}")
        );
        assert_eq!(after["subject"], before["subject"]);
        let once = after.clone();
        localise(&mut after);
        assert_eq!(after, once);
    }
}
