//! A rule sheet as a plain-text document for the committee that answers for it. Pure.
//!
//! Everything that decides is in it, with its source and how far that source was read.

use super::sheet::{Example, ExampleReading, Expect, Rule, RuleKind, Sheet, ThresholdComparator};
use crate::recognise::{ContextKind, Method, Side};

/// Columns of the document.
const WIDTH: usize = 100;

/// The whole sheet, wrapped at 100 columns, lines ending in `\n`.
pub fn show(sheet: &Sheet) -> String {
    let mut page = Page::default();
    page.heading(&sheet.title, '=');
    page.field("Sheet", &format!("{}, version {}", sheet.id, sheet.version));
    page.field("SHA-256", &sheet.hash);
    page.field(
        "Ages",
        &format!(
            "from {} years; below that, every message says that the adult rule is not validated in children, and \
             rules marked so do not run",
            sheet.adult_from_years
        ),
    );
    page.blank();
    page.paragraph(
        0,
        "Delta pressure is the diastolic pressure minus the compartment pressure, in mmHg. A rule that does not hold \
         says nothing about the limb: it says only that the readings received do not meet it. The diagnosis is \
         clinical, and a measurement must not delay treatment.",
    );
    thresholds(&mut page, sheet);
    pairing(&mut page, sheet);
    plausible(&mut page, sheet);
    page.heading("Rules", '-');
    for (number, rule) in sheet.rules.iter().enumerate() {
        show_rule(&mut page, sheet, number + 1, rule);
    }
    marks(&mut page);
    page.text
}

fn thresholds(page: &mut Page, sheet: &Sheet) {
    page.heading("Thresholds", '-');
    let comparator = match sheet.comparator {
        ThresholdComparator::AtOrBelow => "a delta at or below the threshold meets it: exactly 30 meets 30",
        ThresholdComparator::Below => "only a delta below the threshold meets it: exactly 30 does not meet 30",
    };
    page.item(comparator);
    page.item("compared as shown: whole mmHg, a half going toward the alert (30.5 is compared as 30)");
    for rule in &sheet.rules {
        if let Some(threshold) = threshold(rule.kind, sheet) {
            page.item(&format!("{} ({}): {threshold}", rule.id, rule.tier));
        }
    }
    page.item(&format!(
        "a concern closes only after {} usable readings in a row (for a carried delta: diastolics), over at least {} minutes, that hold no rule",
        sheet.close_after_readings, sheet.close_after_minutes
    ));
}

/// The numbers of a rule in a few words; None for a rule without numbers.
fn threshold(kind: RuleKind, sheet: &Sheet) -> Option<String> {
    let words = sheet.comparator.words();
    match kind {
        RuleKind::Delta { upper, .. } => Some(format!("{words} {upper} mmHg")),
        RuleKind::Carried { upper, .. } => Some(format!("{words} {upper} mmHg against a newer diastolic")),
        RuleKind::Sustained { upper, minutes, .. } => Some(format!("{words} {upper} mmHg for {minutes} minutes")),
        RuleKind::Absolute { at_or_above } => Some(format!("compartment pressure at or above {at_or_above} mmHg")),
        _ => None,
    }
}

fn pairing(page: &mut Page, sheet: &Sheet) {
    let limits = &sheet.pairing;
    page.heading("Which diastolic", '-');
    page.paragraph(
        0,
        "There is no published period for which a diastolic stays valid; these limits are the sheet's own.",
    );
    page.item(&format!(
        "the nearest in time, from {} minutes before to {} minutes after the compartment reading",
        limits.before_minutes, limits.after_minutes
    ));
    page.item(&format!(
        "called simultaneous up to {} minutes apart, paired up to {}, stale beyond; a stale one alerts and is \
         labelled, and does not help to close a concern",
        limits.simultaneous_minutes, limits.paired_minutes
    ));
    page.item(&format!(
        "a newer diastolic is compared with the last compartment reading for {} minutes (carried delta)",
        limits.carry_minutes
    ));
    page.item(&format!(
        "a reading more than {} minutes in the future is kept until its time has come",
        limits.clock_skew_minutes
    ));
    if limits.method_order.is_empty() {
        page.item("no method of measurement is preferred");
    } else {
        let order: Vec<&str> = limits.method_order.iter().map(|method| method_words(*method)).collect();
        page.item(&format!(
            "among diastolics within {} minutes of the nearest, preferred: {}",
            limits.simultaneous_minutes,
            order.join(", then ")
        ));
    }
}

