//! Deltaward turns limb compartment pressures and blood pressures, wherever a record speaks
//! HL7 FHIR R4, into delta-pressure alerts: delta pressure = diastolic − compartment pressure.
//!
//! # The map
//! The modules stand in the order in which one Observation flows through them.
//!
//! | step | module | does | pure |
//! | --- | --- | --- | --- |
//! | – | [`config`] | file and environment → checked configuration | |
//! | – | [`fhir`] | the standard's own forms: dateTime, decimal, quantity, Observation, Procedure | yes |
//! | 1 | [`source`] | where Observations and Procedures come from: REST intake, polling | |
//! | 2 | [`recognise`] | Observation → Readings, Procedure → Contexts, or set aside with a reason | yes |
//! | 3 | [`pair`] | compartment reading with the diastolic nearest in time | yes |
//! | 4 | [`rules`] | the rule sheets: whose is whose, what is wrong with one, how it is shown and approved | yes |
//! | 2–4 | [`patient`] | one patient: `assess` what ought to stand, `publish` and `tell` what is new | yes |
//! | 5 | [`outbox`] | the resources to be written, their identity, what an answer means | yes |
//! | – | [`store`] | durable state; one commit holds readings, concerns and outbox together | |
//! | 6 | [`delivery`] | outbox → FHIR server | |
//! | – | [`server`] | what is shown and received over HTTP | |
//! | – | [`pipeline`] | wiring: the engine, `run`, `demo`, telemetry, shutdown | |
//! | – | [`replay`] | a rule on old data: files of Observations → figures and a report | |
//!
//! Pure modules have no I/O, no clock and no randomness; `now` is an argument.
//! `tests/it/architecture.rs` fails when one of them reaches for a shell.

#[macro_use]
#[cfg_attr(not(feature = "mutations"), allow(dead_code, reason = "only its macro is used"))]
mod mutation;

#[cfg(feature = "mutations")]
pub use mutation::{Mutation, switch};

// In the order of the flow; the blank lines keep rustfmt from sorting them.
pub mod config;

pub mod fhir;

pub mod source;

pub mod recognise;

pub mod pair;

pub mod rules;

pub mod patient;

pub mod outbox;

pub mod store;

pub mod delivery;

pub mod server;

pub mod pipeline;

pub mod replay;
