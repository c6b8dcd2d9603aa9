//! The full replay: its clock, its figures, its report.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

mod calm;
mod clock;
#[path = "../support/cohort.rs"]
mod cohort;
mod demo;
mod labels;
mod lines;
#[path = "../support/patient.rs"]
mod patient_support;
mod report;
mod shapes;
mod statistics;
