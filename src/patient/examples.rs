//! Runs the examples of a rule sheet against the rules themselves. Pure.
//!
//! Comes in: a sheet. Goes out: the examples that the sheet's own numbers contradict. A sheet with
//! a failure says one thing and does another, so it must not be used.

use crate::fhir::{Decimal, Instant, Short};
use crate::patient::assess::{AskPolicy, Assessment, assess};
use crate::patient::effect::Input;
use crate::patient::state::State;
use crate::patient::step::step;
use crate::patient::words;
use crate::recognise::reading::{Pressure, ReadingStatus};
use crate::recognise::{
    COMPARTMENT_SYSTEM, Context, Kind, Meant, Method, PatientKey, Reading, Reason, Recognised, Refusal, Side, Site,
    Version,
};
use crate::rules::sheet::{Example, ExampleReading, Expect};
use crate::rules::{Ages, Sheet};
use std::collections::BTreeSet;
use std::fmt;

/// An example that is not as the sheet says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Failure {
    /// Rule id.
    pub rule: String,
    /// Which example of the rule, from 1.
    pub example: usize,
    /// What the sheet says of it.
    pub expect: Expect,
    /// Why the example is there, in the sheet's words.
    pub why: String,
    /// The rule's sentence in this example, when it asks for a number that this kind of rule has not.
    pub unfilled: Option<String>,
}

/// "rule delta-30, example 1 (70 and 40 give exactly 30): must hold and does not".
impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(sentence) = &self.unfilled {
            return write!(
                f,
                "rule {}, example {} ({}): its sentence asks for a number that this kind of rule has not: {sentence}",
                self.rule, self.example, self.why
            );
        }
        let outcome = match self.expect {
            Expect::Holds => "must hold and does not",
            Expect::DoesNotHold => "must not hold and does",
        };
        write!(
            f,
            "rule {}, example {} ({}): {outcome}",
            self.rule, self.example, self.why
        )
    }
}

/// Every example that fails, in the order of the sheet; empty when the sheet does what it says.
pub fn failures(sheet: &Sheet) -> Vec<Failure> {
    let mut failures = Vec::new();
    for (index, rule) in sheet.rules.iter().enumerate() {
        for (position, example) in rule.examples.iter().enumerate() {
            let found = outcome(sheet, index, example);
            if found.holds != (example.expect == Expect::Holds) || found.unfilled.is_some() {
                failures.push(Failure {
                    rule: rule.id.clone(),
                    example: position + 1,
                    expect: example.expect,
                    why: example.why.clone(),
                    unfilled: found.unfilled,
                });
            }
        }
    }
    failures
}

/// Does the rule hold when it is asked? The readings arrive one minute after the other, as on a
/// ward, for measuring again counts from the alert.
fn outcome(sheet: &Sheet, rule: usize, example: &Example) -> Outcome {
    let mut state = State::new(PatientKey(String::from("Patient/example")));
    let policy = AskPolicy {
        ask: false,
        timeout_seconds: 0,
    };
    // Age decides which rules run; a sheet for children is tried on one.
    if sheet.ages == Ages::Children {
        state.birth_date = Some(String::from("1965"));
    }
    let minutes: BTreeSet<i64> = example.readings.iter().map(|reading| reading.minute).collect();
    for minute in &minutes {
        let readings = example.readings.iter().enumerate();
        let of_minute = readings.filter(|(_, reading)| reading.minute == *minute);
        let inputs = of_minute.flat_map(|(index, reading)| inputs(index, reading)).collect();
        step(&mut state, inputs, sheet, policy, moment(*minute));
    }
    let last = minutes.last().copied().unwrap_or(0);
    let assessment = assess(&state, sheet, policy, moment(example.at_minute.unwrap_or(last)));
    Outcome {
        holds: holds_at_the_end(&assessment, rule),
        unfilled: unfilled(&assessment, sheet, rule),
    }
}

/// What an example shows.
struct Outcome {
    holds: bool,
    unfilled: Option<String>,
}

/// The rule's sentence where it is told, if a placeholder in it has no value.
fn unfilled(assessment: &Assessment<'_>, sheet: &Sheet, rule: usize) -> Option<String> {
    let rule = sheet.rules.get(rule)?;
    let asks = |sentence: &str| sentence.matches('?').count();
    let mut grounds = assessment
        .concerns
        .iter()
        .flat_map(|concern| words::grounds(assessment, concern, sheet));
    let told = grounds.find(|ground| ground.rule == rule.id)?;
    (asks(&told.sentence) > asks(&rule.says)).then_some(told.sentence)
}

