//! Two pairs of sheets on the same data: who is alerted by one and not by the other, and why. Pure.

use super::clock::Told;
use super::findings::{Findings, PatientFindings};
use crate::rules::{Sheet, Sheets, parameter};
use std::collections::BTreeMap;

/// A numeric parameter or a rule in which two sheets differ.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Difference {
    /// `delta-30.upper_mmhg`, or a rule's id when only one sheet has it.
    pub name: String,
    /// In the first sheet; None: it does not have it.
    pub first: Option<i64>,
    /// In the second.
    pub second: Option<i64>,
}

impl Difference {
    /// "delta-30.upper_mmhg: 30 here, 25 there".
    pub fn words(&self) -> String {
        let number = |number: Option<i64>| number.map_or(String::from("absent"), |number| number.to_string());
        format!("{}: {} and {}", self.name, number(self.first), number(self.second))
    }
}

/// In what two sheets differ, by name.
pub fn differences(first: &Sheet, second: &Sheet) -> Vec<Difference> {
    let numbers = |sheet: &Sheet| -> BTreeMap<String, i64> { parameter::all(sheet).into_iter().collect() };
    let (one, other) = (numbers(first), numbers(second));
    let mut names: Vec<&String> = one.keys().chain(other.keys()).collect();
    names.sort();
    names.dedup();
    let numeric = names.into_iter().filter(|name| one.get(*name) != other.get(*name));
    let mut differences: Vec<Difference> = numeric
        .map(|name| Difference {
            name: name.clone(),
            first: one.get(name).copied(),
            second: other.get(name).copied(),
        })
        .collect();
    if first.comparator != second.comparator {
        let inclusive = |sheet: &Sheet| i64::from(sheet.is_low(0, 0));
        differences.push(Difference {
            name: String::from("comparator (1: the threshold itself alerts)"),
            first: Some(inclusive(first)),
            second: Some(inclusive(second)),
        });
    }
    differences
}

/// A patient whom one pair of sheets alerts to and the other does not.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OnlyBy {
    /// Who.
    pub patient: String,
    /// True: the first pair alerts.
    pub first: bool,
    /// The alert.
    pub alert: Told,
    /// Why the other does not.
    pub reason: String,
}

/// The comparison.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Compared {
    /// Alerted by both.
    pub both: u64,
    /// Alerted by neither, and watched.
    pub neither: u64,
    /// By one and not the other.
    pub only: Vec<OnlyBy>,
    /// Of those alerted by both: told sooner by the first, at once, later.
    pub sooner: u64,
    /// At the same moment.
    pub same_time: u64,
    /// Later by the first.
    pub later: u64,
}

/// Compare two runs over the same patients.
pub fn compare(first: (&Findings, &Sheets), second: (&Findings, &Sheets)) -> Compared {
    let by_name = |findings: &'_ Findings| -> BTreeMap<String, usize> {
        let named = findings.patients.iter().enumerate();
        named
            .map(|(index, patient)| (patient.patient.0.clone(), index))
            .collect()
    };
    let (one, other) = (by_name(first.0), by_name(second.0));
    let mut names: Vec<&String> = one.keys().chain(other.keys()).collect();
    names.sort();
    names.dedup();
    let mut compared = Compared::default();
    for name in names {
        let here = one.get(name).map(|index| &first.0.patients[*index]);
        let there = other.get(name).map(|index| &second.0.patients[*index]);
        let alert = |patient: Option<&PatientFindings>| patient.and_then(PatientFindings::first_alert).cloned();
        let only = |by_first: bool, alert: Told, patient: Option<&PatientFindings>| OnlyBy {
            patient: name.clone(),
            first: by_first,
            reason: reason(&alert, patient, by_first, first.1, second.1),
            alert,
        };
        match (alert(here), alert(there)) {
            (None, None) => {
                let watched = here.or(there).is_some_and(|patient| patient.watched);
                compared.neither += u64::from(watched);
            }
            (Some(alert), None) => compared.only.push(only(true, alert, there)),
            (None, Some(alert)) => compared.only.push(only(false, alert, here)),
            (Some(one), Some(other)) => {
                compared.both += 1;
                match one.at.cmp(&other.at) {
                    std::cmp::Ordering::Less => compared.sooner += 1,
                    std::cmp::Ordering::Equal => compared.same_time += 1,
                    std::cmp::Ordering::Greater => compared.later += 1,
                }
            }
        }
    }
    compared
}

/// Why the sheets that did not alert did not: what is different in the rules that held for the
/// other, and what those sheets told instead.
fn reason(alert: &Told, silent: Option<&PatientFindings>, by_first: bool, first: &Sheets, second: &Sheets) -> String {
    let child = silent.is_some_and(|patient| patient.child);
    let of = |sheets: &'_ Sheets| {
        if child {
            sheets.child().clone()
        } else {
            sheets.adult().clone()
        }
    };
    let (one, other) = (of(first), of(second));
    let (alerting, quiet) = if by_first { (&one, &other) } else { (&other, &one) };
    let mut reasons: Vec<String> = Vec::new();
    for rule in &alert.rules {
        match quiet.rules.iter().find(|known| known.id == *rule) {
            None => reasons.push(format!("the other sheet has no rule {rule}")),
            Some(known) => {
                let same = alerting.rules.iter().find(|of| of.id == *rule);
                if same.is_some_and(|same| same.tier != known.tier) {
                    reasons.push(format!("{rule} raises {} there", known.tier));
                }
            }
        }
    }
    let concerns = |difference: &Difference| {
        let of_rule = alert
            .rules
            .iter()
            .any(|rule| difference.name.starts_with(&format!("{rule}.")));
        let of_pairing = ["pairing.", "plausible.", "concern.", "comparator", "adult_from"];
        of_rule || of_pairing.iter().any(|start| difference.name.starts_with(start))
    };
    let differing = differences(&one, &other);
    reasons.extend(differing.iter().filter(|one| concerns(one)).map(Difference::words));
    if reasons.is_empty() {
        reasons.extend(differing.iter().map(Difference::words));
    }
    let instead = silent.and_then(|patient| patient.told.iter().filter_map(|told| told.tier).max());
    reasons.push(match instead {
        Some(tier) => format!("the other told {tier} at most"),
        None => String::from("the other told nothing"),
    });
    reasons.join("; ")
}
