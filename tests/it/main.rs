//! The integration tests: one binary, a module a capability.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

mod architecture;
mod auth;
mod browser;
mod charts;
mod client;
mod clinical;
mod cohorts;
mod config;
mod contract;
mod core_rules;
mod delivery;
mod demo;
mod depth;
mod end_to_end;
mod engine;
mod faults;
mod fhir_api;
mod fhir_datetime;
mod fhir_observation;
mod fhir_quantity;
#[path = "../support/fhir_server.rs"]
mod fhir_server;
mod fuzz_corpus;
mod hazards;
mod health;
mod identity;
mod invariants;
mod json_suite;
mod malformed;
#[path = "../support/memory_fhir.rs"]
mod memory_fhir;
mod odd_sources;
mod official_examples;
mod order;
mod outbox;
mod overload;
mod pages;
#[path = "../support/patient.rs"]
mod patient_support;
mod poll;
mod process;
#[path = "../support/properties/mod.rs"]
mod properties;
#[path = "../support/proxy.rs"]
mod proxy;
mod recognise;
mod recognise_mapping;
mod recognise_procedure;
mod rule_check;
mod rule_documents;
mod security;
mod sheets;
mod store;
mod wording_review;
