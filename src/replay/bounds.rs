//! What no unremarkable reading reaches: bounds wider than every rule of a sheet. Pure.

use crate::fhir::Decimal;
use crate::fhir::instant::MINUTE_MILLIS;
use crate::patient::gather::thousandths;
use crate::rules::{RuleKind, Sheet};

/// Thousandths of one mmHg.
const THOUSAND: i64 = 1000;

/// What no unremarkable reading reaches; thousandths of mmHg and milliseconds.
pub(super) struct Bounds {
    /// No delta above this holds a rule of deltas, carried or sustained.
    pub(super) delta: i64,
    /// No mean arterial delta above this holds a rule.
    pub(super) mean_delta: i64,
    /// No compartment pressure below this holds a rule by itself.
    pub(super) pressure: i64,
    /// Above this a compartment pressure asks for verification, or is not plausible.
    pub(super) highest_pressure: i64,
    /// Below this likewise.
    pub(super) lowest_pressure: i64,
    /// Usable diastolics, inclusive.
    pub(super) diastolic: (i64, i64),
    /// Window of pairing.
    pub(super) before: i64,
    pub(super) after: i64,
    pub(super) carry: i64,
    /// Two readings of one site so close (milliseconds) contradict each other when they differ by more
    /// than so many thousandths.
    pub(super) close_together: Option<(i64, i64)>,
    /// A diastolic so near to a reading was taken beside it.
    pub(super) simultaneous: i64,
    pub(super) trends: Vec<Fall>,
}

/// A rule of kind `trend`.
pub(super) struct Fall {
    pub(super) upper: i64,
    pub(super) readings: usize,
    pub(super) last_readings: usize,
    pub(super) minutes: i64,
    pub(super) window: i64,
    pub(super) horizon: i64,
}

impl Bounds {
    /// None when the sheet chooses a diastolic by more than its time.
    pub(super) fn of(sheet: &Sheet) -> Option<Self> {
        let pairing = &sheet.pairing;
        if !pairing.method_order.is_empty() {
            return None;
        }
        let (mut delta, mut mean_delta, mut pressure) = (i64::MIN, i64::MIN, i64::MAX);
        let (mut close_together, mut trends) = (None, Vec::new());
        for rule in &sheet.rules {
            match rule.kind {
                RuleKind::Delta { upper, .. } | RuleKind::Carried { upper, .. } | RuleKind::Sustained { upper, .. } => {
                    delta = delta.max(upper);
                }
                RuleKind::MeanDelta { upper, .. } => mean_delta = mean_delta.max(upper),
                RuleKind::Absolute { at_or_above } => pressure = pressure.min(at_or_above),
                RuleKind::ReadingsDisagree { minutes, more_than } => {
                    let (widest, least) = close_together.unwrap_or((minutes, more_than));
                    close_together = Some((widest.max(minutes), least.min(more_than)));
                }
                RuleKind::Trend {
                    upper,
                    readings,
                    last_readings,
                    minutes,
                    window_minutes,
                    horizon_minutes,
                } => trends.push(Fall {
                    upper: upper.saturating_mul(THOUSAND),
                    readings,
                    last_readings,
                    minutes: minutes * MINUTE_MILLIS,
                    window: window_minutes * MINUTE_MILLIS,
                    horizon: horizon_minutes * MINUTE_MILLIS,
                }),
                _ => {}
            }
        }
        // Half a mmHg more than a threshold still rounds to it; one whole is beyond doubt.
        let beyond = |upper: i64| upper.saturating_add(1).saturating_mul(THOUSAND);
        let plausible = &sheet.plausible;
        Some(Self {
            delta: beyond(delta),
            mean_delta: beyond(mean_delta),
            pressure: pressure.saturating_sub(1).saturating_mul(THOUSAND),
            highest_pressure: (plausible.compartment_verify_above.min(plausible.compartment_high) - 1) * THOUSAND,
            lowest_pressure: plausible.compartment_low.max(0).saturating_mul(THOUSAND),
            diastolic: (
                (plausible.diastolic_low + 1) * THOUSAND,
                (plausible.diastolic_high - 1) * THOUSAND,
            ),
            before: pairing.before_minutes * MINUTE_MILLIS,
            after: pairing.after_minutes * MINUTE_MILLIS,
            carry: pairing.carry_minutes * MINUTE_MILLIS,
            // Both are rounded before they are compared: one whole mmHg less is beyond doubt.
            close_together: close_together
                .map(|(minutes, more_than)| (minutes * MINUTE_MILLIS, (more_than - 1) * THOUSAND)),
            simultaneous: pairing.simultaneous_minutes * MINUTE_MILLIS,
            trends,
        })
    }
}

/// A pressure between two thousandths: one number twice where it is exact.
#[derive(Clone, Copy)]
pub(super) struct Range {
    pub(super) low: i64,
    pub(super) high: i64,
}

impl Range {
    pub(super) fn of(mmhg: Decimal) -> Option<Self> {
        if let Some(exact) = thousandths(mmhg) {
            return Some(Self {
                low: exact,
                high: exact,
            });
        }
        // A converted unit: a trend then looks at whole mmHg, so a whole one is left on both sides.
        let whole = i64::try_from(mmhg.trunc().mantissa()).ok()?;
        Some(Self {
            low: (whole.checked_sub(2)?).checked_mul(THOUSAND)?,
            high: (whole.checked_add(2)?).checked_mul(THOUSAND)?,
        })
    }

    pub(super) fn minus(self, other: Self) -> Self {
        Self {
            low: self.low.saturating_sub(other.high),
            high: self.high.saturating_sub(other.low),
        }
    }

    pub(super) fn and(self, other: Self) -> Self {
        Self {
            low: self.low.min(other.low),
            high: self.high.max(other.high),
        }
    }
}
