//! The FHIR endpoint, driven in process: the production router over a real store, with a small
//! engine that only keeps what comes in.
//!
//! What a status or header must be is taken from the FHIR R4 specification (4.0.1), "RESTful API"
//! and "Search", named beside the checks.

mod bundles;
mod guarded;
mod procedures;
mod searching;
mod single;
pub mod support;
mod wrong;
