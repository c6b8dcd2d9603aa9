//! The text of a rule sheet → a checked [`Sheet`], or what is wrong, with line and column.
//!
//! A fault of form (syntax, an unknown key, a wrong type) is told alone, because it hides the rest;
//! all others are told at once.

use super::kind::{Parameters, RawKind};
use super::sheet::{
    Ages, Anaesthesia, Example, ExampleReading, Expect, Fault, MAX_RULES, Pairing, Plausible, Rule, RuleKind, Session,
    SessionCompartment, Sheet, SheetError, ThresholdComparator, in_region,
};
use super::texts::fault_in;
use super::{ApprovalRecord, Tier};
use crate::recognise::ContextKind;
use serde::Deserialize;
use sha2::{Digest, Sha256};
use std::collections::BTreeSet;
use std::ops::Range;
use std::sync::LazyLock;
use toml::Spanned;

/// A sheet with the places of its parts, for faults that are found later.
pub(super) struct Read {
    /// The sheet.
    pub sheet: Sheet,
    /// Of the `[delta]` table.
    pub delta: Place,
    /// Of each rule.
    pub rules: Vec<Place>,
}

/// The codes of our compartment CodeSystem.
static CODES: LazyLock<Vec<String>> = LazyLock::new(|| {
    let system = serde_json::from_str::<serde_json::Value>(COMPARTMENTS).unwrap_or_default();
    let concepts = system["concept"].as_array().cloned().unwrap_or_default();
    let codes = concepts.iter().filter_map(|concept| concept["code"].as_str());
    codes.map(str::to_owned).collect()
});
const COMPARTMENTS: &str = include_str!("../../profiles/CodeSystem-compartment.json");

/// Line and column in characters, both from 1.
pub(super) type Place = (usize, usize);

/// Read and check a sheet.
pub(super) fn sheet(file: &str, text: &str) -> Result<Read, SheetError> {
    let refused = |faults| SheetError {
        file: file.to_owned(),
        faults,
    };
    let raw: RawSheet = toml::from_str(text).map_err(|error| {
        refused(vec![Fault {
            place: error.span().map(|span| position(text, span.start)),
            message: error.message().trim_end().to_owned(),
        }])
    })?;
    let delta = position(text, raw.delta.span().start);
    let rules = raw.rules.iter().map(|rule| position(text, rule.span().start)).collect();
    let mut reader = Reader::default();
    let hash = format!("{:x}", Sha256::digest(text.as_bytes()));
    let sheet = reader.sheet(raw, file, hash);
    if reader.faults.is_empty() {
        return Ok(Read { sheet, delta, rules });
    }
    reader.faults.sort_by_key(|(span, _)| span.start);
    let faults = reader.faults.into_iter().map(|(span, message)| Fault {
        place: Some(position(text, span.start)),
        message,
    });
    Err(refused(faults.collect()))
}

