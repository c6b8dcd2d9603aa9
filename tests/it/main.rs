#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]
#![allow(missing_docs)]
#[test]
fn nothing() {}

mod fhir_datetime;
mod fhir_quantity;
mod outbox;
mod store;
