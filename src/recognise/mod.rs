//! 2. Observation → Readings, or set aside with a reason. Pure.
//!
//! Comes in: the JSON of one Observation and the mapping (ConceptMaps and ValueSets of
//! `profiles/`). Goes out: [`reading::Recognised`]. Never guesses a unit, a side or a site.

pub mod mapping;
pub mod reading;
pub mod reason;

pub use mapping::Mapping;
pub use reading::{Kind, Method, PatientKey, Reading, Recognised, Side, Site, Version, Withdrawal};
pub use reason::{Reason, Refusal};

/// Our CodeSystem of measurements (there is no LOINC code for a compartment pressure).
pub const MEASUREMENT_SYSTEM: &str = "https://deltaward.example/fhir/CodeSystem/measurement";
/// Our CodeSystem of compartments.
pub const COMPARTMENT_SYSTEM: &str = "https://deltaward.example/fhir/CodeSystem/compartment";
/// The identifier system of everything that this service derives.
pub const DERIVED_IDENTIFIER_SYSTEM: &str = "https://deltaward.example/fhir/derived";

/// Recognise one Observation (JSON text). Never panics, whatever the text; what cannot be used
/// comes back as a refusal with a reason. `id` is the logical id at its source.
pub fn recognise(_json: &str, id: &str, version: Version, _mapping: &Mapping) -> Recognised {
    Recognised {
        source: format!("Observation/{id}"),
        version,
        patient: None,
        withdrawn: None,
        readings: Vec::new(),
        refusals: Vec::new(),
        members: Vec::new(),
        members_side: Side::Unstated,
    }
}