/// On an open concern, or on the newest measurement of a site or its newest carried delta.
fn holds_at_the_end(assessment: &Assessment<'_>, rule: usize) -> bool {
    let in_concern = assessment
        .concerns
        .iter()
        .any(|concern| concern.rules.indexes().any(|index| index == rule));
    let newest = (0..assessment.sites.len()).filter_map(|site| assessment.of_site(site).next_back());
    let on_newest = newest.into_iter().any(|(_, measurement)| {
        let carried = measurement.carried.last().map(|carried| carried.rules);
        std::iter::once(measurement.rules)
            .chain(carried)
            .any(|rules| rules.indexes().any(|index| index == rule))
    });
    in_concern || on_newest
}

fn moment(minute: i64) -> Instant {
    Instant::from_millis(0).plus_minutes(minute)
}

/// One line of an example as sources of their own.
fn inputs(index: usize, example: &ExampleReading) -> Vec<Input> {
    let mut inputs = Vec::new();
    let mut add = |what: &str, change: &dyn Fn(&mut Recognised)| {
        let mut recognised = recognised(index, example, what);
        change(&mut recognised);
        inputs.push(Input::Recognised(recognised));
    };
    let pressures = [
        ("diastolic", Kind::Diastolic, example.diastolic),
        ("mean", Kind::Mean, example.mean),
        ("pressure", Kind::Compartment, example.pressure),
    ];
    for (what, kind, mmhg) in pressures {
        if let Some(mmhg) = mmhg {
            add(what, &|recognised| {
                recognised.readings.push(reading(example, kind, mmhg))
            });
        }
    }
    if let Some(reason) = example.unusable {
        add("unusable", &|recognised| {
            recognised.refusals.push(refusal(example, reason))
        });
    }
    if let Some(kind) = example.context {
        let context = Context {
            kind,
            start: moment(example.minute),
            end: example.context_ends.map(moment),
        };
        add("context", &|recognised| recognised.contexts.push(context.clone()));
    }
    inputs
}

fn refusal(example: &ExampleReading, reason: Reason) -> Refusal {
    let meant = Meant {
        site: site(example),
        at: Some(moment(example.minute)),
        sent: None,
    };
    Refusal {
        part: String::new(),
        reason,
        detail: String::new(),
        meant: Some(Box::new(meant)),
    }
}

fn reading(example: &ExampleReading, kind: Kind, mmhg: i64) -> Reading {
    Reading {
        part: Short::default(),
        kind,
        pressure: Pressure {
            mmhg: Decimal::from(mmhg),
            sent_value: mmhg.to_string().into(),
            sent_unit: "mmHg".into(),
            comparator: None,
        },
        start: moment(example.minute),
        at: moment(example.minute),
        site: (kind == Kind::Compartment).then(|| site(example)),
        body_site_json: None,
        method: example.method.unwrap_or(Method::Unstated),
        status: ReadingStatus::Final,
        identifiers: Vec::new(),
        quality: None,
    }
}

fn site(example: &ExampleReading) -> Site {
    Site {
        side: example.side.unwrap_or(Side::Left),
        system: COMPARTMENT_SYSTEM.to_owned(),
        code: String::from("leg-anterior"),
        display: String::from("leg, anterior compartment"),
    }
}

