//! What stands in the document.

use super::words::{applies_to, condition, mark_words, method_words, readings_words};
use crate::outbox::wording::CAUTIONS;
use crate::rules::notes::notes;
use crate::rules::sheet::{Example, Expect, Rule, Sheet, ThresholdComparator};
use crate::rules::{Ages, Tier};

/// The document, free of any look.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Document {
    /// Title for people.
    pub title: String,
    /// For the foot of a printed page: "adult-limb 1.1.0 · SHA-256 …".
    pub foot: String,
    /// Sheet, version, hash, approval.
    pub facts: Vec<(&'static str, String)>,
    /// In order.
    pub sections: Vec<Section>,
}

/// A section with its heading.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Section {
    /// Heading.
    pub heading: &'static str,
    /// Content.
    pub blocks: Vec<Block>,
}

/// A piece of a section.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Block {
    /// Running text.
    Paragraph(String),
    /// Items.
    List(Vec<String>),
    /// A table.
    Table(Table),
    /// One rule in full.
    Rule {
        /// "3. delta-30".
        heading: String,
        /// What it raises.
        tier: Tier,
        /// Version, condition, texts, source.
        facts: Vec<(&'static str, String)>,
        /// Its examples.
        examples: Table,
    },
    /// So many empty lines for role, date, decision and signature.
    Signatures(usize),
}

/// A table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Table {
    /// What it shows.
    pub caption: String,
    /// Headings.
    pub columns: Vec<&'static str>,
    /// As many cells a row as there are columns.
    pub rows: Vec<Vec<Cell>>,
}

/// A cell.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Cell {
    /// Words.
    Words(String),
    /// A tier.
    Tier(Tier),
    /// The name of a rule.
    Rule(String),
}

/// The columns of the block for signatures.
pub(super) const SIGNATURE_COLUMNS: [&str; 4] = ["Role", "Date", "Decision", "Signature"];

/// The document of a sheet.
pub fn document(sheet: &Sheet) -> Document {
    Document {
        title: sheet.title.clone(),
        foot: format!("{} {} · SHA-256 {}", sheet.id, sheet.version, sheet.hash),
        facts: vec![
            ("Sheet", sheet.id.clone()),
            ("Version", sheet.version.clone()),
            ("SHA-256", sheet.hash.clone()),
            ("Approval", approval(sheet)),
        ],
        sections: vec![
            section("Whom it is for", vec![Block::Paragraph(whom(sheet))]),
            section("How to read it", reading(sheet)),
            section("Thresholds at a glance", vec![Block::Table(thresholds(sheet))]),
            section("The rules in full", rules(sheet)),
            section("Pairing, plausibility, closing", parameters(sheet)),
            section("Cautions", vec![Block::List(cautions())]),
            section(
                "What this sheet does not cover",
                vec![Block::List(sheet.not_covered.clone())],
            ),
            section("Against the built-in sheet", against(sheet)),
            section("Decision", decision(sheet)),
        ],
    }
}

/// What differs from the sheet that the program carries, so that nothing is gone unread.
fn against(sheet: &Sheet) -> Vec<Block> {
    let notes = notes(sheet);
    if notes.is_empty() {
        return vec![Block::Paragraph(String::from("It decides as the built-in sheet does."))];
    }
    vec![Block::List(notes)]
}

fn section(heading: &'static str, blocks: Vec<Block>) -> Section {
    Section { heading, blocks }
}

fn approval(sheet: &Sheet) -> String {
    let words = sheet.record.words();
    let mut letters = words.chars();
    let first = letters.next().map(|letter| letter.to_uppercase().to_string());
    format!("{}{}.", first.unwrap_or_default(), letters.as_str())
}

fn whom(sheet: &Sheet) -> String {
    let years = sheet.adult_from_years;
    match sheet.ages {
        Ages::Adults => format!(
            "Patients from {years} years on, and whoever's age is not known (the message says so). Whoever may still be \
             below {years} by their recorded birth date is judged by the children's sheet."
        ),
        Ages::Children => format!(
            "Patients below {years} years by their recorded birth date; a birth date without a day counts as the latest \
             that it allows. All others are judged by the adults' sheet. The adult delta rules are not validated in \
             children, and every message says so."
        ),
        Ages::Any => format!(
            "All patients. Below {years} years every message says that the adult rule is not validated in children, and \
             rules for adults do not run."
        ),
    }
}

