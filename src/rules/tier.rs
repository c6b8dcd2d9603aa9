//! The tiers of a concern.

use serde::{Deserialize, Serialize};
use std::fmt;

/// How urgent a concern is. Ordered: `Check < Watch < Act < Critical`.
/// Priority follows IEC 60601-1-8's high / medium / low and FHIR request-priority.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Tier {
    /// The measurement itself needs attention (no diastolic, implausible reading).
    Check,
    /// Near the threshold.
    Watch,
    /// At or below the threshold on one reading: unconfirmed, examine and measure again now.
    Act,
    /// At or below the lower threshold, or sustained.
    Critical,
}

impl Tier {
    /// Every tier, the least urgent first.
    pub const ALL: [Self; 4] = [Self::Check, Self::Watch, Self::Act, Self::Critical];

    /// The word that pages, messages and metrics show.
    pub fn word(self) -> &'static str {
        match self {
            Tier::Check => "check",
            Tier::Watch => "watch",
            Tier::Act => "act",
            Tier::Critical => "critical",
        }
    }
}

impl fmt::Display for Tier {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}
