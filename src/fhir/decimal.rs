//! The exact FHIR decimal.

use super::Decimal;

/// Why a JSON number cannot be used.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct DecimalError(pub String);

/// Parse the lexical form of a JSON number exactly (28 significant digits), exponent included.
///
/// # Errors
/// When it is not a JSON number, or cannot be held exactly.
pub fn parse(_text: &str) -> Result<Decimal, DecimalError> {
    Err(DecimalError(String::from("placeholder")))
}
