//! Whole mmHg as compared and shown: a half goes toward the alert.

use crate::fhir::Decimal;
use rust_decimal::RoundingStrategy;

/// A compartment pressure in whole mmHg, a half upward (29.5 → 30).
pub fn whole_compartment(exact: Decimal) -> Decimal {
    (exact + Decimal::new(5, 1)).round_dp_with_strategy(0, RoundingStrategy::ToNegativeInfinity)
}

/// A diastolic in whole mmHg, a half downward (70.5 → 70): the lower, the lower the delta.
pub fn whole_diastolic(exact: Decimal) -> Decimal {
    (exact - Decimal::new(5, 1)).round_dp_with_strategy(0, RoundingStrategy::ToPositiveInfinity)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_half_goes_toward_the_alert() {
        let d = |text: &str| text.parse::<Decimal>().unwrap_or_default();
        for (exact, whole) in [("29.5", 30), ("29.4999", 29), ("30", 30), ("-0.5", 0), ("-0.51", -1)] {
            assert_eq!(whole_compartment(d(exact)), Decimal::from(whole), "{exact}");
        }
        for (exact, whole) in [("70.5", 70), ("70.5001", 71), ("70", 70), ("-0.5", -1)] {
            assert_eq!(whole_diastolic(d(exact)), Decimal::from(whole), "{exact}");
        }
    }
}
