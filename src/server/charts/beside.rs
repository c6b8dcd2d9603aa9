//! What is drawn beside a site's deltas: second differences, and while anaesthesia is recorded.

use crate::fhir::Instant;
use crate::fhir::quantity::round_delta;
use crate::outbox::draft::{Beside, BesideKind, DeltaFacts, Measured};
use crate::outbox::wording;
use crate::recognise::reading::Comparator;
use crate::recognise::{Context, ContextKind};
use crate::rules::Sheet;

/// A second difference: another pressure − the same compartment pressure.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BesidePoint {
    /// When: as the delta that it stands beside.
    pub at: Instant,
    /// Which.
    pub kind: BesideKind,
    /// Whole mmHg as shown.
    pub mmhg: i64,
    /// Present when the number is only a bound.
    pub bound: Option<Comparator>,
    /// The other pressure, whole mmHg.
    pub minuend: i64,
    /// The delta that it stands beside, whole mmHg; None when the reading has no delta.
    pub delta: Option<i64>,
}

impl BesidePoint {
    /// Those of a delta.
    pub fn of(facts: &DeltaFacts) -> Vec<Self> {
        let at = if facts.carried {
            facts.diastolic.at
        } else {
            facts.compartment.at
        };
        let point = |beside| Self::one(beside, &facts.compartment, at, Some(facts.delta_whole_mmhg));
        facts.beside.iter().map(point).collect()
    }

    /// Of a compartment reading that has no delta.
    pub fn without_delta(beside: &Beside, compartment: &Measured) -> Self {
        Self::one(beside, compartment, compartment.at, None)
    }

    fn one(beside: &Beside, compartment: &Measured, at: Instant, delta: Option<i64>) -> Self {
        Self {
            at,
            kind: beside.kind,
            mmhg: beside.delta_whole_mmhg,
            bound: wording::beside_bound(beside, compartment),
            minuend: round_delta(beside.pressure.pressure.mmhg),
            delta,
        }
    }
}

/// A time for which anaesthesia is recorded.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Shade {
    /// From.
    pub from: Instant,
    /// To: the end recorded; without one, as long as the sheet lets it count.
    pub to: Instant,
    /// False when no end is recorded.
    pub end_recorded: bool,
}

impl Shade {
    /// The anaesthesias among what is recorded of a patient, in order of time, each moment in one shade
    /// only.
    pub fn of(contexts: &[Context], sheet: &Sheet) -> Vec<Self> {
        let open_end_minutes = sheet.anaesthesia.open_end_minutes;
        let mut shades: Vec<Self> = contexts
            .iter()
            .filter(|context| context.kind == ContextKind::Anaesthesia)
            .map(|context| Self {
                from: context.start,
                to: context.end.unwrap_or(context.start.plus_minutes(open_end_minutes)),
                end_recorded: context.end.is_some(),
            })
            .collect();
        shades.sort_by_key(|shade| shade.from);
        let mut apart: Vec<Self> = Vec::new();
        for shade in shades {
            match apart.last_mut() {
                Some(last) if shade.from <= last.to => {
                    if shade.to > last.to {
                        (last.to, last.end_recorded) = (shade.to, shade.end_recorded);
                    }
                }
                _ => apart.push(shade),
            }
        }
        apart
    }

    /// The part of it that lies in a picture from `from` to `to`; None when nothing does.
    pub(super) fn within(self, from: Instant, to: Instant) -> Option<(Instant, Instant)> {
        let (start, end) = (self.from.max(from), self.to.min(to));
        (start < end).then_some((start, end))
    }
}