fn method_words(method: Method) -> &'static str {
    match method {
        Method::Cuff => "cuff",
        Method::ArterialLine => "arterial line",
        Method::Needle => "needle",
        Method::Catheter => "catheter",
        Method::Unstated => "not stated",
    }
}

fn plausible(page: &mut Page, sheet: &Sheet) {
    let range = &sheet.plausible;
    page.heading("Plausible readings", '-');
    page.item(&format!(
        "compartment pressure from {} to {} mmHg; verification is asked for below 0 and above {}",
        range.compartment_low, range.compartment_high, range.compartment_verify_above
    ));
    page.item(&format!(
        "diastolic from {} to {} mmHg",
        range.diastolic_low, range.diastolic_high
    ));
    page.item("outside these ranges a reading is kept, shown and not used, and a check is raised");
}

fn show_rule(page: &mut Page, sheet: &Sheet, number: usize, rule: &Rule) {
    page.paragraph(0, &format!("{number}. {} raises \"{}\"", rule.id, rule.tier));
    page.field("Holds when", &condition(rule.kind, sheet));
    page.field("Applies to", &applies_to(rule));
    page.field("Says", &rule.says);
    page.field("Do next", &rule.next);
    page.field("Source", &rule.citation);
    page.field("Mark", &format!("{}: {}", rule.mark, mark_words(&rule.mark)));
    page.field("Shown in", &rule.population);
    page.field("Known failure", &rule.known_failure);
    for (position, example) in rule.examples.iter().enumerate() {
        page.field(&format!("Example {}", position + 1), &example_words(example));
    }
    page.blank();
}

