//! From moments and pressures to places on the picture.

use crate::fhir::Instant;
use crate::fhir::instant::MINUTE_MILLIS;

/// A straight scale: `from..to` in the data lies on `low..high` in the picture.
#[derive(Clone, Copy, Debug)]
pub(super) struct Scale {
    from: f64,
    to: f64,
    low: f64,
    high: f64,
}

impl Scale {
    /// A scale; `from` and `to` must differ, else everything lies on `low`.
    pub(super) fn new((from, to): (i64, i64), (low, high): (f64, f64)) -> Self {
        Self {
            from: whole(from),
            to: whole(to),
            low,
            high,
        }
    }

    /// Where `value` lies.
    pub(super) fn at(&self, value: i64) -> f64 {
        let range = self.to - self.from;
        if range.abs() < f64::EPSILON {
            return self.low;
        }
        self.low + (whole(value) - self.from) / range * (self.high - self.low)
    }
}

/// Picture coordinates need no more than the 53 bits that every moment and pressure fits in.
#[expect(clippy::cast_precision_loss, reason = "a picture coordinate, shown to a tenth")]
fn whole(value: i64) -> f64 {
    value as f64
}

/// Whole mmHg lines of a panel, 20 apart, so that `low..=high` lies inside with `room` for marks and
/// numbers above, and at least 40 are shown.
pub(super) fn pressure_range(low: i64, high: i64, room: i64) -> (i64, i64) {
    const STEP: i64 = 20;
    let from = low.min(0).div_euclid(STEP) * STEP;
    let to = ((high + room).max(from + 2 * STEP) + STEP - 1).div_euclid(STEP) * STEP;
    (from, to)
}

/// The horizontal lines of a panel: every 20 mmHg, further apart when that would be more than six.
pub(super) fn pressure_ticks((from, to): (i64, i64)) -> Vec<i64> {
    let step = [20, 40, 60, 100]
        .into_iter()
        .find(|step| (to - from) / step <= 6)
        .unwrap_or(200);
    let first = from.div_euclid(step) * step;
    let mut ticks = Vec::new();
    let mut tick = first;
    while tick <= to && ticks.len() < 20 {
        if tick >= from {
            ticks.push(tick);
        }
        tick += step;
    }
    ticks
}

/// The vertical lines: whole steps of UTC, at most nine.
pub(super) fn time_ticks(from: Instant, to: Instant) -> Vec<Instant> {
    let minutes = to.millis_since(from) / MINUTE_MILLIS;
    let step = [15, 30, 60, 120, 180, 240, 360, 720]
        .into_iter()
        .find(|step| minutes / step <= 8)
        .unwrap_or(1440)
        * MINUTE_MILLIS;
    let mut tick = from.millis().div_euclid(step) * step;
    if tick < from.millis() {
        tick += step;
    }
    let mut ticks = Vec::new();
    while tick <= to.millis() && ticks.len() < 20 {
        ticks.push(Instant::from_millis(tick));
        tick += step;
    }
    ticks
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_panel_holds_its_numbers_and_the_zero_line() {
        assert_eq!(pressure_range(12, 71, 4), (0, 80));
        assert_eq!(pressure_range(-3, 30, 4), (-20, 40));
        assert_eq!(pressure_range(5, 9, 4), (0, 40));
        assert_eq!(pressure_range(5, 80, 4), (0, 100));
        assert_eq!(pressure_ticks((0, 80)), [0, 20, 40, 60, 80]);
        assert_eq!(pressure_ticks((-20, 160)), [0, 40, 80, 120, 160]);
    }

    #[test]
    fn ticks_are_whole_steps_of_utc() {
        // 1772748600 = 2026-03-05T22:10:00Z (GNU date).
        let from = Instant::from_millis(1_772_748_600_000);
        let ticks = time_ticks(from, from.plus_minutes(250));
        let shown: Vec<String> = ticks.iter().map(|tick| tick.to_string()[11..16].to_owned()).collect();
        assert_eq!(
            shown,
            ["22:30", "23:00", "23:30", "00:00", "00:30", "01:00", "01:30", "02:00"]
        );
        assert!(time_ticks(from, from.plus_minutes(60 * 24)).len() <= 9);
    }
}
