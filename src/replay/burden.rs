//! Figures of one run: how much it said, to whom, how early. Pure. The definition of each figure
//! stands beside it in the report.

use super::findings::{Alerts, Findings, PatientFindings};
use super::statistics::{Share, Spread, float};
use crate::fhir::Instant;
use crate::fhir::instant::MINUTE_MILLIS;
use crate::outbox::draft::{Family, Occasion};
use crate::rules::Tier;
use std::collections::BTreeMap;

/// Messages no further apart than this belong to one burst, minutes (ours).
pub const BURST_MINUTES: i64 = 15;

/// The most patients that are listed as heaviest.
pub const HEAVIEST: usize = 10;

/// Minutes of a day.
const DAY_MINUTES: i64 = 24 * 60;

/// The longest burst of one patient.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Burst {
    /// Whose.
    pub patient: String,
    /// Messages.
    pub messages: usize,
    /// From the first …
    pub from: Instant,
    /// … to the last.
    pub to: Instant,
}

/// Concerns of one tier.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct TierCount {
    /// Concerns whose highest tier it was.
    pub concerns: u64,
    /// Patients with at least one.
    pub patients: u64,
}

/// The figures.
#[derive(Clone, Debug, PartialEq)]
pub struct Burden {
    /// Patients with a compartment pressure.
    pub watched: u64,
    /// Minutes watched, over all.
    pub watched_minutes: i64,
    /// Messages.
    pub messages: u64,
    /// Messages by occasion and tier (None: nothing holds any more).
    pub by_kind: BTreeMap<(Occasion, Option<Tier>), u64>,
    /// Concerns by highest tier.
    pub tiers: BTreeMap<Tier, TierCount>,
    /// Concerns by compartment and highest tier; "" is the blood pressure as a whole.
    pub compartments: BTreeMap<String, BTreeMap<Tier, u64>>,
    /// Patients with an alert.
    pub alerted: u64,
    /// Alerts.
    pub alerts: Alerts,
    /// The longest burst.
    pub burst: Option<Burst>,
    /// Minutes below the threshold, over all sites.
    pub low_minutes: i64,
    /// Patients with any.
    pub low_patients: u64,
    /// From the first low delta of a site to its first alert, minutes.
    pub onset: Option<Spread>,
    /// Sites with a low delta and no alert.
    pub onset_without_alert: u64,
    /// Messages by weekday (0: Monday) and hour of UTC.
    pub heat: [[u64; 24]; 7],
}

impl Burden {
    /// Of what was found.
    pub fn of(findings: &Findings) -> Self {
        let patients = &findings.patients;
        let mut burden = Self {
            watched: patients.iter().filter(|patient| patient.watched).count() as u64,
            watched_minutes: patients.iter().map(|patient| patient.watched_minutes).sum(),
            messages: patients.iter().map(|patient| patient.told.len() as u64).sum(),
            by_kind: BTreeMap::new(),
            tiers: BTreeMap::new(),
            compartments: BTreeMap::new(),
            alerted: patients
                .iter()
                .filter(|patient| patient.first_alert().is_some())
                .count() as u64,
            alerts: Alerts::default(),
            burst: patients.iter().filter_map(burst).fold(None, longer),
            low_minutes: patients.iter().map(|patient| patient.low_minutes).sum(),
            low_patients: patients.iter().filter(|patient| patient.low_minutes > 0).count() as u64,
            onset: Spread::of(
                patients
                    .iter()
                    .flat_map(|patient| &patient.onsets)
                    .filter_map(|onset| onset.minutes())
                    .collect(),
            ),
            onset_without_alert: 0,
            heat: [[0; 24]; 7],
        };
        for patient in patients {
            burden.add(patient);
        }
        burden
    }

