//! Shares with their interval. Pure.

/// z of a two-sided 95 % interval: the 97.5 % point of the normal distribution.
const Z_95: f64 = 1.959_963_984_540_054;

/// Part of a whole.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub struct Share {
    /// How many.
    pub part: u64,
    /// Of how many.
    pub whole: u64,
}

impl Share {
    /// `part` of `whole`.
    pub const fn new(part: u64, whole: u64) -> Self {
        Self { part, whole }
    }

    /// From 0 to 1; None of nothing.
    pub fn value(self) -> Option<f64> {
        (self.whole > 0).then(|| float(self.part) / float(self.whole))
    }

    /// Wilson's 95 % score interval, without continuity correction; None of nothing.
    ///
    /// E. B. Wilson 1927, J Am Stat Assoc 22:209-12; method 3 in R. G. Newcombe 1998, Stat Med
    /// 17:857-72.
    pub fn wilson(self) -> Option<(f64, f64)> {
        let p = self.value()?;
        let n = float(self.whole);
        let z2 = Z_95 * Z_95;
        let middle = (p + z2 / (2.0 * n)) / (1.0 + z2 / n);
        let half = Z_95 / (1.0 + z2 / n) * (p * (1.0 - p) / n + z2 / (4.0 * n * n)).sqrt();
        // At 0 and 1 the ends are exact; rounding must not lead beyond them.
        let low = if self.part == 0 { 0.0 } else { (middle - half).max(0.0) };
        let high = if self.part == self.whole {
            1.0
        } else {
            (middle + half).min(1.0)
        };
        Some((low, high))
    }

    /// "93.8 % (152 of 162; 95 % interval 89.0 to 96.6)".
    pub fn words(self) -> String {
        match (self.value(), self.wilson()) {
            (Some(value), Some((low, high))) => format!(
                "{:.1} % ({} of {}; 95 % interval {:.1} to {:.1})",
                value * 100.0,
                self.part,
                self.whole,
                low * 100.0,
                high * 100.0
            ),
            _ => String::from("cannot be said: there is nothing to take a share of"),
        }
    }
}

/// The four cells of a test against an outcome.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub struct FourCells {
    /// Alerted, with the outcome.
    pub true_positive: u64,
    /// Alerted, without it.
    pub false_positive: u64,
    /// Not alerted, with it.
    pub false_negative: u64,
    /// Not alerted, without it.
    pub true_negative: u64,
}

impl FourCells {
    /// All that were counted.
    pub const fn all(self) -> u64 {
        self.true_positive + self.false_positive + self.false_negative + self.true_negative
    }

    /// Of those with the outcome, how many were alerted.
    pub const fn sensitivity(self) -> Share {
        Share::new(self.true_positive, self.true_positive + self.false_negative)
    }

    /// Of those without it, how many were not alerted.
    pub const fn specificity(self) -> Share {
        Share::new(self.true_negative, self.true_negative + self.false_positive)
    }

    /// Of those alerted, how many had the outcome.
    pub const fn positive_predictive(self) -> Share {
        Share::new(self.true_positive, self.true_positive + self.false_positive)
    }

    /// Of those not alerted, how many did not have it.
    pub const fn negative_predictive(self) -> Share {
        Share::new(self.true_negative, self.true_negative + self.false_negative)
    }
}

/// Median, 90th centile (nearest rank) and greatest of some numbers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Spread {
    /// How many.
    pub count: usize,
    /// Nearest rank.
    pub median: i64,
    /// Nearest rank.
    pub ninetieth: i64,
    /// The greatest.
    pub greatest: i64,
}

impl Spread {
    /// None of nothing.
    pub fn of(mut numbers: Vec<i64>) -> Option<Self> {
        numbers.sort_unstable();
        let rank = |percent: usize| {
            let position = (numbers.len() * percent).div_ceil(100).max(1) - 1;
            numbers.get(position).copied()
        };
        Some(Self {
            count: numbers.len(),
            median: rank(50)?,
            ninetieth: rank(90)?,
            greatest: *numbers.last()?,
        })
    }
}

/// Counts here are far below 2^53.
#[expect(clippy::cast_precision_loss, reason = "counts far below 2^53")]
pub fn float(count: u64) -> f64 {
    count as f64
}
