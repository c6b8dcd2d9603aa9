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
    let earlier = before.iter().rev();
    let earlier =
        earlier.take_while(|other| other.gathered.site == measurement.gathered.site && other.at() >= earliest);
    let mut points = vec![relative(newest, measurement.at())];
    points.extend(
        earlier
            .filter_map(|other| point(other, diastolics))
            .map(|other| relative(other, measurement.at()))
            .take(last_readings - 1),
    );
    // The slope of any pair is a mean of the slopes between its neighbours: where none of these is
    // steep enough, no pair is, and the sum of them all is spared.
    let steep = |pair: &[(f64, f64)]| (pair[0].1 - pair[1].1) <= needed * (pair[0].0 - pair[1].0);
    if points.len() < readings || !points.windows(2).any(steep) {
        return None;
    }
    let line = theil_sen(&points)?;
    if line.slope > needed {
        return None;
    }
    let first = points.last().map_or(0.0, |(minute, _)| *minute);
    Some(Trend {
        per_hour: line.slope * 60.0,
        per_hour_low: line.slope_low * 60.0,
        per_hour_high: line.slope_high * 60.0,
        count: points.len(),
        minutes: whole(-first),
        reach_minutes: whole((left / -line.slope).ceil()),
    })
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
