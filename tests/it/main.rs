#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

mod client;
mod delivery;
mod fhir_datetime;
mod fhir_quantity;
mod poll;

#[path = "../support/fhir_server.rs"]
mod fhir_server;
