//! 6. Outbox → FHIR server.
//!
//! Comes in: due outbox entries, one group a step of one patient. Goes out: conditional writes to
//! the configured server, and a settlement for every attempt. Credentials are sent to the
//! configured origin and nowhere else (invariant 12). Delivery never decides what is written.

mod attempt;
pub mod bundle;
pub mod capability;
pub mod client;
pub mod error;
mod present;
pub mod references;
pub mod retry_after;
pub mod send;
mod single;
pub mod status;
pub mod worker;

pub use capability::Capabilities;
pub use client::FhirClient;
pub use error::ClientError;
pub use status::DeliveryStatus;
pub use worker::{Outbox, Worker};
