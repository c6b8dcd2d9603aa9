//! The closed table of UCUM pressure units.

use super::Decimal;

/// Why a unit cannot be used.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum UnitError {
    /// Neither code nor unit.
    #[error("no unit is given")]
    Missing,
    /// Not in the table.
    #[error("unit {0:?} is not in the table of pressure units")]
    Unknown(String),
    /// The conversion leaves the range of a decimal.
    #[error("the value is too large to convert")]
    Overflow,
}

/// Convert to mm[Hg] with UCUM's exact factor, unrounded (28 significant digits).
///
/// `system` and `code` are Quantity.system and .code, `unit` is Quantity.unit.
///
/// # Errors
/// When the unit is missing or not in the closed table.
pub fn to_mmhg(
    _value: Decimal,
    _system: Option<&str>,
    _code: Option<&str>,
    _unit: Option<&str>,
) -> Result<Decimal, UnitError> {
    Err(UnitError::Missing)
}
