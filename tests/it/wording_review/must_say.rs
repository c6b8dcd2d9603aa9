//! What each message must say: of an open concern the age of each number, the next step, the
//! deferral, the rule and its sheet; of any other no number without its age.

use deltaward::rules::Sheet;
use jiff::Timestamp;
use regex::Regex;
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::sync::LazyLock;

/// The end of every text.
const DEFERRAL: &str = "Local protocol and licensed practice decide.";
/// What a next step can be: something to do at the bedside or in the record.
const STEPS: [&str; 7] = [
    "examine", "measure", "take a", "take the", "correct", "call", "find out",
];
/// A reading that is spoken of on a line of its own.
static READING: LazyLock<Regex> = LazyLock::new(|| {
    Regex::new(r"^(Compartment pressure|Diastolic pressure|Mean arterial pressure|Reading that cannot be used:) ")
        .unwrap()
});
/// A second difference on a line of its own.
static SECOND: LazyLock<Regex> = LazyLock::new(|| {
    Regex::new("^(Before anaesthesia|From the mean arterial pressure|By the other method): ").unwrap()
});
/// A pressure inside a rule's sentence; thresholds are named otherwise ("at or below 30 mmHg").
static IN_RULE: LazyLock<Regex> = LazyLock::new(|| {
    Regex::new(r"(?i)(?:compartment pressure|compartment reading|diastolic|delta pressure)(?: is)? (?:at most )?([-−]?\d+) mmHg").unwrap()
});
static NUMBER: LazyLock<Regex> = LazyLock::new(|| Regex::new(r"[-−]?\d+").unwrap());

/// True of the message of a concern that is open after it.
pub fn is_open(text: &str) -> bool {
    let word = text.split(' ').next().unwrap_or_default();
    ["CRITICAL", "ACT", "WATCH", "CHECK"].contains(&word) || text.contains("\nA rule still holds: tier ")
}

/// A line for each thing that `message` leaves out. `sources` are the Observations that it rests on.
pub fn faults(message: &Value, sources: &[Value], sheet: &Sheet) -> Vec<String> {
    let text = message["payload"][0]["contentString"].as_str().unwrap_or_default();
    let mut faults = numbers_without_age(text);
    if !text.ends_with(DEFERRAL) {
        faults.push(String::from("does not defer to local protocol and licensed practice"));
    }
    if !text.contains(&format!("Rule sheet {}, version {}, ", sheet.id, sheet.version)) {
        faults.push(String::from("does not name the rule sheet and its version"));
    }
    if is_open(text) {
        faults.extend(open_faults(text, sheet));
    }
    let raised = is_open(text) && !text.starts_with("WITHDRAWN");
    if raised {
        let sent: Timestamp = message["sent"].as_str().unwrap_or_default().parse().unwrap();
        faults.extend(sources.iter().filter_map(|source| wrong_age(text, source, sent)));
    }
    faults
}

fn open_faults(text: &str, sheet: &Sheet) -> Vec<String> {
    let mut faults = Vec::new();
    let next = text
        .lines()
        .find_map(|line| line.strip_prefix("Next: "))
        .unwrap_or_default()
        .to_lowercase();
    if !STEPS.iter().any(|step| next.contains(step)) {
        faults.push(format!("says nothing to do next: {next:?}"));
    }
    let named = sheet
        .rules
        .iter()
        .any(|rule| text.contains(&format!("\nRule {} ({}): ", rule.id, rule.tier)));
    if !named {
        faults.push(String::from("names no rule of the sheet"));
    }
    faults
}

/// Readings told without their age, and numbers of rules that no reading with an age tells.
fn numbers_without_age(text: &str) -> Vec<String> {
    let mut faults = Vec::new();
    let mut aged = BTreeSet::new();
    for line in text.lines() {
        // The sheet's own sentences and what was sent keep their form.
        if !line.starts_with("Rule ") && line.replace("sent as -", "").contains(" -") {
            faults.push(format!("a minus that is easily missed: {line}"));
        }
        let told = READING.is_match(line);
        if told && !(line.ends_with(" this message.") || line.ends_with("its time cannot be read.")) {
            faults.push(format!("a number without its age: {line}"));
        }
        let second = SECOND.is_match(line);
        if second && !line.contains(" before this message)") {
            faults.push(format!("a second difference without the age of its pressure: {line}"));
        }
        if told || second || line.starts_with("Delta pressure: ") {
            aged.extend(NUMBER.find_iter(line).map(|number| number.as_str().replace('−', "-")));
        }
    }
    for line in text.lines().filter(|line| line.starts_with("Rule ")) {
        for number in IN_RULE.captures_iter(line).map(|found| found[1].replace('−', "-")) {
            if !aged.contains(&number) {
                faults.push(format!(
                    "{number} mmHg stands in a rule's sentence and nowhere with its age: {line}"
                ));
            }
        }
    }
    faults
}

