//! The FHIR R4 dateTime and instant grammar.
//!
//! General date libraries refuse forms that FHIR allows (`2024-03`, thirteen fraction digits) and
//! accept forms that it forbids (no seconds, no zone, `+0100`, a space for the `T`), so the grammar
//! is read here; whether a day exists is left to jiff.
//!
//! Source of the grammar: HL7 FHIR R4 (4.0.1), datatypes `dateTime` and `instant`, whose regular
//! expressions stand in the official JSON Schema; `tests/it/fhir_datetime.rs` holds the parser to
//! them.

use super::Instant;
use jiff::civil::{Date, DateTime};

/// How much of a dateTime was given.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Precision {
    /// `2024`
    Year,
    /// `2024-03`
    Month,
    /// `2024-03-05`
    Day,
    /// To the second or finer, with a zone.
    Moment,
}

/// What a dateTime denotes: every moment from `earliest` to `latest`.
///
/// A full dateTime is one moment, to the millisecond: the fraction is cut, never rounded up into a
/// later moment, and a dateTime to the second is taken as the beginning of that second. A leap
/// second (`:60`, legal in the grammar at any minute) becomes the last millisecond of the second
/// before, so that it never moves into the next minute and never precedes `:59`.
///
/// A year, month or day has no zone in FHIR. Its span holds it in every zone that the grammar can
/// name: from 00:00 at +14:00 to 23:59:59.999 at −14:00 (civil zones reach −12:00 only), 52 hours
/// for a day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Span {
    /// Earliest moment.
    pub earliest: Instant,
    /// Latest moment (inclusive, to the millisecond).
    pub latest: Instant,
    /// How much was given.
    pub precision: Precision,
}

/// Why a text is not a FHIR dateTime.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct DateTimeError(pub String);

/// The widest offset of the grammar, in minutes.
const WIDEST_OFFSET_MINUTES: i64 = 14 * 60;

/// Parse a FHIR dateTime.
///
/// # Errors
/// When the text does not follow the grammar or names a day that does not exist.
pub fn parse(text: &str) -> Result<Span, DateTimeError> {
    parts(text).map_err(|fault| fault.into_error(text, "dateTime"))
}

/// Parse a FHIR instant: a dateTime known at least to the second.
///
/// # Errors
/// When the text is not a full dateTime with zone, or names a day that does not exist.
pub fn parse_instant(text: &str) -> Result<Instant, DateTimeError> {
    let span = parts(text).map_err(|fault| fault.into_error(text, "instant"))?;
    if span.precision == Precision::Moment {
        return Ok(span.earliest);
    }
    Err(Fault::new(text.len(), "a time with seconds and a zone must follow").into_error(text, "instant"))
}

/// What is wrong, and at which byte.
struct Fault {
    at: usize,
    what: String,
}

impl Fault {
    fn new(at: usize, what: impl Into<String>) -> Self {
        Self { at, what: what.into() }
    }

    fn into_error(self, text: &str, wanted: &str) -> DateTimeError {
        let shown = super::shorten(text, 40);
        // Up to the fault the text is ASCII, so bytes are characters; they are counted from 1.
        DateTimeError(format!(
            "{shown:?} is not a FHIR {wanted}: character {}: {}",
            self.at + 1,
            self.what
        ))
    }
}

/// Reads fixed-width numbers and separators from left to right.
struct Cursor<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl Cursor<'_> {
    fn ended(&self) -> bool {
        self.at == self.bytes.len()
    }

    fn peek(&self) -> Option<u8> {
        self.bytes.get(self.at).copied()
    }

    fn separator(&mut self, wanted: u8, what: &str) -> Result<(), Fault> {
        if self.peek() != Some(wanted) {
            return Err(Fault::new(
                self.at,
                format!("'{}' before {what} is expected", char::from(wanted)),
            ));
        }
        self.at += 1;
        Ok(())
    }

    /// Exactly `width` digits, from `least` to `most`.
    #[inline(always)]
    fn number(&mut self, width: usize, least: i64, most: i64, what: &str) -> Result<i64, Fault> {
        let digits = self.bytes.get(self.at..self.at + width);
        if let Some(digits) = digits.filter(|digits| digits.iter().all(u8::is_ascii_digit)) {
            let number = digits.iter().fold(0, |sum, digit| sum * 10 + i64::from(digit - b'0'));
            if (least..=most).contains(&number) {
                self.at += width;
                return Ok(number);
            }
        }
        Err(self.no_number(width, least, most, what))
    }

    /// Why [`Self::number`] fails here.
    #[cold]
    fn no_number(&self, width: usize, least: i64, most: i64, what: &str) -> Fault {
        let rest = self.bytes.iter().skip(self.at).take(width);
        let digits = rest.take_while(|byte| byte.is_ascii_digit()).count();
        if digits < width {
            return Fault::new(self.at + digits, format!("the {what} needs {width} digits"));
        }
        let (least, most) = (format!("{least:0width$}"), format!("{most:0width$}"));
        Fault::new(self.at, format!("the {what} must be {least} to {most}"))
    }

    /// `.` and one or more digits, cut to milliseconds; nothing is zero.
    fn fraction_millis(&mut self) -> Result<i64, Fault> {
        if self.peek() != Some(b'.') {
            return Ok(0);
        }
        self.at += 1;
        let start = self.at;
        let mut millis = 0;
        let mut worth = 100;
        while let Some(digit) = self.peek().filter(u8::is_ascii_digit) {
            millis += i64::from(digit - b'0') * worth;
            worth /= 10;
            self.at += 1;
        }
        if self.at == start {
            return Err(Fault::new(start, "digits must follow the decimal point"));
        }
        Ok(millis)
    }

    /// `Z` or `±hh:mm` up to ±14:00, in minutes east of UTC.
    fn zone_minutes(&mut self) -> Result<i64, Fault> {
        let start = self.at;
        let sign = match self.peek() {
            Some(b'Z') => {
                self.at += 1;
                return Ok(0);
            }
            Some(b'+') => 1,
            Some(b'-') => -1,
            _ => return Err(Fault::new(start, "a zone must follow the time: Z or +hh:mm or -hh:mm")),
        };
        self.at += 1;
        let hours = self.number(2, 0, 14, "hours of the zone")?;
        self.separator(b':', "the minutes of the zone")?;
        let minutes = self.number(2, 0, 59, "minutes of the zone")?;
        let total = hours * 60 + minutes;
        if total > WIDEST_OFFSET_MINUTES {
            return Err(Fault::new(start, "the zone must be within -14:00 to +14:00"));
        }
        Ok(sign * total)
    }
}

