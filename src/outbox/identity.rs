//! Deterministic identities: the same ground gives the same identifier, always (invariant 2).

use uuid::Uuid;

/// Namespace of every derived identity: UUIDv5 of our identifier system in the URL namespace.
fn namespace() -> Uuid {
    Uuid::new_v5(
        &Uuid::NAMESPACE_URL,
        crate::recognise::DERIVED_IDENTIFIER_SYSTEM.as_bytes(),
    )
}

/// UUIDv5 over the parts; a part can never run into the next (each is written with its length).
fn identity(parts: &[&str]) -> Uuid {
    let mut name = String::new();
    for part in parts {
        name.push_str(&part.len().to_string());
        name.push(':');
        name.push_str(part);
    }
    Uuid::new_v5(&namespace(), name.as_bytes())
}

/// The delta Observation of one compartment reading (paired).
pub fn delta(patient: &str, site_key: &str, compartment_source: &str, part: &str) -> Uuid {
    identity(&["delta", patient, site_key, compartment_source, part])
}

/// The delta Observation of a newer diastolic carried against the last compartment reading.
pub fn carried(
    patient: &str,
    site_key: &str,
    compartment_source: &str,
    part: &str,
    diastolic_source: &str,
    diastolic_part: &str,
) -> Uuid {
    identity(&[
        "carried",
        patient,
        site_key,
        compartment_source,
        part,
        diastolic_source,
        diastolic_part,
    ])
}

/// The n-th Communication of a concern, told on `ground` (its occasion, tier and sources with their
/// versions): another store that tells something else under the same number has another identity.
pub fn message(patient: &str, site_key: &str, family: &str, number: u32, ground: &str) -> Uuid {
    if mutated!(MessageUncounted) {
        return identity(&["message", patient, site_key, family]);
    }
    identity(&["message", patient, site_key, family, &number.to_string(), ground])
}

/// The Device resource that stands for this service.
pub fn device() -> Uuid {
    identity(&["device"])
}
