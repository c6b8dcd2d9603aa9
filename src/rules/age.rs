//! The patient's age against the sheet's band.

use super::Sheet;
use crate::fhir::Instant;
use crate::outbox::draft::AgeNote;

/// Is the patient in the sheet's age band at `now`? A partial birth date counts as the latest day
/// that it allows, so that a possible child is treated as one.
pub fn age_note(birth_date: Option<&str>, sheet: &Sheet, now: Instant) -> AgeNote {
    let Some(span) = birth_date.and_then(|text| crate::fhir::datetime::parse(text).ok()) else {
        return AgeNote::Unknown;
    };
    let date = |instant: Instant| {
        let timestamp = jiff::Timestamp::from_millisecond(instant.millis()).ok()?;
        Some(jiff::tz::Offset::UTC.to_datetime(timestamp).date())
    };
    // The span of a day reaches into both neighbours for the sake of unknown zones; noon is inside.
    let latest = Instant::from_millis(span.latest.millis() - 24 * 60 * crate::fhir::instant::MINUTE_MILLIS);
    let (Some(born), Some(today)) = (date(latest), date(now)) else {
        return AgeNote::Unknown;
    };
    // A birth date in the future is a mistake, and says nothing of the age.
    if born > today {
        return AgeNote::Unknown;
    }
    let had_birthday = (today.month(), today.day()) >= (born.month(), born.day());
    let years = i64::from(today.year()) - i64::from(born.year()) - i64::from(!had_birthday);
    if years >= sheet.adult_from_years {
        AgeNote::InBand
    } else {
        AgeNote::Child
    }
}
