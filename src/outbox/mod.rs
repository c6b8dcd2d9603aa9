//! 5. What is to be written: resources, their identity, and what an answer means. Pure.
//!
//! Comes in: drafts of `patient::reconcile`. Goes out: FHIR resources (JSON values) that passed
//! the R4 JSON Schema and the invariants that the schema misses, ready for the store's outbox.
//! A reference to another derived resource is written as `urn:uuid:<identity>`; delivery turns it
//! into the server's own id, the self-contained endpoint into `Observation/<identity>`.

pub mod answer;
pub mod draft;
pub mod identity;
