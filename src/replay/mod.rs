//! `deltaward replay`: what a rule sheet would have said, had it been live on old data.
//!
//! Lines of NDJSON go to a [`cohort::Cohort`] for each reading thread; [`cohort::gather`] makes one
//! patient after the other of them; [`clock`] steps each through the same code as the live service
//! (`calm` says which steps can be left out because nothing could be told); [`findings`] holds what
//! was found, which threads merge; `burden`, `labels`, `against` and `sweep` make figures of it, and
//! `report` and `tables` write them down. [`study`] is the shell around all of it.

pub mod cohort;

mod calm;
pub mod clock;

pub mod findings;

pub mod burden;
pub mod statistics;

pub mod against;
pub mod labels;
pub mod sweep;

pub mod report;

pub mod study;
pub mod tables;
