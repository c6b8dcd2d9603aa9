//! Units of pressure against UCUM (octofhir-ucum as oracle) and against published conversions.

use deltaward::fhir::Decimal;
use deltaward::fhir::quantity::{
    DISPLAY_FORMS, MDC_SYSTEM, PRESSURE_UNITS, UCUM_SYSTEM, UnitError, round_delta, round_pressure, to_mmhg,
};
use proptest::prelude::*;
use rust_decimal::prelude::ToPrimitive;

fn decimal(text: &str) -> Decimal {
    Decimal::from_str_exact(text).unwrap()
}

fn ucum(value: &str, code: &str) -> Decimal {
    to_mmhg(decimal(value), Some(UCUM_SYSTEM), Some(code), None).unwrap()
}

/// |ours / theirs − 1|; f64 because the oracle speaks f64.
fn relative_error(ours: Decimal, theirs: f64) -> f64 {
    (ours.to_f64().unwrap() / theirs - 1.0).abs()
}

proptest! {
    /// Every unit, any value: the conversion equals that of octofhir-ucum, which reads UCUM's own
    /// ucum-essence.xml (f64: equal to 1 part in 10^13).
    #[test]
    fn every_factor_is_ucums(index in 0..PRESSURE_UNITS.len(), thousandths in 1_i64..10_000_000) {
        let code = PRESSURE_UNITS[index].code;
        let value = Decimal::new(thousandths, 3);
        let theirs = octofhir_ucum::convert(value.to_f64().unwrap(), code, "mm[Hg]").unwrap();
        let ours = to_mmhg(value, Some(UCUM_SYSTEM), Some(code), None).unwrap();
        prop_assert!(relative_error(ours, theirs) < 1e-13, "{} {}: {} against {}", value, code, ours, theirs);
    }

    /// A code outside the table is refused, whether UCUM knows it or not.
    #[test]
    fn any_other_code_is_refused(code in r"[a-zA-Z\[\]0-9./{}% ]{1,12}") {
        let known = PRESSURE_UNITS.iter().any(|unit| unit.code == code.trim());
        let display = DISPLAY_FORMS.iter().any(|(form, _)| *form == code.trim());
        prop_assume!(!known && !display && !code.trim().is_empty());
        let outcome = to_mmhg(Decimal::TEN, Some(UCUM_SYSTEM), Some(&code), None);
        prop_assert_eq!(outcome, Err(UnitError::Unknown(code.trim().to_owned())));
    }
}

#[test]
fn every_unit_of_the_table_is_checked_once() {
    for unit in &PRESSURE_UNITS {
        let theirs = octofhir_ucum::convert(1.0, unit.code, "mm[Hg]").unwrap();
        assert!(relative_error(ucum("1", unit.code), theirs) < 1e-13, "{}", unit.code);
        let same = PRESSURE_UNITS.iter().filter(|other| other.code == unit.code);
        assert_eq!(same.count(), 1, "{}", unit.code);
    }
}

#[test]
fn a_display_form_denotes_nothing_else_in_ucum() {
    for (form, code) in DISPLAY_FORMS {
        assert!(
            octofhir_ucum::validate(form).is_err(),
            "{form} is UCUM for something else than {code}"
        );
        let ours = to_mmhg(decimal("1"), None, None, Some(form)).unwrap();
        assert_eq!(ours, ucum("1", code), "{form}");
        assert_eq!(
            to_mmhg(decimal("1"), Some(UCUM_SYSTEM), Some(form), None),
            Ok(ours),
            "{form} as code"
        );
    }
}

