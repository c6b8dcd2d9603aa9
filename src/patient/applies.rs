//! Whether a rule is for this site and this moment; whether it is for the patient's age is asked
//! once for all of them.

use crate::fhir::Instant;
use crate::patient::beside::is_recorded;
use crate::recognise::{Context, Site};
use crate::rules::Sheet;
use crate::rules::sheet::{Rule, in_region};

/// Region of the limb and context; most rules ask for neither. A site that no mapping knows counts
/// as any region: what is not known silences nothing.
pub(super) fn applies(rule: &Rule, site: &Site, contexts: &[Context], at: Instant, sheet: &Sheet) -> bool {
    let inside = |region: &String| in_region(&site.code, region);
    let here = rule.regions.is_empty() || !site.is_mapped() || rule.regions.iter().any(inside);
    let recorded = |kind| is_recorded(contexts, kind, at, sheet);
    here && rule.context.is_none_or(recorded)
}
