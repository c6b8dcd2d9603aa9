//! Hand-made patients on the clock: what must be told, and when, worked out from the sheet's text.

use crate::calm::{JUDGES, inputs};
use crate::patient_support::{Obs, at, compartment, diastolic};
use deltaward::outbox::draft::{Family, Occasion};
use deltaward::replay::burden::Burden;
use deltaward::replay::clock::{Pace, replay_patient};
use deltaward::replay::findings::{Findings, Keep};
use deltaward::rules::Tier;

type Line = (i64, Family, Occasion, Option<Tier>, Vec<String>);

fn told(observations: &[Obs]) -> Vec<Line> {
    let replayed = replay_patient(inputs(observations, Some("1980-02-03")), &JUDGES, Pace::WhenItMatters);
    let line = |told: deltaward::replay::clock::Told| {
        (
            told.at.minutes_since(at(0)),
            told.family,
            told.occasion,
            told.tier,
            told.rules,
        )
    };
    replayed.told.into_iter().map(line).collect()
}

fn line(minute: i64, family: Family, occasion: Occasion, tier: Option<Tier>, rules: &[&str]) -> Line {
    (
        minute,
        family,
        occasion,
        tier,
        rules.iter().map(|rule| (*rule).to_owned()).collect(),
    )
}

/// 70 − 42 = 28: act at once; nobody measures again within 60 minutes (rule measure-again-60), or 30
/// once the tier is critical.
#[test]
fn one_low_reading_alerts_at_once_and_asks_to_measure_again() {
    let observations = [diastolic("d", 0, "70"), compartment("c", 2, "42")];
    assert_eq!(
        told(&observations),
        [
            line(2, Family::Pressure, Occasion::Raised, Some(Tier::Act), &["delta-30"]),
            line(
                62,
                Family::FollowUp,
                Occasion::Raised,
                Some(Tier::Check),
                &["measure-again-60"]
            ),
        ]
    );
}

/// Measured again at the very minute the timer falls due: the reading answers it, and the two
/// conclusive readings above 40 that close the concern lie 30 minutes apart.
#[test]
fn a_reading_at_the_moment_of_the_timer_answers_it() {
    let observations = [
        diastolic("d1", 0, "70"),
        compartment("c1", 2, "42"),
        diastolic("d2", 61, "72"),
        compartment("c2", 62, "15"),
        diastolic("d3", 91, "72"),
        compartment("c3", 92, "15"),
    ];
    assert_eq!(
        told(&observations),
        [
            line(2, Family::Pressure, Occasion::Raised, Some(Tier::Act), &["delta-30"]),
            line(92, Family::Pressure, Occasion::Resolved, None, &[]),
        ]
    );
}

/// No diastolic in reach: the check is raised; a compartment pressure of 34 speaks by itself.
#[test]
fn without_a_diastolic_the_pressure_speaks_and_the_check_is_raised() {
    assert_eq!(
        told(&[compartment("c", 0, "34")]),
        [
            line(
                0,
                Family::Pressure,
                Occasion::Raised,
                Some(Tier::Watch),
                &["pressure-30"]
            ),
            line(
                0,
                Family::Measurement,
                Occasion::Raised,
                Some(Tier::Check),
                &["diastolic-missing"]
            ),
        ]
    );
}

/// The figures of the first patient, by their definitions: one alert from one reading, never
/// measured again; the low delta holds for the carry time of 240 minutes, which is watched too.
#[test]
fn figures_follow_their_definitions() {
    let mut findings = Findings::default();
    let patient = inputs(
        &[diastolic("d", 0, "70"), compartment("c", 2, "42")],
        Some("1980-02-03"),
    );
    let keep = Keep {
        pairs: true,
        traces: true,
    };
    findings.add(replay_patient(patient, &JUDGES, Pace::WhenItMatters), &JUDGES, keep);
    let burden = Burden::of(&findings);
    assert_eq!((burden.watched, burden.alerted, burden.messages), (1, 1, 2));
    assert_eq!((burden.watched_minutes, burden.low_minutes), (240, 240));
    assert_eq!(
        (
            burden.alerts.all,
            burden.alerts.from_one_reading,
            burden.alerts.measured_again
        ),
        (1, 1, 0)
    );
    assert_eq!(burden.onset.map(|onset| (onset.count, onset.greatest)), Some((1, 0)));
    assert_eq!(burden.burst.as_ref().map(|burst| burst.messages), Some(1));
    let row = &findings.pairs[0];
    assert_eq!(
        (row.delta_mmhg.as_str(), row.age_minutes.as_str(), row.low, row.tier),
        ("28", "-2", true, "act")
    );
    // 2 messages in 240 minutes: 12 a day.
    assert!((burden.per_patient_day(burden.messages).unwrap() - 12.0).abs() < 1e-9);
}
