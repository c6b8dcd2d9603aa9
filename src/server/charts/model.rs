//! What is drawn of one site, freed from the assessment.

use super::CHART_HOURS;
use crate::fhir::Instant;
use crate::fhir::quantity::round_delta;
use crate::outbox::draft::AgeClass;
use crate::patient::assess::{Assessment, Delta, Measurement, Paired};
use crate::patient::gather::Gathered;
use crate::recognise::reading::Comparator;
use crate::rules::Sheet;

/// A compartment pressure.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PressurePoint {
    /// When.
    pub at: Instant,
    /// Whole mmHg as compared.
    pub mmhg: i64,
    /// Present when the number is only a bound.
    pub comparator: Option<Comparator>,
    /// True when no delta could be computed (no usable diastolic, or only an upper bound).
    pub without_delta: bool,
}

/// A diastolic.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DiastolicPoint {
    /// When.
    pub at: Instant,
    /// Whole mmHg as compared.
    pub mmhg: i64,
    /// True when a pairing of this site uses it (a carried delta alone does not count).
    pub used: bool,
}

/// How a delta came about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DeltaKind {
    /// Both numbers within the sheet's `paired_minutes`.
    Paired,
    /// The diastolic is older than that.
    Stale,
    /// A newer diastolic against the last compartment reading.
    Carried,
}

/// A delta pressure.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DeltaPoint {
    /// When: the compartment reading's moment; the diastolic's for a carried one.
    pub at: Instant,
    /// Whole mmHg as compared.
    pub mmhg: i64,
    /// How it came about.
    pub kind: DeltaKind,
    /// A comparator makes it an upper bound.
    pub bounded_above: bool,
    /// At or below (or below) the threshold, as the sheet compares.
    pub low: bool,
    /// The two numbers, whole mmHg: diastolic, compartment pressure.
    pub terms: (i64, i64),
}

/// The line at which the sheet alerts.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Threshold {
    /// Whole mmHg (30 in the adult sheet).
    pub mmhg: i64,
    /// "at or below" or "below".
    pub words: &'static str,
}

/// One site's picture.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SiteChart {
    /// "left leg, anterior compartment".
    pub site: String,
    /// The time of the page.
    pub now: Instant,
    /// Left edge.
    pub from: Instant,
    /// Right edge.
    pub to: Instant,
    /// In order of time.
    pub pressures: Vec<PressurePoint>,
    /// In order of time.
    pub diastolics: Vec<DiastolicPoint>,
    /// In order of time.
    pub deltas: Vec<DeltaPoint>,
    /// The alert line, when the sheet has one.
    pub threshold: Option<Threshold>,
    /// Compartment readings older than the left edge.
    pub earlier: usize,
}

impl SiteChart {
    /// The picture of site `site` (an index into `assessment.sites`) as of `now`.
    pub fn of(assessment: &Assessment<'_>, site: usize, sheet: &Sheet, now: Instant) -> Self {
        let measurements: Vec<&Measurement<'_>> = assessment.of_site(site).map(|(_, found)| found).collect();
        let (from, to) = window(assessment, &measurements, now);
        let shown = |at: Instant| from <= at && at <= to;
        let threshold = sheet.alert_threshold();
        let mut chart = Self {
            site: assessment.sites.get(site).map(ToString::to_string).unwrap_or_default(),
            now,
            from,
            to,
            pressures: Vec::new(),
            diastolics: Vec::new(),
            deltas: Vec::new(),
            threshold: (threshold != i64::MIN).then(|| Threshold {
                mmhg: threshold,
                words: sheet.comparator.words(),
            }),
            earlier: measurements.iter().filter(|found| found.at() < from).count(),
        };
        let mut used = vec![false; assessment.diastolics.len()];
        for measurement in measurements {
            if let Paired::With(index, _) = measurement.paired
                && let Some(used) = used.get_mut(index)
            {
                *used = true;
            }
            chart.add(measurement, assessment, sheet, &shown);
        }
        chart.deltas.sort_by_key(|delta| delta.at);
        for (diastolic, used) in assessment.diastolics.iter().zip(used) {
            let at = diastolic.current.reading.at;
            if shown(at) {
                let mmhg = whole(diastolic);
                chart.diastolics.push(DiastolicPoint { at, mmhg, used });
            }
        }
        chart
    }

    fn add(
        &mut self,
        measurement: &Measurement<'_>,
        assessment: &Assessment<'_>,
        sheet: &Sheet,
        shown: &impl Fn(Instant) -> bool,
    ) {
        let pressure = measurement.whole_pressure();
        let point = |at: Instant, delta: Delta, kind: DeltaKind, diastolic: usize| DeltaPoint {
            at,
            mmhg: delta.whole,
            kind,
            bounded_above: delta.bounded_above,
            low: sheet.is_low(delta.whole, sheet.alert_threshold()),
            terms: (
                assessment.diastolics.get(diastolic).map(whole).unwrap_or_default(),
                pressure,
            ),
        };
        if shown(measurement.at()) {
            self.pressures.push(PressurePoint {
                at: measurement.at(),
                mmhg: pressure,
                comparator: measurement.gathered.current.reading.pressure.comparator,
                without_delta: measurement.delta.is_none(),
            });
            if let (Paired::With(index, age), Some(delta)) = (measurement.paired, measurement.delta) {
                let kind = if age == AgeClass::Stale {
                    DeltaKind::Stale
                } else {
                    DeltaKind::Paired
                };
                self.deltas.push(point(measurement.at(), delta, kind, index));
            }
        }
        for carried in &measurement.carried {
            let at = assessment
                .diastolics
                .get(carried.diastolic)
                .map(|diastolic| diastolic.current.reading.at);
            if let Some(at) = at.filter(|at| shown(*at)) {
                let carried = point(at, carried.delta, DeltaKind::Carried, carried.diastolic);
                self.deltas.push(carried);
            }
        }
    }
}

/// A half of the diastolic goes down like a half of the delta: toward the alert.
fn whole(diastolic: &Gathered<'_>) -> i64 {
    round_delta(diastolic.current.reading.pressure.mmhg)
}

/// Up to [`CHART_HOURS`] that end now; when the site's newest number is older than that, they end
/// an hour after it. At least two hours wide, so that a single reading has surroundings.
fn window(assessment: &Assessment<'_>, measurements: &[&Measurement<'_>], now: Instant) -> (Instant, Instant) {
    let newest = measurements.iter().map(|found| found.at()).max().unwrap_or(now);
    let to = if now.minutes_since(newest) <= CHART_HOURS * 60 {
        now.max(newest)
    } else {
        newest.plus_minutes(60)
    };
    let earliest = to.plus_minutes(-CHART_HOURS * 60);
    let paired_at = |found: &&Measurement<'_>| match found.paired {
        Paired::With(index, _) => assessment
            .diastolics
            .get(index)
            .map_or(found.at(), |diastolic| diastolic.current.reading.at.min(found.at())),
        Paired::Asking | Paired::Nothing => found.at(),
    };
    let first = measurements.iter().map(paired_at).min().unwrap_or(to);
    let from = first.plus_minutes(-10).min(to.plus_minutes(-120)).max(earliest);
    (from, to)
}
