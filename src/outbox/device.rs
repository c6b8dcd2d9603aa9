//! The Device resource that stands for this service (Observation.device, Communication.sender).

use crate::outbox::{identity, parts};
use serde_json::{Value, json};

/// The Device. `version` is the version of the service (`CARGO_PKG_VERSION` of the binary).
pub fn device(version: &str) -> Value {
    let identity = identity::device();
    json!({
        "resourceType": "Device",
        "id": identity.to_string(),
        "identifier": parts::identifier(identity),
        "status": "active",
        "deviceName": [{ "name": "Deltaward", "type": "user-friendly-name" }],
        "type": { "text": "Software that derives delta pressure from compartment and diastolic pressures" },
        "version": [{ "value": version }],
    })
}

/// A reference to it.
pub fn reference() -> Value {
    let mut reference = parts::derived_reference("Device", identity::device());
    reference["display"] = Value::from("Deltaward");
    reference
}
