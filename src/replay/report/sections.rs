//! The parts that every report has.

use super::draw;
use super::words::{
    Figure, cell, count, duration, figures as list, percent, percent_of, rate, short_moment, signed, table, tier,
};
use crate::outbox::draft::AgeClass;
use crate::recognise::Reason;
use crate::replay::burden::{BURST_MINUTES, heaviest as heaviest_of};
use crate::replay::cohort::Order;
use crate::replay::findings::{PairedAs, method_word};
use crate::replay::statistics::{Share, Spread};
use crate::replay::study::Study;
use crate::replay::tables::occasion_word;
use crate::rules::Tier;
use maud::{Markup, html};
use std::collections::BTreeMap;

/// The figures that answer the question first.
pub fn figures(study: &Study) -> Markup {
    let burden = &study.burden;
    let carry = study.sheets.adult().pairing.carry_minutes;
    let threshold = study.sheets.adult().alert_threshold();
    let words = study.sheets.adult().comparator.words();
    let burst = burden.burst.as_ref().map_or(String::from("none"), |burst| {
        let minutes = burst.to.minutes_since(burst.from);
        format!("{} in {} ({})", burst.messages, duration(minutes), burst.patient)
    });
    list(vec![
        Figure::new(
            "Watched patients",
            count(burden.watched),
            "patients of whom a compartment pressure was measured, usable or not",
        ),
        Figure::new(
            "Patient-days",
            format!("{:.1}", burden.patient_days()),
            format!(
                "each compartment reading counts for the {carry} minutes after it, overlapping times once, over all patients"
            ),
        ),
        Figure::new(
            "Patients alerted",
            percent_of(burden.alerted_share()),
            "of the watched patients those with at least one alert: a message that the concern of a limb rose to act or critical",
        ),
        Figure::new(
            "Messages",
            count(burden.messages),
            "Communications that would have been sent: raised, withdrawn or resolved, of every tier",
        ),
        Figure::new(
            "Messages per patient-day",
            rate(burden.per_patient_day(burden.messages)),
            "messages ÷ patient-days",
        ),
        Figure::new(
            "Messages per 100 watched patients",
            rate(burden.per_100_patients()),
            "messages × 100 ÷ watched patients",
        ),
        Figure::new(
            "Longest burst",
            burst,
            format!("the most messages of one patient, each within {BURST_MINUTES} minutes of the one before"),
        ),
        Figure::new(
            "Alerts from one reading only",
            percent_of(burden.from_one_reading()),
            "of all alerts (a rise from below act to act or critical) those whose concern closed, or whose data end, with no second low delta measured in that compartment",
        ),
        Figure::new(
            "Resolved at the next reading",
            percent_of(burden.resolved_at_next()),
            "of the alerts after which that compartment was measured again with a delta, those whose next delta was above the threshold",
        ),
        Figure::new(
            "Time below the threshold",
            format!(
                "{} in {} patients",
                duration(burden.low_minutes),
                count(burden.low_patients)
            ),
            format!(
                "a delta {words} {threshold} mmHg, paired or carried, holds until the next delta of its site, paired or carried, at most until {carry} minutes after its compartment reading; sites added up"
            ),
        ),
        onset(study, burden.onset),
    ])
}

fn onset(study: &Study, onset: Option<Spread>) -> Figure {
    let value = onset.map_or(String::from("–"), |spread| {
        format!(
            "median {}, 90 % within {}, longest {} ({} sites; {} more without an alert)",
            duration(spread.median),
            duration(spread.ninetieth),
            duration(spread.greatest),
            count(spread.count as u64),
            count(study.burden.onset_without_alert)
        )
    });
    let clock = match study.order {
        Order::Taken => {
            "; on the clinical clock everything arrives when it is measured, so only the rules can delay it"
        }
        Order::Arrived => "; by arrival it holds the delay of the record too",
    };
    Figure::new(
        "First low delta to first alert",
        value,
        format!("minutes from the moment of a site's first low delta to the first alert of that site{clock}"),
    )
}

