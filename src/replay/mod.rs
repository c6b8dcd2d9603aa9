//! A rule sheet on old data: files of NDJSON (a Bulk Data export) → what it would have said.
//!
//! [`input`] turns arguments into files and files into lines, on several threads. `summary` is the
//! plain answer that can be checked with any tool that joins tables by time.
//!
//! The full replay: lines go to a [`cohort::Cohort`] for each reading thread, which keeps them
//! `packed` (`shapes` spares it most of recognition); [`gather::gather`] makes one patient after the other of them; [`clock`] steps each through the same code as the live
//! service (`calm` says which steps can be left out because nothing could be told); [`findings`] holds
//! what was found, which threads merge; [`burden`], [`labels`], [`against`] and [`sweep`] make figures
//! of it, [`report`] and [`tables`] write them down. [`study`] is the shell around all of it.

pub mod error;
pub mod input;
pub mod summary;

pub mod cohort;
pub mod gather;
mod packed;
mod shape;
mod shapes;
mod share;

mod bounds;
mod calm;
pub mod clock;

pub mod findings;
mod one;

pub mod burden;
pub mod statistics;

pub mod against;
pub mod labels;
pub mod sweep;

pub mod output;
pub mod report;
pub mod tables;

pub mod study;

pub use error::ReplayError;
