//! Steps that are left out tell nothing: the messages are those of stepping each reading.
//!
//! `DELTAWARD_CALM_CASES=20000 cargo test --release --test study calm` is the long run.

use crate::patient_support::{Obs, compartment, diastolic, mean};
use deltaward::fhir::Instant;
use deltaward::patient::Input;
use deltaward::recognise::reading::PatientKey;
use deltaward::recognise::{Kind, Method, Person, Side};
use deltaward::replay::clock::{Judges, Pace, Replayed, Told, replay_patient};
use deltaward::replay::cohort::{Event, PatientInputs, What};
use deltaward::rules::{Sheet, Sheets};
use proptest::prelude::*;
use std::sync::LazyLock;

pub static JUDGES: LazyLock<Judges> = LazyLock::new(|| Judges::new(Sheets::builtin().unwrap()));

/// A sheet without the rules that make most readings remarkable, and with short times.
static OTHER: LazyLock<Judges> = LazyLock::new(|| {
    let mut sheet = Sheet::adult().unwrap();
    sheet
        .rules
        .retain(|rule| !["delta-near", "pressure-30", "readings-disagree"].contains(&rule.id.as_str()));
    sheet.pairing.before_minutes = 30;
    sheet.pairing.after_minutes = 20;
    sheet.pairing.carry_minutes = 60;
    sheet.close_after_minutes = 0;
    sheet.close_after_readings = 1;
    Judges::new(Sheets::new(sheet, Sheet::child().unwrap()).unwrap())
});

/// Observations as the clinical clock orders them.
pub fn inputs(observations: &[Obs], birth_date: Option<&str>) -> PatientInputs {
    let mut events: Vec<Event> = observations
        .iter()
        .map(|observation| {
            let Input::Recognised(recognised) = observation.input() else {
                unreachable!()
            };
            let at = recognised
                .readings
                .first()
                .map_or(Instant::from_millis(0), |reading| reading.at);
            let what = What::Version(Box::new(recognised));
            Event { at, what }
        })
        .collect();
    events.sort_by_key(|event| match &event.what {
        What::Version(recognised) => (event.at, recognised.source.clone()),
        What::Moved { source, .. } => (event.at, source.clone()),
    });
    PatientInputs {
        patient: PatientKey(String::from("Patient/invented")),
        person: Person {
            birth_date: birth_date.map(str::to_owned),
            label: None,
        },
        events,
    }
}

#[derive(Clone, Debug)]
struct Drawn {
    kind: Kind,
    gap: i64,
    value: i64,
    odd: u8,
    second_site: bool,
}

fn a_reading(unremarkable: bool) -> impl Strategy<Value = Drawn> {
    let kind = prop_oneof![6 => Just(Kind::Diastolic), 5 => Just(Kind::Compartment), 1 => Just(Kind::Mean)];
    let gap = prop_oneof![3 => 0_i64..4, 6 => 4_i64..40, 2 => 40_i64..300];
    // Mostly far from every rule, so that there is something to leave out.
    let swing = if unremarkable { -3_i64..4 } else { -22_i64..23 };
    (kind, gap, swing, 0_u8..60, prop::bool::weighted(0.3)).prop_map(|(kind, gap, value, odd, second_site)| Drawn {
        kind,
        gap,
        value,
        odd,
        second_site,
    })
}

fn drawn(kind: Kind, gap: i64, value: i64) -> Drawn {
    Drawn {
        kind,
        gap,
        value,
        odd: 59,
        second_site: false,
    }
}

/// The diastolic falls while nobody measures the compartment, recovers until the concern has closed, and
/// long after that the compartment is measured: what was carried must still be looked at.
fn a_dip() -> impl Strategy<Value = Vec<Drawn>> {
    let recovery = prop::collection::vec(15_i64..45, 2..5);
    (-45_i64..-15, recovery, 30_i64..170).prop_map(|(low, recovery, gap)| {
        let mut part = vec![drawn(Kind::Compartment, 40, 0), drawn(Kind::Diastolic, 6, low)];
        part.extend(recovery.into_iter().map(|gap| drawn(Kind::Diastolic, gap, 0)));
        part.push(drawn(Kind::Diastolic, gap, 1));
        part.push(drawn(Kind::Compartment, 1, 1));
        part
    })
}

/// The delta falls toward the threshold without reaching the rules near it, and a diastolic that comes
/// just after a compartment reading is the one that makes it steep.
fn a_slide() -> impl Strategy<Value = Vec<Drawn>> {
    let step = (10_i64..25, 2_i64..7, -8_i64..3);
    prop::collection::vec(step, 3..7).prop_map(|steps| {
        let mut climbed = -10;
        let mut part = Vec::new();
        for (gap, climb, swing) in steps {
            climbed += climb;
            part.push(drawn(Kind::Diastolic, gap, 0));
            part.push(drawn(Kind::Compartment, 5, climbed));
            part.push(drawn(Kind::Diastolic, 2, swing));
        }
        part
    })
}