/// Ages, regions and context of a rule in words.
pub fn applies_to(rule: &Rule) -> String {
    let mut words = vec![rule.ages.words().to_owned()];
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
            window_minutes,
            horizon_minutes,
        } => format!(
            "a robust line (Theil-Sen) through the last {readings} to {last_readings} delta pressures of a site within \
             {window_minutes} minutes falls and reaches {upper} mmHg within {horizon_minutes} minutes, while the newest \
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

fn example_words(example: &Example) -> String {
    let readings: Vec<String> = example.readings.iter().map(reading_words).collect();
    let expect = match example.expect {
        Expect::Holds => "holds",
        Expect::DoesNotHold => "does not hold",
    };
    let asked = example
        .at_minute
        .map(|minute| format!("; asked at minute {minute}"))
        .unwrap_or_default();
    format!("{expect}: {}{asked} ({})", readings.join("; "), example.why)
}

fn reading_words(reading: &ExampleReading) -> String {
    let mut parts = Vec::new();
    if let Some(diastolic) = reading.diastolic {
        parts.push(format!("diastolic {diastolic}"));
    }
    parts.extend(reading.mean.map(|mean| format!("mean {mean}")));
    if let Some(method) = reading.method {
        parts.push(String::from(match method {
            Method::Cuff => "by cuff",
            Method::ArterialLine => "by arterial line",
            Method::Needle => "by needle",
            Method::Catheter => "by catheter",
            Method::Unstated => "method not stated",
        }));
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
fn mark_words(mark: &str) -> &'static str {
    match mark {
        "C" => "the figure was read in the public text of the source",
        "C2" => "the figure was read only in a secondary or unrefereed text",
        "M" => "from memory, not confirmed in public text",
        _ => "derived or chosen by the authors of the sheet, not published",
    }
}

fn marks(page: &mut Page) {
    page.heading("Marks", '-');
    for mark in ["C", "C2", "M", "D"] {
        page.item(&format!("{mark}: {}", mark_words(mark)));
    }
}

/// Text under construction.
#[derive(Default)]
struct Page {
    text: String,
}

impl Page {
    fn blank(&mut self) {
        self.text.push('\n');
    }

    fn heading(&mut self, title: &str, underline: char) {
        if !self.text.is_empty() && !self.text.ends_with("\n\n") {
            self.blank();
        }
        let before = self.text.len();
        self.wrapped("", "", title);
        let columns = self.text[before..].lines().map(|line| line.chars().count()).max();
        self.text.extend(std::iter::repeat_n(underline, columns.unwrap_or(0)));
        self.text.push('\n');
    }

    fn paragraph(&mut self, indent: usize, text: &str) {
        let indent = " ".repeat(indent);
        self.wrapped(&indent, &indent, text);
    }

    fn item(&mut self, text: &str) {
        self.wrapped("- ", "  ", text);
    }

    fn field(&mut self, name: &str, text: &str) {
        let first = format!("   {:<12}", format!("{name}:"));
        self.wrapped(&first, &" ".repeat(15), text);
    }

    /// Words of `text` on lines of at most [`WIDTH`] columns; a longer word stands alone.
    fn wrapped(&mut self, first: &str, then: &str, text: &str) {
        let mut line = String::from(first);
        let mut columns = first.chars().count();
        let mut fresh = true;
        for word in text.split_whitespace() {
            let length = word.chars().count();
            if !fresh && columns + 1 + length > WIDTH {
                self.text.push_str(line.trim_end());
                self.text.push('\n');
                line = String::from(then);
                columns = then.chars().count();
                fresh = true;
            }
            if !fresh {
                line.push(' ');
                columns += 1;
            }
            line.push_str(word);
            columns += length;
            fresh = false;
        }
        self.text.push_str(line.trim_end());
        self.text.push('\n');
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::rules::sheet::ADULT;

    /// One line, so that a phrase is found wherever it was wrapped.
    fn flat(text: &str) -> String {
        text.split_whitespace().collect::<Vec<_>>().join(" ")
    }

    #[test]
    fn everything_that_decides_is_shown() {
        let sheet = Sheet::adult().unwrap();
        let page = flat(&show(&sheet));
        let has = |text: &str| assert!(page.contains(&flat(text)), "{text:?} is missing");
        for rule in &sheet.rules {
            for text in [&rule.id, &rule.citation, &rule.says, &rule.next] {
                has(text);
            }
            has(&format!("Mark: {}: {}", rule.mark, mark_words(&rule.mark)));
            for example in &rule.examples {
                has(&example.why);
            }
        }
        has(&sheet.hash);
        has("adult-limb, version 1.0.0");
        has("exactly 30 meets 30");
        has("above 20 and at or below 30 mmHg");
        has("from 60 minutes before to 5 minutes after");
        has("minute 0: diastolic 70; minute 2: pressure 40");
    }

    #[test]
    fn the_strict_comparator_is_shown_as_strict() {
        let text = ADULT.replace("comparator = \"at-or-below\"", "comparator = \"below\"");
        let page = flat(&show(&Sheet::parse("strict", &text).unwrap()));
        assert!(page.contains("exactly 30 does not meet 30"));
        assert!(page.contains("at or above 20 and below 30 mmHg"));
        assert!(!page.contains("exactly 30 meets 30"));
    }

    #[test]
    fn no_line_is_wider_than_100_columns_and_none_is_an_all_clear() {
        let page = show(&Sheet::adult().unwrap());
        for line in page.lines() {
            assert!(line.chars().count() <= WIDTH, "{line}");
        }
        let lower = page.to_lowercase();
        for word in [
            "safe",
            "normal",
            "ruled out",
            "excluded",
            "all clear",
            "all-clear",
            "wait",
        ] {
            assert!(!lower.contains(word), "{word}");
        }
    }
}
