//! Which rules hold on each measurement: site by site, in order of time.

use crate::fhir::Instant;
use crate::fhir::instant::MINUTE_MILLIS;
use crate::outbox::draft::{AgeNote, BesideKind};
use crate::patient::applies::applies;
use crate::patient::assess::{Assessment, Depth, Measurement, Run};
use crate::patient::carry::{Around, Carrying, Next, carry};
use crate::patient::trend::Series;
use crate::recognise::reading::Comparator;
use crate::recognise::{Context, Site};
use crate::rules::sheet::Rule;
use crate::rules::{RuleKind, Sheet, Tier};

/// Rules on every measurement, site by site, in order of time.
pub(super) fn judge_in_order(assessment: &mut Assessment<'_>, sheet: &Sheet, depth: Depth) {
    let child = assessment.age_note == AgeNote::Child;
    let threshold = sustained_threshold(sheet);
    let rules = PressureRules::of(sheet, child);
    let carrying = Carrying::new(assessment, sheet, child, depth);
    let mut low_run: Option<(Instant, Instant, usize, i64)> = None;
    let mut site_before = usize::MAX;
    let mut series = Series::default();
    for index in 0..assessment.measurements.len() {
        let (_, rest) = assessment.measurements.split_at_mut(index);
        let Some((measurement, after)) = rest.split_first_mut() else {
            break;
        };
        let site = measurement.gathered.site;
        if site != site_before {
            low_run = None;
            site_before = site;
            series.clear();
        }
        let at = measurement.at();
        match (measurement.delta, threshold) {
            (Some(delta), Some(threshold)) if sheet.is_low(delta.whole, threshold) => {
                let (first, count, gap) = low_run.map_or((at, 0, 0), |(first, last, count, gap)| {
                    (first, count, gap.max(at.minutes_since(last)))
                });
                low_run = Some((first, at, count + 1, gap));
                measurement.run = Some(Run {
                    minutes: at.millis_since(first) / MINUTE_MILLIS,
                    count: count + 1,
                    widest_gap_minutes: gap,
                });
            }
            (Some(_), _) if measurement.conclusive => low_run = None,
            _ => {}
        }
        let is_exact = series.add(measurement, &assessment.diastolics);
        let scene = Scene {
            site: &assessment.sites[site],
            contexts: &assessment.contexts,
            series: is_exact.then_some(&series),
        };
        judge(measurement, &scene, sheet, &rules);
        // A newer reading that contradicts this one with a higher delta does not end its carrying:
        // the lower delta counts.
        let of_site = after.iter().take_while(|next| next.gathered.site == site);
        let next = of_site.filter(|next| !next.yields_to(index)).map(Next::of).next();
        let around = Around {
            site: &assessment.sites[site],
            contexts: &assessment.contexts,
            diastolics: &assessment.diastolics,
            next,
        };
        carry(measurement, &around, &carrying);
    }
}

fn sustained_threshold(sheet: &Sheet) -> Option<i64> {
    sheet.rules.iter().find_map(|rule| match rule.kind {
        RuleKind::Sustained { upper, .. } => Some(upper),
        _ => None,
    })
}

/// What stands around one measurement.
struct Scene<'a> {
    site: &'a Site,
    contexts: &'a [Context],
    /// The deltas of the site up to this one; None where it has no exact delta itself.
    series: Option<&'a Series>,
}

/// A rule that looks at one measurement, with its index in the sheet.
struct PressureRule<'r> {
    index: usize,
    kind: RuleKind,
    tier: Tier,
    rule: &'r Rule,
    /// True when it is for every region and context.
    always_applies: bool,
}

/// The rules that look at one measurement, and what is beyond all of them.
struct PressureRules<'r> {
    all: Vec<PressureRule<'r>>,
    /// Those that look at earlier measurements, too.
    trends: Vec<PressureRule<'r>>,
    /// No delta above this holds a delta rule.
    highest_delta: i64,
    /// No compartment pressure below this holds a rule by itself.
    lowest_pressure: i64,
}

