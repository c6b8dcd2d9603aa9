#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

mod clinical;
mod core_rules;
mod fhir_datetime;
mod fhir_quantity;
mod identity;
mod order;
#[path = "../support/patient.rs"]
mod patient_support;
