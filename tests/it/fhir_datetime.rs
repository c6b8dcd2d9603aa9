//! dateTime and instant against the standard's own regular expressions, with jiff as the oracle for
//! the moment.

use deltaward::fhir::Instant;
use deltaward::fhir::datetime::{Precision, parse, parse_instant};
use proptest::prelude::*;
use regex::Regex;
use std::sync::LazyLock;

/// HL7 FHIR R4 (4.0.1), `fhir.schema.json`, definition `dateTime`, quoted.
static DATE_TIME: LazyLock<Regex> = LazyLock::new(|| {
    Regex::new(
        r"^([0-9]([0-9]([0-9][1-9]|[1-9]0)|[1-9]00)|[1-9]000)(-(0[1-9]|1[0-2])(-(0[1-9]|[1-2][0-9]|3[0-1])(T([01][0-9]|2[0-3]):[0-5][0-9]:([0-5][0-9]|60)(\.[0-9]+)?(Z|(\+|-)((0[0-9]|1[0-3]):[0-5][0-9]|14:00)))?)?)?$",
    )
    .unwrap()
});

/// HL7 FHIR R4 (4.0.1), `fhir.schema.json`, definition `instant`, quoted.
static INSTANT: LazyLock<Regex> = LazyLock::new(|| {
    Regex::new(
        r"^([0-9]([0-9]([0-9][1-9]|[1-9]0)|[1-9]00)|[1-9]000)-(0[1-9]|1[0-2])-(0[1-9]|[1-2][0-9]|3[0-1])T([01][0-9]|2[0-3]):[0-5][0-9]:([0-5][0-9]|60)(\.[0-9]+)?(Z|(\+|-)((0[0-9]|1[0-3]):[0-5][0-9]|14:00))$",
    )
    .unwrap()
});

/// "Dates SHALL be valid dates" (the same definition): the regex alone lets February 30 pass.
fn day_exists(text: &str) -> bool {
    text.get(..10)
        .is_none_or(|day| day.parse::<jiff::civil::Date>().is_ok())
}

/// Texts near the grammar: each field mostly right, sometimes not.
fn near_grammar() -> impl Strategy<Value = String> {
    let year = prop_oneof![Just("2024".to_owned()), "[0-9]{4}", "000[0-9]", "[0-9]{3,5}"];
    let two = prop_oneof![4 => "0[1-9]", 2 => "[0-2][0-9]", 2 => "[0-9]{2}", 1 => "[0-9]{1,3}"];
    let second = prop_oneof![4 => "[0-5][0-9]", 2 => Just("60".to_owned()), 1 => "[0-9]{2}"];
    let fraction = prop_oneof![3 => Just(String::new()), 3 => "\\.[0-9]{1,15}", 1 => "[.,][0-9]{0,2}"];
    let zone = prop_oneof![
        4 => Just("Z".to_owned()),
        4 => "[+-](0[0-9]|1[0-4]):[0-5][0-9]",
        2 => "[+-]14:00",
        1 => "[+-][0-9]{2}:?[0-9]{2}",
        1 => "z?"
    ];
    let separators =
        prop_oneof![8 => Just("-T:"), 1 => Just("-t:"), 1 => Just("- :"), 1 => Just("/T:"), 1 => Just("-T.")];
    let fields = (
        year,
        [two.clone(), two.clone(), two.clone(), two],
        second,
        fraction,
        zone,
    );
    (fields, separators, 0..9_usize).prop_map(
        |((year, [month, day, hour, minute], second, fraction, zone), marks, cut)| {
            let mut marks = marks.chars();
            let (dash, tee, colon) = (marks.next().unwrap(), marks.next().unwrap(), marks.next().unwrap());
            match cut {
                0 => year,
                1 => format!("{year}{dash}{month}"),
                2 => format!("{year}{dash}{month}{dash}{day}"),
                3 => format!("{year}{dash}{month}{dash}{day}{tee}{hour}{colon}{minute}{zone}"),
                _ => format!("{year}{dash}{month}{dash}{day}{tee}{hour}{colon}{minute}{colon}{second}{fraction}{zone}"),
            }
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(4096))]

    #[test]
    fn accepts_what_the_standard_accepts(text in prop_oneof![9 => near_grammar(), 1 => "\\PC{0,30}"]) {
        let legal = |grammar: &Regex| grammar.is_match(&text) && day_exists(&text);
        prop_assert_eq!(parse(&text).is_ok(), legal(&DATE_TIME), "{}: {:?}", text, parse(&text));
        prop_assert_eq!(parse_instant(&text).is_ok(), legal(&INSTANT), "{}: {:?}", text, parse_instant(&text));
    }

    /// jiff reads the same moment, cut to milliseconds (it knows at most nine fraction digits).
    #[test]
    fn the_moment_is_jiffs(
        day in "[0-9]{3}[1-9]-(0[1-9]|1[0-2])-(0[1-9]|1[0-9]|2[0-8])",
        time in "([01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9]",
        fraction in "(\\.[0-9]{1,9})?",
        zone in "Z|[+-](0[0-9]|1[0-3]):[0-5][0-9]|[+-]14:00",
    ) {
        let text = format!("{day}T{time}{fraction}{zone}");
        let span = parse(&text).unwrap();
        prop_assert_eq!(span.precision, Precision::Moment);
        prop_assert_eq!(span.earliest, span.latest);
        prop_assert_eq!(parse_instant(&text), Ok(span.earliest));
        let oracle: jiff::Timestamp = text.parse().unwrap();
        // Cut toward the earlier millisecond, before 1970 too.
        prop_assert_eq!(i128::from(span.earliest.millis()), oracle.as_nanosecond().div_euclid(1_000_000));
        // What is printed is an instant and reads back as the same.
        if !span.earliest.to_string().starts_with('0') {
            prop_assert!(INSTANT.is_match(&span.earliest.to_string()), "{}", span.earliest);
            prop_assert_eq!(parse_instant(&span.earliest.to_string()), Ok(span.earliest));
        }
    }

    /// Whatever the zone, a moment lies in the span of its day, that in its month's, that in its year's.
    #[test]
    fn coarse_spans_hold_every_zone(
        day in "(1[0-9]|20)[0-9]{2}-(0[1-9]|1[0-2])-(0[1-9]|1[0-9]|2[0-8])",
        time in "([01][0-9]|2[0-3]):[0-5][0-9]:([0-5][0-9]|60)(\\.[0-9]{1,4})?",
        zone in "Z|[+-](0[0-9]|1[0-3]):[0-5][0-9]|[+-]14:00",
    ) {
        prop_assume!(!day.starts_with("0000"));
        let text = format!("{day}T{time}{zone}");
        let spans = [&text[..], &text[..10], &text[..7], &text[..4]].map(|part| parse(part).unwrap());
        for pair in spans.windows(2) {
            prop_assert!(pair[1].earliest <= pair[0].earliest && pair[0].latest <= pair[1].latest, "{}", text);
        }
    }
}

