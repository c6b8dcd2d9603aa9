//! Deltas of one site that fall toward a threshold.

use crate::fhir::Instant;
use crate::fhir::instant::MINUTE_MILLIS;
use crate::patient::assess::{Assessment, Measurement, Paired};
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

    /// True when a rule of kind `trend` holds on the newest delta, `whole` as compared.
    pub(super) fn falls(&self, whole: i64, kind: RuleKind, sheet: &Sheet) -> bool {
        self.window(whole, kind, sheet)
            .is_some_and(|window| reaches(window.points, window.needed))
    }

    /// The deltas that a rule of kind `trend` looks at; None when they are too few or too close
    /// together, or when the newest has reached the threshold already.
    fn window(&self, whole: i64, kind: RuleKind, sheet: &Sheet) -> Option<Window<'_>> {
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
        let last = &self.points[self.points.len().saturating_sub(last_readings)..];
        let earliest = newest.0 - as_float(window_minutes);
        let first = last.iter().take_while(|point| point.0 < earliest).count();
        let points = &last[first..];
        let span = newest.0 - points.first().map_or(newest.0, |point| point.0);
        (points.len() >= readings && span >= as_float(minutes)).then_some(Window {
            points,
            span,
            left,
            needed: -left / as_float(horizon_minutes),
        })
    }
}

/// What a rule of kind `trend` looks at.
struct Window<'p> {
    points: &'p [(f64, f64)],
    /// Minutes from the first to the newest.
    span: f64,
    /// From the newest delta to the threshold, mmHg.
    left: f64,
    /// The slope that reaches the threshold at the horizon, mmHg a minute; negative.
    needed: f64,
}

/// The line through the deltas that end at measurement `index`, on which a rule of kind `trend` holds.
///
/// The line gives the rate, the newest delta the place from which it is followed.
pub fn line(assessment: &Assessment<'_>, index: usize, kind: RuleKind, sheet: &Sheet) -> Option<Trend> {
    let measurement = assessment.measurements.get(index)?;
    let mut series = Series::default();
    let so_far = assessment.of_site(measurement.gathered.site);
    for (_, earlier) in so_far.take_while(|(position, _)| *position <= index) {
        series.add(earlier, &assessment.diastolics);
    }
    let window = series.window(measurement.delta?.whole, kind, sheet)?;
    let line = theil_sen(window.points)?;
    Some(Trend {
        per_hour: line.slope * 60.0,
        per_hour_low: line.slope_low * 60.0,
        per_hour_high: line.slope_high * 60.0,
        count: window.points.len(),
        minutes: rounded(window.span),
        reach_minutes: rounded((window.left / -line.slope).ceil()),
    })
}

/// More than the rounding of the comparisons below, less than any pressure: where it matters, the
/// line itself decides.
const SLACK: f64 = 1e-9;

/// Is the median of the slopes `needed` or steeper? Counting the steep ones answers it for most
/// deltas without working out the line.
fn reaches(points: &[(f64, f64)], needed: f64) -> bool {
    let beyond = |older: &(f64, f64), newer: &(f64, f64)| newer.1 - older.1 - needed * (newer.0 - older.0);
    // The slope of any pair is a mean of the slopes between its neighbours: where none of these is
    // steep enough, no pair is.
    if points.windows(2).all(|pair| beyond(&pair[0], &pair[1]) > SLACK) {
        return false;
    }
    // At or below the median lies half of all slopes, and with more than half of them the median.
    // Deltas of one moment have no slope.
    let pairs = points.len() * points.len().saturating_sub(1) / 2;
    let (mut surely_steep, mut gentle, mut without_slope) = (0, 0, 0);
    for (position, older) in points.iter().enumerate() {
        for newer in &points[position + 1..] {
            let (beyond, slopes) = (beyond(older, newer), newer.0 > older.0);
            without_slope += usize::from(!slopes);
            gentle += usize::from(slopes && beyond > SLACK);
            surely_steep += usize::from(slopes && beyond < -SLACK);
        }
        if 2 * gentle > pairs {
            return false;
        }
    }
    let slopes = pairs - without_slope;
    if 2 * gentle > slopes {
        return false;
    }
    2 * surely_steep > slopes || theil_sen(points).is_some_and(|line| line.slope <= needed)
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
