//! Exact fractions, so that the oracle rounds by itself.

use std::cmp::Ordering;
use std::ops::Sub;

/// `over` is positive.
#[derive(Clone, Copy, Debug)]
pub struct Exact {
    pub number: i128,
    pub over: i128,
}

impl Exact {
    /// "29.5", "-6".
    pub fn parse(text: &str) -> Self {
        let (before, after) = text.split_once('.').unwrap_or((text, ""));
        let over = 10_i128.pow(u32::try_from(after.len()).unwrap());
        Self {
            number: format!("{before}{after}").parse().unwrap(),
            over,
        }
    }

    /// A value with its UCUM unit in mm[Hg]: UCUM has 133.322 Pa for it, 98.0665 Pa for cm[H2O].
    pub fn mmhg(text: &str, unit: &str) -> Self {
        let value = Self::parse(text);
        let (times, over) = match unit {
            "kPa" => (1_000_000, 133_322),
            "cm[H2O]" => (980_665, 1_333_220),
            _ => (1, 1),
        };
        Self {
            number: value.number * times,
            over: value.over * over,
        }
    }

    /// The greatest whole number of `1/parts` that is not above it.
    fn floor_parts(self, parts: i128) -> i128 {
        (self.number * parts).div_euclid(self.over)
    }

    /// Whole, a half going up: a pressure, toward the alert.
    pub fn half_up(self) -> i64 {
        let doubled = self.floor_parts(2);
        i64::try_from((doubled + 1).div_euclid(2)).unwrap()
    }

    /// In `1/parts`, a half going down: a delta and a diastolic, toward the alert.
    pub fn half_down_parts(self, parts: i128) -> i64 {
        // ceil(x·parts − 1/2)
        let (number, over) = (2 * self.number * parts - self.over, 2 * self.over);
        i64::try_from(-(-number).div_euclid(over)).unwrap()
    }

    pub fn half_down(self) -> i64 {
        self.half_down_parts(1)
    }

    pub fn float(self) -> f64 {
        self.number as f64 / self.over as f64
    }
}

impl Sub for Exact {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self {
            number: self.number * other.over - other.number * self.over,
            over: self.over * other.over,
        }
    }
}

impl Ord for Exact {
    fn cmp(&self, other: &Self) -> Ordering {
        (self.number * other.over).cmp(&(other.number * self.over))
    }
}

impl PartialOrd for Exact {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl PartialEq for Exact {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}

impl Eq for Exact {}

#[test]
fn halves_go_toward_the_alert() {
    // Design §4: delta 30.5 → 30, pressure 29.5 → 30.
    assert_eq!(Exact::parse("30.5").half_down(), 30);
    assert_eq!(Exact::parse("30.51").half_down(), 31);
    assert_eq!(Exact::parse("-0.5").half_down(), -1);
    assert_eq!(Exact::parse("29.5").half_up(), 30);
    assert_eq!(Exact::parse("29.4").half_up(), 29);
    assert_eq!(Exact::parse("-5.5").half_up(), -5);
    assert_eq!(Exact::mmhg("4.00", "kPa").half_up(), 30);
}