#[test]
fn coarse_forms_are_spans_of_all_zones() {
    let table = [
        // 2024 is a leap year; +14:00 is the earliest zone to reach a day, -14:00 the last of the grammar.
        (
            "2024",
            "2023-12-31T10:00:00Z",
            "2025-01-01T13:59:59.999Z",
            Precision::Year,
        ),
        (
            "2024-02",
            "2024-01-31T10:00:00Z",
            "2024-03-01T13:59:59.999Z",
            Precision::Month,
        ),
        (
            "2024-02-29",
            "2024-02-28T10:00:00Z",
            "2024-03-01T13:59:59.999Z",
            Precision::Day,
        ),
    ];
    for (text, earliest, latest, precision) in table {
        let span = parse(text).unwrap();
        assert_eq!(
            (Ok(span.earliest), Ok(span.latest)),
            (parse_instant(earliest), parse_instant(latest)),
            "{text}"
        );
        assert_eq!(span.precision, precision, "{text}");
    }
}

#[test]
fn a_leap_second_stays_in_its_minute() {
    let at = |text: &str| parse_instant(text).unwrap();
    // The leap second of 2016-12-31 (IERS Bulletin C 52).
    let leap = at("2016-12-31T23:59:60Z");
    assert_eq!(leap.to_string(), "2016-12-31T23:59:59.999Z");
    assert_eq!(at("2016-12-31T23:59:60.75Z"), leap);
    assert!(at("2016-12-31T23:59:59.9Z") < leap && leap < at("2017-01-01T00:00:00Z"));
}

#[test]
fn the_ends_of_the_calendar_do_not_break() {
    let last = parse_instant("9999-12-31T23:59:59.9999-14:00").unwrap();
    assert!(last > parse_instant("9999-12-31T23:59:59Z").unwrap());
    assert!(parse("0001").unwrap().earliest < Instant::from_millis(-62_135_596_800_000));
    assert_eq!(parse_instant("1970-01-01T00:00:00Z"), Ok(Instant::from_millis(0)));
    assert_eq!(parse_instant("1969-12-31T23:59:59.9999Z"), Ok(Instant::from_millis(-1)));
}

#[test]
fn errors_say_what_and_where() {
    let table = [
        (
            "2024-05-01T10:00",
            "character 17: ':' before the seconds (FHIR demands them when a time is given) is expected",
        ),
        ("2024-05-01T10:00Z", "character 17: ':' before the seconds"),
        (
            "2024-05-01T10:00:00",
            "character 20: a zone must follow the time: Z or +hh:mm or -hh:mm",
        ),
        ("2024-05-01T24:00:00Z", "character 12: the hour must be 00 to 23"),
        ("2024-05-01T10:00:61Z", "character 18: the second must be 00 to 60"),
        (
            "2024-05-01T10:00:00.Z",
            "character 21: digits must follow the decimal point",
        ),
        (
            "2024-05-01T10:00:00+0100",
            "character 23: ':' before the minutes of the zone is expected",
        ),
        (
            "2024-05-01T10:00:00+14:01",
            "character 20: the zone must be within -14:00 to +14:00",
        ),
        ("2024-05-01T10:00:00Z ", "character 21: nothing may follow"),
        ("2024-05-01 10:00:00Z", "character 11: 'T' before the time is expected"),
        ("20240501T100000Z", "character 5: '-' before the month is expected"),
        ("2024-13", "character 6: the month must be 01 to 12"),
        ("2024-5-1", "character 7: the month needs 2 digits"),
        ("0000", "character 1: the year must be 0001 to 9999"),
        ("", "character 1: the year needs 4 digits"),
        ("yesterday", "character 1: the year needs 4 digits"),
        // jiff's own words name the month and its last day.
        (
            "2024-02-30",
            "character 9: parameter 'day' for `2024-02` is invalid, must be in range `1..=29`",
        ),
    ];
    for (text, expected) in table {
        let error = parse(text).unwrap_err().to_string();
        assert!(error.contains(expected), "{text}: {error}");
        assert!(
            error.starts_with(&format!("{text:?} is not a FHIR dateTime: ")),
            "{error}"
        );
    }
    let error = parse_instant("2024-05-01").unwrap_err().to_string();
    assert_eq!(
        error,
        "\"2024-05-01\" is not a FHIR instant: character 11: a time with seconds and a zone must follow"
    );
    assert!(parse(&"9".repeat(100_000)).unwrap_err().to_string().chars().count() < 120);
}