/// Lines, resources, what was put aside.
pub fn inputs(study: &Study) -> Markup {
    let inputs = &study.findings.inputs;
    let mut aside: BTreeMap<Reason, u64> = inputs.set_aside.clone();
    for (reason, more) in &study.findings.judged {
        *aside.entry(*reason).or_default() += more;
    }
    let mut aside: Vec<(Reason, u64)> = aside.into_iter().collect();
    aside.sort_by(|one, other| (other.1, one.0).cmp(&(one.1, other.0)));
    let kinds = inputs
        .by_type
        .iter()
        .map(|(kind, number)| vec![cell(kind.clone()), cell(count(*number))]);
    let rows = aside.iter().map(|(reason, number)| {
        vec![
            html! { code { (reason.code()) } },
            cell(count(*number)),
            cell(reason.sentence()),
        ]
    });
    html! {
        (list(vec![
            Figure::new("Lines", count(inputs.lines), "of all files, empty ones too"),
            Figure::new("Lines not readable", count(inputs.bad.count), "no JSON of a resource with a type and an id; counted and left out"),
            Figure::new("Versions superseded", count(inputs.superseded), "a version of which a newer one (by meta.lastUpdated) was in the files"),
            Figure::new("Taken back", count(inputs.withdrawn), "resources whose newest version is entered-in-error, cancelled or not-done"),
            Figure::new("Updated after the view", count(inputs.later_than_view), "versions with a meta.lastUpdated later than the moment of the view (without one: measured later); left out"),
            Figure::new("Without lastUpdated", count(inputs.undated), "versions of which is not known when they arrived: they count as older than any other of their id, and by arrival come when they were measured"),
            Figure::new("Ids of several patients", count(inputs.shared_ids), "ids whose versions name different patients: corrections, or files of different servers, which must be replayed one by one"),
        ]))
        div class="side" {
            (table("Resources by type; Observation, Procedure and Patient are read", &["Type", "Lines"], kinds.collect()))
            @if !inputs.bad.samples.is_empty() {
                (table("The first lines that could not be read", &["File", "Line", "Column", "What is wrong"],
                    inputs.bad.samples.iter().map(|bad| vec![
                        cell(bad.file.clone()), cell(bad.line.to_string()), cell(bad.column.to_string()), cell(bad.what.clone()),
                    ]).collect()))
            }
        }
        @if aside.is_empty() { p { "Nothing was set aside." } } @else {
            (table("Set aside, by reason: parts of the versions that count which could not be used", &["Reason", "Parts", "What it means"], rows.collect()))
        }
    }
}

/// How readings were paired, and the deltas.
pub fn pairings(study: &Study) -> Markup {
    let totals = &study.findings.totals;
    let pairing = &study.sheets.adult().pairing;
    let all: u64 = totals.pairings.values().sum();
    let classes = [
        (
            PairedAs::With(AgeClass::Simultaneous),
            format!("within {} minutes", pairing.simultaneous_minutes),
        ),
        (
            PairedAs::With(AgeClass::Paired),
            format!("within {} minutes", pairing.paired_minutes),
        ),
        (
            PairedAs::With(AgeClass::Stale),
            format!("older, up to {} minutes: alerts, labelled", pairing.before_minutes),
        ),
        (
            PairedAs::Nothing,
            String::from("no usable diastolic in reach: there is no delta"),
        ),
    ];
    let mut rows = Vec::new();
    for (class, what) in classes {
        let of_class: u64 = totals
            .pairings
            .iter()
            .filter(|((of, _), _)| *of == class)
            .map(|(_, number)| number)
            .sum();
        let methods = totals.pairings.iter().filter(|((of, _), _)| *of == class);
        let methods: Vec<String> = methods
            .filter_map(|((_, method), number)| {
                method.map(|method| format!("{} {}", method_word(method), count(*number)))
            })
            .collect();
        rows.push(vec![
            cell(class.word()),
            cell(count(of_class)),
            cell(percent(Share::new(of_class, all))),
            cell(methods.join(", ")),
            cell(what),
        ]);
    }
    let sheet = study.sheets.adult();
    html! {
        (table("Compartment readings by the age of the diastolic they were paired with (minutes of the adult sheet)",
            &["Age class", "Readings", "Share", "Diastolic by", "What it is"], rows))
        figure {
            (draw::histogram(&totals.deltas, sheet.alert_threshold(), |delta| sheet.is_low(delta, sheet.alert_threshold())))
            figcaption {
                "Deltas (diastolic − compartment pressure, whole mmHg, a half toward the alert) of all pairings, in steps of 5 mmHg. "
                "Hatched: " (sheet.comparator.words()) " " (signed(sheet.alert_threshold())) " mmHg, " (count(totals.low)) " deltas. "
                "The numbers are counts of readings. " (count(totals.bounded)) " more are known only as an upper bound."
            }
        }
        (table("By compartment, both sides together", &["Compartment", "Sites", "Readings", "Low deltas", "Share low"],
            totals.compartments.iter().map(|(name, of)| vec![
                cell(name.clone()), cell(count(of.sites)), cell(count(of.readings)), cell(count(of.low)),
                cell(percent(Share::new(of.low, of.readings))),
            ]).collect()))
    }
}

