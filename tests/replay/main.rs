//! The plain answer of a replay against other ways to the same answer, and the command from outside.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

mod agree;
mod asked;
mod command;
mod made;
mod naive;
mod outputs;
mod plain;
#[path = "../bench/replay/python.rs"]
mod python;
mod run;
