//! One parameter of the sheet over a range of values. Pure.

use super::burden::Burden;
use super::labels::Judged;
use crate::rules::{Sheets, parameter};

/// The most values of one sweep: each is a replay of its own.
pub const VALUES_MAX: usize = 50;

/// What is varied, and over which values.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sweep {
    /// `delta_threshold`, `pairing.before_minutes`, `delta-30.upper_mmhg` …
    pub parameter: String,
    /// In order.
    pub values: Vec<i64>,
}

/// Why a sweep cannot be run.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SweepError {
    /// The argument has another form.
    #[error("--sweep {0:?} has another form; write NAME=FROM..TO:STEP, as delta_threshold=10..45:5")]
    Form(String),
    /// No value lies in the range, or none can be reached.
    #[error("--sweep {0:?}: FROM must not be above TO, and STEP not below 1; all three are whole numbers")]
    Range(String),
    /// Too many values.
    #[error("--sweep asks for {0} values; at most {VALUES_MAX} are replayed, take a larger step")]
    TooMany(i128),
    /// Neither sheet has it, or a value makes no sense.
    #[error("--sweep: {0}")]
    Parameter(String),
}

impl Sweep {
    /// Read `NAME=FROM..TO:STEP`; both ends count. Without `:STEP` the step is 1.
    ///
    /// # Errors
    /// When it has another form, an empty range or too many values.
    pub fn parse(text: &str) -> Result<Self, SweepError> {
        let form = || SweepError::Form(text.to_owned());
        let (parameter, range) = text.split_once('=').ok_or_else(form)?;
        let (from, rest) = range.split_once("..").ok_or_else(form)?;
        let (to, step) = rest.split_once(':').unwrap_or((rest, "1"));
        let range = || SweepError::Range(text.to_owned());
        let number = |text: &str| match text.trim().parse::<i64>() {
            Ok(number) => Ok(number),
            Err(_) if text.trim().parse::<f64>().is_ok() => Err(range()),
            Err(_) => Err(form()),
        };
        let (from, to, step) = (number(from)?, number(to)?, number(step)?);
        if parameter.trim().is_empty() {
            return Err(form());
        }
        if step < 1 || to < from {
            return Err(range());
        }
        let count = (i128::from(to) - i128::from(from)) / i128::from(step) + 1;
        let most = i64::try_from(VALUES_MAX).unwrap_or(i64::MAX);
        let count = i64::try_from(count)
            .ok()
            .filter(|count| *count <= most)
            .ok_or(SweepError::TooMany(count))?;
        Ok(Self {
            parameter: parameter.trim().to_owned(),
            values: (0..count).map(|index| from + index * step).collect(),
        })
    }

    /// The sheets with one value: in both sheets where both have the parameter, else in the one that has it.
    ///
    /// # Errors
    /// When neither has it or the value makes no sense.
    pub fn sheets(&self, base: &Sheets, value: i64) -> Result<Sheets, SweepError> {
        let has = |sheet: &crate::rules::Sheet| parameter::all(sheet).iter().any(|(name, _)| *name == self.parameter);
        let fault = |error: crate::rules::SheetError| SweepError::Parameter(error.to_string());
        let set = |sheet: &crate::rules::Sheet| parameter::with(sheet, &self.parameter, value).map_err(fault);
        let adult = match has(base.adult()) || !has(base.child()) {
            true => set(base.adult())?,
            false => base.adult().clone(),
        };
        let child = match has(base.child()) {
            true => set(base.child())?,
            false => base.child().clone(),
        };
        Sheets::new(adult, child).map_err(fault)
    }
}

/// What one value gave.
#[derive(Clone, Debug, PartialEq)]
pub struct SweepPoint {
    /// The value.
    pub value: i64,
    /// True when it is what the sheet in force has.
    pub in_force: bool,
    /// The burden.
    pub burden: Burden,
    /// Against the labels, if there are any.
    pub judged: Option<Judged>,
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn both_ends_count() {
        let sweep = Sweep::parse("delta_threshold=10..45:5").unwrap();
        assert_eq!(sweep.parameter, "delta_threshold");
        assert_eq!(sweep.values, [10, 15, 20, 25, 30, 35, 40, 45]);
        assert_eq!(Sweep::parse("a=-2..1").unwrap().values, [-2, -1, 0, 1]);
        for wrong in ["delta_threshold", "a=1..", "a=1..b", "=1..2"] {
            assert!(matches!(Sweep::parse(wrong), Err(SweepError::Form(_))), "{wrong}");
        }
        for empty in ["a=3..1:1", "a=1..3:0", "a=1..2:0.5"] {
            assert!(matches!(Sweep::parse(empty), Err(SweepError::Range(_))), "{empty}");
        }
        assert!(matches!(Sweep::parse("a=0..1000"), Err(SweepError::TooMany(1001))));
    }
}
