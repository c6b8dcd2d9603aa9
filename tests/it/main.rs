//! The integration tests: one binary, a module a capability.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

#[path = "../support/fhir_server.rs"]
mod fhir_server;
mod architecture;
mod charts;
mod client;
mod config;
mod contract;
mod delivery;
mod demo;
mod fhir_api;
mod fhir_datetime;
mod fhir_quantity;
mod health;
mod official_examples;
mod outbox;
mod pages;
mod poll;
mod process;
mod recognise;
mod store;
