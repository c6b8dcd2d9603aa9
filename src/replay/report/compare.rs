//! Labels, another sheet, and a sweep.

use super::draw::{Point, curve};
use super::words::{Figure, cell, count, duration, figures, percent, percent_of, rate, short_moment, table, tier};
use crate::replay::against::differences;
use crate::replay::burden::Burden;
use crate::replay::labels::Judged;
use crate::replay::statistics::{FourCells, Share};
use crate::replay::study::{Against, Study};
use crate::replay::sweep::SweepPoint;
use crate::rules::Tier;
use maud::{Markup, html};

/// The most patients that are listed as alerted by one sheet only; the number of all is said.
const LISTED: usize = 100;

/// Sensitivity and the others, each with its interval.
pub fn labels(judged: &Judged) -> Markup {
    let FourCells {
        true_positive,
        false_positive,
        false_negative,
        true_negative,
    } = judged.cells;
    let row = |name: &str, yes: u64, no: u64| vec![cell(name), number(yes), number(no), cell(count(yes + no))];
    let lead = judged.lead.map_or(
        String::from("cannot be said: no time of an outcome follows an alert"),
        |lead| {
            format!(
                "median {}, 90 % at most {}, longest {} ({} patients)",
                duration(lead.median),
                duration(lead.ninetieth),
                duration(lead.greatest),
                count(lead.count as u64)
            )
        },
    );
    html! {
        p { "Alerted: at least one message that the concern of a limb rose to act or critical; where the outcome has a time, before or at that time." }
        (table("Watched patients with a label", &["", "Outcome present", "Outcome absent", "Sum"], vec![
            row("alerted", true_positive, false_positive),
            row("not alerted", false_negative, true_negative),
        ]))
        @for (name, empty) in empty_cells(judged.cells) { p class="note" { "The cell “" (name) "” is empty: " (empty) } }
        (figures(vec![
            Figure::new("Sensitivity", judged.cells.sensitivity().words(), "of those with the outcome, the share alerted; Wilson’s 95 % interval"),
            Figure::new("Specificity", judged.cells.specificity().words(), "of those without it, the share not alerted"),
            Figure::new("Positive predictive value", judged.cells.positive_predictive().words(), "of those alerted, the share with the outcome; it depends on how common the outcome is here"),
            Figure::new("Negative predictive value", judged.cells.negative_predictive().words(), "of those not alerted, the share without the outcome; no such share speaks for a single limb"),
            Figure::new("Lead time", lead, "from the first alert to the time of the outcome, of those alerted before it"),
            Figure::new("Alerted only after the outcome", count(judged.too_late), "with the outcome; counted as not alerted"),
            Figure::new("Watched without a label", count(judged.without_label), "not in the file of labels; in none of the cells"),
            Figure::new("Labelled and not watched",
                format!("{}, {} of them with the outcome", count(judged.not_watched), count(judged.not_watched_present)),
                "no compartment pressure was measured; in none of the cells"),
        ]))
    }
}

fn number(number: u64) -> Markup {
    match number {
        0 => html! { "0 " span class="source" { "(empty)" } },
        _ => cell(count(number)),
    }
}

fn empty_cells(cells: FourCells) -> Vec<(&'static str, &'static str)> {
    let all = [
        (
            cells.true_positive,
            "alerted, outcome present",
            "nobody with the outcome was alerted in time.",
        ),
        (
            cells.false_positive,
            "alerted, outcome absent",
            "a specificity of 100 % rests on few patients where the interval is wide.",
        ),
        (
            cells.false_negative,
            "not alerted, outcome present",
            "a sensitivity of 100 % rests on few patients where the interval is wide.",
        ),
        (
            cells.true_negative,
            "not alerted, outcome absent",
            "everybody without the outcome was alerted.",
        ),
    ];
    all.into_iter()
        .filter(|(number, _, _)| *number == 0)
        .map(|(_, name, what)| (name, what))
        .collect()
}

/// A share of the four cells.
type OfCells = fn(FourCells) -> Share;

/// Two pairs of sheets side by side.
pub fn against(study: &Study, against: &Against) -> Markup {
    let names = |sheets: &crate::rules::Sheets| format!("{} {}", sheets.adult().id, sheets.adult().version);
    let (first, second) = (names(&study.sheets), names(&against.sheets));
    let numbers = study
        .sheets
        .both()
        .into_iter()
        .zip(against.sheets.both())
        .flat_map(|(one, other)| {
            let ages = one.ages.words();
            differences(one, other).into_iter().map(move |difference| {
                let number =
                    |number: Option<i64>| cell(number.map_or(String::from("absent"), |number| number.to_string()));
                vec![
                    cell(ages),
                    html! { code { (difference.name) } },
                    number(difference.first),
                    number(difference.second),
                ]
            })
        });
    let numbers: Vec<_> = numbers.collect();
    let compared = &against.compared;
    let by_first = compared.only.iter().filter(|only| only.first).count() as u64;
    let by_second = compared.only.len() as u64 - by_first;
    let listed = compared.only.iter().take(LISTED).map(|only| {
        vec![
            html! { code class="long" { (only.patient) } },
            cell(if only.first { "first only" } else { "second only" }),
            html! { (only.alert.tier.map_or_else(|| cell("–"), tier)) " " span class="nowrap" { (short_moment(only.alert.at)) } },
            cell(only.alert.sentence.clone()),
            cell(only.reason.clone()),
        ]
    });
    let listed: Vec<_> = listed.collect();
    html! {
        p { "First: " (first) ", SHA-256 " code class="long" { (study.sheets.adult().hash) } ". Second: " (second) ", SHA-256 "
            code class="long" { (against.sheets.adult().hash) } "." }
        @if numbers.is_empty() { p { "The two sheets have the same numbers." } } @else {
            (table("Numbers in which they differ", &["Ages", "Parameter", "First", "Second"], numbers))
        }
        (table("Side by side (the figures are defined at the top)", &["", "First", "Second"], beside(study, against)))
        (table("Who is alerted", &["", "Watched patients"], vec![
            vec![cell("by both"), cell(count(compared.both))],
            vec![cell("… the first sooner, at the same moment, later"),
                cell(format!("{}, {}, {}", count(compared.sooner), count(compared.same_time), count(compared.later)))],
            vec![cell("by the first only"), cell(count(by_first))],
            vec![cell("by the second only"), cell(count(by_second))],
            vec![cell("by neither"), cell(count(compared.neither))],
        ]))
        @if !listed.is_empty() {
            (table(&format!("Alerted by one and not by the other: {} of {}; times in UTC", listed.len(), compared.only.len()),
                &["Patient", "By", "First alert", "What held", "Why the other did not"], listed))
        }
    }
}

