#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

mod fhir_datetime;
mod fhir_quantity;
mod official_examples;
mod recognise;
mod recognise_mapping;