impl<'r> PressureRules<'r> {
    fn of(sheet: &'r Sheet, child: bool) -> Self {
        let mut rules = Self {
            all: Vec::new(),
            trends: Vec::new(),
            highest_delta: i64::MIN,
            lowest_pressure: i64::MAX,
        };
        for (index, rule) in sheet
            .rules
            .iter()
            .enumerate()
            .filter(|(_, rule)| rule.ages.includes(child))
        {
            let rule = PressureRule {
                index,
                kind: rule.kind,
                tier: rule.tier,
                rule,
                always_applies: rule.regions.is_empty() && rule.context.is_none(),
            };
            match rule.kind {
                RuleKind::Delta { upper, .. } => rules.highest_delta = rules.highest_delta.max(upper),
                RuleKind::Absolute { at_or_above } => rules.lowest_pressure = rules.lowest_pressure.min(at_or_above),
                RuleKind::Sustained { .. } | RuleKind::MeanDelta { .. } => {}
                RuleKind::Trend { .. } => {
                    rules.trends.push(rule);
                    continue;
                }
                _ => continue,
            }
            rules.all.push(rule);
        }
        rules
    }

    /// True when only a trend can hold: most measurements are unremarkable.
    fn are_beyond(&self, measurement: &Measurement<'_>, whole: i64) -> bool {
        measurement.delta.is_none_or(|delta| delta.whole > self.highest_delta)
            && whole < self.lowest_pressure
            && measurement.run.is_none()
            && measurement.beside.is_empty()
    }
}

/// Rules of the pressure family on one measurement.
fn judge(measurement: &mut Measurement<'_>, scene: &Scene<'_>, sheet: &Sheet, rules: &PressureRules<'_>) {
    let comparator = measurement.gathered.comparator;
    let only_upper_bound = matches!(comparator, Some(Comparator::Less | Comparator::LessOrEqual));
    let whole = measurement.whole_pressure();
    let alert = sheet.alert_threshold();
    let looking = match rules.are_beyond(measurement, whole) {
        true => &[][..],
        false => &rules.all[..],
    };
    for rule in looking.iter().chain(&rules.trends) {
        let kind = rule.kind;
        let holds = match kind {
            RuleKind::Delta { lower, upper } => measurement
                .delta
                .is_some_and(|delta| sheet.in_band(delta.whole, lower, upper)),
            RuleKind::Sustained { minutes, readings, .. } => measurement.run.is_some_and(|run| {
                run.minutes >= minutes + i64::from(mutated!(SustainedExclusive)) && run.count >= readings
            }),
            RuleKind::Absolute { at_or_above } => {
                let delta_speaks = measurement.delta.is_some_and(|delta| sheet.is_low(delta.whole, alert));
                whole >= at_or_above && !only_upper_bound && !delta_speaks
            }
            RuleKind::MeanDelta { lower, upper } => {
                let mut means = measurement
                    .beside
                    .iter()
                    .filter(|beside| beside.kind == BesideKind::Mean);
                means.any(|mean| sheet.in_band(mean.delta.whole, lower, upper))
            }
            RuleKind::Trend { .. } => {
                let delta = measurement.delta.zip(scene.series);
                delta.is_some_and(|(delta, series)| series.falls(delta.whole, kind, sheet))
            }
            _ => false,
        };
        let applies = || rule.always_applies || applies(rule.rule, scene.site, scene.contexts, measurement.at(), sheet);
        if holds && applies() {
            measurement.rules.add(rule.index);
            measurement.tier = measurement.tier.max(Some(rule.tier));
            // A mean arterial delta is another number than the one that the Observation gives.
            if !matches!(kind, RuleKind::MeanDelta { .. }) {
                measurement.delta_tier = measurement.delta_tier.max(Some(rule.tier));
            }
        }
    }
}