    fn add(&mut self, patient: &PatientFindings) {
        self.alerts.add(patient.alerts);
        let silent = patient.onsets.iter().filter(|onset| onset.first_alert.is_none());
        self.onset_without_alert += silent.count() as u64;
        for told in &patient.told {
            *self.by_kind.entry((told.occasion, told.tier)).or_default() += 1;
            let (day, hour) = weekday_and_hour(told.at);
            self.heat[day][hour] += 1;
        }
        for tier in Tier::ALL {
            let of_tier = patient.episodes.iter().filter(|episode| episode.highest == tier);
            let concerns = of_tier.count() as u64;
            if concerns > 0 {
                let count = self.tiers.entry(tier).or_default();
                count.concerns += concerns;
                count.patients += 1;
            }
        }
        for episode in &patient.episodes {
            let place = episode
                .site
                .as_ref()
                .map(|site| site.display.clone())
                .unwrap_or_default();
            *self
                .compartments
                .entry(place)
                .or_default()
                .entry(episode.highest)
                .or_default() += 1;
        }
    }

    /// Watched days.
    pub fn patient_days(&self) -> f64 {
        minutes(self.watched_minutes) / minutes(DAY_MINUTES)
    }

    /// `count` for each watched day; None when nobody was watched.
    pub fn per_patient_day(&self, count: u64) -> Option<f64> {
        (self.watched_minutes > 0).then(|| float(count) / self.patient_days())
    }

    /// Messages for every 100 watched patients; None when nobody was watched.
    pub fn per_100_patients(&self) -> Option<f64> {
        (self.watched > 0).then(|| float(self.messages) * 100.0 / float(self.watched))
    }

    /// Patients with an alert, of those watched.
    pub fn alerted_share(&self) -> Share {
        Share::new(self.alerted, self.watched)
    }

    /// Alerts that stood on one low reading.
    pub fn from_one_reading(&self) -> Share {
        Share::new(self.alerts.from_one_reading, self.alerts.all)
    }

    /// Alerts whose compartment gave a delta above the threshold when it was next measured.
    pub fn resolved_at_next(&self) -> Share {
        Share::new(self.alerts.resolved_at_next, self.alerts.measured_again)
    }
}

/// The patients with the most messages, the heaviest first.
pub fn heaviest(findings: &Findings) -> Vec<&PatientFindings> {
    let mut patients: Vec<&PatientFindings> = findings
        .patients
        .iter()
        .filter(|patient| !patient.told.is_empty())
        .collect();
    patients.sort_by(|one, other| (other.told.len(), &one.patient).cmp(&(one.told.len(), &other.patient)));
    patients.truncate(HEAVIEST);
    patients
}

fn burst(patient: &PatientFindings) -> Option<Burst> {
    let near = |one: &super::clock::Told, other: &super::clock::Told| {
        other.at.millis_since(one.at) <= BURST_MINUTES * MINUTE_MILLIS
    };
    let longest = patient
        .told
        .chunk_by(near)
        .reduce(|longest, next| match next.len() > longest.len() {
            true => next,
            false => longest,
        })?;
    Some(Burst {
        patient: patient.patient.0.clone(),
        messages: longest.len(),
        from: longest.first()?.at,
        to: longest.last()?.at,
    })
}

fn longer(longest: Option<Burst>, next: Burst) -> Option<Burst> {
    match longest {
        Some(longest) if longest.messages >= next.messages => Some(longest),
        _ => Some(next),
    }
}

/// 1970-01-01 was a Thursday.
fn weekday_and_hour(at: Instant) -> (usize, usize) {
    let hours = at.millis().div_euclid(60 * MINUTE_MILLIS);
    let day = (hours.div_euclid(24) + 3).rem_euclid(7);
    let place = |number: i64| usize::try_from(number).unwrap_or(0);
    (place(day), place(hours.rem_euclid(24)))
}

#[expect(clippy::cast_precision_loss, reason = "minutes far below 2^53")]
fn minutes(count: i64) -> f64 {
    count as f64
}

/// Families of concerns, as tables name them.
pub fn family_words(family: Family) -> &'static str {
    match family {
        Family::Pressure => "the limb",
        Family::Measurement => "the measurement",
        Family::FollowUp => "measuring again",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `date -u -d @1772748600 '+%A %H'` (GNU coreutils): Thursday 22.
    #[test]
    fn weekdays_and_hours_are_of_utc() {
        assert_eq!(weekday_and_hour(Instant::from_millis(1_772_748_600_000)), (3, 22));
        assert_eq!(weekday_and_hour(Instant::from_millis(-1)), (2, 23));
    }
}
