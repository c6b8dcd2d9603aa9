//! The report: one HTML file that loads nothing, and the same figures as JSON. Pure.

mod json;

pub use json::json;
use super::study::Study;

/// The report as one HTML file.
pub fn html(study: &Study) -> String {
    study.title.clone()
}