/// The time and the age of a source, computed here from the Observation itself or, for a panel, from
/// one that it contains.
fn wrong_age(text: &str, source: &Value, sent: Timestamp) -> Option<String> {
    let contained = source["contained"].as_array().into_iter().flatten();
    let wanted: Vec<String> = std::iter::once(source)
        .chain(contained)
        .filter_map(effective)
        .map(|at| moment_and_age(at, sent))
        .collect();
    let said = wanted.is_empty() || wanted.iter().any(|wanted| text.contains(wanted.trim_end_matches('.')));
    (!said).then(|| format!("does not say of {}: {wanted:?}", source["id"]))
}

/// None for a day only or a time without an offset: recognition refuses it, so no number is told.
fn effective(observation: &Value) -> Option<Timestamp> {
    let places = ["/effectiveDateTime", "/effectiveInstant", "/effectivePeriod/end"];
    let text = places.iter().find_map(|place| observation.pointer(place)?.as_str())?;
    text.parse().ok()
}

fn moment_and_age(at: Timestamp, sent: Timestamp) -> String {
    let minutes = (sent.as_second() - at.as_second()) / 60;
    let age = match minutes {
        0 => String::from("under 1 min"),
        1..120 => format!("{minutes} min"),
        120..2880 => format!("{} h {:02} min", minutes / 60, minutes % 60),
        _ => format!("{} days", minutes / 1440),
    };
    format!("{} UTC, {age} before this message.", at.strftime("%Y-%m-%d %H:%M"))
}

/// A good message, and each thing taken out of it.
#[test]
fn each_omission_is_seen() {
    let sheet = Sheet::adult().unwrap();
    let whole = "ACT left leg, anterior compartment: delta 25 mmHg, unconfirmed (8 min old). Examine, remeasure now.\n\
        Compartment pressure 45 mmHg (needle), left leg, anterior compartment, 2026-03-05 21:02 UTC, 6 min before this message.\n\
        Diastolic pressure 70 mmHg (cuff), 2026-03-05 21:00 UTC, 8 min before this message.\n\
        Delta pressure: 70 (cuff, 2 min earlier) − 45 (needle) = 25 mmHg.\n\
        Rule sheet adult-limb, version 1.0.0, ba64a83e20a7.\n\
        Rule delta-30 (act): Delta pressure 25 mmHg is at or below 30 mmHg.\n\
        Next: Examine the limb and measure again now.\n\
        Local protocol and licensed practice decide.";
    let whole = whole.replace("version 1.0.0", &format!("version {}", sheet.version));
    let sources = [
        json!({"id": "c", "effectiveDateTime": "2026-03-05T22:02:00+01:00"}),
        json!({"id": "d", "effectivePeriod": {"start": "2026-03-05T20:59:00Z", "end": "2026-03-05T21:00:00Z"}}),
    ];
    let faults = |text: &str| {
        let message = json!({"sent": "2026-03-05T21:08:00.000Z", "payload": [{"contentString": text}]});
        faults(&message, &sources, &sheet)
    };
    assert_eq!(faults(&whole), Vec::<String>::new());
    for (taken, given, said) in [
        ("= 25 mmHg", "= -25 mmHg", "a minus that is easily missed"),
        ("UTC, 6 min before this message.", "UTC.", "a number without its age"),
        ("UTC, 8 min before", "UTC, 7 min before", "does not say of \"d\""),
        (
            "Next: Examine the limb and measure again now.",
            "Next: See above.",
            "nothing to do next",
        ),
        ("\nLocal protocol and licensed practice decide.", "", "does not defer"),
        ("delta-30 (act)", "delta-99 (act)", "names no rule"),
        ("limb, version", "limb", "version"),
        (
            "Rule delta-30 (act): Delta pressure 25",
            "Rule delta-30 (act): Delta pressure 24",
            "24 mmHg stands in a rule's",
        ),
    ] {
        let text = whole.replace(taken, given);
        assert_ne!(text, whole, "{taken}");
        let faults = faults(&text);
        assert!(faults.iter().any(|fault| fault.contains(said)), "{said}: {faults:?}");
    }
}
