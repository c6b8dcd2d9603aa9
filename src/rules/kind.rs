//! What a rule looks at: its kind with the parameters that this kind has, and no others.

use super::{RuleKind, Tier};
use serde::Deserialize;

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
    pub lower_mmhg: Option<i64>,
    pub upper_mmhg: Option<i64>,
    pub minutes: Option<i64>,
    pub readings: Option<usize>,
    pub last_readings: Option<usize>,
    pub window_minutes: Option<i64>,
    pub horizon_minutes: Option<i64>,
    pub at_or_above_mmhg: Option<i64>,
    pub more_than_mmhg: Option<i64>,
    pub after: Option<Tier>,
}

impl Parameters<'_> {
    /// The kind with its parameters.
    ///
    /// # Errors
    /// When one is missing, makes no sense, or is not of this kind.
    pub(super) fn kind(&self) -> Result<RuleKind, String> {
        use RuleKind as Kind;
        let id = self.id;
        match self.kind {
            RawKind::Delta => self.band().map(|(lower, upper)| Kind::Delta { lower, upper }),
            RawKind::Carried => self.band().map(|(lower, upper)| Kind::Carried { lower, upper }),
            RawKind::MeanDelta => self.band().map(|(lower, upper)| Kind::MeanDelta { lower, upper }),
            RawKind::Sustained => {
                self.allow(&["upper_mmhg", "minutes", "readings"])?;
                let readings = self.readings.unwrap_or(2);
                let minutes = self.need("minutes", self.minutes)?;
                if readings < 2 || minutes < 1 {
                    return Err(format!("rule {id:?} needs at least 2 readings and 1 minute"));
                }
                let upper = self.need("upper_mmhg", self.upper_mmhg)?;
                Ok(Kind::Sustained {
                    upper,
                    minutes,
                    readings,
                })
            }
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

    fn band(&self) -> Result<(Option<i64>, i64), String> {
        self.allow(&["lower_mmhg", "upper_mmhg"])?;
        let (lower, upper) = (self.lower_mmhg, self.need("upper_mmhg", self.upper_mmhg)?);
        if lower.is_some_and(|lower| lower >= upper) {
            return Err(format!("rule {:?}: lower_mmhg must be below upper_mmhg", self.id));
        }
        Ok((lower, upper))
    }

    fn trend(&self) -> Result<RuleKind, String> {
        self.allow(&[
            "upper_mmhg",
            "readings",
            "last_readings",
            "window_minutes",
            "horizon_minutes",
        ])?;
        let readings = self.readings.unwrap_or(3);
        let last_readings = self.last_readings.unwrap_or(6);
        // The pairs of readings grow with the square of their number.
        if readings < 3 || last_readings < readings || last_readings > 24 {
            return Err(format!(
                "rule {:?} needs at least 3 readings, and last_readings from there to 24",
                self.id
            ));
        }
        Ok(RuleKind::Trend {
            upper: self.need("upper_mmhg", self.upper_mmhg)?,
            readings,
            last_readings,
            window_minutes: self.within("window_minutes", self.window_minutes, 1, 48 * 60)?,
            horizon_minutes: self.within("horizon_minutes", self.horizon_minutes, 1, 24 * 60)?,
        })
    }

    fn disagreement(&self) -> Result<(i64, i64), String> {
        self.allow(&["minutes", "more_than_mmhg"])?;
        let minutes = self.within("minutes", self.minutes, 0, 60)?;
        let more_than = self.within("more_than_mmhg", self.more_than_mmhg, 0, 200)?;
        Ok((minutes, more_than))
    }

    /// A parameter that the kind does not have is an error.
    fn allow(&self, allowed: &[&str]) -> Result<(), String> {
        let given = [
            ("lower_mmhg", self.lower_mmhg.is_some()),
            ("upper_mmhg", self.upper_mmhg.is_some()),
            ("minutes", self.minutes.is_some()),
            ("readings", self.readings.is_some()),
            ("last_readings", self.last_readings.is_some()),
            ("window_minutes", self.window_minutes.is_some()),
            ("horizon_minutes", self.horizon_minutes.is_some()),
            ("at_or_above_mmhg", self.at_or_above_mmhg.is_some()),
            ("more_than_mmhg", self.more_than_mmhg.is_some()),
            ("after", self.after.is_some()),
        ];
        match given.iter().find(|(name, given)| *given && !allowed.contains(name)) {
            Some((name, _)) => Err(format!("rule {:?} of this kind has no parameter {name}", self.id)),
            None => Ok(()),
        }
    }

    fn need<T>(&self, name: &str, value: Option<T>) -> Result<T, String> {
        value.ok_or_else(|| format!("rule {:?} needs {name}", self.id))
    }

    fn within(&self, name: &str, value: Option<i64>, low: i64, high: i64) -> Result<i64, String> {
        let value = self.need(name, value)?;
        if (low..=high).contains(&value) {
            return Ok(value);
        }
        Err(format!("rule {:?}: {name} must be from {low} to {high}", self.id))
    }
}
