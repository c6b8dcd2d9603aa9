//! A rule on old data: files of NDJSON (a Bulk Data export) → what it would have said.
//!
//! [`input`] turns arguments into files and files into lines, on several threads. [`summary`] is the
//! plain answer that can be checked with any tool that joins tables by time.

pub mod error;
pub mod input;
pub mod summary;

pub use error::ReplayError;
