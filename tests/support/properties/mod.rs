//! What must hold for any input: said once, searched for by the fuzz targets (`tests/fuzz`) and
//! held against the kept inputs by `tests/it/fuzz_corpus.rs`. Each module has one function
//! `holds(bytes)`, which panics where it does not.
#![allow(dead_code, missing_docs, clippy::unwrap_used, clippy::expect_used)]

pub mod bundle;
pub mod config;
pub mod datetime;
pub mod observation;
pub mod rules;

/// A place that an error names lies in the text: line and column in characters, from 1; one beyond
/// the last character where something is missing.
fn assert_place(text: &str, line: usize, column: usize) {
    assert!(line >= 1 && column >= 1, "{line}:{column}");
    let lines: Vec<&str> = text.split('\n').collect();
    assert!(line <= lines.len(), "line {line} of {}", lines.len());
    let width = lines[line - 1].chars().count();
    assert!(column <= width + 1, "column {column} of {width} in line {line}");
}