fn reading(sheet: &Sheet) -> Vec<Block> {
    let comparator = match sheet.comparator {
        ThresholdComparator::AtOrBelow => "A delta at or below the threshold meets it: exactly 30 meets 30.",
        ThresholdComparator::Below => "Only a delta below the threshold meets it: exactly 30 does not meet 30.",
    };
    let tiers = [
        (
            "critical",
            "examine and call the surgeon responsible now; the message is an alert, priority stat",
        ),
        (
            "act",
            "unconfirmed, examine and measure again now; an alert, priority stat",
        ),
        (
            "watch",
            "near the threshold, measure again early; a notification, priority urgent",
        ),
        (
            "check",
            "the measurement itself needs attention; a notification, priority urgent",
        ),
    ];
    let marks = ["C", "C2", "M", "D"].map(|mark| format!("Mark {mark}: {}.", mark_words(mark)));
    vec![
        Block::Paragraph(String::from(
            "Delta pressure is the diastolic pressure minus the compartment pressure, in mmHg. A rule that does not hold \
             says nothing about the limb: it says only that the readings received do not meet it. The diagnosis is \
             clinical, and a measurement must not delay treatment.",
        )),
        Block::Paragraph(format!(
            "{comparator} Compared is what is shown: whole mmHg, a half going toward the alert (30.5 is compared as 30)."
        )),
        Block::List(tiers.map(|(tier, words)| format!("Tier {tier}: {words}.")).into()),
        Block::List(marks.into()),
        Block::Paragraph(String::from(
            "Words in braces, such as {delta}, are filled in with the numbers of the readings. Each rule carries examples; \
             the service runs them all with its own code, and a sheet whose examples do not come out cannot be approved.",
        )),
    ]
}

/// Worst first; of equals the sheet's own order.
fn thresholds(sheet: &Sheet) -> Table {
    let mut rules: Vec<&Rule> = sheet.rules.iter().collect();
    rules.sort_by_key(|rule| std::cmp::Reverse(rule.tier));
    let row = |rule: &&Rule| {
        let mut holds = condition(rule.kind, sheet);
        if rule.ages != Ages::Any || !rule.regions.is_empty() || rule.context.is_some() {
            holds = format!("{holds} ({})", applies_to(rule, sheet));
        }
        vec![Cell::Tier(rule.tier), Cell::Rule(rule.id.clone()), Cell::Words(holds)]
    };
    Table {
        caption: String::from("Every rule, worst tier first"),
        columns: vec!["Tier", "Rule", "Holds when"],
        rows: rules.iter().map(row).collect(),
    }
}

fn rules(sheet: &Sheet) -> Vec<Block> {
    let rule = |(index, rule): (usize, &Rule)| Block::Rule {
        heading: format!("{}. {}", index + 1, rule.id),
        tier: rule.tier,
        facts: vec![
            ("Version", rule.version.clone()),
            ("Holds when", condition(rule.kind, sheet)),
            ("Applies to", applies_to(rule, sheet)),
            ("Says", rule.says.clone()),
            ("Do next", rule.next.clone()),
            ("Source", rule.citation.clone()),
            ("Mark", format!("{}: {}", rule.mark, mark_words(&rule.mark))),
            ("Shown in", rule.population.clone()),
            ("Known failure", rule.known_failure.clone()),
        ],
        examples: Table {
            caption: format!("Examples of {}", rule.id),
            columns: vec!["The rule", "Readings (minute, mmHg)", "Why"],
            rows: rule.examples.iter().map(example).collect(),
        },
    };
    sheet.rules.iter().enumerate().map(rule).collect()
}

fn example(example: &Example) -> Vec<Cell> {
    let mut expect = String::from(match example.expect {
        Expect::Holds => "holds",
        Expect::DoesNotHold => "does not hold",
    });
    if let Some(minute) = example.at_minute {
        expect = format!("{expect} at minute {minute}");
    }
    [expect, readings_words(example), example.why.clone()]
        .map(Cell::Words)
        .into()
}

