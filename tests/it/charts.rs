//! The chart of a site as SVG: golden pictures of invented readings, and what every picture must hold.

use crate::pages::ward::{self, Bed, NOBODY_TO_ASK, at, diastolic, pressure};
use deltaward::fhir::Instant;
use deltaward::outbox::draft::BesideKind;
use deltaward::patient::assess::assess;
use deltaward::recognise::reading::Comparator;
use deltaward::recognise::{Context, ContextKind};
use deltaward::rules::Sheet;
use deltaward::server::charts::{BesidePoint, DeltaKind, Shade, SiteChart, draw, legend_below};

fn chart(bed: &Bed, site: usize, now: Instant) -> SiteChart {
    let sheet = Sheet::adult().unwrap();
    let assessment = assess(&bed.state, &sheet, NOBODY_TO_ASK, now);
    SiteChart::of(&assessment, site, &sheet, now)
}

fn svg(chart: &SiteChart) -> String {
    // One element a line, so that a changed picture reads as a diff.
    draw(chart, &[], &[], "chart-0").into_string().replace("><", ">\n<")
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

/// The means of Kakar 2007 (before 74, during 56) with a compartment pressure of 40 leave 34 and 16
/// (clinical check row 11). The mean arterial pressures and the other method's diastolic are invented.
fn under_anaesthesia() -> (SiteChart, Vec<Shade>, Vec<BesidePoint>) {
    let bed = Bed::new("Patient/theatre", None, None).readings(&[
        diastolic("d0", -200, 74),
        pressure("c0", -198, 24),
        diastolic("d1", -62, 56),
        pressure("c1", -60, 40),
        diastolic("d2", -22, 58),
        pressure("c2", -20, 44),
    ]);
    let point = |minute, kind, mmhg, minuend, delta| BesidePoint {
        at: at(minute),
        kind,
        mmhg,
        bound: None,
        minuend,
        delta,
    };
    let beside = vec![
        point(-60, BesideKind::BeforeAnaesthesia, 34, 74, Some(16)),
        point(-60, BesideKind::Mean, 28, 68, Some(16)),
        point(-20, BesideKind::BeforeAnaesthesia, 30, 74, Some(14)),
        point(-20, BesideKind::OtherMethod, 21, 65, Some(14)),
    ];
    let shades = Shade::of(&[anaesthesia(-110, Some(-15))], &Sheet::adult().unwrap());
    (chart(&bed, 0, at(0)), shades, beside)
}

fn anaesthesia(start: i64, end: Option<i64>) -> Context {
    Context {
        kind: ContextKind::Anaesthesia,
        start: at(start),
        end: end.map(at),
    }
}

#[test]
fn golden_anaesthesia_with_second_differences() {
    let (chart, shades, beside) = under_anaesthesia();
    let svg = draw(&chart, &shades, &beside, "chart-0").into_string();
    insta::assert_snapshot!(svg.replace("><", ">\n<"));
    for told in [
        "delta pressure 16. Beside it: before anaesthesia, diastolic 74: 34; from the mean arterial pressure, mean 68: 28.",
        "Anaesthesia is recorded from 2026-03-05 20:20 UTC, to 2026-03-05 21:55 UTC.",
        "± 5 mmHg: even of readings made correctly 40 % are further off (Large 2015, J Orthop Trauma 29:316-21)",
    ] {
        assert!(svg.contains(told), "{told}: {svg}");
    }
    let below = legend_below(&shades, &beside).into_string();
    for words in [
        "± 5 mmHg",
        "anaesthesia",
        "before anaesthesia",
        "mean delta",
        "other method",
    ] {
        assert!(below.contains(&format!("</svg>{words}")), "{words}: {below}");
        assert!(svg.contains(&format!(">{words}")), "{words}");
    }
}

/// Colour is never the only sign: each second difference has a shape of its own, and so has the shade.
#[test]
fn what_stands_beside_has_a_shape_of_its_own_and_is_named_only_where_drawn() {
    let (with, shades, beside) = under_anaesthesia();
    let plain = draw(&with, &[], &[], "chart-0").into_string();
    assert!(!plain.contains("mark-beside") && !plain.contains("shade") && !plain.contains("mean delta"));
    let drawn = draw(&with, &shades, &beside, "chart-0").into_string();
    assert_eq!(
        drawn.matches("class=\"mark-beside\"").count(),
        4 + 3,
        "with the legend's"
    );
    assert!(drawn.contains("class=\"shade-lines\""));
    assert_eq!(drawn.matches("class=\"stem\"").count(), 4);
    let later = [anaesthesia(10, None)];
    let outside = draw(&with, &Shade::of(&later, &Sheet::adult().unwrap()), &[], "chart-0").into_string();
    assert!(!outside.contains("class=\"shade-words\"") && !outside.contains("Anaesthesia is recorded"));
}

/// Large 2015: 5 mmHg to either side, as the scale has it, around what a line joins and what stands alone.
#[test]
fn the_band_is_five_mmhg_to_either_side() {
    let bed = Bed::new("Patient/1", None, None).readings(&[
        diastolic("d1", -602, 70),
        pressure("c1", -600, 40),
        diastolic("d2", -62, 70),
        pressure("c2", -60, 45),
        diastolic("d3", 0, 70),
        pressure("c3", 0, 50),
    ]);
    let svg = svg(&chart(&bed, 0, at(0)));
    let number = |line: &str, name: &str| -> f64 {
        let rest = line.split(&format!(" {name}=\"")).nth(1).unwrap();
        rest.split('"').next().unwrap().parse().unwrap()
    };
    // A grid line of the lower panel every 20 mmHg: what 10 mmHg are.
    let tick = |words: &str| {
        let of = |line: &&str| line.contains(&format!(">{words}</text>")) && line.contains("class=\"tick\"");
        number(svg.lines().rfind(of).unwrap(), "y")
    };
    let ten = (tick("0") - tick("20")) / 2.0;
    let bands: Vec<&str> = svg.lines().filter(|line| line.contains("class=\"spread\"")).collect();
    // The legend's, the joined one, and the one more than four hours before.
    assert_eq!(bands.len(), 3, "{bands:?}");
    let lone = bands.iter().find(|line| line.contains("width=\"16.0\"")).unwrap();
    assert!((number(lone, "height") - ten).abs() < 0.2, "{lone}");
    let joined = bands.iter().find(|line| line.starts_with("<polygon")).unwrap();
    let points = joined.split("points=\"").nth(1).unwrap().split('"').next().unwrap();
    let heights: Vec<f64> = points
        .split([' ', ','])
        .skip(1)
        .step_by(2)
        .map(|y| y.parse().unwrap())
        .collect();
    // Deltas 25 and 20: up at 30 and 25, down at 15 and 20.
    let zero = tick("0") - 5.5;
    let expected = [30.0, 25.0, 15.0, 20.0].map(|mmhg| zero - mmhg / 10.0 * ten);
    assert_eq!(heights.len(), 4);
    for (height, expected) in heights.iter().zip(expected) {
        assert!((height - expected).abs() < 0.2, "{heights:?} {expected}");
    }
}

#[test]
fn anaesthesias_are_shaded_once_and_an_open_one_as_long_as_the_sheet_says() {
    let sheet = Sheet::adult().unwrap();
    let ischaemia = Context {
        kind: ContextKind::AfterIschaemia,
        start: at(-500),
        end: None,
    };
    let shades = Shade::of(
        &[
            anaesthesia(-50, None),
            anaesthesia(-300, Some(-200)),
            ischaemia,
            anaesthesia(-250, Some(-180)),
        ],
        &sheet,
    );
    let spans: Vec<_> = shades
        .iter()
        .map(|shade| (shade.from, shade.to, shade.end_recorded))
        .collect();
    assert_eq!(
        spans,
        [
            (at(-300), at(-180), true),
            (at(-50), at(-50 + sheet.anaesthesia.open_end_minutes), false)
        ]
    );
    let (chart, _, _) = under_anaesthesia();
    let svg = draw(&chart, &shades, &[], "chart-0").into_string();
    assert!(
        svg.contains("Anaesthesia is recorded from 2026-03-05 21:20 UTC, no end recorded."),
        "{svg}"
    );
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
            all_inside(&svg(&chart(&bed, site, at(0))));
        }
    }
    let (chart, shades, beside) = under_anaesthesia();
    all_inside(&draw(&chart, &shades, &beside, "chart-0").into_string());
}

