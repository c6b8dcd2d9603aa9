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
            meant: None,
        }
    }
}

/// True when a refusal for this reason means that something was measured and nobody will see it.
/// Where no result exists (yet), or it is of somebody else, nothing was lost.
pub(super) fn is_lost_measurement(reason: Reason) -> bool {
    !matches!(
        reason,
        Reason::DataAbsent | Reason::StatusNotUsable | Reason::FocusElsewhere | Reason::OwnOutput | Reason::PanelOnly
    )
}
