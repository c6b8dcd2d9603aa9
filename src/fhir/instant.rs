//! A moment, to the millisecond, in UTC.

use borsh::{BorshDeserialize, BorshSerialize};
use serde::{Deserialize, Serialize};
use std::fmt;

/// Milliseconds since 1970-01-01T00:00:00Z. Leap seconds are folded into the second before
/// (FHIR allows `:60` in its grammar; civil clocks on a ward do not count it).
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, BorshSerialize, BorshDeserialize,
)]
#[serde(transparent)]
pub struct Instant(i64);

/// Milliseconds in one minute.
pub const MINUTE_MILLIS: i64 = 60_000;

impl Instant {
    /// From milliseconds since the Unix epoch.
    pub const fn from_millis(millis: i64) -> Self {
        Self(millis)
    }

    /// Milliseconds since the Unix epoch.
    pub const fn millis(self) -> i64 {
        self.0
    }

    /// This moment moved by `minutes` (negative: earlier); saturates at the ends of i64.
    pub const fn plus_minutes(self, minutes: i64) -> Self {
        Self(self.0.saturating_add(minutes.saturating_mul(MINUTE_MILLIS)))
    }

    /// This moment moved by `seconds` (negative: earlier); saturates at the ends of i64.
    pub const fn plus_seconds(self, seconds: i64) -> Self {
        Self(self.0.saturating_add(seconds.saturating_mul(1000)))
    }

    /// Milliseconds from `earlier` to this moment; negative when `earlier` is later.
    pub const fn millis_since(self, earlier: Self) -> i64 {
        self.0.saturating_sub(earlier.0)
    }

    /// Whole minutes from `earlier` to this moment, rounded to the nearest, a half away from zero.
    pub const fn minutes_since(self, earlier: Self) -> i64 {
        let millis = self.millis_since(earlier);
        let half = MINUTE_MILLIS / 2;
        if millis >= 0 {
            millis.saturating_add(half) / MINUTE_MILLIS
        } else {
            millis.saturating_sub(half) / MINUTE_MILLIS
        }
    }
}

/// The FHIR `instant` form in UTC with milliseconds: `2026-03-05T22:10:00.000Z`.
///
/// Civil arithmetic, so that the last hours of the year 9999 (a usual "without end") print too.
impl fmt::Display for Instant {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let since = jiff::SignedDuration::from_millis(self.0);
        match jiff::civil::DateTime::constant(1970, 1, 1, 0, 0, 0, 0).checked_add(since) {
            Ok(utc) => write!(f, "{utc:.3}Z"),
            // Beyond the years ±9999: only a date at their very ends, in a far zone, comes here.
            Err(_) => write!(f, "{} ms", self.0),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn prints_utc_with_milliseconds() {
        // 1772748600 = 2026-03-05T22:10:00Z by `date -u -d @1772748600` (GNU coreutils).
        assert_eq!(
            Instant::from_millis(1_772_748_600_000).to_string(),
            "2026-03-05T22:10:00.000Z"
        );
        assert_eq!(Instant::from_millis(-1).to_string(), "1969-12-31T23:59:59.999Z");
        assert_eq!(
            Instant::from_millis(253_402_300_799_999).to_string(),
            "9999-12-31T23:59:59.999Z"
        );
        assert_eq!(Instant::from_millis(i64::MAX).to_string(), "9223372036854775807 ms");
    }

    #[test]
    fn minutes_are_rounded_half_away_from_zero() {
        let minutes = |millis| Instant::from_millis(millis).minutes_since(Instant::from_millis(0));
        assert_eq!(
            [29_999, 30_000, 89_999, -29_999, -30_000].map(minutes),
            [0, 1, 1, 0, -1]
        );
        assert_eq!(Instant::from_millis(i64::MAX).plus_minutes(i64::MAX).millis(), i64::MAX);
    }
}
