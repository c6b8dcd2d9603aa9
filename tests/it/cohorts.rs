//! Published cohorts and a reference library's numbers, against what the rules count.
//!
//! The patients are invented; their numbers are made so that the published counts come out.

use crate::patient_support::{ADULT, Told, Ward, compartment, diastolic};
use deltaward::outbox::context::SheetRef;
use deltaward::outbox::message_text::message_text;
use deltaward::outbox::wording;
use deltaward::rules::trend::theil_sen;
use deltaward::rules::{Sheet, Tier};

/// One reading with a diastolic two minutes before it, in an invented adult.
fn one(sheet: &Sheet, diastolic_mmhg: i64, pressure_mmhg: i64) -> Told {
    let mut ward = Ward::adult();
    ward.sheet = sheet.clone();
    let readings = [
        diastolic("d", 0, &diastolic_mmhg.to_string()),
        compartment("c", 2, &pressure_mmhg.to_string()),
    ];
    ward.take(2, &readings)
}

fn names(told: &Told, rule: &str) -> bool {
    told.rules().contains(&rule)
}

fn acts(told: &Told) -> bool {
    told.messages.iter().any(|message| message.tier >= Some(Tier::Act))
}

/// McQueen & Court-Brown 1996 (JBJS Br 78:99-104), 116 tibial shaft fractures: three had the
/// syndrome and a delta pressure below 30. By an absolute pressure above 30 mmHg 50 further
/// patients would have been operated on, above 40 mmHg 27.
fn mcqueen_1996() -> Vec<(i64, i64)> {
    let mut cohort = Vec::new();
    for patient in 0..116 {
        cohort.push(match patient {
            0..3 => (60 + patient, 45 + patient), // delta 15
            3..30 => (90, 41 + patient % 9),      // above 40, delta above 40
            30..53 => (85, 31 + patient % 10),    // above 30, delta above 40
            _ => (75, 5 + patient % 25),          // at most 29, delta above 45
        });
    }
    cohort
}

#[test]
fn mcqueen_1996_counts_three_by_delta_and_fifty_and_twenty_seven_by_pressure_alone() {
    let cohort = mcqueen_1996();
    assert_eq!(cohort.len(), 116);
    // The figures of the abstract, counted on the invented numbers themselves.
    let above = |threshold: i64| cohort[3..].iter().filter(|(_, pressure)| *pressure > threshold).count();
    assert_eq!((above(30), above(40)), (50, 27));

    // The abstract counts above 30 and above 40; the rule counts at or above 31 and 41 on whole mmHg.
    let with = |at_or_above: i64| {
        let source = deltaward::rules::sheet::ADULT
            .replace("at_or_above_mmhg = 30", &format!("at_or_above_mmhg = {at_or_above}"));
        Sheet::parse("changed", &source).unwrap()
    };
    for (at_or_above, alone) in [(31, 50), (41, 27)] {
        let sheet = with(at_or_above);
        let told: Vec<Told> = cohort
            .iter()
            .map(|(diastolic, pressure)| one(&sheet, *diastolic, *pressure))
            .collect();
        assert_eq!(told.iter().filter(|told| acts(told)).count(), 3, "by delta");
        let by_pressure = told.iter().filter(|told| names(told, "pressure-30")).count();
        assert_eq!(by_pressure, alone, "at or above {at_or_above}");
        // What the pressure alone finds is watched, never acted upon.
        assert!(
            told.iter()
                .filter(|told| names(told, "pressure-30"))
                .all(|told| !acts(told))
        );
    }
}