fn beside(study: &Study, against: &Against) -> Vec<Vec<Markup>> {
    let (one, other) = (&study.burden, &against.burden);
    let row = |name: &str, of: &dyn Fn(&Burden) -> String| vec![cell(name), cell(of(one)), cell(of(other))];
    let mut rows = vec![
        row("Patients alerted", &|burden| percent_of(burden.alerted_share())),
        row("Messages", &|burden| count(burden.messages)),
        row("Messages per patient-day", &|burden| {
            rate(burden.per_patient_day(burden.messages))
        }),
        row("Messages per 100 watched patients", &|burden| {
            rate(burden.per_100_patients())
        }),
        row("Longest burst, messages", &|burden| {
            burden
                .burst
                .as_ref()
                .map_or(String::from("0"), |burst| burst.messages.to_string())
        }),
        row("Alerts from one reading only", &|burden| {
            percent_of(burden.from_one_reading())
        }),
        row("Resolved at the next reading", &|burden| {
            percent_of(burden.resolved_at_next())
        }),
        row("Time below the threshold of each", &|burden| {
            duration(burden.low_minutes)
        }),
    ];
    for tier in Tier::ALL.into_iter().rev() {
        let concerns = |burden: &Burden| count(burden.tiers.get(&tier).map_or(0, |of| of.concerns));
        rows.push(row(&format!("Concerns whose highest tier is {tier}"), &concerns));
    }
    if let (Some(one), Some(other)) = (&study.judged, &against.judged) {
        let shares: [(&str, OfCells); 4] = [
            ("Sensitivity", FourCells::sensitivity),
            ("Specificity", FourCells::specificity),
            ("Positive predictive value", FourCells::positive_predictive),
            ("Negative predictive value", FourCells::negative_predictive),
        ];
        for (name, of) in shares {
            rows.push(vec![
                cell(name),
                cell(of(one.cells).words()),
                cell(of(other.cells).words()),
            ]);
        }
    }
    rows
}

/// Burden against sensitivity, or against the parameter where there are no labels.
pub fn sweep(parameter: &str, points: &[SweepPoint]) -> Markup {
    let labelled = points.iter().any(|point| point.judged.is_some());
    let rows = points.iter().map(|point| {
        let burden = &point.burden;
        let mut row = vec![
            html! { (point.value) @if point.in_force { " (as in the sheet)" } },
            cell(percent_of(burden.alerted_share())),
            cell(rate(burden.per_patient_day(burden.messages))),
            cell(rate(burden.per_patient_day(burden.alerts.all))),
            cell(percent(burden.resolved_at_next())),
        ];
        if let Some(judged) = &point.judged {
            row.push(cell(interval(judged.cells.sensitivity())));
            row.push(cell(interval(judged.cells.specificity())));
        }
        row
    });
    let mut head = vec![
        "Value",
        "Patients alerted",
        "Messages per patient-day",
        "Alerts per patient-day",
        "Resolved at next",
    ];
    if labelled {
        head.extend(["Sensitivity (95 % interval)", "Specificity (95 % interval)"]);
    }
    let sensitivities = || {
        points.iter().filter_map(|point| {
            let sensitivity = point.judged.as_ref()?.cells.sensitivity().value()?;
            Some(Point {
                x: point.burden.per_patient_day(point.burden.messages)?,
                y: sensitivity * 100.0,
                label: point.value.to_string(),
                marked: point.in_force,
            })
        })
    };
    let burdens = || {
        points.iter().filter_map(|point| {
            Some(Point {
                x: super::draw::real(point.value),
                y: point.burden.per_patient_day(point.burden.messages)?,
                label: point.value.to_string(),
                marked: point.in_force,
            })
        })
    };
    let by_sensitivity: Vec<Point> = sensitivities().collect();
    html! {
        p { "Each value of " code { (parameter) } " is a replay of its own; everything else is as in the sheet. "
            "delta_threshold moves the alert threshold of deltas, carried and sustained deltas and trends, and whatever it would cross. "
            "A value that looks best on these patients may not on others." }
        (table("By value", &head, rows.collect()))
        figure {
            @if by_sensitivity.is_empty() {
                (curve(&burdens().collect::<Vec<_>>(), parameter, "messages per patient-day"))
                figcaption { "Burden by value; without labels of both kinds no sensitivity can be said. The square is the sheet as it is." }
            } @else {
                (curve(&by_sensitivity, "messages per patient-day", "sensitivity, %"))
                figcaption { "Burden against sensitivity; each point is named by its value, the square is the sheet as it is." }
            }
        }
    }
}

fn interval(share: Share) -> String {
    match share.wilson() {
        Some((low, high)) => format!("{} ({:.1} to {:.1})", percent(share), low * 100.0, high * 100.0),
        None => String::from("cannot be said"),
    }
}