fn parameters(sheet: &Sheet) -> Vec<Block> {
    let mut rows = pairing(sheet);
    let range = &sheet.plausible;
    rows.extend([
        (
            "Plausible compartment pressure",
            format!("{} to {} mmHg", range.compartment_low, range.compartment_high),
        ),
        (
            "Asks for verification",
            format!("below 0 and above {} mmHg", range.compartment_verify_above),
        ),
        ("Plausible diastolic", format!("{} to {} mmHg", range.diastolic_low, range.diastolic_high)),
        (
            "A concern closes after",
            format!(
                "{} usable readings in a row (for a carried delta: diastolics) that hold no rule, over at least {} minutes",
                sheet.close_after_readings, sheet.close_after_minutes
            ),
        ),
    ]);
    if let Some(session) = &sheet.session {
        let names: Vec<&str> = session.compartments.iter().map(|one| one.name.as_str()).collect();
        rows.push((
            "One round of measurements",
            format!(
                "readings of a limb within {} minutes; what is missing of {} is named, as information",
                session.minutes,
                names.join(", ")
            ),
        ));
    }
    rows.push((
        "Under anaesthesia",
        format!(
            "the delta against the last diastolic from {} minutes before its start stands beside the current one, which \
             alone raises an alert; without a recorded end it counts for {} minutes",
            sheet.anaesthesia.before_minutes, sheet.anaesthesia.open_end_minutes
        ),
    ));
    vec![
        Block::Paragraph(String::from(
            "All of these numbers are ours: they were chosen for this sheet and are not published (mark D). There is no \
             published period for which a diastolic stays valid. A reading outside the plausible range is kept, shown and \
             not used, and a check is raised.",
        )),
        Block::Table(Table {
            caption: String::from("Settings of the sheet"),
            columns: vec!["Setting", "Value", "Ground"],
            rows: rows
                .into_iter()
                .map(|(name, value)| {
                    [name.to_owned(), value, String::from("ours\u{a0}(D)")]
                        .map(Cell::Words)
                        .into()
                })
                .collect(),
        }),
    ]
}

fn pairing(sheet: &Sheet) -> Vec<(&'static str, String)> {
    let limits = &sheet.pairing;
    let order: Vec<&str> = limits.method_order.iter().map(|method| method_words(*method)).collect();
    let preferred = if order.is_empty() {
        String::from("none: only time decides")
    } else {
        format!(
            "among diastolics within {} minutes of the nearest: {}",
            limits.simultaneous_minutes,
            order.join(", then ")
        )
    };
    vec![
        (
            "Which diastolic",
            format!(
                "the nearest in time, from {} minutes before to {} minutes after the compartment reading",
                limits.before_minutes, limits.after_minutes
            ),
        ),
        (
            "Called simultaneous, paired, stale",
            format!(
                "up to {} minutes apart, up to {}, beyond; a stale one alerts, is labelled, and does not help to close",
                limits.simultaneous_minutes, limits.paired_minutes
            ),
        ),
        (
            "Carried delta",
            format!(
                "a newer diastolic is compared with the last compartment reading for {} minutes",
                limits.carry_minutes
            ),
        ),
        (
            "Clocks",
            format!(
                "a reading more than {} minutes in the future is kept until its time has come",
                limits.clock_skew_minutes
            ),
        ),
        ("Preferred methods", preferred),
    ]
}

fn cautions() -> Vec<String> {
    CAUTIONS
        .iter()
        .map(|caution| format!("{} ({})", caution.text, caution.source))
        .collect()
}

fn decision(sheet: &Sheet) -> Vec<Block> {
    let mut blocks = vec![Block::Paragraph(format!(
        "Whoever signs answers for exactly this text: {} {}, SHA-256 {}. A changed file has another hash and needs a new \
         decision; \"deltaward rules approve FILE --by ROLE --note TEXT\" records it.",
        sheet.id, sheet.version, sheet.hash
    ))];
    if sheet.approved() {
        let words = sheet
            .record
            .of_this
            .iter()
            .map(|approval| format!("Approved {}.", approval.words()));
        blocks.push(Block::List(words.collect()));
    }
    blocks.push(Block::Signatures(4));
    blocks
}
