//! The closed table of UCUM pressure units.
//!
//! The unit of a pressure is never guessed: what the table does not hold is refused, so that the
//! resource is set aside and shown. UCUM codes are matched exactly, case included (UCUM §3,
//! "c/s"), and without annotations (`mm[Hg]{cuff}` is refused).
//!
//! # Which statement of the unit counts
//! 1. `system` UCUM or ISO/IEEE 11073 with a `code`: the code. A display form as UCUM code (`mmHg`,
//!    which is not UCUM) is accepted on purpose: real servers send it and it can denote nothing else.
//! 2. `system` of those two without `code`, or no `system`: the text, `unit` or else `code`, if it
//!    is one of a short list of display forms.
//! 3. Any other `system`: refused, whatever the code looks like.
//!
//! A second statement that names another unit of the table refuses the value; one that the table
//! does not know ("Millimeter Quecksilber") is a display in some language and says nothing.

use super::Decimal;
use rust_decimal::prelude::ToPrimitive;

/// Why a unit cannot be used.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum UnitError {
    /// Neither code nor unit.
    #[error("no unit is given")]
    Missing,
    /// Not in the table, of another system, or code and unit name two units. What was found.
    #[error("{0:?} does not name one unit of the table of pressure units")]
    Unknown(String),
    /// The conversion leaves the range of a decimal.
    #[error("the value is too large to convert")]
    Overflow,
}

/// Quantity.system of UCUM.
pub const UCUM_SYSTEM: &str = "http://unitsofmeasure.org";

/// Quantity.system of the ISO/IEEE 11073-10101 nomenclature.
pub const MDC_SYSTEM: &str = "urn:iso:std:iso:11073:10101";

/// One unit: its UCUM code and its size in pascal as an exact fraction.
#[derive(Debug, PartialEq, Eq)]
pub struct PressureUnit {
    /// The UCUM code.
    pub code: &'static str,
    /// Size in pascal times `pascal_divisor`, exact by UCUM's definitions.
    pascal: Decimal,
    /// 1 for all but the pound-force per square inch, whose size has no end as a decimal.
    pascal_divisor: Decimal,
}

/// `number` / 10^`scale`, exactly.
const fn exact(number: u64, scale: u32) -> Decimal {
    // A Decimal is built from 32-bit words; the casts cut the two out of the number.
    Decimal::from_parts(number as u32, (number >> 32) as u32, 0, false, scale)
}

/// A unit that is a whole number of `micropascal`.
const fn unit(code: &'static str, micropascal: u64) -> PressureUnit {
    PressureUnit {
        code,
        pascal: exact(micropascal, 6),
        pascal_divisor: Decimal::ONE,
    }
}

/// `mm[Hg]` in pascal by UCUM: `m[Hg]` is defined as 133.3220 kPa (exactly; the conventional
/// 133.322387415 Pa differs by 3 parts in a million).
const MMHG_PASCAL: Decimal = exact(133_322, 3);

/// The UCUM code of the millimetre of mercury, the first of the table.
const MMHG: &str = "mm[Hg]";

/// The table. Sizes from UCUM's own definitions (ucum-essence 2.2): `m[Hg]` = 133.3220 kPa,
/// `m[H2O]` = 9.80665 kPa, `bar` = 10⁵ Pa.
pub static PRESSURE_UNITS: [PressureUnit; 12] = [
    unit(MMHG, 133_322_000),
    unit("kPa", 1_000_000_000),
    unit("cm[H2O]", 98_066_500),
    unit("mbar", 100_000_000),
    unit("hPa", 100_000_000),
    unit("Pa", 1_000_000),
    unit("mm[H2O]", 9_806_650),
    unit("cm[Hg]", 1_333_220_000),
    unit("m[Hg]", 133_322_000_000),
    unit("m[H2O]", 9_806_650_000),
    unit("bar", 100_000_000_000),
    // [psi] = 1 [lbf_av]/[in_i]2; [lbf_av] = [lb_av].[g] = 0.45359237 kg × 9.80665 m/s2
    // = 4.4482216152605 N; [in_i]2 = (2.54 cm)² = 0.00064516 m2.
    PressureUnit {
        code: "[psi]",
        pascal: exact(44_482_216_152_605, 13),
        pascal_divisor: exact(64_516, 8),
    },
];

