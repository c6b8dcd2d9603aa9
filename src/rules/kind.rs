//! What a rule looks at: its kind with the parameters that this kind has, and no others.

use super::sheet::TREND_READINGS_MAX;
use super::{RuleKind, Tier};
use serde::Deserialize;
use std::ops::Range;
use toml::Spanned;

/// What is wrong and where; None: the rule as a whole.
pub(super) type KindFault = (Option<Range<usize>>, String);

/// The word after `kind =`.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum RawKind {
    Delta,
    Carried,
    Sustained,
    Absolute,
    MeanDelta,
    Trend,
    Overdue,
    ReadingsDisagree,
    MethodsDisagree,
    DiastolicMissing,
    SideMissing,
    CompartmentImplausible,
    CompartmentVerify,
    DiastolicImplausible,
    CompartmentUnusable,
}

/// Every parameter that some kind has, as given.
pub(super) struct Parameters<'r> {
    pub id: &'r str,
    pub kind: RawKind,
    pub lower_mmhg: Option<&'r Spanned<i64>>,
    pub upper_mmhg: Option<&'r Spanned<i64>>,
    pub minutes: Option<&'r Spanned<i64>>,
    pub readings: Option<&'r Spanned<usize>>,
    pub last_readings: Option<&'r Spanned<usize>>,
    pub window_minutes: Option<&'r Spanned<i64>>,
    pub horizon_minutes: Option<&'r Spanned<i64>>,
    pub at_or_above_mmhg: Option<&'r Spanned<i64>>,
    pub more_than_mmhg: Option<&'r Spanned<i64>>,
    pub after: Option<&'r Spanned<Tier>>,
}