#[test]
fn published_conversions_hold() {
    // Heckman et al 1994, J Bone Joint Surg Am 76:1285-92: "20 mm Hg (2.67 kPa)".
    let mmhg_in_kpa = |mmhg: &str| decimal(mmhg) / ucum("1", "kPa");
    assert_eq!(mmhg_in_kpa("20").round_dp(2), decimal("2.67"));
    assert_eq!(round_pressure(ucum("2.67", "kPa")), 20);
    // Conventional millimetre of mercury, 133.322387415 Pa (NIST SP 811 and many unit tables):
    // UCUM's differs by 3 parts in a million, so that the rows agree to 5 significant digits.
    let kpa = [
        "1.066579", "1.333224", "2.666448", "3.999672", "5.332895", "5.999507", "9.332567",
    ];
    for (mmhg, expected) in ["8", "10", "20", "30", "40", "45", "70"].into_iter().zip(kpa) {
        let ratio = mmhg_in_kpa(mmhg) / decimal(expected);
        assert!(
            (ratio - Decimal::ONE).abs() < decimal("0.0000032"),
            "{mmhg} mmHg: {ratio}"
        );
    }
    for (mmhg, expected) in [("30", "40.7853"), ("40", "54.3804")] {
        let ratio = decimal(mmhg) / ucum(expected, "cm[H2O]");
        assert!(
            (ratio - Decimal::ONE).abs() < decimal("0.000004"),
            "{mmhg} mmHg: {ratio}"
        );
    }
}

#[test]
fn four_kilopascal_is_just_above_thirty() {
    // 4000 / 133.322 by hand: 30.00255021...; compared and shown as 30.
    assert_eq!(ucum("4.0", "kPa").round_dp(4), decimal("30.0026"));
    assert_eq!(round_delta(ucum("4.0", "kPa")), 30);
    assert_eq!(ucum("3.99966", "kPa"), decimal("30"));
    assert_eq!(ucum("30.50", "mm[Hg]").to_string(), "30.50");
}

#[test]
fn which_statement_counts() {
    let kpa = Ok(ucum("1", "kPa"));
    let one = Ok(decimal("1"));
    let unknown = |what: &str| Err(UnitError::Unknown(what.to_owned()));
    let (ucum_system, mdc) = (Some(UCUM_SYSTEM), Some(MDC_SYSTEM));
    let table = [
        (ucum_system, Some("mm[Hg]"), Some("mmHg"), one.clone()),
        (ucum_system, Some("mm[Hg]"), Some("Millimeter Quecksilber"), one.clone()),
        (ucum_system, None, Some("mm Hg"), one.clone()),
        (mdc, Some("266016"), None, one.clone()),
        (mdc, Some("265987"), Some("kPa"), kpa.clone()),
        (None, None, Some("kPa"), kpa.clone()),
        (None, Some("kPa"), None, kpa.clone()),
        (None, Some("266016"), Some("mmHg"), one),
        (None, None, None, Err(UnitError::Missing)),
        (ucum_system, None, None, Err(UnitError::Missing)),
        (ucum_system, Some(""), Some(" "), Err(UnitError::Missing)),
        // A mass is no pressure.
        (ucum_system, Some("kg"), None, unknown("kg")),
        (ucum_system, Some("g"), Some("mmHg"), unknown("g")),
        // UCUM is case-sensitive: MM[HG] and KPA are not the codes.
        (ucum_system, Some("MM[HG]"), None, unknown("MM[HG]")),
        (ucum_system, Some("KPA"), None, unknown("KPA")),
        (ucum_system, Some("mm[Hg]{cuff}"), None, unknown("mm[Hg]{cuff}")),
        (None, None, Some("torr"), unknown("torr")),
        (
            None,
            Some("mm[Hg]"),
            Some("kPa"),
            unknown("mm[Hg] (code) against kPa (unit)"),
        ),
        (
            ucum_system,
            Some("mm[Hg]"),
            Some("kPa"),
            unknown("mm[Hg] (code) against kPa (unit)"),
        ),
        (
            mdc,
            Some("266016"),
            Some("kPa"),
            unknown("266016 (code) against kPa (unit)"),
        ),
        (mdc, Some("mm[Hg]"), None, unknown("mm[Hg]")),
        (
            Some("http://snomed.info/sct"),
            Some("259018001"),
            Some("mmHg"),
            unknown("259018001 of system http://snomed.info/sct"),
        ),
        (
            Some("http://unitsofmeasure.org/"),
            None,
            Some("mmHg"),
            unknown("mmHg of system http://unitsofmeasure.org/"),
        ),
    ];
    for (system, code, unit, expected) in table {
        let outcome = to_mmhg(decimal("1"), system, code, unit);
        assert_eq!(outcome, expected, "{system:?} {code:?} {unit:?}");
    }
    assert!(
        octofhir_ucum::convert(1.0, "kg", "mm[Hg]").is_err(),
        "the oracle refuses a mass too"
    );
}