impl PressureUnit {
    /// A value in this unit, in `mm[Hg]`, to 28 significant digits.
    fn to_mmhg(&self, value: Decimal) -> Option<Decimal> {
        if self.pascal == MMHG_PASCAL {
            return Some(value);
        }
        let numerator = value.checked_mul(self.pascal)?;
        numerator.checked_div(self.pascal_divisor.checked_mul(MMHG_PASCAL)?)
    }
}

/// Display forms, as `Quantity.unit` carries them, and the UCUM code that each stands for. The UCUM
/// codes themselves are display forms too.
pub const DISPLAY_FORMS: [(&str, &str); 14] = [
    ("mmHg", "mm[Hg]"),
    ("mm Hg", "mm[Hg]"),
    ("mmhg", "mm[Hg]"),
    ("millimeter of mercury", "mm[Hg]"),
    ("millimeters of mercury", "mm[Hg]"),
    ("millimetre of mercury", "mm[Hg]"),
    ("millimetres of mercury", "mm[Hg]"),
    ("cmH2O", "cm[H2O]"),
    ("cm H2O", "cm[H2O]"),
    ("mmH2O", "mm[H2O]"),
    ("mm H2O", "mm[H2O]"),
    ("cmHg", "cm[Hg]"),
    ("cm Hg", "cm[Hg]"),
    ("psi", "[psi]"),
];

/// ISO/IEEE 11073-10101 unit codes: 266016 MDC_DIM_MMHG; 265987 MDC_DIM_KILO_PASCAL (the latter from
/// memory of the nomenclature: 265984 MDC_DIM_PASCAL plus 3 for the prefix kilo; not checked against
/// its text).
const MDC_UNITS: [(&str, &str); 2] = [("266016", "mm[Hg]"), ("265987", "kPa")];

fn by_ucum(code: &str) -> Option<&'static PressureUnit> {
    PRESSURE_UNITS.iter().find(|unit| unit.code == code)
}

