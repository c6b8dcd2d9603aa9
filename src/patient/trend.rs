//! Deltas of one site that fall toward a threshold.

use crate::fhir::Instant;
use crate::fhir::instant::MINUTE_MILLIS;
use crate::patient::assess::{Measurement, Paired};
use crate::patient::gather::Gathered;
use crate::rules::sheet::TREND_READINGS_MAX;
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

/// The trend that ends at `measurement`, if a rule of kind `trend` holds on it. `before` are the
/// measurements before it, of any site, in order of site and time.
///
/// The line gives the rate, the newest delta the place from which it is followed.
pub(super) fn falling(
    measurement: &Measurement<'_>,
    before: &[Measurement<'_>],
    diastolics: &[Gathered<'_>],
    kind: RuleKind,
    sheet: &Sheet,
) -> Option<Trend> {
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
    let newest = point(measurement, diastolics)?;
    let left = newest.1 - as_float(upper);
    if measurement.delta.is_some_and(|delta| sheet.is_low(delta.whole, upper)) || left <= 0.0 {
        return None;
    }
    let needed = -left / as_float(horizon_minutes);
    let earliest = measurement.at().plus_minutes(-window_minutes);
    let mut points = [(0.0, 0.0); TREND_READINGS_MAX];
    points[0] = relative(newest, measurement.at());
    let mut count = 1;
    for other in before.iter().rev() {
        if other.gathered.site != measurement.gathered.site || other.at() < earliest || count == last_readings {
            break;
        }
        if let Some(other) = point(other, diastolics) {
            points[count] = relative(other, measurement.at());
            count += 1;
        }
    }
    let points = &points[..count];
    let span = -points.last().map_or(0.0, |(minute, _)| *minute);
    if count < readings || span < as_float(minutes) || !may_fall(points, needed) {
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
        minutes: whole(span),
        reach_minutes: whole((left / -line.slope).ceil()),
    })
}

/// More than the rounding of the comparison below, less than any pressure: the line itself decides.
const SLACK: f64 = 1e-9;

/// Can the median of the slopes be `needed` or steeper? Without it, the line is not worked out: most
/// deltas do not fall. `points` run from the newest back.
fn may_fall(points: &[(f64, f64)], needed: f64) -> bool {
    let steep = |newer: &(f64, f64), older: &(f64, f64)| newer.1 - older.1 <= needed * (newer.0 - older.0) + SLACK;
    // The slope of any pair is a mean of the slopes between its neighbours: where none of these is
    // steep enough, no pair is.
    if !points.windows(2).any(|pair| steep(&pair[0], &pair[1])) {
        return false;
    }
    // At or below the median lies half of all slopes.
    let (mut steep_pairs, mut pairs) = (0, 0);
    for (position, newer) in points.iter().enumerate() {
        for older in &points[position + 1..] {
            if newer.0 > older.0 {
                pairs += 1;
                steep_pairs += usize::from(steep(newer, older));
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

/// Minutes after `origin` (negative: before it).
fn relative(point: (Instant, f64), origin: Instant) -> (f64, f64) {
    (
        as_float(point.0.millis_since(origin)) / as_float(MINUTE_MILLIS),
        point.1,
    )
}

/// Times and pressures here are far below 2^53.
fn as_float(number: i64) -> f64 {
    number as f64
}

/// Minutes, at most a few days.
fn whole(number: f64) -> i64 {
    number.round() as i64
}