impl Parameters<'_> {
    /// The kind with its parameters.
    ///
    /// # Errors
    /// When one is missing, makes no sense, or is not of this kind.
    pub(super) fn kind(&self) -> Result<RuleKind, KindFault> {
        use RuleKind as Kind;
        match self.kind {
            RawKind::Delta => self.band().map(|(lower, upper)| Kind::Delta { lower, upper }),
            RawKind::Carried => self.band().map(|(lower, upper)| Kind::Carried { lower, upper }),
            RawKind::MeanDelta => self.band().map(|(lower, upper)| Kind::MeanDelta { lower, upper }),
            RawKind::Sustained => self.sustained(),
            RawKind::Absolute => {
                self.allow(&["at_or_above_mmhg"])?;
                let at_or_above = self.need("at_or_above_mmhg", self.at_or_above_mmhg)?;
                Ok(Kind::Absolute { at_or_above })
            }
            RawKind::Trend => self.trend(),
            RawKind::Overdue => {
                self.allow(&["after", "minutes"])?;
                let after = self.need("after", self.after)?;
                let minutes = self.within("minutes", self.minutes, 1, 48 * 60)?;
                Ok(Kind::Overdue { after, minutes })
            }
            RawKind::ReadingsDisagree => self
                .disagreement()
                .map(|(minutes, more_than)| Kind::ReadingsDisagree { minutes, more_than }),
            RawKind::MethodsDisagree => self
                .disagreement()
                .map(|(minutes, more_than)| Kind::MethodsDisagree { minutes, more_than }),
            RawKind::DiastolicMissing => self.allow(&[]).map(|()| Kind::DiastolicMissing),
            RawKind::SideMissing => self.allow(&[]).map(|()| Kind::SideMissing),
            RawKind::CompartmentImplausible => self.allow(&[]).map(|()| Kind::CompartmentImplausible),
            RawKind::CompartmentVerify => self.allow(&[]).map(|()| Kind::CompartmentVerify),
            RawKind::DiastolicImplausible => self.allow(&[]).map(|()| Kind::DiastolicImplausible),
            RawKind::CompartmentUnusable => self.allow(&[]).map(|()| Kind::CompartmentUnusable),
        }
    }

    fn band(&self) -> Result<(Option<i64>, i64), KindFault> {
        self.allow(&["lower_mmhg", "upper_mmhg"])?;
        let (lower, upper) = (value(self.lower_mmhg), self.need("upper_mmhg", self.upper_mmhg)?);
        if lower.is_some_and(|lower| lower >= upper) {
            let message = format!("rule {:?}: lower_mmhg must be below upper_mmhg", self.id);
            return Err((self.lower_mmhg.map(Spanned::span), message));
        }
        Ok((lower, upper))
    }

    fn sustained(&self) -> Result<RuleKind, KindFault> {
        self.allow(&["upper_mmhg", "minutes", "readings"])?;
        let readings = value(self.readings).unwrap_or(2);
        let minutes = self.need("minutes", self.minutes)?;
        if readings < 2 || minutes < 1 {
            let wrong = self.readings.filter(|_| readings < 2).map(Spanned::span);
            return Err((
                wrong.or(self.minutes.map(Spanned::span)),
                format!("rule {:?} needs at least 2 readings and 1 minute", self.id),
            ));
        }
        Ok(RuleKind::Sustained {
            upper: self.need("upper_mmhg", self.upper_mmhg)?,
            minutes,
            readings,
        })
    }

    fn trend(&self) -> Result<RuleKind, KindFault> {
        self.allow(&[
            "upper_mmhg",
            "minutes",
            "readings",
            "last_readings",
            "window_minutes",
            "horizon_minutes",
        ])?;
        let readings = value(self.readings).unwrap_or(3);
        let last_readings = value(self.last_readings).unwrap_or(6);
        // The pairs of readings grow with the square of their number.
        if readings < 3 || last_readings < readings || last_readings > TREND_READINGS_MAX {
            let wrong = self.readings.filter(|_| readings < 3).or(self.last_readings);
            let message = format!(
                "rule {:?} needs at least 3 readings, and last_readings from there to {TREND_READINGS_MAX}",
                self.id
            );
            return Err((wrong.map(Spanned::span), message));
        }
        Ok(RuleKind::Trend {
            minutes: self.within("minutes", self.minutes, 1, 48 * 60)?,
            upper: self.need("upper_mmhg", self.upper_mmhg)?,
            readings,
            last_readings,
            window_minutes: self.within("window_minutes", self.window_minutes, 1, 48 * 60)?,
            horizon_minutes: self.within("horizon_minutes", self.horizon_minutes, 1, 24 * 60)?,
        })
    }

    fn disagreement(&self) -> Result<(i64, i64), KindFault> {
        self.allow(&["minutes", "more_than_mmhg"])?;
        let minutes = self.within("minutes", self.minutes, 0, 60)?;
        let more_than = self.within("more_than_mmhg", self.more_than_mmhg, 0, 200)?;
        Ok((minutes, more_than))
    }

    /// A parameter that the kind does not have is an error.
    fn allow(&self, allowed: &[&str]) -> Result<(), KindFault> {
        let number = |given: Option<&Spanned<i64>>| given.map(Spanned::span);
        let count = |given: Option<&Spanned<usize>>| given.map(Spanned::span);
        let given = [
            ("lower_mmhg", number(self.lower_mmhg)),
            ("upper_mmhg", number(self.upper_mmhg)),
            ("minutes", number(self.minutes)),
            ("readings", count(self.readings)),
            ("last_readings", count(self.last_readings)),
            ("window_minutes", number(self.window_minutes)),
            ("horizon_minutes", number(self.horizon_minutes)),
            ("at_or_above_mmhg", number(self.at_or_above_mmhg)),
            ("more_than_mmhg", number(self.more_than_mmhg)),
            ("after", self.after.map(Spanned::span)),
        ];
        let wrong = given
            .into_iter()
            .find(|(name, span)| span.is_some() && !allowed.contains(name));
        match wrong {
            Some((name, span)) => Err((
                span,
                format!(
                    "rule {:?} of this kind has no parameter {name}; {}",
                    self.id,
                    has(allowed)
                ),
            )),
            None => Ok(()),
        }
    }

    fn need<T: Copy>(&self, name: &str, given: Option<&Spanned<T>>) -> Result<T, KindFault> {
        value(given).ok_or_else(|| (None, format!("rule {:?} needs {name}", self.id)))
    }

    fn within(&self, name: &str, given: Option<&Spanned<i64>>, low: i64, high: i64) -> Result<i64, KindFault> {
        let value = self.need(name, given)?;
        if (low..=high).contains(&value) {
            return Ok(value);
        }
        let message = format!("rule {:?}: {name} must be from {low} to {high}", self.id);
        Err((given.map(Spanned::span), message))
    }
}

fn value<T: Copy>(given: Option<&Spanned<T>>) -> Option<T> {
    given.map(|given| *given.get_ref())
}

fn has(allowed: &[&str]) -> String {
    if allowed.is_empty() {
        String::from("it has none")
    } else {
        format!("it has {}", allowed.join(", "))
    }
}