fn by_list(list: &[(&str, &'static str)], text: &str) -> Option<&'static PressureUnit> {
    let (_, code) = list.iter().find(|(form, _)| *form == text)?;
    by_ucum(code)
}

/// A UCUM code or a display form.
fn by_text(text: &str) -> Option<&'static PressureUnit> {
    by_ucum(text).or_else(|| by_list(&DISPLAY_FORMS, text))
}

/// FHIR forbids empty strings; one that comes all the same says nothing.
fn given(part: Option<&str>) -> Option<&str> {
    part.map(str::trim).filter(|part| !part.is_empty())
}

/// Find the unit that a Quantity names; `system`, `code` and `unit` are its elements.
///
/// # Errors
/// `Missing` when neither code nor unit is given; `Unknown` when the unit is not in the closed table,
/// the system is neither UCUM nor ISO/IEEE 11073, or code and unit name two units.
pub fn pressure_unit(
    system: Option<&str>,
    code: Option<&str>,
    unit: Option<&str>,
) -> Result<&'static PressureUnit, UnitError> {
    // What nearly every record sends, spared the search.
    if let (Some(UCUM_SYSTEM), Some(MMHG), None | Some(MMHG | "mmHg")) = (system, code, unit) {
        return Ok(&PRESSURE_UNITS[0]);
    }
    let (system, code, text) = (given(system), given(code), given(unit));
    let unknown = |what: &str| UnitError::Unknown(super::shorten(what, 80).into_owned());
    let stated = code.or(text).ok_or(UnitError::Missing)?;
    let by_code = match (system, code) {
        (None | Some(UCUM_SYSTEM | MDC_SYSTEM), None) => None,
        // A code without its system is no more than a text (FHIR R4 qty-3 forbids it), and the unit
        // is the better text.
        (None, Some(code)) if by_text(code).is_none() && text.is_some() => None,
        (None | Some(UCUM_SYSTEM), Some(code)) => Some(by_text(code).ok_or_else(|| unknown(code))?),
        (Some(MDC_SYSTEM), Some(code)) => Some(by_list(&MDC_UNITS, code).ok_or_else(|| unknown(code))?),
        (Some(other), _) => return Err(unknown(&format!("{stated} of system {other}"))),
    };
    let by_display = text.and_then(by_text);
    match (by_code, by_display) {
        (Some(one), Some(other)) if one.code != other.code => Err(unknown(&format!(
            "{stated} (code) against {} (unit)",
            text.unwrap_or_default()
        ))),
        (Some(found), _) | (None, Some(found)) => Ok(found),
        (None, None) => Err(unknown(text.unwrap_or(stated))),
    }
}

/// Convert to `mm[Hg]` with UCUM's exact factor, unrounded (28 significant digits).
///
/// `system` and `code` are Quantity.system and .code, `unit` is Quantity.unit.
///
/// # Errors
/// When the unit is missing or not in the closed table.
pub fn to_mmhg(
    value: Decimal,
    system: Option<&str>,
    code: Option<&str>,
    unit: Option<&str>,
) -> Result<Decimal, UnitError> {
    pressure_unit(system, code, unit)?
        .to_mmhg(value)
        .ok_or(UnitError::Overflow)
}

/// A delta pressure in whole mmHg as it is compared and displayed: a half goes down, toward the
/// alert (30.5 → 30, −0.5 → −1). Saturates at the ends of i64.
pub fn round_delta(mmhg: Decimal) -> i64 {
    -round_pressure(-mmhg)
}

/// A compartment pressure in whole mmHg as it is compared and displayed: a half goes up, toward the
/// alert (29.5 → 30, −0.5 → 0). Saturates at the ends of i64.
pub fn round_pressure(mmhg: Decimal) -> i64 {
    // Nearly every pressure is a whole number already.
    if mmhg.scale() == 0
        && let Some(whole) = mmhg.to_i64()
    {
        return whole;
    }
    let floor = mmhg.floor();
    let half = Decimal::from_parts(5, 0, 0, false, 1);
    let ends = if mmhg.is_sign_negative() { -i64::MAX } else { i64::MAX };
    let whole = floor.to_i64().unwrap_or(ends);
    if mmhg - floor >= half {
        whole.saturating_add(1)
    } else {
        whole
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Tenths to whole numbers.
    fn tenths(number: i64) -> Decimal {
        Decimal::new(number, 1)
    }

    #[test]
    fn a_half_goes_toward_the_alert() {
        for (number, delta, pressure) in [
            (305, 30, 31),
            (304, 30, 30),
            (306, 31, 31),
            (295, 29, 30),
            (300, 30, 30),
            (5, 0, 1),
            (0, 0, 0),
            (-5, -1, 0),
            (-4, 0, 0),
            (-6, -1, -1),
            (-25, -3, -2),
            (-30, -3, -3),
        ] {
            let rounded = (round_delta(tenths(number)), round_pressure(tenths(number)));
            assert_eq!(rounded, (delta, pressure), "{number}/10");
        }
    }

    #[test]
    fn the_ends_saturate() {
        for round in [round_delta, round_pressure] {
            assert_eq!(round(Decimal::MAX), i64::MAX);
            assert_eq!(round(Decimal::MIN), -i64::MAX);
        }
        let huge = to_mmhg(Decimal::MAX, Some(UCUM_SYSTEM), Some("bar"), None);
        assert_eq!(huge, Err(UnitError::Overflow));
    }
}
