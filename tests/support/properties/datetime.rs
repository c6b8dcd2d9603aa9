//! dateTime and instant: the standard's regular expressions say what is one, jiff says when it is.

use deltaward::fhir::datetime::{Precision, parse, parse_instant};
use jiff::{Timestamp, civil::Date};
use regex::Regex;
use std::sync::LazyLock;

/// HL7 FHIR R4 (4.0.1), `fhir.schema.json`, definition `dateTime`, quoted.
static DATE_TIME: LazyLock<Regex> = LazyLock::new(|| {
    Regex::new(
        r"^([0-9]([0-9]([0-9][1-9]|[1-9]0)|[1-9]00)|[1-9]000)(-(0[1-9]|1[0-2])(-(0[1-9]|[1-2][0-9]|3[0-1])(T([01][0-9]|2[0-3]):[0-5][0-9]:([0-5][0-9]|60)(\.[0-9]+)?(Z|(\+|-)((0[0-9]|1[0-3]):[0-5][0-9]|14:00)))?)?)?$",
    )
    .unwrap()
});

/// The texts (one a line) are read as the oracles read them, so their order is jiff's too.
pub fn holds(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    for one in text.split('\n') {
        is_read_right(one);
    }
    // The whole, its line feeds included, is no dateTime unless it is one line.
    is_read_right(text);
}

fn is_read_right(text: &str) {
    let day_exists = text.get(..10).is_none_or(|day| day.parse::<Date>().is_ok());
    let legal = DATE_TIME.is_match(text) && day_exists;
    let parsed = parse(text);
    assert_eq!(parsed.is_ok(), legal, "{text:?}: {parsed:?}");
    let instant = parse_instant(text);
    let Ok(span) = parsed else {
        assert!(instant.is_err(), "{text:?}");
        let said = instant.unwrap_err().to_string();
        // At most 40 characters of the text are repeated, each escaped.
        assert!(said.contains("character ") && said.chars().count() < 700, "{said}");
        return;
    };
    assert!(span.earliest <= span.latest, "{text}");
    assert_eq!(span.precision == Precision::Moment, text.len() > 10, "{text}");
    assert_eq!(instant.is_ok(), text.len() > 10, "{text}");
    let (first, last) = oracle(text);
    for (ours, theirs) in [(span.earliest, first), (span.latest, last)] {
        // jiff's timestamps end before the last zones have left the year 9999.
        match theirs {
            Some(theirs) => assert_eq!(i128::from(ours.millis()), theirs, "{text}"),
            None => assert!(text.starts_with("9999"), "{text}"),
        }
    }
    for shorter in [4, 7, 10].into_iter().filter(|end| *end < text.len()) {
        let coarse = parse(&text[..shorter]).unwrap();
        assert!(
            coarse.earliest <= span.earliest && span.latest <= coarse.latest,
            "{text}"
        );
    }
    let printed = span.earliest.to_string();
    // FHIR has neither the year 0, into which the first hours of the year 1 fall in the east, nor 10000.
    let ends = printed.starts_with("0000") || printed.ends_with(" ms");
    if ends {
        assert!(
            text.starts_with("0001") || text.starts_with("9999"),
            "{text}: {printed}"
        );
    } else {
        assert_eq!(parse_instant(&printed), Ok(span.earliest), "{text}: {printed}");
    }
}

/// Earliest and latest millisecond by jiff; None where it has no timestamp.
fn oracle(text: &str) -> (Option<i128>, Option<i128>) {
    let (first, last) = match text.len() {
        4 => (format!("{text}-01-01"), format!("{text}-12-31")),
        7 => {
            let first: Date = format!("{text}-01").parse().unwrap();
            (first.to_string(), first.last_of_month().to_string())
        }
        10 => (text.to_owned(), text.to_owned()),
        _ => {
            let moment = millis(&for_jiff(text));
            return (moment, moment);
        }
    };
    (
        millis(&format!("{first}T00:00:00+14:00")),
        millis(&format!("{last}T23:59:59.999-14:00")),
    )
}

/// Of a leap second the last millisecond of the second before; of a fraction nine digits.
fn for_jiff(text: &str) -> String {
    let (time, rest) = text.split_at(19);
    let digits = rest
        .trim_start_matches('.')
        .bytes()
        .take_while(u8::is_ascii_digit)
        .count();
    let (fraction, zone) = match rest.strip_prefix('.') {
        Some(rest) => rest.split_at(digits),
        None => ("0", rest),
    };
    match time.strip_suffix("60") {
        Some(minute) => format!("{minute}59.999{zone}"),
        None => format!("{time}.{}{zone}", &fraction[..fraction.len().min(9)]),
    }
}

fn millis(text: &str) -> Option<i128> {
    // Cut toward the earlier millisecond, before 1970 too.
    Some(text.parse::<Timestamp>().ok()?.as_nanosecond().div_euclid(1_000_000))
}
