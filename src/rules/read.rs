//! The text of a rule sheet → a checked [`Sheet`], or what is wrong, with line and column.

use super::Tier;
use super::kind::{Parameters, RawKind};
use super::sheet::{
    Ages, Anaesthesia, Example, Expect, Fault, MAX_RULES, Pairing, Plausible, Rule, RuleKind, Session, Sheet,
    SheetError, ThresholdComparator,
};
use crate::recognise::ContextKind;
use serde::Deserialize;
use sha2::{Digest, Sha256};

/// Read and check a sheet.
pub(super) fn sheet(file: &str, text: &str) -> Result<Sheet, SheetError> {
    let refused = |place, message| SheetError {
        file: file.to_owned(),
        faults: vec![Fault { place, message }],
    };
    let raw: RawSheet = toml::from_str(text).map_err(|error| {
        let place = error.span().map(|span| position(text, span.start));
        refused(place, error.message().trim_end().to_owned())
    })?;
    let hash = format!("{:x}", Sha256::digest(text.as_bytes()));
    raw.check(file, hash)
        .map_err(|(span, message)| refused(Some(position(text, span.start)), message))
}

/// Line and column in characters (both from 1) of a byte offset.
fn position(text: &str, offset: usize) -> (usize, usize) {
    let before = &text.as_bytes()[..offset.min(text.len())];
    let line = before.iter().filter(|byte| **byte == b'\n').count() + 1;
    let line_start = before.iter().rposition(|byte| *byte == b'\n').map_or(0, |at| at + 1);
    let column = String::from_utf8_lossy(&before[line_start..]).chars().count() + 1;
    (line, column)
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawSheet {
    id: String,
    version: String,
    title: String,
    #[serde(default)]
    ages: Ages,
    adult_from_years: i64,
    not_covered: Vec<String>,
    delta: RawDelta,
    pairing: toml::Spanned<Pairing>,
    plausible: toml::Spanned<Plausible>,
    concern: toml::Spanned<RawConcern>,
    session: Option<toml::Spanned<Session>>,
    anaesthesia: toml::Spanned<Anaesthesia>,
    #[serde(rename = "rule")]
    rules: Vec<toml::Spanned<RawRule>>,
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
    version: String,
    kind: RawKind,
    tier: Tier,
    lower_mmhg: Option<i64>,
    upper_mmhg: Option<i64>,
    minutes: Option<i64>,
    readings: Option<usize>,
    last_readings: Option<usize>,
    window_minutes: Option<i64>,
    horizon_minutes: Option<i64>,
    at_or_above_mmhg: Option<i64>,
    more_than_mmhg: Option<i64>,
    after: Option<Tier>,
    #[serde(default)]
    ages: Ages,
    #[serde(default)]
    regions: Vec<String>,
    context: Option<ContextKind>,
    citation: String,
    mark: String,
    population: String,
    known_failure: String,
    says: String,
    next: String,
    #[serde(default, rename = "example")]
    examples: Vec<Example>,
}

type Refused = (std::ops::Range<usize>, String);

impl RawSheet {
    fn check(self, file: &str, hash: String) -> Result<Sheet, Refused> {
        let span = self.pairing.span();
        let pairing = self.pairing.into_inner();
        let ordered = 0 <= pairing.after_minutes
            && 0 <= pairing.simultaneous_minutes
            && pairing.simultaneous_minutes <= pairing.paired_minutes
            && pairing.paired_minutes <= pairing.before_minutes
            && pairing.before_minutes <= 24 * 60
            && pairing.after_minutes <= 24 * 60
            && (0..=24 * 60).contains(&pairing.clock_skew_minutes)
            && (0..=48 * 60).contains(&pairing.carry_minutes);
        if !ordered {
            return Err((span, "[pairing] needs 0 <= simultaneous <= paired <= before <= 1440 minutes, 0 <= after and clock_skew <= 1440, and 0 <= carry <= 2880".into()));
        }
        let span = self.plausible.span();
        let plausible = self.plausible.into_inner();
        let ordered = plausible.compartment_low < plausible.compartment_verify_above
            && plausible.compartment_verify_above <= plausible.compartment_high
            && plausible.diastolic_low < plausible.diastolic_high;
        if !ordered {
            return Err((
                span,
                "[plausible] each low must be below its high, and compartment_verify_above between them".into(),
            ));
        }
        let span = self.concern.span();
        let RawConcern {
            close_after_readings,
            close_after_minutes,
        } = self.concern.into_inner();
        if !(0..=24 * 60).contains(&close_after_minutes) {
            return Err((span, "close_after_minutes must be from 0 to 1440".into()));
        }
        if !(1..=20).contains(&close_after_readings) {
            return Err((span, "close_after_readings must be from 1 to 20".into()));
        }
        let session = self.session.map(session).transpose()?;
        let span = self.anaesthesia.span();
        let anaesthesia = self.anaesthesia.into_inner();
        let day = 0..=48 * 60;
        if !day.contains(&anaesthesia.before_minutes) || !day.contains(&anaesthesia.open_end_minutes) {
            return Err((span, "[anaesthesia] both times must be from 0 to 2880 minutes".into()));
        }
        let mut rules: Vec<Rule> = Vec::with_capacity(self.rules.len());
        for raw in self.rules {
            let span = raw.span();
            let rule = raw.into_inner().check().map_err(|message| (span.clone(), message))?;
            if rules.iter().any(|other| other.id == rule.id) {
                return Err((span, format!("two rules have the id {:?}; give each its own", rule.id)));
            }
            if rules.len() == MAX_RULES {
                return Err((span, format!("a sheet can hold {MAX_RULES} rules; join or remove some")));
            }
            // One run of low readings is followed per site, so it has one threshold.
            if let (Some(upper), Some(other)) = (sustained_upper(&rule), rules.iter().find_map(sustained_upper))
                && upper != other
            {
                return Err((span, "all rules of kind sustained need one upper_mmhg".into()));
            }
            rules.push(rule);
        }
        Ok(Sheet {
            file: file.to_owned(),
            id: self.id,
            version: self.version,
            title: self.title,
            ages: self.ages,
            hash,
            adult_from_years: self.adult_from_years,
            comparator: self.delta.comparator,
            pairing,
            plausible,
            session,
            anaesthesia,
            not_covered: self.not_covered,
            close_after_readings,
            close_after_minutes,
            alert_threshold: alert_threshold(&rules),
            rules,
        })
    }
}

fn session(raw: toml::Spanned<Session>) -> Result<Session, Refused> {
    let span = raw.span();
    let session = raw.into_inner();
    if !(1..=24 * 60).contains(&session.minutes) || session.compartments.len() < 2 {
        return Err((
            span,
            "[session] needs from 1 to 1440 minutes and at least two compartments".into(),
        ));
    }
    Ok(session)
}

/// The greatest threshold of a delta rule that raises `act` or more.
fn alert_threshold(rules: &[Rule]) -> i64 {
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
            lower_mmhg: self.lower_mmhg,
            upper_mmhg: self.upper_mmhg,
            minutes: self.minutes,
            readings: self.readings,
            last_readings: self.last_readings,
            window_minutes: self.window_minutes,
            horizon_minutes: self.horizon_minutes,
            at_or_above_mmhg: self.at_or_above_mmhg,
            more_than_mmhg: self.more_than_mmhg,
            after: self.after,
        }
    }

    fn check(self) -> Result<Rule, String> {
        let kind = self.parameters().kind()?;
        if self.examples.len() < 3 {
            return Err(format!(
                "rule {:?} has {} examples; it needs at least three",
                self.id,
                self.examples.len()
            ));
        }
        let both = self.examples.iter().any(|example| example.expect == Expect::Holds)
            && self
                .examples
                .iter()
                .any(|example| example.expect == Expect::DoesNotHold);
        if !both {
            return Err(format!(
                "rule {:?} needs an example that holds and one that does not",
                self.id
            ));
        }
        if self.citation.trim().is_empty() || !["C", "C2", "M", "D"].contains(&self.mark.as_str()) {
            return Err(format!("rule {:?} needs a citation and a mark: C, C2, M or D", self.id));
        }
        for sentence in [&self.says, &self.next] {
            if let Some(phrase) = crate::outbox::wording::forbidden_in(sentence) {
                return Err(format!(
                    "rule {:?} says {phrase:?}; no sentence may say or suggest that a limb is well or that anyone can wait",
                    self.id
                ));
            }
        }
        super::phrase::check(&self.says).map_err(|message| format!("rule {:?}: says: {message}", self.id))?;
        super::phrase::check(&self.next).map_err(|message| format!("rule {:?}: next: {message}", self.id))?;
        Ok(Rule {
            id: self.id,
            version: self.version,
            tier: self.tier,
            kind,
            ages: self.ages,
            regions: self.regions,
            context: self.context,
            citation: self.citation,
            mark: self.mark,
            population: self.population,
            known_failure: self.known_failure,
            says: self.says,
            next: self.next,
            examples: self.examples,
        })
    }
}
