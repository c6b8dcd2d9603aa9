//! One numeric parameter of a sheet, by its name: read it, or set it for a trial. Pure.
//!
//! A sheet with another number is another sheet: it has another hash, nobody approved it, and its
//! examples may no longer hold. It is for replay, never for patients.

use super::sheet::SheetError;
use super::{ApprovalRecord, RuleKind, Sheet};

/// The name of the threshold at which the sheet alerts, with all that goes with it.
pub const DELTA_THRESHOLD: &str = "delta_threshold";

/// Every parameter of a sheet with its number, in order: `delta_threshold`, the tables
/// (`pairing.before_minutes`), then each rule's (`delta-30.upper_mmhg`).
pub fn all(sheet: &Sheet) -> Vec<(String, i64)> {
    let mut named = Vec::new();
    if sheet.alert_threshold() != i64::MIN {
        named.push((String::from(DELTA_THRESHOLD), sheet.alert_threshold()));
    }
    let mut sheet = sheet.clone();
    for (name, number) in tables(&mut sheet) {
        named.push((name.to_owned(), *number));
    }
    named.push((
        String::from("concern.close_after_readings"),
        i64::try_from(sheet.close_after_readings).unwrap_or(i64::MAX),
    ));
    for rule in &sheet.rules {
        let of_rule = of_kind(rule.kind).into_iter();
        named.extend(of_rule.map(|(name, number)| (format!("{}.{name}", rule.id), number)));
    }
    named
}

