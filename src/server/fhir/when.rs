//! Date search parameters: prefix and value → a half-open interval of instants.
//!
//! FHIR R4, "Search", section "date": a value stands for the whole interval that its precision
//! leaves open; a time may leave out its seconds.

use crate::fhir::{Instant, datetime};
use jiff::civil::Date;
use jiff::tz::TimeZone;

/// Bounds that a search puts on a moment: `from` inclusive, `before` exclusive.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Bounds {
    /// At or after.
    pub from: Option<Instant>,
    /// Before.
    pub before: Option<Instant>,
}

impl Bounds {
    /// Both this and the other.
    pub fn narrow(&mut self, other: Self) {
        self.from = self.from.max(other.from);
        self.before = match (self.before, other.before) {
            (Some(one), Some(two)) => Some(one.min(two)),
            (one, two) => one.or(two),
        };
    }
}

/// Parse `ge2026-03-05T22:10:00Z` and the like.
///
/// # Errors
/// A sentence that says what is wrong with the value.
pub fn parse(value: &str) -> Result<Bounds, String> {
    let digits = value.find(|c: char| c.is_ascii_digit()).unwrap_or(value.len());
    let (prefix, moment) = value.split_at(digits);
    let (start, end) = interval(moment)?;
    let (from, before) = match prefix {
        "" | "eq" => (Some(start), Some(end)),
        "ge" => (Some(start), None),
        "gt" | "sa" => (Some(end), None),
        "le" => (None, Some(end)),
        "lt" | "eb" => (None, Some(start)),
        _ => {
            return Err(format!(
                "the prefix {prefix:?} is not supported; use eq, ge, gt, le, lt, sa or eb"
            ));
        }
    };
    Ok(Bounds { from, before })
}

/// First moment, and first moment after.
fn interval(text: &str) -> Result<(Instant, Instant), String> {
    if text.contains('T') {
        return with_time(text);
    }
    let mut parts = text.split('-');
    let mut number = |width: usize| match parts.next() {
        None => Ok(None),
        Some(part) if part.len() == width && part.bytes().all(|b| b.is_ascii_digit()) => {
            part.parse::<i16>().map(Some).map_err(|_| not_a_date())
        }
        Some(_) => Err(not_a_date()),
    };
    let (year, month, day) = (number(4)?, number(2)?, number(2)?);
    if parts.next().is_some() {
        return Err(not_a_date());
    }
    let year = year.filter(|year| *year > 0).ok_or_else(not_a_date)?;
    let small = |part: Option<i16>| i8::try_from(part.unwrap_or(1)).map_err(|_| not_a_date());
    let first = Date::new(year, small(month)?, small(day)?).map_err(|_| not_a_date())?;
    let next = match (month, day) {
        (None, _) => first.checked_add(jiff::Span::new().years(1)),
        (_, None) => first.checked_add(jiff::Span::new().months(1)),
        _ => first.tomorrow(),
    };
    Ok((midnight(first)?, midnight(next.map_err(|_| not_a_date())?)?))
}

fn midnight(date: Date) -> Result<Instant, String> {
    TimeZone::UTC
        .to_timestamp(date.to_datetime(jiff::civil::Time::midnight()))
        .map(|timestamp| Instant::from_millis(timestamp.as_millisecond()))
        .map_err(|_| not_a_date())
}

fn with_time(text: &str) -> Result<(Instant, Instant), String> {
    if text.contains(' ') {
        return Err(String::from("it holds a space; a '+' in a query must be written %2B"));
    }
    // "2026-03-05T22:10" is 16 characters; a zone follows at once when the seconds are left out.
    let (completed, whole_millis) = match text.as_bytes().get(16) {
        Some(b'Z' | b'+' | b'-') => (format!("{}:00{}", &text[..16], &text[16..]), 60_000),
        _ => (text.to_owned(), if text.contains('.') { 1 } else { 1000 }),
    };
    let span = datetime::parse(&completed).map_err(|error| error.to_string())?;
    if span.precision != datetime::Precision::Moment {
        return Err(not_a_date());
    }
    let start = span.earliest;
    Ok((start, Instant::from_millis(start.millis().saturating_add(whole_millis))))
}

fn not_a_date() -> String {
    String::from("it is not a FHIR date or dateTime (2026, 2026-03, 2026-03-05, 2026-03-05T22:10:00Z)")
}
