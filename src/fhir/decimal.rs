//! The exact FHIR decimal.

use super::Decimal;

/// Why a JSON number cannot be used.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct DecimalError(pub String);

/// The most digits that are held, and the most that may stand behind the point.
const MAX_DIGITS: usize = 28;

/// Parse the lexical form of a JSON number exactly (28 significant digits), exponent included.
///
/// Trailing zeros are kept (`5.30` stays `5.30`) as far as 28 digits reach. The grammar is that of
/// FHIR R4 `decimal` (4.0.1, JSON Schema), which is JSON's: no leading `+`, no leading zeros.
/// A zero is zero whatever its sign and exponent.
///
/// # Errors
/// When it is not a JSON number, or cannot be held exactly.
pub fn parse(text: &str) -> Result<Decimal, DecimalError> {
    short(text).map_or_else(|| long(text), Ok)
}

/// Nearly every pressure: at most 18 digits and no exponent. None for anything else.
fn short(text: &str) -> Option<Decimal> {
    let unsigned = text.strip_prefix('-').unwrap_or(text).as_bytes();
    let point = unsigned.iter().position(|byte| *byte == b'.');
    let (whole, fraction) = unsigned.split_at(point.unwrap_or(unsigned.len()));
    let fraction = fraction.get(1..).unwrap_or_default();
    let leading_zero = whole.len() > 1 && whole.starts_with(b"0");
    let no_fraction = point.is_some() && fraction.is_empty();
    if whole.is_empty() || leading_zero || no_fraction || unsigned.len() > 18 {
        return None;
    }
    let mut number = 0;
    for byte in whole.iter().chain(fraction) {
        if !byte.is_ascii_digit() {
            return None;
        }
        number = number * 10 + i64::from(byte - b'0');
    }
    let scale = u32::try_from(fraction.len()).ok()?;
    Some(Decimal::new(
        if text.starts_with('-') { -number } else { number },
        scale,
    ))
}

fn long(text: &str) -> Result<Decimal, DecimalError> {
    let refuse = |why: &str| {
        DecimalError(format!(
            "{:?} cannot be used as a number: {why}",
            super::shorten(text, 40)
        ))
    };
    let lexical = split(text).ok_or_else(|| {
        refuse("a JSON number is expected, such as 42, -0.5 or 1.2e3 (no plus sign, leading zero, NaN or quotes)")
    })?;
    let mut digits = lexical.significant_digits();
    let mut scale = lexical.scale();
    if digits.is_empty() {
        let scale = u32::try_from(scale.clamp(0, MAX_DIGITS as i64)).unwrap_or(0);
        return Ok(Decimal::new(0, scale));
    }
    // Zeros at the end say nothing about the value: give up as many as must go.
    while (digits.len() > MAX_DIGITS || scale > MAX_DIGITS as i64) && digits.last() == Some(&b'0') {
        digits.pop();
        scale = scale.saturating_sub(1);
    }
    if digits.len() > MAX_DIGITS {
        return Err(refuse("it has more than 28 significant digits"));
    }
    if scale > MAX_DIGITS as i64 {
        return Err(refuse("it has more than 28 digits behind the decimal point"));
    }
    while scale < 0 {
        if digits.len() == MAX_DIGITS {
            return Err(refuse("it is 10^28 or larger"));
        }
        digits.push(b'0');
        scale += 1;
    }
    let magnitude = digits
        .iter()
        .fold(0_i128, |sum, digit| sum * 10 + i128::from(digit - b'0'));
    let mantissa = if lexical.negative { -magnitude } else { magnitude };
    let scale = u32::try_from(scale).unwrap_or(0);
    // 28 digits and a scale up to 28 always fit the 96 bits of a Decimal.
    Decimal::try_from_i128_with_scale(mantissa, scale).map_err(|error| refuse(&error.to_string()))
}

/// A JSON number in its parts.
struct Lexical<'a> {
    negative: bool,
    whole: &'a str,
    fraction: &'a str,
    exponent: i64,
}

impl Lexical<'_> {
    /// All digits without leading zeros; empty for zero.
    fn significant_digits(&self) -> Vec<u8> {
        let all = self.whole.bytes().chain(self.fraction.bytes());
        all.skip_while(|&digit| digit == b'0').collect()
    }

    /// How many of the digits stand behind the point; negative: how many zeros are to be added.
    fn scale(&self) -> i64 {
        i64::try_from(self.fraction.len())
            .unwrap_or(i64::MAX)
            .saturating_sub(self.exponent)
    }
}

