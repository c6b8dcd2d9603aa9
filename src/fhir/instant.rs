//! A moment, to the millisecond, in UTC.

use serde::{Deserialize, Serialize};
use std::fmt;

/// Milliseconds since 1970-01-01T00:00:00Z. Leap seconds are folded into the second before
/// (FHIR allows `:60` in its grammar; civil clocks on a ward do not count it).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
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
impl fmt::Display for Instant {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match jiff::Timestamp::from_millisecond(self.0) {
            Ok(timestamp) => write!(f, "{timestamp:.3}"),
            // Outside jiff's range (year ±9999): never a value that a dateTime could have carried.
            Err(_) => write!(f, "{} ms", self.0),
        }
    }
}