fn parts(text: &str) -> Result<Span, Fault> {
    let mut cursor = Cursor {
        bytes: text.as_bytes(),
        at: 0,
    };
    let year = cursor.number(4, 1, 9999, "year")?;
    if cursor.ended() {
        return coarse(day(year, 1, 1)?, day(year, 12, 31)?, Precision::Year);
    }
    cursor.separator(b'-', "the month")?;
    let month = cursor.number(2, 1, 12, "month")?;
    if cursor.ended() {
        let first = day(year, month, 1)?;
        return coarse(first, first.last_of_month(), Precision::Month);
    }
    cursor.separator(b'-', "the day")?;
    let date = day(year, month, cursor.number(2, 1, 31, "day")?)?;
    if cursor.ended() {
        return coarse(date, date, Precision::Day);
    }
    cursor.separator(b'T', "the time")?;
    let moment = moment(date, &mut cursor)?;
    if !cursor.ended() {
        return Err(Fault::new(cursor.at, "nothing may follow"));
    }
    Ok(Span {
        earliest: moment,
        latest: moment,
        precision: Precision::Moment,
    })
}

/// The day, when it exists.
fn day(year: i64, month: i64, day: i64) -> Result<Date, Fault> {
    // The grammar has bounded each number, so none of the conversions can fail.
    let fields = (i16::try_from(year), i8::try_from(month), i8::try_from(day));
    let (Ok(year), Ok(month), Ok(day)) = fields else {
        return Err(Fault::new(0, "there is no such day"));
    };
    Date::new(year, month, day).map_err(|error| Fault::new(8, error.to_string()))
}

fn moment(date: Date, cursor: &mut Cursor<'_>) -> Result<Instant, Fault> {
    let hour = cursor.number(2, 0, 23, "hour")?;
    cursor.separator(b':', "the minutes")?;
    let minute = cursor.number(2, 0, 59, "minute")?;
    cursor.separator(b':', "the seconds (FHIR demands them when a time is given)")?;
    let second = cursor.number(2, 0, 60, "second")?;
    let fraction = cursor.fraction_millis()?;
    let zone = cursor.zone_minutes()?;
    let second_millis = if second == 60 { 59_999 } else { second * 1000 + fraction };
    let time = (hour * 60 + minute) * super::instant::MINUTE_MILLIS + second_millis;
    Ok(Instant::from_millis(midnight_millis(date) + time).plus_minutes(-zone))
}

/// The span of the days `first` to `last` in every zone.
fn coarse(first: Date, last: Date, precision: Precision) -> Result<Span, Fault> {
    let last_milli = midnight_millis(last) + 24 * 60 * super::instant::MINUTE_MILLIS - 1;
    Ok(Span {
        earliest: Instant::from_millis(midnight_millis(first)).plus_minutes(-WIDEST_OFFSET_MINUTES),
        latest: Instant::from_millis(last_milli).plus_minutes(WIDEST_OFFSET_MINUTES),
        precision,
    })
}

/// Milliseconds from 1970-01-01 to `date`, both at 00:00 in one zone. By civil days, because jiff's
/// timestamps end before the last zones have left the year 9999.
fn midnight_millis(date: Date) -> i64 {
    let epoch = DateTime::constant(1970, 1, 1, 0, 0, 0, 0);
    date.to_datetime(jiff::civil::Time::midnight())
        .duration_since(epoch)
        .as_secs()
        * 1000
}
