//! The `Retry-After` header (RFC 9110 §10.2.3): a number of seconds, or an HTTP date.

use crate::fhir::Instant;
use std::time::UNIX_EPOCH;

/// What the server asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RetryAfter {
    /// So many seconds from now.
    Seconds(u64),
    /// Not before this moment, by the server's clock.
    At(Instant),
}

impl RetryAfter {
    /// Read the header's value; None when it is neither form.
    pub fn parse(text: &str) -> Option<Self> {
        let text = text.trim();
        if let Ok(seconds) = text.parse::<u64>() {
            return Some(Self::Seconds(seconds));
        }
        let since_epoch = httpdate::parse_http_date(text).ok()?.duration_since(UNIX_EPOCH).ok()?;
        let millis = i64::try_from(since_epoch.as_millis()).ok()?;
        Some(Self::At(Instant::from_millis(millis)))
    }

    /// How long that is from `now`, milliseconds; 0 when the moment has passed.
    pub fn millis_from(self, now: Instant) -> i64 {
        match self {
            Self::Seconds(seconds) => i64::try_from(seconds).unwrap_or(i64::MAX).saturating_mul(1_000),
            Self::At(moment) => moment.millis_since(now).max(0),
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    // RFC 9110 §10.2.3 gives both examples: "Fri, 31 Dec 1999 23:59:59 GMT" and "120".
    // 1999-12-31T23:59:59Z is 946684799 s after the epoch.
    #[test]
    fn both_forms_of_the_rfc_are_read() {
        assert_eq!(RetryAfter::parse("120"), Some(RetryAfter::Seconds(120)));
        let date = RetryAfter::parse("Fri, 31 Dec 1999 23:59:59 GMT").unwrap();
        assert_eq!(date, RetryAfter::At(Instant::from_millis(946_684_799_000)));
        assert_eq!(date.millis_from(Instant::from_millis(946_684_789_000)), 10_000);
        assert_eq!(date.millis_from(Instant::from_millis(946_684_800_000)), 0);
        assert_eq!(RetryAfter::Seconds(120).millis_from(Instant::from_millis(5)), 120_000);
    }

    #[test]
    fn anything_else_is_no_wish() {
        for text in ["", "soon", "-5", "1.5", "2026-03-05T22:10:00Z"] {
            assert_eq!(RetryAfter::parse(text), None, "{text:?}");
        }
        assert_eq!(
            RetryAfter::Seconds(u64::MAX).millis_from(Instant::from_millis(0)),
            i64::MAX
        );
    }
}
