//! What an HTTP answer to a write means, and when to try again. Pure: `now` is an argument and the
//! jitter comes from the entry's identity, so the same history always gives the same times.

use crate::fhir::Instant;
use uuid::Uuid;

/// First wait, doubled after each further attempt.
const FIRST_BACKOFF_MILLIS: i64 = 1_000;
/// Doublings after which the wait no longer grows whatever the limit says (2^20 s: twelve days).
const MAX_DOUBLINGS: u32 = 20;
/// Longest text of a server that is kept beside an entry, in characters.
pub const MAX_ANSWER_CHARS: usize = 300;

/// What one answer means for the entry that was sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Meaning {
    /// The server holds it.
    Delivered,
    /// Not now; trying again can heal it.
    Retry,
    /// Not with these credentials or at this address; it heals when an operator mends them.
    Mend,
    /// Trying again cannot heal it.
    Stop,
}

/// Read an HTTP status as the answer to a conditional create or update.
///
/// Sources: FHIR R4 §3.1.0.5 to §3.1.0.8 (400, 404, 405, 409, 412, 422) and RFC 9110, RFC 6585
/// (401, 403, 408, 410, 425, 429, 5xx). A redirect counts as `Mend`: it is never followed with
/// credentials, and most often is a sign-in page or a moved base address.
///
/// Only a refusal that came with an OperationOutcome (`outcome`) is a FHIR server's word on the
/// resource. The same status with another body is most often a gateway's or a wrong base address:
/// that says nothing of the resource, so the entry waits until an operator mends the way.
pub const fn meaning(status: u16, outcome: bool) -> Meaning {
    match status {
        200..=299 => Meaning::Delivered,
        300..=399 | 401 | 403 | 407 => Meaning::Mend,
        408 | 409 | 423 | 425 | 429 | 500..=599 => Meaning::Retry,
        _ if outcome => Meaning::Stop,
        _ => Meaning::Mend,
    }
}

/// True when the status speaks of the server as a whole (or the way to it) and not of the one
/// resource: what stands behind in the same group need not be tried now.
pub const fn is_outage(status: u16) -> bool {
    matches!(status, 401 | 407 | 408 | 429 | 502..=504)
}

/// True when a transaction Bundle answered so should be tried as single requests: the server does
/// not take it as a whole, or one entry of it is bad and must not hold back the others.
pub const fn transaction_falls_back(status: u16) -> bool {
    matches!(status, 403 | 500 | 501) || matches!(meaning(status, true), Meaning::Stop)
}

/// How often and how long.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Give up after so many attempts that could heal; 0: never.
    pub max_attempts: u32,
    /// Longest wait between attempts, milliseconds; also bounds `Retry-After`, so that one header
    /// cannot hold an alert for a day.
    pub max_backoff_millis: i64,
}

/// What is to become of the entry.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// Done.
    Delivered,
    /// Try again at this moment.
    Waiting(Instant),
    /// Shown to an operator.
    Stopped,
}

/// What is to become of an entry after an answer with this meaning. `attempts` counts the
/// attempts before this one; `retry_after_millis` is the server's own wish.
pub fn verdict(
    meaning: Meaning,
    identity: &Uuid,
    attempts: u32,
    retry_after_millis: Option<i64>,
    limits: &Limits,
    now: Instant,
) -> Verdict {
    match meaning {
        Meaning::Delivered => Verdict::Delivered,
        Meaning::Stop => Verdict::Stopped,
        Meaning::Retry if limits.max_attempts > 0 && attempts.saturating_add(1) >= limits.max_attempts => {
            Verdict::Stopped
        }
        Meaning::Retry | Meaning::Mend => {
            let own = backoff_millis(identity, attempts, limits.max_backoff_millis);
            let wait = own
                .max(retry_after_millis.unwrap_or(0))
                .min(limits.max_backoff_millis)
                .max(1);
            Verdict::Waiting(Instant::from_millis(now.millis().saturating_add(wait)))
        }
    }
}

/// Wait after the attempt with this number (from 0), milliseconds: between half and all of
/// 1 s · 2^attempt, at most `max_millis`. Which part of the half is decided by identity and
/// attempt, so entries that failed together do not come back together.
pub fn backoff_millis(identity: &Uuid, attempt: u32, max_millis: i64) -> i64 {
    let doubled = FIRST_BACKOFF_MILLIS.saturating_mul(1_i64 << attempt.min(MAX_DOUBLINGS));
    let ceiling = doubled.min(max_millis).max(1);
    let half = ceiling / 2;
    half + (ceiling - half) * i64::from(spread(identity, attempt)) / i64::from(u16::MAX)
}

