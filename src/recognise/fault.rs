//! One reason with its detail, before it is known which part of the resource it concerns.

use super::reason::{Reason, Refusal};

/// What is wrong with a part.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Fault {
    pub reason: Reason,
    pub detail: String,
}

impl Fault {
    pub fn new(reason: Reason, detail: impl Into<String>) -> Self {
        Self {
            reason,
            detail: detail.into(),
        }
    }

    pub fn at(self, part: impl Into<String>) -> Refusal {
        Refusal {
            part: part.into(),
            reason: self.reason,
            detail: self.detail,
            compartment: false,
        }
    }
}
