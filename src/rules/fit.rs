//! Do the rules of a sheet fit together? On each patient, site and context no two rules of a kind
//! may hold on the same number (an overlap), and below the highest threshold no number may be
//! without a rule (a gap). Pure.
//!
//! A rule for a context stands beside those that always run, so the two may overlap: the mean delta
//! is judged more strictly after ischaemia. A site that no mapping knows counts as any region;
//! rules of different regions then both run on it, which is no fault of the sheet.

use super::read::{Place, Read};
use super::sheet::{Fault, in_region};
use super::{Ages, Rule, RuleKind, Sheet, show};
use crate::recognise::ContextKind;
use std::collections::BTreeSet;

/// Patients and sites on whom the same rules run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Case<'s> {
    child: bool,
    /// The start of a compartment code that some rule names; None: any other.
    region: Option<&'s str>,
    /// What is recorded of the patient.
    context: Option<ContextKind>,
}

/// What a band is taken of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Scale {
    Delta,
    Carried,
    MeanDelta,
}

/// A band of whole mmHg: above `lower` (None: unbounded) to `upper`, the ends by the comparator.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Band {
    lower: Option<i64>,
    upper: i64,
}

/// Every fault, in the order of the file.
pub(super) fn faults(read: &Read) -> Vec<Fault> {
    let fit = Fit {
        read,
        sheet: &read.sheet,
        cases: cases(&read.sheet),
    };
    let mut faults: BTreeSet<(Place, String)> = BTreeSet::new();
    for (index, rule) in fit.sheet.rules.iter().enumerate() {
        let place = fit.place(index);
        let of_rule = fit.overlaps(index, rule).chain(fit.lacks(rule));
        faults.extend(of_rule.map(|message| (place, message)));
    }
    for scale in [Scale::Delta, Scale::Carried, Scale::MeanDelta] {
        faults.extend(fit.gaps(scale));
    }
    let fault = |(place, message)| Fault {
        place: Some(place),
        message,
    };
    faults.into_iter().map(fault).collect()
}

/// Every combination that the rules tell apart.
fn cases(sheet: &Sheet) -> Vec<Case<'_>> {
    let regions: BTreeSet<&str> = sheet
        .rules
        .iter()
        .flat_map(|rule| &rule.regions)
        .map(String::as_str)
        .collect();
    let mut contexts = vec![None];
    for context in sheet.rules.iter().filter_map(|rule| rule.context) {
        if !contexts.contains(&Some(context)) {
            contexts.push(Some(context));
        }
    }
    let mut cases = Vec::new();
    for child in [false, true].into_iter().filter(|child| sheet.ages.includes(*child)) {
        for region in std::iter::once(None).chain(regions.iter().copied().map(Some)) {
            cases.extend(contexts.iter().map(|context| Case {
                child,
                region,
                context: *context,
            }));
        }
    }
    cases
}

impl Case<'_> {
    fn runs(&self, rule: &Rule) -> bool {
        let of_region = |wanted: &String| self.region.is_some_and(|region| in_region(region, wanted));
        rule.ages.includes(self.child)
            && (rule.regions.is_empty() || rule.regions.iter().any(of_region))
            && (rule.context.is_none() || rule.context == self.context)
    }

    /// " (children, region leg)"; empty where the sheet tells nobody apart.
    fn words(&self, sheet: &Sheet) -> String {
        let mut words = Vec::new();
        if sheet.ages == Ages::Any && sheet.rules.iter().any(|rule| rule.ages != Ages::Any) {
            words.push(String::from(if self.child { "children" } else { "adults" }));
        }
        if sheet.rules.iter().any(|rule| !rule.regions.is_empty()) {
            words.push(
                self.region
                    .map_or(String::from("other regions"), |region| format!("region {region}")),
            );
        }
        words.extend(self.context.map(|context| show::context_words(context).to_owned()));
        if words.is_empty() {
            return String::new();
        }
        format!(" ({})", words.join(", "))
    }
}

impl Band {
    /// What two bands share.
    fn shared(self, other: Self) -> Option<Self> {
        let lower = self.lower.max(other.lower);
        let upper = self.upper.min(other.upper);
        lower.is_none_or(|lower| lower < upper).then_some(Self { lower, upper })
    }
}

fn band(kind: RuleKind) -> Option<(Scale, Band)> {
    match kind {
        RuleKind::Delta { lower, upper } => Some((Scale::Delta, Band { lower, upper })),
        RuleKind::Carried { lower, upper } => Some((Scale::Carried, Band { lower, upper })),
        RuleKind::MeanDelta { lower, upper } => Some((Scale::MeanDelta, Band { lower, upper })),
        _ => None,
    }
}

impl Scale {
    fn words(self) -> &'static str {
        match self {
            Self::Delta => "delta",
            Self::Carried => "carried delta",
            Self::MeanDelta => "mean delta",
        }
    }
}

/// A sheet under examination.
struct Fit<'r> {
    read: &'r Read,
    sheet: &'r Sheet,
    cases: Vec<Case<'r>>,
}

impl<'r> Fit<'r> {
    fn place(&self, rule: usize) -> Place {
        self.read.rules.get(rule).copied().unwrap_or(self.read.delta)
    }