fn recognised(index: usize, example: &ExampleReading, what: &str) -> Recognised {
    Recognised {
        source: format!("Observation/example-{index}-{what}"),
        version: Version {
            last_updated: Some(moment(example.minute)),
            number: Some(1),
            id: "1".into(),
            digest: Short::default(),
        },
        patient: None,
        withdrawn: None,
        readings: Vec::new(),
        refusals: Vec::new(),
        members: Vec::new(),
        members_side: Side::Unstated,
        contexts: Vec::new(),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::rules::sheet::ADULT;

    fn sheet(from: &str, to: &str) -> Result<Sheet, String> {
        assert!(ADULT.contains(from), "the adult sheet no longer says {from:?}");
        Sheet::parse("sheet.toml", &ADULT.replacen(from, to, 1)).map_err(|error| error.to_string())
    }

    #[test]
    fn the_adult_sheet_does_what_it_says() {
        let failures = failures(&Sheet::adult().unwrap());
        let lines: Vec<String> = failures.iter().map(Failure::to_string).collect();
        assert!(lines.is_empty(), "{}", lines.join("\n"));
    }

    #[test]
    fn a_wrong_threshold_is_named_with_its_example() {
        let wrong = sheet("lower_mmhg = 20\nupper_mmhg = 30", "lower_mmhg = 20\nupper_mmhg = 29").unwrap();
        let first = failures(&wrong);
        let named = first
            .iter()
            .find(|failure| failure.rule == "delta-30")
            .map(Failure::to_string);
        assert_eq!(
            named.unwrap(),
            "rule delta-30, example 1 (70 and 40 give exactly 30 (Whitesides 1975)): must hold and does not"
        );
        let wrong = sheet("lower_mmhg = 0\nupper_mmhg = 20", "lower_mmhg = 0\nupper_mmhg = 21").unwrap();
        assert_eq!(
            failures(&wrong)
                .iter()
                .map(|failure| (failure.rule.as_str(), failure.example, failure.expect))
                .collect::<Vec<_>>(),
            [("delta-20", 3, Expect::DoesNotHold)]
        );
    }

    #[test]
    fn the_strict_comparator_contradicts_exactly_30() {
        let strict = sheet("comparator = \"at-or-below\"", "comparator = \"below\"").unwrap();
        let rules: Vec<String> = failures(&strict).into_iter().map(|failure| failure.rule).collect();
        assert!(rules.contains(&String::from("delta-30")), "{rules:?}");
    }

    /// What must stand in a refusal: line and column, and what is wrong.
    fn refused(from: &str, to: &str, what: &str) {
        let message = sheet(from, to).unwrap_err();
        assert!(message.starts_with("sheet.toml: "), "{message}");
        let numbered = |word: &str| {
            message
                .split(word)
                .skip(1)
                .any(|rest| rest.starts_with(|digit: char| digit.is_ascii_digit()))
        };
        assert!(
            numbered("line ") && numbered("column "),
            "no line and column: {message}"
        );
        assert!(message.contains(what), "{what:?} is not in: {message}");
    }

    #[test]
    fn refuses_with_line_and_column() {
        refused("[concern]", "[concern]\npatience = 3", "unknown field `patience`");
        refused(
            "adult_from_years = 16",
            "adult_from_year = 16",
            "unknown field `adult_from_year`",
        );
        let whitesides = ADULT.lines().find(|line| line.starts_with("citation")).unwrap();
        refused(whitesides, "", "missing field `citation`");
        refused(whitesides, "citation = \" \"", "needs a citation");
        refused("mark = \"C\"", "mark = \"B\"", "mark: C, C2, M or D");
        refused("{delta} mmHg: the", "{dleta} mmHg: the", "unknown placeholder {dleta}");
        refused("{delta} mmHg: the", "{delta mmHg: the", "a brace is not closed");
        refused(
            "id = \"delta-20\"",
            "id = \"delta-30\"",
            "two rules have the id \"delta-30\"",
        );
        refused(
            "lower_mmhg = 20",
            "lower_mmhg = 30",
            "lower_mmhg must be below upper_mmhg",
        );
        refused(
            "lower_mmhg = 20",
            "lower_mmhg = 31",
            "lower_mmhg must be below upper_mmhg",
        );
        refused("tier = \"act\"", "tier = \"urgent\"", "unknown variant `urgent`");
        refused("close_after_readings = 2", "close_after_readings = 0", "from 1 to 20");
        refused("paired_minutes = 15", "paired_minutes = 61", "paired <= before");
        refused("minutes = 120", "minutes = 0", "at least 2 readings and 1 minute");
        refused(
            "at_or_above_mmhg = 30",
            "upper_mmhg = 30",
            "has no parameter upper_mmhg",
        );
        let third = "[[rule.example]]\nexpect = \"does-not-hold\"\nwhy = \"21 is the next rule's\"\nreadings = [{ minute = 0, diastolic = 70 }, { minute = 2, pressure = 49 }]";
        refused(third, "", "rule \"delta-20\" has 2 examples; it needs at least three");
        refused("[plausible]", "[plausible", "");
    }

    #[test]
    fn the_line_is_the_rules_own() {
        let message = sheet("id = \"delta-20\"", "id = \"delta-none-left\"").unwrap_err();
        let ends = ADULT.find("[[rule]]\nid = \"delta-20\"").unwrap();
        let line = ADULT[..ends].lines().count() + 1;
        assert!(
            message.contains(&format!("line {line}, column 1: two rules")),
            "{message}"
        );
    }

    #[test]
    fn more_than_64_rules_are_refused() {
        let start = ADULT.find("[[rule]]\nid = \"side-missing\"").unwrap();
        let rule = &ADULT[start..start + ADULT[start..].find("# ---").unwrap()];
        let known = Sheet::adult().unwrap().rules.len();
        let with = |more: usize| {
            let rules =
                (0..more).map(|number| rule.replace("id = \"side-missing\"", &format!("id = \"side-{number}\"")));
            Sheet::parse("sheet.toml", &format!("{ADULT}\n{}", rules.collect::<String>()))
        };
        assert_eq!(with(64 - known).unwrap().rules.len(), 64);
        let message = with(65 - known).unwrap_err().to_string();
        assert!(message.contains("line ") && message.contains("64 rules"), "{message}");
    }

    #[test]
    fn two_sustained_thresholds_are_refused() {
        let start = ADULT.find("[[rule]]\nid = \"delta-sustained\"").unwrap();
        let rule = &ADULT[start..start + ADULT[start..].find("# ---").unwrap()];
        let other = rule
            .replace("\"delta-sustained\"", "\"delta-sustained-20\"")
            .replace("upper_mmhg = 30", "upper_mmhg = 20");
        let message = Sheet::parse("sheet.toml", &format!("{ADULT}\n{other}")).unwrap_err();
        assert!(message.to_string().contains("one upper_mmhg"), "{message}");
    }
}
