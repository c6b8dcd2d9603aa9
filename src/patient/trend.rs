//! Deltas of one site that fall toward a threshold.

use crate::fhir::instant::MINUTE_MILLIS;
use crate::patient::assess::{Assessment, Measurement, Paired};
use crate::patient::gather::Gathered;
use crate::rules::sheet::TREND_READINGS_MAX;
use crate::rules::trend::{Line, theil_sen};
use crate::rules::{RuleKind, Sheet};
use std::cmp::Ordering;

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

/// The exact deltas of one site so far, in order of time. Whole numbers: what holds is decided
/// without rounding.
#[derive(Default)]
pub(super) struct Series {
    points: Vec<Point>,
}

/// When, in milliseconds, and how much, in thousandths of mmHg.
#[derive(Clone, Copy)]
struct Point {
    at: i64,
    delta: i64,
}

/// Thousandths in one mmHg.
const THOUSAND: i64 = 1000;

impl Series {
    /// Another site begins.
    pub(super) fn clear(&mut self) {
        self.points.clear();
    }

    /// Add a measurement; false when it has no exact delta, for a bound has no place on a line.
    pub(super) fn add(&mut self, measurement: &Measurement<'_>, diastolics: &[Gathered<'_>]) -> bool {
        let point = point(measurement, diastolics);
        self.points.extend(point);
        point.is_some()
    }

    /// True when a rule of kind `trend` holds on the newest delta, `whole` as compared.
    pub(super) fn falls(&self, whole: i64, kind: RuleKind, sheet: &Sheet) -> bool {
        self.window(whole, kind, sheet).is_some_and(|window| window.reaches())
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
        let left = newest.delta.saturating_sub(upper.saturating_mul(THOUSAND));
        if sheet.is_low(whole, upper) || left <= 0 {
            return None;
        }
        let last = &self.points[self.points.len().saturating_sub(last_readings)..];
        let earliest = newest.at - window_minutes * MINUTE_MILLIS;
        let first = last.iter().take_while(|point| point.at < earliest).count();
        let points = &last[first..];
        let span = newest.at - points.first().map_or(newest.at, |point| point.at);
        (points.len() >= readings && span >= minutes * MINUTE_MILLIS).then_some(Window {
            points,
            span,
            left,
            horizon: horizon_minutes * MINUTE_MILLIS,
        })
    }
}

/// What a rule of kind `trend` looks at.
struct Window<'p> {
    points: &'p [Point],
    /// From the first to the newest, milliseconds.
    span: i64,
    /// From the newest delta to the threshold, thousandths of mmHg.
    left: i64,
    /// How far ahead is looked, milliseconds.
    horizon: i64,
}

impl Window<'_> {
    /// Does the line through the deltas, followed from the newest, reach the threshold within the
    /// horizon? Counting the slopes that are steep enough answers it without working out the line.
    fn reaches(&self) -> bool {
        let mut room = [0; TREND_READINGS_MAX];
        let heights = self.heights(&mut room);
        // The slope of any pair is a mean of the slopes between its neighbours: where none of these
        // is steep enough, no pair is.
        if !heights.windows(2).any(|pair| pair[0] >= pair[1]) {
            return false;
        }
        let (steep, slopes) = self.count_slopes(heights);
        // The line's slope is the median of all slopes; of an even number it is the mean of two, and
        // only when they lie on both sides does it have to be worked out.
        match (2 * steep).cmp(&slopes) {
            Ordering::Greater => true,
            Ordering::Less => false,
            Ordering::Equal => self
                .line()
                .is_some_and(|line| line.slope <= -self.mmhg_left() / minutes(self.horizon)),
        }
    }

    /// How many slopes are steep enough, and how many there are. Deltas of one moment have no slope.
    fn count_slopes(&self, heights: &[i64]) -> (usize, usize) {
        let (mut steep, mut slopes) = (0, 0);
        for (position, (older, height)) in self.points.iter().zip(heights).enumerate() {
            let mut first = position + 1;
            while self.points.get(first).is_some_and(|newer| newer.at <= older.at) {
                first += 1;
            }
            let newer = heights.get(first..).unwrap_or_default();
            slopes += newer.len();
            steep += newer.iter().map(|newer| usize::from(height >= newer)).sum::<usize>();
        }
        (steep, slopes)
    }

    /// How far each delta lies above the line that falls just fast enough, times the horizon: from an
    /// older to a newer one the fall is steep enough when this does not grow.
    fn heights<'r>(&self, room: &'r mut [i64; TREND_READINGS_MAX]) -> &'r [i64] {
        let origin = self.points.first().map_or(0, |point| point.at);
        for (height, point) in room.iter_mut().zip(self.points) {
            let expected = self.left.saturating_mul(point.at - origin);
            *height = point.delta.saturating_mul(self.horizon).saturating_add(expected);
        }
        &room[..self.points.len().min(TREND_READINGS_MAX)]
    }

    /// In minutes from the first delta, and mmHg.
    fn line(&self) -> Option<Line> {
        let origin = self.points.first()?.at;
        let points = self
            .points
            .iter()
            .map(|point| (minutes(point.at - origin), mmhg(point.delta)));
        theil_sen(&points.collect::<Vec<_>>())
    }

    fn mmhg_left(&self) -> f64 {
        mmhg(self.left)
    }
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
    let line = window.line()?;
    Some(Trend {
        per_hour: line.slope * 60.0,
        per_hour_low: line.slope_low * 60.0,
        per_hour_high: line.slope_high * 60.0,
        count: window.points.len(),
        minutes: rounded(minutes(window.span)),
        reach_minutes: rounded((window.mmhg_left() / -line.slope).ceil()),
    })
}

/// Exact deltas only: a bound has no place on a line.
fn point(measurement: &Measurement<'_>, diastolics: &[Gathered<'_>]) -> Option<Point> {
    let delta = measurement.delta.filter(|delta| !delta.bounded_above)?;
    let Paired::With(index, _) = measurement.paired else {
        return None;
    };
    let exact = match (diastolics[index].thousandths, measurement.gathered.thousandths) {
        (Some(minuend), Some(subtrahend)) => minuend.saturating_sub(subtrahend),
        _ => delta.whole.saturating_mul(THOUSAND),
    };
    Some(Point {
        at: measurement.at().millis(),
        delta: exact,
    })
}

fn minutes(millis: i64) -> f64 {
    as_float(millis) / as_float(MINUTE_MILLIS)
}

fn mmhg(thousandths: i64) -> f64 {
    as_float(thousandths) / as_float(THOUSAND)
}

/// Times and pressures here are far below 2^53.
fn as_float(number: i64) -> f64 {
    number as f64
}

/// Minutes, at most a few days.
fn rounded(number: f64) -> i64 {
    number.round() as i64
}