/// A low reading, another one that closes its concern, and then a diastolic nearer to the first.
fn a_second_look() -> impl Strategy<Value = Vec<Drawn>> {
    (-40_i64..-20, 2_i64..14, 1_i64..5, 1_i64..9, 1_i64..9).prop_map(|(low, before, between, after, again)| {
        vec![
            drawn(Kind::Diastolic, 70, 0),
            drawn(Kind::Diastolic, 20, low),
            drawn(Kind::Compartment, before, 8),
            drawn(Kind::Diastolic, between, 2),
            drawn(Kind::Compartment, after, 6),
            drawn(Kind::Diastolic, again, 4),
        ]
    })
}

fn a_course() -> impl Strategy<Value = Vec<Drawn>> {
    let part = prop_oneof![
        3 => prop::collection::vec(a_reading(true), 5..40),
        2 => prop::collection::vec(a_reading(false), 1..8),
        1 => a_dip(),
        2 => a_slide(),
        1 => a_second_look(),
    ];
    prop::collection::vec(part, 1..7).prop_map(|parts| parts.concat())
}

fn observations(course: &[Drawn], odd: bool) -> Vec<Obs> {
    let mut minute = 0;
    let readings = course.iter().enumerate().map(|(number, drawn)| {
        minute += drawn.gap;
        let half = if odd && drawn.odd % 7 == 0 { ".5" } else { "" };
        let named = |base: i64| format!("{}{half}", base + drawn.value);
        let reading = match drawn.kind {
            Kind::Compartment => {
                let side = match (drawn.second_site, odd && drawn.odd == 1) {
                    (_, true) => Side::Unstated,
                    (true, _) => Side::Right,
                    (false, _) => Side::Left,
                };
                let reading = compartment(&format!("c{number}"), minute, &named(16)).at_site(side, "leg-anterior");
                if odd && drawn.odd == 2 {
                    reading.sent("2.2", "kPa")
                } else {
                    reading
                }
            }
            Kind::Mean => mean(&format!("m{number}"), minute, &named(92)),
            _ => {
                let reading = diastolic(&format!("d{number}"), minute, &named(76));
                match drawn.odd {
                    3 if odd => reading.sent("10", "kPa"),
                    4 if odd => diastolic(&format!("d{number}"), minute, "161"),
                    5 if odd && drawn.second_site => reading.method(Method::ArterialLine),
                    _ => reading,
                }
            }
        };
        match drawn.odd {
            6 | 7 if odd => reading.identifier("s|1"),
            _ => reading,
        }
    });
    readings.collect()
}

fn cases() -> ProptestConfig {
    let cases = std::env::var("DELTAWARD_CALM_CASES");
    ProptestConfig::with_cases(cases.ok().and_then(|text| text.parse().ok()).unwrap_or(200))
}

fn end(replayed: Replayed) -> (Vec<Told>, impl PartialEq + std::fmt::Debug) {
    let concerns = replayed.state.concerns.clone();
    let concerns: Vec<_> = concerns
        .into_iter()
        .map(|(key, concern)| (key, concern.tier, concern.since, concern.messages))
        .collect();
    (replayed.told, concerns)
}

proptest! {
    #![proptest_config(cases())]

    #[test]
    fn what_is_left_out_tells_nothing(course in a_course(), odd in any::<bool>(), child in prop::bool::weighted(0.2)) {
        let observations = observations(&course, odd);
        let born = if child { "2019-05-06" } else { "1980-02-03" };
        for judges in [&*JUDGES, &*OTHER] {
            let inputs = inputs(&observations, Some(born));
            let each = replay_patient(inputs.clone(), judges, Pace::Each);
            let calm = replay_patient(inputs, judges, Pace::WhenItMatters);
            prop_assert!(calm.steps <= each.steps);
            prop_assert_eq!(&calm.state.slots.len(), &each.state.slots.len());
            prop_assert_eq!(end(calm), end(each));
        }
    }
}

/// The point of it: a patient of whom nothing is to be told is not stepped at all.
#[test]
fn an_unremarkable_day_is_not_stepped() {
    let mut day = Vec::new();
    for round in 0..48 {
        day.push(diastolic(&format!("d{round}"), round * 30, "78"));
        day.push(compartment(
            &format!("c{round}"),
            round * 30 + 2,
            if round % 2 == 0 { "14" } else { "15" },
        ));
    }
    let inputs = inputs(&day, Some("1980-02-03"));
    assert_eq!(replay_patient(inputs.clone(), &JUDGES, Pace::Each).steps, 96);
    let calm = replay_patient(inputs, &JUDGES, Pace::WhenItMatters);
    assert_eq!((calm.steps, calm.told.len(), calm.state.slots.len()), (0, 0, 96));
}

/// Nor is one that lies long behind a bad hour, however closely it is measured.
#[test]
fn after_a_bad_hour_an_unremarkable_day_is_not_stepped() {
    let course = |bad: i64, minutes: i64| {
        let mut day = Vec::new();
        for minute in 0..minutes {
            day.push(match minute % 3 {
                0 => {
                    let mmhg = if minute < bad { "52" } else { "14" };
                    compartment(&format!("c{minute}"), minute, mmhg)
                }
                _ => diastolic(&format!("d{minute}"), minute, "78"),
            });
        }
        replay_patient(inputs(&day, Some("1980-02-03")), &JUDGES, Pace::WhenItMatters)
    };
    let (hour, day) = (course(60, 180), course(60, 1_200));
    assert!(hour.steps > 20, "{}", hour.steps);
    assert_eq!((day.steps, day.told.len()), (hour.steps, hour.told.len()));
}