/// Line and column in characters (both from 1) of a byte offset.
fn position(text: &str, offset: usize) -> Place {
    let before = &text.as_bytes()[..offset.min(text.len())];
    let line = before.iter().filter(|byte| **byte == b'\n').count() + 1;
    let line_start = before.iter().rposition(|byte| *byte == b'\n').map_or(0, |at| at + 1);
    let column = String::from_utf8_lossy(&before[line_start..]).chars().count() + 1;
    (line, column)
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawSheet {
    id: Spanned<String>,
    version: Spanned<String>,
    title: Spanned<String>,
    #[serde(default)]
    ages: Ages,
    adult_from_years: Spanned<i64>,
    not_covered: Vec<Spanned<String>>,
    delta: Spanned<RawDelta>,
    pairing: Spanned<Pairing>,
    plausible: Spanned<Plausible>,
    concern: Spanned<RawConcern>,
    session: Option<Spanned<Session>>,
    anaesthesia: Spanned<Anaesthesia>,
    #[serde(rename = "rule")]
    rules: Vec<Spanned<RawRule>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawDelta {
    comparator: ThresholdComparator,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawConcern {
    close_after_readings: usize,
    close_after_minutes: i64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawRule {
    id: String,
    version: Option<Spanned<String>>,
    kind: RawKind,
    tier: Tier,
    lower_mmhg: Option<Spanned<i64>>,
    upper_mmhg: Option<Spanned<i64>>,
    minutes: Option<Spanned<i64>>,
    readings: Option<Spanned<usize>>,
    last_readings: Option<Spanned<usize>>,
    window_minutes: Option<Spanned<i64>>,
    horizon_minutes: Option<Spanned<i64>>,
    at_or_above_mmhg: Option<Spanned<i64>>,
    more_than_mmhg: Option<Spanned<i64>>,
    after: Option<Spanned<Tier>>,
    #[serde(default)]
    ages: Ages,
    #[serde(default)]
    regions: Vec<String>,
    context: Option<ContextKind>,
    citation: Option<Spanned<String>>,
    mark: Option<Spanned<String>>,
    population: Option<Spanned<String>>,
    known_failure: Option<Spanned<String>>,
    says: Option<Spanned<String>>,
    next: Option<Spanned<String>>,
    #[serde(default, rename = "example")]
    examples: Vec<Spanned<Example>>,
}

/// Collects faults, so that the author sees them all at once.
#[derive(Default)]
struct Reader {
    faults: Vec<(Range<usize>, String)>,
}

impl Reader {
    fn fault(&mut self, span: Range<usize>, message: impl Into<String>) {
        self.faults.push((span, message.into()));
    }

    /// The sheet; what is wrong with it stands in `faults`.
    fn sheet(&mut self, raw: RawSheet, file: &str, hash: String) -> Sheet {
        self.head(&raw);
        self.limits(&raw);
        let rules = self.rules(raw.rules);
        let concern = raw.concern.into_inner();
        Sheet {
            file: file.to_owned(),
            id: raw.id.into_inner(),
            version: raw.version.into_inner(),
            title: raw.title.into_inner(),
            ages: raw.ages,
            hash,
            record: ApprovalRecord::default(),
            adult_from_years: raw.adult_from_years.into_inner(),
            comparator: raw.delta.into_inner().comparator,
            pairing: raw.pairing.into_inner(),
            plausible: raw.plausible.into_inner(),
            session: raw.session.map(Spanned::into_inner),
            anaesthesia: raw.anaesthesia.into_inner(),
            not_covered: raw.not_covered.into_iter().map(Spanned::into_inner).collect(),
            close_after_readings: concern.close_after_readings,
            close_after_minutes: concern.close_after_minutes,
            alert_threshold: alert_threshold(&rules),
            rules,
        }
    }

    fn head(&mut self, raw: &RawSheet) {
        // As a FHIR id (R4, 4.0.1: [A-Za-z0-9\-\.]{1,64}): the sheet is exported under it.
        let id = raw.id.get_ref();
        let is_id = id
            .bytes()
            .all(|byte| byte.is_ascii_alphanumeric() || byte == b'-' || byte == b'.');
        if !is_id || !(1..=64).contains(&id.len()) {
            self.fault(raw.id.span(), "id must be 1 to 64 letters, digits, hyphens or dots");
        }
        self.version(&raw.version, "the sheet");
        if raw.title.get_ref().trim().is_empty() {
            self.fault(raw.title.span(), "title is empty; say what the sheet is about");
        }
        self.words(raw.title.get_ref(), raw.title.span(), "the title");
        for sentence in &raw.not_covered {
            self.words(sentence.get_ref(), sentence.span(), "not_covered");
        }
        if !(1..=120).contains(raw.adult_from_years.get_ref()) {
            self.fault(raw.adult_from_years.span(), "adult_from_years must be from 1 to 120");
        }
    }

    /// A version may stand behind the `|` of a canonical reference (R4, 4.0.1, "References").
    fn version(&mut self, given: &Spanned<String>, whose: &str) {
        let version = given.get_ref();
        let plain = |one: char| one.is_ascii_alphanumeric() || ".-_+".contains(one);
        if version.is_empty() || !version.chars().all(plain) {
            let message = format!("{whose} needs a version of letters, digits and . - _ +, such as \"1.0.0\"");
            self.fault(given.span(), message);
        }
    }

    /// The tables beside the rules.
    fn limits(&mut self, raw: &RawSheet) {
        let day = 0..=24 * 60;
        let pairing = raw.pairing.get_ref();
        let ordered = 0 <= pairing.after_minutes
            && 0 <= pairing.simultaneous_minutes
            && pairing.simultaneous_minutes <= pairing.paired_minutes
            && pairing.paired_minutes <= pairing.before_minutes
            && day.contains(&pairing.before_minutes)
            && day.contains(&pairing.after_minutes)
            && day.contains(&pairing.clock_skew_minutes)
            && (0..=48 * 60).contains(&pairing.carry_minutes);
        if !ordered {
            self.fault(raw.pairing.span(), "[pairing] needs 0 <= simultaneous <= paired <= before <= 1440 minutes, 0 <= after and clock_skew <= 1440, and 0 <= carry <= 2880");
        }
        let plausible = raw.plausible.get_ref();
        let ordered = plausible.compartment_low < plausible.compartment_verify_above
            && plausible.compartment_verify_above <= plausible.compartment_high
            && plausible.diastolic_low < plausible.diastolic_high;
        if !ordered {
            let message = "[plausible] each low must be below its high, and compartment_verify_above between them";
            self.fault(raw.plausible.span(), message);
        }
        let concern = raw.concern.get_ref();
        if !day.contains(&concern.close_after_minutes) {
            self.fault(raw.concern.span(), "close_after_minutes must be from 0 to 1440");
        }
        if !(1..=20).contains(&concern.close_after_readings) {
            self.fault(raw.concern.span(), "close_after_readings must be from 1 to 20");
        }
        if let Some(raw) = &raw.session {
            let session = raw.get_ref();
            if !(1..=24 * 60).contains(&session.minutes) || session.compartments.len() < 2 {
                let message = "[session] needs from 1 to 1440 minutes and at least two compartments";
                self.fault(raw.span(), message);
            }
            for (position, SessionCompartment { code, name }) in session.compartments.iter().enumerate() {
                if !CODES.contains(code) {
                    self.fault(raw.span(), format!("[session] no compartment has the code {code:?}"));
                }
                let same = |other: &SessionCompartment| other.code == *code || other.name == *name;
                if name.trim().is_empty() || session.compartments[..position].iter().any(same) {
                    let message = format!("[session] {code:?} needs a name, and code and name of its own");
                    self.fault(raw.span(), message);
                }
                self.words(name, raw.span(), "[session]");
            }
        }
        let anaesthesia = raw.anaesthesia.get_ref();
        let two_days = 0..=48 * 60;
        if !two_days.contains(&anaesthesia.before_minutes) || !two_days.contains(&anaesthesia.open_end_minutes) {
            let message = "[anaesthesia] both times must be from 0 to 2880 minutes";
            self.fault(raw.anaesthesia.span(), message);
        }
    }

    fn rules(&mut self, raw: Vec<Spanned<RawRule>>) -> Vec<Rule> {
        let mut rules: Vec<Rule> = Vec::with_capacity(raw.len());
        for (index, raw) in raw.into_iter().enumerate() {
            let span = raw.span();
            if index == MAX_RULES {
                self.fault(
                    span.clone(),
                    format!("a sheet can hold {MAX_RULES} rules; join or remove some"),
                );
            }
            let Some(rule) = self.rule(raw.into_inner(), &span) else {
                continue;
            };
            if rules.iter().any(|other| other.id == rule.id) {
                let message = format!("two rules have the id {:?}; give each its own", rule.id);
                self.fault(span.clone(), message);
            }
            // One run of low readings is followed per site, so it has one threshold.
            if let (Some(upper), Some(other)) = (sustained_upper(&rule), rules.iter().find_map(sustained_upper))
                && upper != other
            {
                self.fault(span, "all rules of kind sustained need one upper_mmhg");
            }
            rules.push(rule);
        }
        rules
    }

    /// One rule; None when its kind and parameters do not fit.
    fn rule(&mut self, raw: RawRule, span: &Range<usize>) -> Option<Rule> {
        let kind = raw.parameters().kind();
        let id = raw.id;
        self.examples(&raw.examples, &id, span);
        let mut text = |name: &str, given: Option<Spanned<String>>| self.text(name, given, &id, span);
        let citation = text("citation", raw.citation);
        let mark = text("mark", raw.mark);
        let population = text("population", raw.population);
        let known_failure = text("known_failure", raw.known_failure);
        let version = text("version", raw.version);
        let (says, next) = (text("says", raw.says), text("next", raw.next));
        self.version(&version, &format!("rule {id:?}"));
        if !["C", "C2", "M", "D"].contains(&mark.get_ref().as_str()) {
            self.fault(
                mark.span(),
                format!("rule {id:?} needs a citation and a mark: C, C2, M or D"),
            );
        }
        self.regions(&raw.regions, &id, span);
        for given in [&citation, &population, &known_failure, &says, &next] {
            self.words(given.get_ref(), given.span(), &format!("rule {id:?}"));
        }
        self.rule_id(&id, span);
        self.sentence("says", &says, &id);
        self.sentence("next", &next, &id);
        let kind = kind.map_err(|(place, message)| self.fault(place.unwrap_or(span.clone()), message));
        Some(Rule {
            id,
            version: version.into_inner(),
            tier: raw.tier,
            kind: kind.ok()?,
            ages: raw.ages,
            regions: raw.regions,
            context: raw.context,
            citation: citation.into_inner(),
            mark: mark.into_inner(),
            population: population.into_inner(),
            known_failure: known_failure.into_inner(),
            says: says.into_inner(),
            next: next.into_inner(),
            examples: raw.examples.into_iter().map(Spanned::into_inner).collect(),
        })
    }

    /// A region that no compartment begins with would silence its rule without a word.
    fn regions(&mut self, regions: &[String], id: &str, span: &Range<usize>) {
        let is_known = |region: &&String| CODES.iter().any(|code| in_region(code, region));
        for region in regions.iter().filter(|region| !is_known(region)) {
            let known: BTreeSet<&str> = CODES.iter().filter_map(|code| code.split('-').next()).collect();
            let known: Vec<&str> = known.into_iter().collect();
            let message = format!(
                "rule {id:?}: unknown region {region:?}; known are {} and the compartments in them",
                known.join(", ")
            );
            self.fault(span.clone(), message);
        }
    }

    /// A text that a reader sees.
    fn words(&mut self, text: &str, span: Range<usize>, whose: &str) {
        if let Some(wrong) = fault_in(text) {
            self.fault(span, format!("{whose} {wrong}"));
        }
    }

    /// It stands on lines of its own in messages.
    fn rule_id(&mut self, id: &str, span: &Range<usize>) {
        let plain = |letter: char| letter.is_ascii_alphanumeric() || matches!(letter, '-' | '_' | '.');
        if id.is_empty() || id.len() > 64 || !id.chars().all(plain) {
            let message = format!("rule {id:?}: an id has 1 to 64 letters, digits, '-', '_' or '.'");
            self.fault(span.clone(), message);
        }
    }

    /// A text that each rule must have.
    fn text(&mut self, name: &str, given: Option<Spanned<String>>, id: &str, span: &Range<usize>) -> Spanned<String> {
        match given {
            Some(text) if text.get_ref().trim().is_empty() => {
                self.fault(
                    text.span(),
                    format!("{name} is empty: rule {id:?} needs a {}", name.replace('_', " ")),
                );
                text
            }
            Some(text) => text,
            None => {
                self.fault(span.clone(), format!("missing field `{name}` of rule {id:?}"));
                // Stands in for the missing one and passes every further check; the sheet is refused anyway.
                Spanned::new(span.clone(), String::from("D"))
            }
        }
    }

    fn sentence(&mut self, name: &str, sentence: &Spanned<String>, id: &str) {
        if let Err(message) = super::phrase::check(sentence.get_ref()) {
            self.fault(sentence.span(), format!("rule {id:?}: {name}: {message}"));
        }
    }

    fn examples(&mut self, examples: &[Spanned<Example>], id: &str, span: &Range<usize>) {
        let expects = |wanted| examples.iter().any(|example| example.get_ref().expect == wanted);
        if examples.len() < 3 {
            let message = format!("rule {id:?} has {} examples; it needs at least three", examples.len());
            self.fault(span.clone(), message);
        } else if !expects(Expect::Holds) || !expects(Expect::DoesNotHold) {
            let message = format!("rule {id:?} needs an example that holds and one that does not");
            self.fault(span.clone(), message);
        }
        for example in examples {
            self.words(
                &example.get_ref().why,
                example.span(),
                &format!("an example of rule {id:?}"),
            );
            if !example.get_ref().readings.iter().any(measures) {
                let message =
                    format!("an example of rule {id:?} has no reading; give it a diastolic, a pressure or a mean");
                self.fault(example.span(), message);
            }
        }
    }
}

/// True when something was measured in this line of an example.
fn measures(reading: &ExampleReading) -> bool {
    reading.diastolic.is_some() || reading.pressure.is_some() || reading.mean.is_some() || reading.unusable.is_some()
}

/// The greatest threshold of a delta rule that raises `act` or more.
pub(super) fn alert_threshold(rules: &[Rule]) -> i64 {
    let thresholds = rules.iter().filter(|rule| rule.tier >= Tier::Act);
    thresholds
        .filter_map(|rule| match rule.kind {
            RuleKind::Delta { upper, .. } => Some(upper),
            _ => None,
        })
        .max()
        .unwrap_or(i64::MIN)
}

fn sustained_upper(rule: &Rule) -> Option<i64> {
    match rule.kind {
        RuleKind::Sustained { upper, .. } => Some(upper),
        _ => None,
    }
}

impl RawRule {
    fn parameters(&self) -> Parameters<'_> {
        Parameters {
            id: &self.id,
            kind: self.kind,
            lower_mmhg: self.lower_mmhg.as_ref(),
            upper_mmhg: self.upper_mmhg.as_ref(),
            minutes: self.minutes.as_ref(),
            readings: self.readings.as_ref(),
            last_readings: self.last_readings.as_ref(),
            window_minutes: self.window_minutes.as_ref(),
            horizon_minutes: self.horizon_minutes.as_ref(),
            at_or_above_mmhg: self.at_or_above_mmhg.as_ref(),
            more_than_mmhg: self.more_than_mmhg.as_ref(),
            after: self.after.as_ref(),
        }
    }
}
