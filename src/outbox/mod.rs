//! 5. What is to be written: resources, their identity, and what an answer means. Pure.
//!
//! Comes in: drafts of `patient::publish` and `patient::tell`. Goes out: FHIR resources (JSON values) that passed
//! the R4 JSON Schema and the invariants that the schema misses, ready for the store's outbox.
//! A reference to another derived resource is written as `urn:uuid:<identity>`; delivery turns it
//! into the server's own id, the self-contained endpoint into `Observation/<identity>`.

pub mod answer;
mod body_site;
pub mod build;
pub mod communication;
pub mod context;
pub mod delta_observation;
pub mod device;
pub mod draft;
pub mod identity;
pub mod invariants;
pub mod local_references;
pub mod message_text;
pub mod parts;
pub mod validate;
pub mod wording;

pub use context::{MessageContext, Mode, SheetRef};
pub use validate::Validator;