/// Whitney 2014 (J Trauma Acute Care Surg 76:479-83): of 48 single readings in limbs nobody
/// suspected 16 met delta 30. Each of these is told, and labelled as a single reading.
#[test]
fn whitney_2014_sixteen_of_forty_eight_are_told_as_single_readings() {
    let sheet = &ADULT;
    let reference = SheetRef {
        id: sheet.id.clone(),
        version: sheet.version.clone(),
        hash: sheet.hash.clone(),
    };
    let mut alerted = 0;
    for patient in 0..48 {
        // 16 from 8 to 30, the others from 31 on.
        let delta = if patient < 16 {
            8 + patient * 22 / 15
        } else {
            31 + patient - 16
        };
        let told = one(sheet, 80, 80 - delta);
        assert_eq!(told.published[0].facts.delta_whole_mmhg, delta);
        if !acts(&told) {
            continue;
        }
        alerted += 1;
        let message = told
            .messages
            .iter()
            .find(|message| message.tier >= Some(Tier::Act))
            .unwrap();
        assert_eq!(message.reading_count, 1);
        let text = message_text(message, &reference);
        let label = if message.tier == Some(Tier::Critical) {
            wording::SINGLE_CRITICAL
        } else {
            wording::SINGLE_READING
        };
        assert!(text.contains(label), "not labelled: {text}");
    }
    assert_eq!(alerted, 16);
}

/// One data set: x, y, and the slope with its 95 % interval.
type Reference = (&'static [f64], &'static [f64], [f64; 3]);

/// scipy 1.17.1, `scipy.stats.theilslopes(y, x, alpha=0.95, method="separate")`, computed once.
const THEIL_SEN: [Reference; 6] = [
    (
        &[0.0, 60.0, 120.0],
        &[53.0, 45.0, 37.0],
        [
            -0.133_333_333_333_333_33,
            -0.133_333_333_333_333_33,
            -0.133_333_333_333_333_33,
        ],
    ),
    (
        &[0.0, 30.0, 90.0, 150.0],
        &[60.0, 58.0, 41.0, 40.0],
        [
            -0.141_666_666_666_666_66,
            -0.283_333_333_333_333_3,
            -0.016_666_666_666_666_666,
        ],
    ),
    (
        &[-120.0, -75.0, -60.0, -20.0, 0.0],
        &[55.5, 49.0, 52.0, 38.25, 36.0],
        [-0.167_499_999_999_999_98, -0.343_75, 0.2],
    ),
    (
        &[0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0],
        &[1.0, 3.0, 2.0, 5.0, 7.0, 7.0, 8.0, 30.0, 9.0, 11.0],
        [1.0, 0.857_142_857_142_857_1, 2.0],
    ),
    (
        &[0.0, 0.0, 10.0, 10.0, 20.0, 35.0],
        &[40.0, 42.0, 38.0, 38.0, 31.0, 33.0],
        [-0.257_142_857_142_857_1, -0.7, -0.2],
    ),
    (
        &[0.0, 15.0, 30.0, 45.0, 60.0, 75.0, 90.0, 105.0],
        &[62.0, 60.0, 61.0, 55.0, 54.0, 50.0, 51.0, 44.0],
        [-0.166_666_666_666_666_66, -0.226_666_666_666_666_66, -0.1],
    ),
];

#[test]
fn theil_sen_gives_what_scipy_gives() {
    for (x, y, [slope, low, high]) in THEIL_SEN {
        let points: Vec<(f64, f64)> = x.iter().copied().zip(y.iter().copied()).collect();
        let line = theil_sen(&points).unwrap();
        for (ours, theirs) in [(line.slope, slope), (line.slope_low, low), (line.slope_high, high)] {
            assert!((ours - theirs).abs() < 1e-12, "{ours} is not {theirs} in {x:?} {y:?}");
        }
        // The order of the points is of no account.
        let backwards: Vec<(f64, f64)> = points.into_iter().rev().collect();
        assert_eq!(format!("{:?}", theil_sen(&backwards)), format!("{:?}", Some(line)));
    }
    assert!(theil_sen(&[]).is_none());
    assert!(theil_sen(&[(1.0, 2.0), (1.0, 3.0)]).is_none());
}
