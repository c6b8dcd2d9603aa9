#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

mod fhir_api;
mod fhir_datetime;
mod fhir_quantity;
mod health;
mod outbox;
mod store;
