//! The integration tests: one binary, a module a capability.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

#[path = "../support/patient.rs"]
mod patient_support;
#[path = "../support/fhir_server.rs"]
mod fhir_server;
mod charts;
mod client;
mod clinical;
mod config;
mod core_rules;
mod delivery;
mod fhir_api;
mod fhir_datetime;
mod fhir_quantity;
mod health;
mod identity;
mod official_examples;
mod order;
mod outbox;
mod pages;
mod poll;
mod recognise;
mod store;