fn tables(sheet: &mut Sheet) -> [(&'static str, &mut i64); 14] {
    let (pairing, plausible) = (&mut sheet.pairing, &mut sheet.plausible);
    [
        ("adult_from_years", &mut sheet.adult_from_years),
        ("pairing.before_minutes", &mut pairing.before_minutes),
        ("pairing.after_minutes", &mut pairing.after_minutes),
        ("pairing.simultaneous_minutes", &mut pairing.simultaneous_minutes),
        ("pairing.paired_minutes", &mut pairing.paired_minutes),
        ("pairing.carry_minutes", &mut pairing.carry_minutes),
        ("pairing.clock_skew_minutes", &mut pairing.clock_skew_minutes),
        ("plausible.compartment_low", &mut plausible.compartment_low),
        ("plausible.compartment_high", &mut plausible.compartment_high),
        (
            "plausible.compartment_verify_above",
            &mut plausible.compartment_verify_above,
        ),
        ("plausible.diastolic_low", &mut plausible.diastolic_low),
        ("plausible.diastolic_high", &mut plausible.diastolic_high),
        ("anaesthesia.before_minutes", &mut sheet.anaesthesia.before_minutes),
        ("concern.close_after_minutes", &mut sheet.close_after_minutes),
    ]
}

/// The numbers of a rule, by the names of the file.
fn of_kind(kind: RuleKind) -> Vec<(&'static str, i64)> {
    let count = |count: usize| i64::try_from(count).unwrap_or(i64::MAX);
    match kind {
        RuleKind::Delta { lower, upper }
        | RuleKind::Carried { lower, upper }
        | RuleKind::MeanDelta { lower, upper } => {
            let lower = lower.map(|lower| ("lower_mmhg", lower));
            lower.into_iter().chain([("upper_mmhg", upper)]).collect()
        }
        RuleKind::Sustained {
            upper,
            minutes,
            readings,
        } => vec![
            ("upper_mmhg", upper),
            ("minutes", minutes),
            ("readings", count(readings)),
        ],
        RuleKind::Absolute { at_or_above } => vec![("at_or_above_mmhg", at_or_above)],
        RuleKind::Trend {
            upper,
            readings,
            last_readings,
            minutes,
            window_minutes,
            horizon_minutes,
        } => vec![
            ("upper_mmhg", upper),
            ("readings", count(readings)),
            ("last_readings", count(last_readings)),
            ("minutes", minutes),
            ("window_minutes", window_minutes),
            ("horizon_minutes", horizon_minutes),
        ],
        RuleKind::Overdue { minutes, .. } => vec![("minutes", minutes)],
        RuleKind::ReadingsDisagree { minutes, more_than } | RuleKind::MethodsDisagree { minutes, more_than } => {
            vec![("minutes", minutes), ("more_than_mmhg", more_than)]
        }
        RuleKind::DiastolicMissing
        | RuleKind::SideMissing
        | RuleKind::CompartmentImplausible
        | RuleKind::CompartmentVerify
        | RuleKind::DiastolicImplausible
        | RuleKind::CompartmentUnusable => Vec::new(),
    }
}

/// The sheet with one parameter set. `delta_threshold` moves the alert threshold and everything that
/// stands at it or would be crossed by it: of every delta, carried, sustained and trend rule a
/// number below the old threshold stays at most the new one, a number above it at least; a band
/// that is left without room goes. Any other name sets exactly that number.
///
/// # Errors
/// When the sheet has no such parameter, or the number makes no sense there.
pub fn with(sheet: &Sheet, name: &str, value: i64) -> Result<Sheet, SheetError> {
    let mut trial = sheet.clone();
    match name {
        DELTA_THRESHOLD => move_threshold(&mut trial, value),
        "concern.close_after_readings" => {
            trial.close_after_readings = usize::try_from(value).unwrap_or(0);
        }
        _ => {
            let found = tables(&mut trial).into_iter().find(|(known, _)| *known == name);
            let set = match found {
                Some((_, number)) => {
                    *number = value;
                    true
                }
                None => set_of_rule(&mut trial, name, value),
            };
            if !set {
                let known: Vec<String> = all(sheet).into_iter().map(|(name, _)| name).collect();
                let message = format!(
                    "there is no numeric parameter {name:?}; there are: {}",
                    known.join(", ")
                );
                return Err(SheetError::of_whole(&sheet.file, message));
            }
        }
    }
    if let Some(fault) = fault(&trial) {
        let message = format!("{name} = {value} makes no sense: {fault}");
        return Err(SheetError::of_whole(&sheet.file, message));
    }
    trial.alert_threshold = super::read::alert_threshold(&trial.rules);
    trial.hash = format!("{} with {name} = {value}", sheet.hash);
    trial.record = ApprovalRecord::default();
    Ok(trial)
}

fn move_threshold(sheet: &mut Sheet, to: i64) {
    let from = sheet.alert_threshold;
    let moved = |number: i64| match number.cmp(&from) {
        std::cmp::Ordering::Less => number.min(to),
        std::cmp::Ordering::Equal => to,
        std::cmp::Ordering::Greater => number.max(to),
    };
    for rule in &mut sheet.rules {
        match &mut rule.kind {
            RuleKind::Delta { lower, upper } | RuleKind::Carried { lower, upper } => {
                *lower = lower.map(moved);
                *upper = moved(*upper);
            }
            RuleKind::Sustained { upper, .. } | RuleKind::Trend { upper, .. } => *upper = moved(*upper),
            _ => {}
        }
    }
    sheet.rules.retain(|rule| match rule.kind {
        RuleKind::Delta { lower, upper } | RuleKind::Carried { lower, upper } => {
            lower.is_none_or(|lower| lower < upper)
        }
        _ => true,
    });
}

fn set_of_rule(sheet: &mut Sheet, name: &str, value: i64) -> bool {
    let Some((id, parameter)) = name.rsplit_once('.') else {
        return false;
    };
    let Some(rule) = sheet.rules.iter_mut().find(|rule| rule.id == id) else {
        return false;
    };
    let count = usize::try_from(value).unwrap_or(0);
    match (&mut rule.kind, parameter) {
        (
            RuleKind::Delta { upper, .. }
            | RuleKind::Carried { upper, .. }
            | RuleKind::MeanDelta { upper, .. }
            | RuleKind::Sustained { upper, .. }
            | RuleKind::Trend { upper, .. },
            "upper_mmhg",
        ) => *upper = value,
        (
            RuleKind::Delta { lower: Some(lower), .. }
            | RuleKind::Carried { lower: Some(lower), .. }
            | RuleKind::MeanDelta { lower: Some(lower), .. },
            "lower_mmhg",
        ) => *lower = value,
        (RuleKind::Absolute { at_or_above }, "at_or_above_mmhg") => *at_or_above = value,
        (
            RuleKind::Sustained { minutes, .. }
            | RuleKind::Trend { minutes, .. }
            | RuleKind::Overdue { minutes, .. }
            | RuleKind::ReadingsDisagree { minutes, .. }
            | RuleKind::MethodsDisagree { minutes, .. },
            "minutes",
        ) => *minutes = value,
        (RuleKind::Trend { window_minutes, .. }, "window_minutes") => *window_minutes = value,
        (RuleKind::Trend { horizon_minutes, .. }, "horizon_minutes") => *horizon_minutes = value,
        (RuleKind::Trend { last_readings, .. }, "last_readings") => *last_readings = count,
        (RuleKind::Sustained { readings, .. } | RuleKind::Trend { readings, .. }, "readings") => *readings = count,
        (
            RuleKind::ReadingsDisagree { more_than, .. } | RuleKind::MethodsDisagree { more_than, .. },
            "more_than_mmhg",
        ) => *more_than = value,
        _ => return false,
    }
    true
}

/// What a trial may not be, by the limits of `rules::read` and `rules::kind`.
fn fault(sheet: &Sheet) -> Option<String> {
    let pairing = &sheet.pairing;
    let ordered = 0 <= pairing.simultaneous_minutes
        && pairing.simultaneous_minutes <= pairing.paired_minutes
        && pairing.paired_minutes <= pairing.before_minutes
        && (0..=24 * 60).contains(&pairing.before_minutes)
        && (0..=24 * 60).contains(&pairing.after_minutes)
        && (0..=24 * 60).contains(&pairing.clock_skew_minutes)
        && (0..=48 * 60).contains(&pairing.carry_minutes);
    if !ordered {
        return Some(String::from(
            "[pairing] needs 0 <= simultaneous <= paired <= before <= 1440 minutes, 0 <= after and clock_skew <= 1440, and \
             0 <= carry <= 2880",
        ));
    }
    if !(1..=20).contains(&sheet.close_after_readings) || !(0..=24 * 60).contains(&sheet.close_after_minutes) {
        return Some(String::from(
            "[concern] needs 1 to 20 close_after_readings and 0 to 1440 close_after_minutes",
        ));
    }
    let plausible = &sheet.plausible;
    if plausible.compartment_low >= plausible.compartment_verify_above
        || plausible.compartment_verify_above > plausible.compartment_high
        || plausible.diastolic_low >= plausible.diastolic_high
        || !(1..=120).contains(&sheet.adult_from_years)
        || sheet.anaesthesia.before_minutes < 0
    {
        return Some(String::from("a low must be below its high, an age from 1 to 120"));
    }
    let wrong = sheet.rules.iter().find(|rule| !is_sound(rule.kind));
    wrong.map(|rule| format!("rule {:?} would be without room or beyond its limits", rule.id))
}

fn is_sound(kind: RuleKind) -> bool {
    match kind {
        RuleKind::Delta { lower, upper }
        | RuleKind::Carried { lower, upper }
        | RuleKind::MeanDelta { lower, upper } => lower.is_none_or(|lower| lower < upper),
        RuleKind::Sustained { minutes, readings, .. } => minutes >= 1 && readings >= 2,
        RuleKind::Trend {
            readings,
            last_readings,
            minutes,
            window_minutes,
            horizon_minutes,
            ..
        } => {
            readings >= 3
                && (readings..=super::sheet::TREND_READINGS_MAX).contains(&last_readings)
                && (1..=48 * 60).contains(&minutes)
                && (1..=48 * 60).contains(&window_minutes)
                && (1..=24 * 60).contains(&horizon_minutes)
        }
        RuleKind::Overdue { minutes, .. } => (1..=48 * 60).contains(&minutes),
        RuleKind::ReadingsDisagree { minutes, more_than } | RuleKind::MethodsDisagree { minutes, more_than } => {
            (0..=60).contains(&minutes) && (0..=200).contains(&more_than)
        }
        _ => true,
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn bands(sheet: &Sheet) -> Vec<(String, Option<i64>, i64)> {
        let band = |rule: &crate::rules::Rule| match rule.kind {
            RuleKind::Delta { lower, upper } | RuleKind::Carried { lower, upper } => {
                Some((rule.id.clone(), lower, upper))
            }
            _ => None,
        };
        sheet.rules.iter().filter_map(band).collect()
    }

    /// Below 20 the stricter critical threshold moves along, above 40 the watch band has no room.
    #[test]
    fn the_threshold_takes_along_what_it_would_cross() {
        let sheet = Sheet::adult().unwrap();
        let at = |value| with(&sheet, DELTA_THRESHOLD, value).unwrap();
        assert_eq!(bands(&at(30)), bands(&sheet));
        let name = String::from;
        assert_eq!(
            bands(&at(10)),
            [
                (name("delta-none-left"), None, 0),
                (name("delta-20"), Some(0), 10),
                (name("delta-carried-20"), None, 10),
                (name("delta-near"), Some(10), 40),
            ]
        );
        assert_eq!(
            bands(&at(45)),
            [
                (name("delta-none-left"), None, 0),
                (name("delta-20"), Some(0), 20),
                (name("delta-30"), Some(20), 45),
                (name("delta-carried-20"), None, 20),
                (name("delta-carried-30"), Some(20), 45),
            ]
        );
        assert_eq!(at(10).alert_threshold(), 10);
        assert_eq!(at(45).alert_threshold(), 45);
        assert_ne!(at(45).hash, sheet.hash);
    }

    #[test]
    fn every_parameter_can_be_set_to_what_it_is_and_an_unknown_one_is_named() {
        let sheet = Sheet::adult().unwrap();
        for (name, value) in all(&sheet) {
            let trial = with(&sheet, &name, value).unwrap();
            assert_eq!(
                (trial.rules, trial.pairing),
                (sheet.rules.clone(), sheet.pairing.clone()),
                "{name}"
            );
        }
        let error = with(&sheet, "delta-30.upper", 25).unwrap_err().to_string();
        assert!(error.contains("delta-30.upper_mmhg"), "{error}");
        assert!(with(&sheet, "delta-30.upper_mmhg", 20).is_err());
        assert!(with(&sheet, "concern.close_after_readings", 0).is_err());
    }
}