/// An even spread over u16: splitmix64's finaliser over the identity and the attempt.
fn spread(identity: &Uuid, attempt: u32) -> u16 {
    let (high, low) = identity.as_u64_pair();
    let mut mixed = high ^ low.rotate_left(32) ^ u64::from(attempt).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    mixed ^= mixed >> 31;
    u16::try_from(mixed >> 48).unwrap_or(u16::MAX)
}

/// One line of at most [`MAX_ANSWER_CHARS`] characters, control characters and runs of white space
/// turned into one space.
pub fn shorten(text: &str) -> String {
    let mut line = String::new();
    let words = text.split(|c: char| c.is_whitespace() || c.is_control());
    for word in words.filter(|word| !word.is_empty()) {
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(word);
    }
    match line.char_indices().nth(MAX_ANSWER_CHARS) {
        Some((end, _)) => format!("{}…", &line[..end]),
        None => line,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LIMITS: Limits = Limits {
        max_attempts: 0,
        max_backoff_millis: 300_000,
    };

    fn id(number: u128) -> Uuid {
        Uuid::from_u128(number)
    }

    #[test]
    fn statuses_mean_what_the_contract_says() {
        for status in [200, 201] {
            assert_eq!(meaning(status, true), Meaning::Delivered, "{status}");
        }
        for status in [409, 429, 500, 502, 503, 504] {
            assert_eq!(meaning(status, true), Meaning::Retry, "{status}");
        }
        for status in [401, 403, 302] {
            assert_eq!(meaning(status, true), Meaning::Mend, "{status}");
        }
        for status in [400, 404, 405, 410, 412, 422] {
            assert_eq!(meaning(status, true), Meaning::Stop, "{status}");
            assert_eq!(meaning(status, false), Meaning::Mend, "{status} of a gateway");
        }
    }

    #[test]
    fn backoff_doubles_stays_within_its_half_and_is_bounded() {
        for attempt in 0..40 {
            let ceiling = (1_000_i64 << attempt.min(20)).min(300_000);
            let wait = backoff_millis(&id(7), attempt, 300_000);
            assert!(wait >= ceiling / 2 && wait <= ceiling, "attempt {attempt}: {wait}");
        }
    }

    #[test]
    fn jitter_is_repeatable_and_spreads_entries() {
        let waits: std::collections::BTreeSet<i64> = (0..100).map(|n| backoff_millis(&id(n), 5, 300_000)).collect();
        assert!(waits.len() > 90, "only {} different waits", waits.len());
        assert_eq!(backoff_millis(&id(3), 5, 300_000), backoff_millis(&id(3), 5, 300_000));
        assert_ne!(backoff_millis(&id(3), 5, 300_000), backoff_millis(&id(3), 6, 300_000));
    }

    #[test]
    fn retry_after_is_honoured_and_cut_to_the_longest_wait() {
        let now = Instant::from_millis(1_000_000);
        let at = |after| verdict(Meaning::Retry, &id(1), 0, Some(after), &LIMITS, now);
        assert_eq!(at(120_000), Verdict::Waiting(Instant::from_millis(1_120_000)));
        assert_eq!(at(86_400_000), Verdict::Waiting(Instant::from_millis(1_300_000)));
    }

    #[test]
    fn attempts_that_could_heal_end_only_when_a_limit_is_set() {
        let now = Instant::from_millis(0);
        let limited = Limits {
            max_attempts: 3,
            ..LIMITS
        };
        let after = |attempts, limits: &Limits| verdict(Meaning::Retry, &id(1), attempts, None, limits, now);
        assert!(matches!(after(1_000, &LIMITS), Verdict::Waiting(_)));
        assert!(matches!(after(1, &limited), Verdict::Waiting(_)));
        assert_eq!(after(2, &limited), Verdict::Stopped);
        let mend = verdict(Meaning::Mend, &id(1), 50, None, &limited, now);
        assert!(matches!(mend, Verdict::Waiting(_)), "credentials may yet be mended");
    }

    #[test]
    fn answers_are_kept_on_one_bounded_line() {
        assert_eq!(shorten(" a\n\tb\u{7}c "), "a b c");
        let long = shorten(&"ä".repeat(1_000));
        assert_eq!(long.chars().count(), MAX_ANSWER_CHARS + 1);
        assert!(long.ends_with('…'));
    }
}
