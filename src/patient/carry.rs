//! Newer diastolics against the last compartment reading of a site: carried deltas.

use crate::fhir::Instant;
use crate::outbox::draft::AgeClass;
use crate::patient::applies::applies;
use crate::patient::assess::{Assessment, Carried, Depth, Measurement, Paired, Rules, difference};
use crate::patient::gather::Gathered;
use crate::recognise::{Context, Site};
use crate::rules::sheet::Rule;
use crate::rules::{RuleKind, Sheet};

/// What ends the carrying of a measurement: the next one of its site.
#[derive(Clone, Copy)]
pub(super) struct Next {
    at: Instant,
    /// The diastolic taken beside it: it belongs to the new measurement, not to the old one.
    beside: Option<usize>,
}

impl Next {
    pub(super) fn of(measurement: &Measurement<'_>) -> Self {
        let beside = match measurement.paired {
            Paired::With(diastolic, AgeClass::Simultaneous) => Some(diastolic),
            _ => None,
        };
        Self {
            at: measurement.at(),
            beside,
        }
    }
}

/// What stands around the measurement that is carried.
pub(super) struct Around<'a, 's> {
    pub(super) site: &'a Site,
    pub(super) contexts: &'a [Context],
    pub(super) diastolics: &'a [Gathered<'s>],
    /// The next measurement of the site.
    pub(super) next: Option<Next>,
}

/// A rule of carried deltas with its index in the sheet.
struct CarriedRule<'r> {
    index: usize,
    rule: &'r Rule,
    lower: Option<i64>,
    upper: i64,
}

fn carried_rules(sheet: &Sheet, child: bool) -> Vec<CarriedRule<'_>> {
    let applicable = sheet
        .rules
        .iter()
        .enumerate()
        .filter(|(_, rule)| rule.ages.includes(child));
    let carried = applicable.filter_map(|(index, rule)| match rule.kind {
        RuleKind::Carried { lower, upper } => Some(CarriedRule {
            index,
            rule,
            lower,
            upper,
        }),
        _ => None,
    });
    carried.collect()
}

/// What is the same for every carried delta of one assessment.
pub(super) struct Carrying<'r> {
    sheet: &'r Sheet,
    rules: Vec<CarriedRule<'r>>,
    depth: Depth,
    /// When each diastolic was measured.
    times: Vec<Instant>,
    /// The lowest compartment pressure, in thousandths, against which each diastolic can hold a
    /// rule; the least number where that is not exact.
    reach: Vec<i64>,
}

impl<'r> Carrying<'r> {
    pub(super) fn new(assessment: &Assessment<'_>, sheet: &'r Sheet, child: bool, depth: Depth) -> Self {
        let diastolics = &assessment.diastolics;
        let rules = carried_rules(sheet, child);
        let highest = rules.iter().map(|rule| rule.upper).max();
        // Half a mmHg more than the threshold still rounds down to it; one whole is beyond doubt.
        let beyond = highest.map(|upper| upper.saturating_add(1).saturating_mul(1000));
        let reach = |diastolic: &Gathered<'_>| match (beyond, diastolic.thousandths) {
            (None, _) => i64::MAX,
            (Some(beyond), Some(exact)) => exact.saturating_sub(beyond),
            (Some(_), None) => i64::MIN,
        };
        Self {
            sheet,
            rules,
            depth,
            times: diastolics.iter().map(|diastolic| diastolic.at).collect(),
            reach: diastolics.iter().map(reach).collect(),
        }
    }

    /// True when the delta is so far above every threshold that no rule can hold.
    fn holds_nothing(&self, diastolic: usize, compartment: &Gathered<'_>) -> bool {
        compartment
            .thousandths
            .is_some_and(|pressure| pressure < self.reach[diastolic])
    }
}

/// Newer diastolics against a measurement, until the next one of its site or the carry time ends.
/// The diastolic taken beside the next one is that one's.
pub(super) fn carry(measurement: &mut Measurement<'_>, around: &Around<'_, '_>, carrying: &Carrying<'_>) {
    let Carrying { sheet, rules, .. } = carrying;
    let (diastolics, next) = (around.diastolics, around.next);
    let at = measurement.at();
    let paired_at = match measurement.paired {
        Paired::With(index, _) => diastolics[index].at,
        Paired::Asking | Paired::Nothing => at,
    };
    let from = paired_at.max(at);
    let end = match mutated!(CarriedForEver) {
        true => Instant::from_millis(i64::MAX),
        false => at.plus_minutes(sheet.pairing.carry_minutes),
    };
    // The paired diastolic is next to the first newer one: a few steps, no search.
    let start = match measurement.paired {
        Paired::With(index, _) => index,
        Paired::Asking | Paired::Nothing => carrying.times.partition_point(|moment| *moment <= from),
    };
    let older = carrying.times[start..].iter().take_while(|moment| **moment <= from);
    let first = start + older.count();
    let counts = |moment: &&Instant| **moment <= end && next.is_none_or(|next| **moment < next.at);
    let count = carrying.times[first..].iter().take_while(counts).count();
    let keep_all = carrying.depth == Depth::All || next.is_none();
    if keep_all {
        measurement.carried.reserve_exact(count);
    }
    let mut highest = measurement.tier;
    for (index, diastolic) in diastolics.iter().enumerate().skip(first).take(count) {
        if !keep_all && carrying.holds_nothing(index, &measurement.gathered) {
            continue;
        }
        if next.is_some_and(|next| next.beside == Some(index)) {
            continue;
        }
        let Some(delta) = difference(diastolic, &measurement.gathered) else {
            break;
        };
        let mut carried = Carried {
            diastolic: index,
            delta,
            rules: Rules::default(),
            tier: None,
            raises: false,
        };
        for rule in rules {
            if sheet.in_band(delta.whole, rule.lower, rule.upper)
                && applies(rule.rule, around.site, around.contexts, diastolic.at, sheet)
            {
                carried.rules.add(rule.index);
                carried.tier = carried.tier.max(Some(rule.rule.tier));
            }
        }
        carried.raises = carried.tier > highest;
        highest = highest.max(carried.tier);
        if keep_all || carried.tier.is_some() {
            measurement.carried.push(carried);
        }
    }
}
