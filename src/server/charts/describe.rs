//! The picture in words, for whoever does not see it.

use super::SPREAD_MMHG;
use super::beside::{BesidePoint, Shade};
use super::model::{DeltaKind, DeltaPoint, SiteChart};
use crate::outbox::wording;
use crate::outbox::wording::signed;

/// Numbers told one by one; the rest is in the table.
const TOLD_ONE_BY_ONE: usize = 12;

/// The picture in words: range, counts, anaesthesia, then the newest numbers one by one.
pub(super) fn describe(chart: &SiteChart, shades: &[Shade], beside: &[BesidePoint]) -> String {
    let mut text = format!(
        "From {} to {}: {}, {}, {}.",
        wording::when(chart.from),
        wording::when(chart.to),
        count(chart.pressures.len(), "compartment pressure"),
        count(chart.diastolics.len(), "diastolic"),
        count(chart.deltas.len(), "delta pressure")
    );
    if let Some(threshold) = &chart.threshold {
        let low = chart.deltas.iter().filter(|point| point.low).count();
        text.push_str(&format!(
            " {} {} {} mmHg.",
            are(low, "delta pressure"),
            threshold.words,
            threshold.mmhg
        ));
    }
    let without = chart.pressures.iter().filter(|point| point.without_delta).count();
    if without > 0 {
        text.push_str(&format!(
            " Without a delta pressure: {}.",
            count(without, "compartment pressure")
        ));
    }
    if chart.earlier > 0 {
        text.push_str(&format!(
            " {} not drawn; see the table.",
            are(chart.earlier, "earlier compartment pressure")
        ));
    }
    if !chart.deltas.is_empty() {
        text.push_str(&format!(
            " The band around each delta pressure is ± {SPREAD_MMHG} mmHg: even of readings made correctly 40 % are \
             further off (Large 2015, J Orthop Trauma 29:316-21)."
        ));
    }
    for shade in shades
        .iter()
        .filter(|shade| shade.within(chart.from, chart.to).is_some())
    {
        text.push_str(&tell_shade(*shade));
    }
    let beside: Vec<&BesidePoint> = beside
        .iter()
        .filter(|point| chart.from <= point.at && point.at <= chart.to)
        .collect();
    let alone: Vec<&BesidePoint> = beside.iter().filter(|point| point.delta.is_none()).copied().collect();
    for point in alone.iter().skip(alone.len().saturating_sub(TOLD_ONE_BY_ONE)) {
        text.push_str(&format!(
            " {}, without a delta pressure:{}.",
            wording::when(point.at),
            tell_beside(point)
        ));
    }
    text.push_str(" Numbers are whole mmHg as compared; the table gives each as it was sent.");
    let skipped = chart.deltas.len().saturating_sub(TOLD_ONE_BY_ONE);
    for point in chart.deltas.iter().skip(skipped) {
        text.push(' ');
        text.push_str(&tell(point));
        let of_point = beside
            .iter()
            .filter(|other| other.at == point.at && other.delta == Some(point.mmhg));
        let told: Vec<String> = of_point.map(|other| tell_beside(other)).collect();
        if !told.is_empty() {
            text.push_str(&format!(" Beside it:{}.", told.join(";")));
        }
    }
    text
}

/// "1 diastolic", "2 diastolics".
fn count(number: usize, one: &str) -> String {
    let many = if number == 1 { "" } else { "s" };
    format!("{number} {one}{many}")
}

/// "1 diastolic is", "2 diastolics are".
fn are(number: usize, one: &str) -> String {
    let verb = if number == 1 { "is" } else { "are" };
    format!("{} {verb}", count(number, one))
}

/// " before anaesthesia, diastolic 74, 34".
fn tell_beside(point: &BesidePoint) -> String {
    format!(
        " {}, {} {}: {}{}",
        wording::beside_name(point.kind),
        wording::beside_pressure(point.kind),
        point.minuend,
        wording::bound_words(point.bound),
        signed(point.mmhg)
    )
}

fn tell_shade(shade: Shade) -> String {
    let end = if shade.end_recorded {
        format!("to {}", wording::when(shade.to))
    } else {
        String::from("no end recorded")
    };
    format!(" Anaesthesia is recorded from {}, {end}.", wording::when(shade.from))
}

fn tell(point: &DeltaPoint) -> String {
    let kind = match point.kind {
        DeltaKind::Paired => "",
        DeltaKind::Stale => " (stale diastolic)",
        DeltaKind::Carried => " (carried)",
    };
    let bound = if point.bounded_above { "at most " } else { "" };
    let (diastolic, pressure) = point.terms;
    format!(
        "{}: diastolic {diastolic}, compartment pressure {pressure}, delta pressure {bound}{}{kind}.",
        wording::when(point.at),
        signed(point.mmhg)
    )
}
