//! The readings of a bucket of patients → pairs, and which of them are low.

use super::row::{DIASTOLIC, Row};
use super::{Options, Pairing};

/// A low delta is at most this, in thousandths of mm\[Hg\] (30 mmHg: McQueen & Court-Brown 1996).
const LOW_THOUSANDTHS: i64 = 30_000;
const MINUTE_MILLIS: i64 = 60_000;

/// What the pairs come to.
#[derive(Default)]
pub(super) struct Pairs {
    pub compartment: u64,
    pub diastolic: u64,
    pub pairs: u64,
    pub low: u64,
    pub sum_thousandths: i128,
    pub low_runs: u64,
    /// Patient, site and time of the first low pair of each patient and site that has one.
    pub first_low: Vec<(u64, u32, i64)>,
}

impl Pairs {
    pub fn add(&mut self, other: Self) {
        self.compartment += other.compartment;
        self.diastolic += other.diastolic;
        self.pairs += other.pairs;
        self.low += other.low;
        self.sum_thousandths += other.sum_thousandths;
        self.low_runs += other.low_runs;
        self.first_low.extend(other.first_low);
    }
}

/// By patient; the diastolics, then site by site; by time. At one time the newest lastUpdated last, and
/// where that does not decide either the lower delta last: for a diastolic the last one counts.
fn order(row: &Row) -> (u64, u32, i64, u64, i64) {
    let value = i64::from(row.thousandths);
    let toward_low = if row.site == DIASTOLIC { -value } else { value };
    (row.patient, row.site, row.millis, row.updated, toward_low)
}

/// All pairs of these readings.
pub(super) fn pairs(mut rows: Vec<Row>, options: &Options) -> Pairs {
    rows.sort_unstable_by_key(order);
    let mut out = Pairs::default();
    for patient in rows.chunk_by(|one, other| one.patient == other.patient) {
        let diastolics = patient.partition_point(|row| row.site == DIASTOLIC);
        let (diastolics, compartments) = patient.split_at(diastolics);
        out.diastolic += diastolics.len() as u64;
        out.compartment += compartments.len() as u64;
        for site in compartments.chunk_by(|one, other| one.site == other.site) {
            of_site(site, diastolics, options, &mut out);
        }
    }
    out
}

fn of_site(readings: &[Row], diastolics: &[Row], options: &Options, out: &mut Pairs) {
    let mut was_low = false;
    let mut first = None;
    for reading in readings {
        let Some(diastolic) = choose(reading.millis, diastolics, options) else {
            continue;
        };
        let delta = i64::from(diastolic.thousandths) - i64::from(reading.thousandths);
        let low = delta <= LOW_THOUSANDTHS;
        out.pairs += 1;
        out.sum_thousandths += i128::from(delta);
        out.low += u64::from(low);
        out.low_runs += u64::from(low && !was_low);
        was_low = low;
        if low && first.is_none() {
            first = Some((reading.patient, reading.site, reading.millis));
        }
    }
    out.first_low.extend(first);
}

/// The diastolic of the window around `millis`.
fn choose<'r>(millis: i64, diastolics: &'r [Row], options: &Options) -> Option<&'r Row> {
    let least = millis.saturating_sub(i64::from(options.before_minutes) * MINUTE_MILLIS);
    let most = millis.saturating_add(i64::from(options.after_minutes) * MINUTE_MILLIS);
    // The last of those up to a time.
    let last_until = |time: i64| {
        let until = diastolics.partition_point(|diastolic| diastolic.millis <= time);
        diastolics[..until].last().filter(|diastolic| diastolic.millis >= least)
    };
    match options.pairing {
        Pairing::Latest => last_until(most),
        Pairing::Nearest => {
            let before = last_until(millis);
            let next = diastolics.partition_point(|diastolic| diastolic.millis <= millis);
            let after = diastolics.get(next).filter(|diastolic| diastolic.millis <= most);
            let after = after.and_then(|diastolic| last_until(diastolic.millis));
            match (before, after) {
                (Some(before), Some(after)) if millis - before.millis < after.millis - millis => Some(before),
                (before, after) => after.or(before),
            }
        }
    }
}
