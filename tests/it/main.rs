//! The integration tests: one binary, a module a capability.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

mod config;
mod fhir_api;
mod fhir_datetime;
mod fhir_quantity;
mod health;
mod official_examples;
mod outbox;
mod recognise;
mod store;
