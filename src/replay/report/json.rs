//! The figures as JSON, for other programs.

use crate::replay::study::Study;
use serde_json::{Value, json};

/// All figures.
pub fn json(study: &Study) -> Value {
    json!({ "title": study.title })
}
