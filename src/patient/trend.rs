//! Deltas of one site that fall toward a threshold.

use crate::fhir::Instant;
use crate::fhir::instant::MINUTE_MILLIS;
use crate::patient::assess::{Measurement, Paired};
use crate::patient::gather::Gathered;
use crate::rules::trend::theil_sen;
use crate::rules::{RuleKind, Sheet};

/// A fall that reaches a threshold within the horizon of a rule.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trend {
    /// mmHg an hour; negative.
    pub per_hour: f64,
    /// Lower end of its 95 % confidence interval (the steeper fall).
    pub per_hour_low: f64,
    /// Upper end; may be a rise.
    pub per_hour_high: f64,
    /// Deltas in it.
    pub count: usize,
    /// Minutes from the first to the newest.
    pub minutes: i64,
    /// Minutes from the newest delta until the threshold is reached at that rate.
    pub reach_minutes: i64,
}

/// The exact deltas of one site so far, in order of time: minutes from the first, and mmHg.
#[derive(Default)]
pub(super) struct Series {
    origin: Option<Instant>,
    points: Vec<(f64, f64)>,
}

impl Series {
    /// Another site begins.
    pub(super) fn clear(&mut self) {
        self.origin = None;
        self.points.clear();
    }

    /// Add a measurement; false when it has no exact delta, for a bound has no place on a line.
    pub(super) fn add(&mut self, measurement: &Measurement<'_>, diastolics: &[Gathered<'_>]) -> bool {
        let Some((at, delta)) = point(measurement, diastolics) else {
            return false;
        };
        let origin = *self.origin.get_or_insert(at);
        let minutes = as_float(at.millis_since(origin)) / as_float(MINUTE_MILLIS);
        self.points.push((minutes, delta));
        true
    }

    /// The trend that ends at the newest delta, if a rule of kind `trend` holds on it.
    ///
    /// The line gives the rate, the newest delta the place from which it is followed.
    pub(super) fn falling(&self, whole: i64, kind: RuleKind, sheet: &Sheet) -> Option<Trend> {
        let RuleKind::Trend {
            upper,
            readings,
            last_readings,
            minutes,
            window_minutes,
            horizon_minutes,
        } = kind
        else {
            return None;
        };
        let newest = *self.points.last()?;
        let left = newest.1 - as_float(upper);
        if sheet.is_low(whole, upper) || left <= 0.0 {
            return None;
        }
        let needed = -left / as_float(horizon_minutes);
        let last = &self.points[self.points.len().saturating_sub(last_readings)..];
        let earliest = newest.0 - as_float(window_minutes);
        let first = last.iter().take_while(|point| point.0 < earliest).count();
        let points = &last[first..];
        let span = newest.0 - points.first().map_or(newest.0, |point| point.0);
        if points.len() < readings || span < as_float(minutes) || !may_fall(points, needed) {
            return None;
        }
        let line = theil_sen(points)?;
        if line.slope > needed {
            return None;
        }
        Some(Trend {
            per_hour: line.slope * 60.0,
            per_hour_low: line.slope_low * 60.0,
            per_hour_high: line.slope_high * 60.0,
            count: points.len(),
            minutes: rounded(span),
            reach_minutes: rounded((left / -line.slope).ceil()),
        })
    }
}

/// More than the rounding of the comparison below, less than any pressure: the line itself decides.
const SLACK: f64 = 1e-9;

/// Can the median of the slopes be `needed` or steeper? Without it, the line is not worked out: most
/// deltas do not fall.
fn may_fall(points: &[(f64, f64)], needed: f64) -> bool {
    let steep = |older: &(f64, f64), newer: &(f64, f64)| newer.1 - older.1 <= needed * (newer.0 - older.0) + SLACK;
    // The slope of any pair is a mean of the slopes between its neighbours: where none of these is
    // steep enough, no pair is.
    if !points.windows(2).any(|pair| steep(&pair[0], &pair[1])) {
        return false;
    }
    // At or below the median lies half of all slopes.
    let (mut steep_pairs, mut pairs) = (0, 0);
    for (position, older) in points.iter().enumerate() {
        for newer in &points[position + 1..] {
            if newer.0 > older.0 {
                pairs += 1;
                steep_pairs += usize::from(steep(older, newer));
            }
        }
    }
    2 * steep_pairs >= pairs
}

/// When and how much, in mmHg: exact deltas only, a bound has no place on a line.
fn point(measurement: &Measurement<'_>, diastolics: &[Gathered<'_>]) -> Option<(Instant, f64)> {
    let delta = measurement.delta.filter(|delta| !delta.bounded_above)?;
    let Paired::With(index, _) = measurement.paired else {
        return None;
    };
    let exact = match (diastolics[index].thousandths, measurement.gathered.thousandths) {
        (Some(minuend), Some(subtrahend)) => as_float(minuend.saturating_sub(subtrahend)) / 1000.0,
        _ => as_float(delta.whole),
    };
    Some((measurement.at(), exact))
}

/// Times and pressures here are far below 2^53.
fn as_float(number: i64) -> f64 {
    number as f64
}

/// Minutes, at most a few days.
fn rounded(number: f64) -> i64 {
    number.round() as i64
}
