//! Conditions, ages, examples and marks in words.

use crate::recognise::{ContextKind, Method, Side};
use crate::rules::Ages;
use crate::rules::sheet::{Example, ExampleReading, Rule, RuleKind, Sheet, ThresholdComparator};

/// Ages, regions and context of a rule in words.
pub fn applies_to(rule: &Rule, sheet: &Sheet) -> String {
    // For everybody that the sheet is for.
    let ages = if rule.ages == Ages::Any { sheet.ages } else { rule.ages };
    let mut words = vec![ages.words().to_owned()];
    if !rule.regions.is_empty() {
        words.push(format!("regions: {}", rule.regions.join(", ")));
    }
    words.extend(rule.context.map(|context| format!("only {}", context_words(context))));
    words.join("; ")
}

/// "while anaesthesia is recorded".
pub fn context_words(context: ContextKind) -> &'static str {
    match context {
        ContextKind::Anaesthesia => "while anaesthesia is recorded",
        ContextKind::AfterIschaemia => "after recorded ischaemia",
    }
}

/// "above 20 and at or below 30 mmHg".
pub fn band(lower: Option<i64>, upper: i64, comparator: ThresholdComparator) -> String {
    let words = comparator.words();
    match (lower, comparator) {
        (None, _) => format!("{words} {upper} mmHg"),
        (Some(lower), ThresholdComparator::AtOrBelow) => format!("above {lower} and {words} {upper} mmHg"),
        (Some(lower), ThresholdComparator::Below) => format!("at or above {lower} and {words} {upper} mmHg"),
    }
}

/// The condition of a rule in words.
pub fn condition(kind: RuleKind, sheet: &Sheet) -> String {
    let words = sheet.comparator.words();
    let band = |lower: Option<i64>, upper: i64| band(lower, upper, sheet.comparator);
    match kind {
        RuleKind::Delta { lower, upper } => {
            format!("the delta pressure of a compartment reading is {}", band(lower, upper))
        }
        RuleKind::Carried { lower, upper } => format!(
            "a newer diastolic minus the last compartment reading of the site is {}",
            band(lower, upper)
        ),
        RuleKind::Sustained {
            upper,
            minutes,
            readings,
        } => format!(
            "the delta pressure is {words} {upper} mmHg in at least {readings} readings of a site that span at least \
             {minutes} minutes, with no usable reading above between them"
        ),
        RuleKind::Absolute { at_or_above } => format!(
            "the compartment pressure alone is at or above {at_or_above} mmHg, with or without a diastolic, unless the \
             delta pressure already meets an alert"
        ),
        RuleKind::MeanDelta { lower, upper } => format!(
            "the mean arterial pressure beside a compartment reading minus that reading is {}",
            band(lower, upper)
        ),
        RuleKind::Trend {
            upper,
            readings,
            last_readings,
            minutes,
            window_minutes,
            horizon_minutes,
        } => format!(
            "a robust line (Theil-Sen) through the last {readings} to {last_readings} delta pressures of a site, over at \
             least {minutes} and at most {window_minutes} minutes, falls and reaches {upper} mmHg within {horizon_minutes} minutes, while the newest \
             is still above"
        ),
        RuleKind::Overdue { after, minutes } => format!(
            "a concern of the limb is \"{after}\", and {minutes} minutes have passed since its alert and since the \
             newest compartment reading of the site"
        ),
        RuleKind::ReadingsDisagree { minutes, more_than } => format!(
            "the newest compartment reading of a site and another one within {minutes} minutes before it differ by more \
             than {more_than} mmHg"
        ),
        RuleKind::MethodsDisagree { minutes, more_than } => format!(
            "a diastolic by arterial line and one by cuff within {minutes} minutes of each other, beside the newest \
             compartment reading, differ by more than {more_than} mmHg"
        ),
        RuleKind::DiastolicMissing => String::from("the newest compartment reading of a site has no usable diastolic"),
        RuleKind::SideMissing => String::from("the newest compartment reading of a site does not say which side"),
        RuleKind::CompartmentImplausible => {
            String::from("the newest compartment reading of a site is outside the plausible range")
        }
        RuleKind::CompartmentVerify => format!(
            "the newest compartment reading of a site is below 0 or above {} mmHg",
            sheet.plausible.compartment_verify_above
        ),
        RuleKind::DiastolicImplausible => {
            String::from("the newest diastolic of a patient with compartment readings is outside the plausible range")
        }
        RuleKind::CompartmentUnusable => {
            String::from("a compartment reading could not be used at all, and no usable one has been recorded since")
        }
    }
}

/// "diastolic 70 at minute 0; pressure 40 at minute 2".
pub(super) fn readings_words(example: &Example) -> String {
    let readings: Vec<String> = example.readings.iter().map(reading_words).collect();
    readings.join("; ")
}

fn reading_words(reading: &ExampleReading) -> String {
    let mut parts = Vec::new();
    if let Some(diastolic) = reading.diastolic {
        parts.push(format!("diastolic {diastolic}"));
    }
    parts.extend(reading.mean.map(|mean| format!("mean {mean}")));
    if let Some(method) = reading.method {
        parts.push(match method {
            Method::Unstated => String::from("method not stated"),
            known => format!("by {}", method_words(known)),
        });
    }
    if let Some(pressure) = reading.pressure {
        let side = match reading.side {
            Some(Side::Unstated) => ", side not stated",
            Some(Side::Right) => ", right",
            Some(Side::Left) | None => "",
        };
        parts.push(format!("pressure {pressure}{side}"));
    }
    if let Some(reason) = reading.unusable {
        parts.push(format!("a compartment reading set aside as {}", reason.code()));
    }
    if let Some(context) = reading.context {
        let what = match context {
            ContextKind::Anaesthesia => "anaesthesia begins",
            ContextKind::AfterIschaemia => "blood flow returns after ischaemia",
        };
        parts.push(match reading.context_ends {
            Some(end) => format!("{what}, to minute {end}"),
            None => what.to_owned(),
        });
    }
    format!("minute {}: {}", reading.minute, parts.join(", "))
}

/// What a mark says of a citation.
pub fn mark_words(mark: &str) -> &'static str {
    match mark {
        "C" => "the figure was read in the public text of the source",
        "C2" => "the figure was read only in a secondary or unrefereed text",
        "M" => "from memory, not confirmed in public text",
        _ => "derived or chosen by the authors of the sheet, not published",
    }
}

pub(super) fn method_words(method: Method) -> &'static str {
    match method {
        Method::Cuff => "cuff",
        Method::ArterialLine => "arterial line",
        Method::Needle => "needle",
        Method::Catheter => "catheter",
        Method::Unstated => "not stated",
    }
}
