//! One patient's assessment beside what was told: what is counted, listed and drawn of them. Pure.

use super::clock::Told;
use super::findings::{Alerts, CompartmentTotals, Onset, PairRow, PairedAs, Totals, Trace, method_word};
use crate::fhir::Instant;
use crate::fhir::instant::MINUTE_MILLIS;
use crate::patient::assess::{Assessment, Measurement, Paired, exact_difference};
use crate::recognise::Site;
use crate::recognise::reading::PatientKey;
use crate::rules::{Sheet, Tier};

/// One patient's assessment beside what was told.
pub(super) struct One<'a> {
    pub(super) assessment: &'a Assessment<'a>,
    pub(super) sheet: &'a Sheet,
    pub(super) told: &'a [Told],
    /// In a view of the past: what came after it is not known.
    pub(super) until: Option<Instant>,
}

impl One<'_> {
    fn is_low(&self, delta: i64) -> bool {
        self.sheet.is_low(delta, self.sheet.alert_threshold())
    }

    pub(super) fn count(&self, totals: &mut Totals) {
        let assessment = self.assessment;
        if !assessment.measurements.is_empty() {
            totals.diastolics += assessment.diastolics.len() as u64;
        }
        let mut of_sites = vec![CompartmentTotals::default(); assessment.sites.len()];
        for measurement in &assessment.measurements {
            let (class, method) = match measurement.paired {
                Paired::With(index, class) => {
                    let method = assessment.diastolics[index].current.reading.method;
                    (PairedAs::With(class), Some(method))
                }
                Paired::Asking | Paired::Nothing => (PairedAs::Nothing, None),
            };
            *totals.pairings.entry((class, method)).or_default() += 1;
            let of_site = &mut of_sites[measurement.gathered.site];
            of_site.readings += 1;
            if let Some(delta) = measurement.delta {
                match delta.bounded_above {
                    true => totals.bounded += 1,
                    false => *totals.deltas.entry(delta.whole).or_default() += 1,
                }
                let low = u64::from(self.is_low(delta.whole));
                totals.low += low;
                of_site.low += low;
            }
        }
        for (site, counted) in assessment.sites.iter().zip(of_sites) {
            let total = totals.compartments.entry(site.display.clone()).or_default();
            total.sites += 1;
            total.readings += counted.readings;
            total.low += counted.low;
        }
    }

    pub(super) fn lowest(&self) -> Option<(i64, Instant)> {
        let deltas = self.assessment.measurements.iter();
        deltas.filter_map(|found| Some((found.delta?.whole, found.at()))).min()
    }

    /// Each compartment reading counts for the carry time after it; overlapping times once.
    pub(super) fn watched_minutes(&self) -> i64 {
        let carry = self.sheet.pairing.carry_minutes * MINUTE_MILLIS;
        let mut times: Vec<i64> = self
            .assessment
            .measurements
            .iter()
            .map(|found| found.at().millis())
            .collect();
        times.sort_unstable();
        let apart = times.windows(2).map(|pair| (pair[1] - pair[0]).min(carry));
        let view = self.until.map_or(i64::MAX, Instant::millis);
        let last = times
            .last()
            .map_or(0, |last| view.saturating_sub(*last).clamp(0, carry));
        (apart.sum::<i64>() + last) / MINUTE_MILLIS
    }

    /// Deltas of one site, carried ones included, in order of time.
    fn deltas(&self, site: usize) -> Vec<(Instant, i64, bool)> {
        let mut deltas = Vec::new();
        for (_, found) in self.assessment.of_site(site) {
            deltas.extend(found.delta.map(|delta| (found.at(), delta.whole, false)));
            let carried = found.carried.iter();
            deltas.extend(carried.map(|carried| {
                (
                    self.assessment.diastolics[carried.diastolic].at,
                    carried.delta.whole,
                    true,
                )
            }));
        }
        deltas.sort();
        deltas
    }

    /// Until when the delta of a site that was taken at `at` holds by itself: for the carry time of the
    /// compartment reading that it is of, and no longer than the view.
    fn holds_until(&self, site: usize, at: Instant) -> Instant {
        let of_site = self.assessment.all_of_site(site);
        let newest = of_site.partition_point(|found| found.at() <= at).checked_sub(1);
        let measured = newest.and_then(|index| of_site.get(index)).map_or(at, Measurement::at);
        let until = measured.plus_minutes(self.sheet.pairing.carry_minutes);
        self.until.map_or(until, |view| until.min(view))
    }

    /// Onset of each site, and minutes below the threshold: a low delta, measured or carried, holds until
    /// the next delta of the site, at most for the carry time of its compartment reading.
    pub(super) fn low(&self) -> (Vec<Onset>, i64) {
        let (mut onsets, mut millis) = (Vec::new(), 0);
        // Most patients have none: then nothing is put in order.
        let any = |found: &Measurement<'_>| {
            let carried = found.carried.iter().map(|carried| carried.delta);
            carried.chain(found.delta).any(|delta| self.is_low(delta.whole))
        };
        if !self.assessment.measurements.iter().any(any) {
            return (onsets, 0);
        }
        for site in 0..self.assessment.sites.len() {
            let deltas = self.deltas(site);
            for (index, (at, delta, _)) in deltas.iter().enumerate() {
                if self.is_low(*delta) {
                    let until = self.holds_until(site, *at);
                    let next = deltas.get(index + 1).map_or(until, |(next, _, _)| until.min(*next));
                    millis += next.millis_since(*at).max(0);
                }
            }
            if let Some((first_low, _, _)) = deltas.iter().find(|(_, delta, _)| self.is_low(*delta)) {
                let site = &self.assessment.sites[site];
                let of_site =
                    |told: &&Told| told.is_alert() && told.site.as_ref().is_some_and(|other| other.key() == site.key());
                onsets.push(Onset {
                    first_low: *first_low,
                    first_alert: self.told.iter().find(of_site).map(|told| told.at),
                });
            }
        }
        (onsets, millis / MINUTE_MILLIS)
    }

    pub(super) fn alerts(&self) -> Alerts {
        let mut alerts = Alerts::default();
        for told in self.told {
            if !told.is_alert() || told.tier_before >= Some(Tier::Act) {
                continue;
            }
            alerts.all += 1;
            let site = told.site.as_ref().map(Site::key);
            let index = self.assessment.sites.iter().position(|one| Some(one.key()) == site);
            let (Some(index), Some(at)) = (index, told.measured_at) else {
                // What it stood on was taken back since.
                alerts.from_one_reading += 1;
                continue;
            };
            let closed = self.told.iter().find(|later| {
                later.at > told.at && later.tier.is_none() && later.family == told.family && later.site == told.site
            });
            let until = closed.map(|closed| closed.at);
            let since = self.assessment.of_site(index).map(|(_, found)| found);
            let since = since.filter(|found| found.at() >= at && until.is_none_or(|until| found.at() <= until));
            let lows = since.filter(|found| found.delta.is_some_and(|delta| self.is_low(delta.whole)));
            alerts.from_one_reading += u64::from(lows.count() <= 1);
            let next = self.assessment.of_site(index).find(|(_, found)| found.at() > at);
            if let Some(delta) = next.and_then(|(_, found)| found.delta) {
                alerts.measured_again += 1;
                alerts.resolved_at_next += u64::from(!self.is_low(delta.whole));
            }
        }
        alerts
    }

    pub(super) fn pair_rows(&self, patient: &PatientKey, rows: &mut Vec<PairRow>) {
        for found in &self.assessment.measurements {
            let site = &self.assessment.sites[found.gathered.site];
            let current = found.gathered.current;
            let mut row = PairRow {
                patient: patient.0.clone(),
                site: site.key(),
                site_text: site.to_string(),
                source: current.slot.source.clone(),
                measured_at: found.at().to_string(),
                pressure_mmhg: current.reading.pressure.mmhg.to_string(),
                comparator: found.gathered.comparator.map_or("", |comparator| comparator.sign()),
                diastolic_source: String::new(),
                diastolic_at: String::new(),
                diastolic_mmhg: String::new(),
                diastolic_method: String::new(),
                age_class: PairedAs::Nothing.word(),
                age_minutes: String::new(),
                delta_mmhg: String::new(),
                delta_whole_mmhg: String::new(),
                bounded_above: found.delta.is_some_and(|delta| delta.bounded_above),
                low: found.delta.is_some_and(|delta| self.is_low(delta.whole)),
                tier: found.tier.map_or("", Tier::word),
            };
            if let Paired::With(index, class) = found.paired {
                let diastolic = &self.assessment.diastolics[index];
                let reading = diastolic.current.reading;
                row.diastolic_source = diastolic.current.slot.source.clone();
                row.diastolic_at = diastolic.at.to_string();
                row.diastolic_mmhg = reading.pressure.mmhg.to_string();
                row.diastolic_method = method_word(reading.method).to_owned();
                row.age_class = PairedAs::With(class).word();
                row.age_minutes = diastolic.at.minutes_since(found.at()).to_string();
                if let Some(delta) = found.delta {
                    row.delta_mmhg = exact_difference(diastolic, &found.gathered).to_string();
                    row.delta_whole_mmhg = delta.whole.to_string();
                }
            }
            rows.push(row);
        }
    }

    /// The site with the most messages.
    pub(super) fn trace(&self, patient: &PatientKey) -> Option<Trace> {
        let of = |site: &Site| {
            let key = site.key();
            let of_site = self
                .told
                .iter()
                .filter(|told| told.site.as_ref().is_some_and(|other| other.key() == key));
            of_site.count()
        };
        let sites = self.assessment.sites.iter().enumerate();
        let (index, site) = sites.max_by_key(|(index, site)| (of(site), usize::MAX - index))?;
        let pressures: Vec<(Instant, i64)> = self
            .assessment
            .of_site(index)
            .map(|(_, found)| (found.at(), found.whole_pressure()))
            .collect();
        let key = site.key();
        let of_site = self
            .told
            .iter()
            .filter(|told| told.site.as_ref().is_some_and(|other| other.key() == key));
        let threshold = self.sheet.alert_threshold();
        Some(Trace {
            patient: patient.clone(),
            site: site.to_string(),
            messages: self.told.len(),
            pressures,
            diastolics: self
                .assessment
                .diastolics
                .iter()
                .map(|one| (one.at, one.whole_diastolic()))
                .collect(),
            deltas: self.deltas(index),
            messages_at: of_site.map(|told| (told.at, told.occasion, told.tier)).collect(),
            threshold: (threshold != i64::MIN).then_some(threshold),
        })
    }
}
