//! The chart of a site as SVG: golden pictures of invented readings, and what every picture must hold.

use crate::pages::ward::{self, Bed, NOBODY_TO_ASK, at, diastolic, pressure};
use deltaward::fhir::Instant;
use deltaward::patient::assess::assess;
use deltaward::recognise::reading::Comparator;
use deltaward::rules::Sheet;
use deltaward::server::charts::{DeltaKind, SiteChart, draw};

fn chart(bed: &Bed, site: usize, now: Instant) -> SiteChart {
    let sheet = Sheet::adult().unwrap();
    let assessment = assess(&bed.state, &sheet, NOBODY_TO_ASK, now);
    SiteChart::of(&assessment, site, &sheet, now)
}

fn svg(chart: &SiteChart) -> String {
    // One element a line, so that a changed picture reads as a diff.
    draw(chart, "chart-0").into_string().replace("><", ">\n<")
}

#[test]
fn golden_climbing_pressure() {
    insta::assert_snapshot!(svg(&chart(&ward::climbing(), 0, at(0))));
}

#[test]
fn golden_falling_diastolic_with_carried_and_stale_deltas() {
    insta::assert_snapshot!(svg(&chart(&ward::falling(), 0, at(0))));
}

#[test]
fn golden_pressure_without_a_diastolic() {
    insta::assert_snapshot!(svg(&chart(&ward::without_diastolic(), 0, at(0))));
}

#[test]
fn the_numbers_of_the_model_are_those_that_are_compared() {
    // Whitesides 1975: diastolic 70 and compartment pressure 40 or 45 give delta 30 and 25.
    let bed = Bed::new("Patient/1", None, None).readings(&[
        diastolic("d1", -62, 70),
        pressure("c1", -60, 40),
        diastolic("d2", -2, 70),
        pressure("c2", 0, 45),
    ]);
    let chart = chart(&bed, 0, at(1));
    let paired: Vec<_> = chart
        .deltas
        .iter()
        .filter(|delta| delta.kind == DeltaKind::Paired)
        .collect();
    assert_eq!(paired.iter().map(|delta| delta.mmhg).collect::<Vec<_>>(), [30, 25]);
    assert!(paired.iter().all(|delta| delta.low));
    assert_eq!(chart.threshold.as_ref().unwrap().mmhg, 30);
    assert!(svg(&chart).contains("diastolic 70, compartment pressure 45, delta pressure 25."));
}

/// A published-case timeline (clinical check row 10, C2): 57 and 60 give −3. Nothing of it is cut off.
#[test]
fn a_negative_delta_is_drawn_with_a_true_minus_sign() {
    let bed = Bed::new("Patient/1", None, None).readings(&[diastolic("d1", -3, 57), pressure("c1", -2, 60)]);
    let svg = svg(&chart(&bed, 0, at(0)));
    assert!(svg.contains(">−3</text>") && svg.contains("delta pressure −3."));
    assert!(svg.contains(">−20</text>"), "the panel reaches below zero");
}

#[test]
fn carried_and_stale_are_told_apart_and_counted_in_words() {
    let chart = chart(&ward::falling(), 0, at(0));
    let of = |kind| chart.deltas.iter().filter(|delta| delta.kind == kind).count();
    // 80 at −215 against −180 is 35 minutes old: stale (limit 15). Four newer diastolics are carried; the one taken beside
    // the next reading is that one's.
    assert_eq!(
        (of(DeltaKind::Stale), of(DeltaKind::Paired), of(DeltaKind::Carried)),
        (1, 1, 4)
    );
    let svg = svg(&chart);
    assert_eq!(
        svg.matches("class=\"mark-delta-carried\"").count(),
        4 + 1,
        "with the legend's"
    );
    assert_eq!(svg.matches("class=\"mark-stale\"").count(), 1 + 1, "with the legend's");
    assert!(svg.contains("(carried)") && svg.contains("(stale diastolic)"));
}

#[test]
fn a_gap_of_more_than_four_hours_is_not_bridged() {
    let bed = |hours: i64| {
        Bed::new("Patient/1", None, None).readings(&[
            diastolic("d1", -60 * hours, 70),
            pressure("c1", -60 * hours, 20),
            diastolic("d2", 0, 70),
            pressure("c2", 0, 21),
        ])
    };
    let line = |hours| {
        let svg = svg(&chart(&bed(hours), 0, at(0)));
        let line = svg
            .lines()
            .find(|line| line.contains("line-pressure"))
            .unwrap()
            .to_owned();
        (line.matches('M').count(), line.matches('L').count())
    };
    assert_eq!(line(4), (1, 1));
    assert_eq!(line(5), (2, 0));
}

#[test]
fn what_is_older_than_the_window_is_counted_and_a_bound_is_shown_as_one() {
    let bed = Bed::new("Patient/1", None, None).readings(&[
        diastolic("d1", -60 * 30, 70),
        pressure("c1", -60 * 30, 20),
        diastolic("d2", -10, 70),
        pressure("c2", -10, 41).bound(Comparator::GreaterOrEqual),
    ]);
    let chart = chart(&bed, 0, at(0));
    assert_eq!((chart.earlier, chart.pressures.len()), (1, 1));
    let svg = svg(&chart);
    assert!(svg.contains("1 earlier compartment pressure is not drawn"));
    assert!(svg.contains(">≤29</text>") && svg.contains(">≥41</text>"));
}

#[test]
fn an_old_patient_is_drawn_around_their_last_reading() {
    let bed = Bed::new("Patient/1", None, None).readings(&[diastolic("d1", -60, 70), pressure("c1", -58, 20)]);
    let chart = chart(&bed, 0, at(60 * 24 * 5));
    assert_eq!(chart.pressures.len(), 1);
    assert!(svg(&chart).contains("ends before now"));
}

#[test]
fn every_mark_lies_inside_the_picture() {
    for bed in ward::all() {
        let sites = assess(&bed.state, &Sheet::adult().unwrap(), NOBODY_TO_ASK, at(0))
            .sites
            .len();
        assert!(sites > 0);
        for site in 0..sites {
            let svg = svg(&chart(&bed, site, at(0)));
            for (name, most) in [("cx=\"", 720.0), ("cy=\"", 560.0), (" x=\"", 720.0), (" y=\"", 560.0)] {
                for rest in svg.split(name).skip(1) {
                    let number: f64 = rest.split('"').next().unwrap().parse().unwrap();
                    assert!((0.0..=most).contains(&number), "{name}{number} in {svg}");
                }
            }
            assert!(svg.contains("role=\"img\"") && svg.contains("<title") && svg.contains("<desc"));
        }
    }
}

#[test]
fn a_hostile_site_stays_text() {
    let svg = svg(&chart(&ward::hostile(), 0, at(0)));
    assert!(!svg.contains("<script") && !svg.contains("<img"));
    assert!(svg.contains("&lt;script&gt;"));
}
