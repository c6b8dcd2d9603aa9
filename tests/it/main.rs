#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

mod charts;
mod fhir_datetime;
mod fhir_quantity;
mod outbox;
mod pages;
mod store;