    fn band_words(&self, band: Band) -> String {
        show::band(band.lower, band.upper, self.sheet.comparator)
    }

    /// Earlier rules that hold where this one holds.
    fn overlaps(&self, index: usize, rule: &'r Rule) -> impl Iterator<Item = String> {
        let earlier = self.sheet.rules.iter().take(index).enumerate();
        earlier.filter_map(move |(other_index, other)| {
            let both = |case: &Case<'_>| case.runs(rule) && case.runs(other);
            if rule.context != other.context || !self.cases.iter().any(both) {
                return None;
            }
            let named = format!("{:?} and {:?} (line {})", rule.id, other.id, self.place(other_index).0);
            match (band(rule.kind), band(other.kind)) {
                (Some((scale, one)), Some((other_scale, two))) if scale == other_scale => {
                    let shared = self.band_words(one.shared(two)?);
                    Some(format!(
                        "overlap: rules {named} both hold on a {} {shared}; move lower_mmhg or upper_mmhg so that one \
                         of them does",
                        scale.words()
                    ))
                }
                _ if rule.kind == other.kind => Some(format!(
                    "overlap: rules {named} have the same condition; remove one or change it"
                )),
                _ => None,
            }
        })
    }

    /// What a rule needs and the sheet does not give it.
    fn lacks(&self, rule: &'r Rule) -> impl Iterator<Item = String> {
        let runs: Vec<&Case<'_>> = self.cases.iter().filter(|case| case.runs(rule)).collect();
        let everywhere = |needed: &dyn Fn(&Rule) -> bool| {
            let met = |case: &&&Case<'_>| !self.sheet.rules.iter().any(|other| needed(other) && case.runs(other));
            runs.iter().find(met).map(|case| case.words(self.sheet))
        };
        let never = runs.is_empty().then(|| {
            format!(
                "rule {:?} is for {} and this sheet for {}: it never runs",
                rule.id,
                rule.ages.words(),
                self.sheet.ages.words()
            )
        });
        let threshold = match rule.kind {
            RuleKind::Sustained { upper, .. } | RuleKind::Carried { upper, .. } => everywhere(
                &|other| matches!(other.kind, RuleKind::Delta { upper: threshold, .. } if threshold == upper),
            )
            .map(|case| {
                format!(
                    "gap: rule {:?} has the threshold {upper} mmHg, and no delta rule has upper_mmhg = {upper}{case}",
                    rule.id
                )
            }),
            RuleKind::Overdue { after, .. } => everywhere(&|other| {
                other.tier == after && other.kind.family() == crate::outbox::draft::Family::Pressure
            })
            .map(|case| {
                format!(
                    "gap: rule {:?} follows the tier {after}, and no rule of the limb raises it{case}",
                    rule.id
                )
            }),
            RuleKind::MeanDelta { .. } => {
                let mean = rule
                    .examples
                    .iter()
                    .flat_map(|example| &example.readings)
                    .any(|one| one.mean.is_some());
                (!mean).then(|| format!("no example of rule {:?} has a mean, which it judges; give one", rule.id))
            }
            _ => None,
        };
        never.into_iter().chain(threshold)
    }

    /// Numbers below the highest threshold of a scale on which no rule holds.
    fn gaps(&self, scale: Scale) -> Vec<(Place, String)> {
        let banded = |rule: &'r Rule| band(rule.kind).filter(|(of, _)| *of == scale).map(|(_, band)| band);
        let mut faults = Vec::new();
        // A gap is told of the first case that has it.
        let mut told: Vec<(Band, usize)> = Vec::new();
        for case in &self.cases {
            let rules = self.sheet.rules.iter().enumerate().filter(|(_, rule)| case.runs(rule));
            let mut bands: Vec<(Band, usize)> =
                rules.filter_map(|(index, rule)| Some((banded(rule)?, index))).collect();
            // None, unbounded below, comes first.
            bands.sort_by_key(|(band, index)| (band.lower, *index));
            let Some((lowest, first)) = bands.first() else {
                if scale == Scale::Delta && case.context.is_none() {
                    let message = format!("gap: no delta rule runs{}", case.words(self.sheet));
                    faults.push((self.read.delta, message));
                }
                continue;
            };
            let mut below = |band: Band, index: usize| {
                if told.contains(&(band, index)) {
                    return;
                }
                told.push((band, index));
                let message = format!(
                    "gap: no rule holds on a {} {}{}; move lower_mmhg of rule {:?}, or add a rule",
                    scale.words(),
                    self.band_words(band),
                    case.words(self.sheet),
                    self.sheet.rules[index].id
                );
                faults.push((self.place(index), message));
            };
            if let Some(lower) = lowest.lower {
                let open = Band {
                    lower: None,
                    upper: lower,
                };
                below(open, *first);
            }
            let mut covered = lowest.upper;
            for (band, index) in &bands {
                if let Some(lower) = band.lower.filter(|lower| *lower > covered) {
                    let open = Band {
                        lower: Some(covered),
                        upper: lower,
                    };
                    below(open, *index);
                }
                covered = covered.max(band.upper);
            }
        }
        faults
    }
}