fn all_inside(svg: &str) {
    let height: f64 = svg
        .split("viewBox=\"0 0 720 ")
        .nth(1)
        .unwrap()
        .split('"')
        .next()
        .unwrap()
        .parse()
        .unwrap();
    let inside = |number: &str, most: f64| {
        let number: f64 = number.parse().unwrap();
        assert!((0.0..=most).contains(&number), "{number} in {svg}");
    };
    for (name, most) in [("cx=\"", 720.0), ("cy=\"", height), (" x=\"", 720.0), (" y=\"", height)] {
        for rest in svg.split(name).skip(1) {
            inside(rest.split('"').next().unwrap(), most);
        }
    }
    for rest in svg.split("points=\"").skip(1) {
        for corner in rest.split('"').next().unwrap().split(' ') {
            let (x, y) = corner.split_once(',').unwrap();
            inside(x, 720.0);
            inside(y, height);
        }
    }
    assert!(svg.contains("role=\"img\"") && svg.contains("<title") && svg.contains("<desc"));
}

#[test]
fn a_hostile_site_stays_text() {
    let svg = svg(&chart(&ward::hostile(), 0, at(0)));
    assert!(!svg.contains("<script") && !svg.contains("<img"));
    assert!(svg.contains("&lt;script&gt;"));
}