/// `-?(0|[1-9][0-9]*)(\.[0-9]+)?([eE][+-]?[0-9]+)?`
fn split(text: &str) -> Option<Lexical<'_>> {
    let digits = |part: &str| !part.is_empty() && part.bytes().all(|byte| byte.is_ascii_digit());
    let (negative, rest) = match text.strip_prefix('-') {
        Some(rest) => (true, rest),
        None => (false, text),
    };
    let (mantissa, exponent) = match rest.split_once(['e', 'E']) {
        Some((mantissa, exponent)) => (mantissa, Some(exponent)),
        None => (rest, None),
    };
    let (whole, fraction) = match mantissa.split_once('.') {
        Some((whole, fraction)) => (whole, Some(fraction)),
        None => (mantissa, None),
    };
    let leading_zero = whole.len() > 1 && whole.starts_with('0');
    if !digits(whole) || leading_zero || fraction.is_some_and(|part| !digits(part)) {
        return None;
    }
    let exponent = match exponent {
        None => 0,
        Some(part) => {
            let (sign, part) = match part.strip_prefix('-') {
                Some(part) => (-1, part),
                None => (1, part.strip_prefix('+').unwrap_or(part)),
            };
            if !digits(part) {
                return None;
            }
            // An exponent that no i64 holds is far beyond any decimal: its size no longer matters.
            sign * part.parse::<i64>().unwrap_or(i64::MAX / 2)
        }
    };
    Some(Lexical {
        negative,
        whole,
        fraction: fraction.unwrap_or(""),
        exponent,
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn keeps_every_digit() {
        let table = [
            ("0", "0"),
            ("-0", "0"),
            ("0e999", "0"),
            ("0.00", "0.00"),
            ("5.30", "5.30"),
            ("1e2", "100"),
            ("1E+2", "100"),
            ("-0.50E-1", "-0.050"),
            ("185.0e0", "185.0"),
            ("12.5e1", "125"),
            ("1e27", "1000000000000000000000000000"),
            ("1e-28", "0.0000000000000000000000000001"),
            ("9999999999999999999999999999", "9999999999999999999999999999"),
            // Zeros beyond the 28th digit change nothing.
            (
                "1.00000000000000000000000000000000000000",
                "1.000000000000000000000000000",
            ),
            ("10e-29", "0.0000000000000000000000000001"),
        ];
        for (text, expected) in table {
            assert_eq!(
                parse(text).map(|decimal| decimal.to_string()),
                Ok(expected.to_owned()),
                "{text}"
            );
        }
        let zeros = format!("0.{}", "0".repeat(1000));
        assert!(parse(&zeros).unwrap().is_zero());
    }

    #[test]
    fn refuses_with_the_reason() {
        let not_a_number = [
            "", "-", "+1", "01", "-01", "1.", ".5", "1e", "1e+", "NaN", "Infinity", "\"1\"", " 1", "1 ",
        ];
        for text in not_a_number
            .into_iter()
            .chain(["0x10", "1,5", "1_000", "1e1.5", "--1", "1e--1", "١", "1e9e9"])
        {
            assert!(
                parse(text).unwrap_err().0.contains("a JSON number is expected"),
                "{text}"
            );
        }
        let long = "7".repeat(1000);
        let table = [
            ("1e999", "10^28 or larger"),
            ("1e28", "10^28 or larger"),
            ("1e99999999999999999999999", "10^28 or larger"),
            ("1e-29", "behind the decimal point"),
            ("1e-99999999999999999999999", "behind the decimal point"),
            ("1.00000000000000000000000000001", "28 significant digits"),
            (long.as_str(), "28 significant digits"),
        ];
        for (text, expected) in table {
            let error = parse(text).unwrap_err().0;
            assert!(
                error.contains(expected) && error.chars().count() < 200,
                "{text}: {error}"
            );
        }
    }

    /// The lexical form of FHIR R4 `decimal`: HL7 FHIR 4.0.1, `fhir.schema.json`, definition `decimal`.
    const FHIR_DECIMAL: &str = r"^-?(0|[1-9][0-9]*)(\.[0-9]+)?([eE][+-]?[0-9]+)?$";

    proptest! {
        /// Acceptance never exceeds the standard's grammar; a refused number in the grammar is one
        /// that is too long or too large, never a matter of form.
        #[test]
        fn follows_the_grammar(text in r"-?[0-9+.eEx-]{0,12}|-?[0-9]{1,4}(\.[0-9]{1,4})?([eE][+-]?[0-9]{1,3})?") {
            let legal = regex::Regex::new(FHIR_DECIMAL).unwrap().is_match(&text);
            let outcome = parse(&text);
            prop_assert!(legal || outcome.is_err(), "{}", text);
            if let Err(error) = outcome {
                prop_assert_eq!(legal, !error.0.contains("a JSON number is expected"), "{}", error);
            }
        }

        /// rust_decimal's own exact parser is the oracle for plain forms, and a shift of the point
        /// by the exponent is undone by its own arithmetic.
        #[test]
        fn agrees_with_the_library(number in -99_999_999_999_i64..=99_999_999_999, scale in 0_u32..12, shift in -9_i32..=9) {
            let plain = Decimal::new(number, scale);
            prop_assert_eq!(parse(&plain.to_string()).unwrap(), Decimal::from_str_exact(&plain.to_string()).unwrap());
            let shifted = parse(&format!("{plain}e{shift}")).unwrap();
            let back = (0..shift.abs()).fold(shifted, |value, _| {
                if shift > 0 { value / Decimal::TEN } else { value * Decimal::TEN }
            });
            prop_assert_eq!(back, plain);
        }

        #[test]
        fn the_short_way_leads_to_the_same(text in r"-?[0-9]{0,20}(\.[0-9]{0,20})?|[0-9.eE+-]{0,20}") {
            if let Some(decimal) = short(&text) {
                let long = long(&text).unwrap();
                prop_assert_eq!((decimal, decimal.scale()), (long, long.scale()));
            }
        }

        #[test]
        fn never_panics(text in r"\PC{0,200}|[0-9]{1,60}\.[0-9]{1,60}([eE]-?[0-9]{1,30})?") {
            let _ = parse(&text);
        }
    }
}