/// Concerns by tier and by compartment.
pub fn concerns(study: &Study) -> Markup {
    let burden = &study.burden;
    let tiers = Tier::ALL.into_iter().rev();
    let rows = tiers.clone().map(|of| {
        let number = burden.tiers.get(&of).copied().unwrap_or_default();
        vec![
            tier(of),
            cell(count(number.concerns)),
            cell(rate(burden.per_patient_day(number.concerns))),
            cell(percent_of(Share::new(number.patients, burden.watched))),
        ]
    });
    let of_compartment = burden.compartments.iter().map(|(name, of)| {
        let name = if name.is_empty() {
            "blood pressure as a whole"
        } else {
            name
        };
        let mut row = vec![cell(name)];
        row.extend(
            tiers
                .clone()
                .map(|tier| cell(count(of.get(&tier).copied().unwrap_or(0)))),
        );
        row
    });
    html! {
        p { "A concern belongs to one patient, one site and one family of rules. It is counted once, under the highest tier that it reached before it closed." }
        (table("By highest tier", &["Tier", "Concerns", "Per patient-day", "Watched patients with one"], rows.collect()))
        (table("By compartment and highest tier, both sides together", &["Compartment", "critical", "act", "watch", "check"], of_compartment.collect()))
    }
}

/// Messages by kind, and when they came.
pub fn messages(study: &Study) -> Markup {
    let burden = &study.burden;
    let rows = burden.by_kind.iter().map(|((occasion, of), number)| {
        vec![
            cell(occasion_word(*occasion)),
            of.map_or_else(|| cell("none of that concern"), tier),
            cell(count(*number)),
            cell(rate(burden.per_patient_day(*number))),
        ]
    });
    html! {
        (table("By occasion and by the tier after it", &["Occasion", "Tier", "Messages", "Per patient-day"], rows.collect()))
        (draw::heat(&burden.heat))
    }
}

/// The ten heaviest.
pub fn heaviest(study: &Study) -> Markup {
    let rows = heaviest_of(&study.findings).into_iter().map(|patient| {
        let highest = patient.episodes.iter().map(|episode| episode.highest).max();
        let lowest = patient.lowest.map_or(String::from("–"), |(delta, at)| {
            format!("{} at {}", signed(delta), short_moment(at))
        });
        let alert = patient
            .first_alert()
            .map_or(String::from("none"), |told| short_moment(told.at));
        vec![
            html! { code class="long" { (patient.patient) } },
            cell(count(patient.told.len() as u64)),
            highest.map_or_else(|| cell("–"), tier),
            cell(count(patient.readings)),
            cell(lowest),
            cell(duration(patient.low_minutes)),
            cell(alert),
        ]
    });
    let rows: Vec<_> = rows.collect();
    html! {
        @if rows.is_empty() { p { "No message would have been sent." } } @else {
            (table("At most ten, by number of messages; times in UTC",
                &["Patient", "Messages", "Highest tier", "Compartment readings", "Lowest delta, mmHg", "Time below", "First alert"], rows))
        }
    }
}
