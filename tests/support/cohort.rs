//! An invented cohort as NDJSON, the same for the same seed, with labels. Nothing in it was measured
//! on anybody.
#![allow(dead_code)] // each binary uses a part of it

use serde_json::{Value, json};

/// 2026-01-05T00:00:00Z, a Monday.
const START: i64 = 1_767_571_200_000;

/// splitmix64 (Steele, Lea, Flood 2014): small, and the same everywhere.
pub struct Dice(pub u64);

impl Dice {
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// From `low` to `high`, both counted.
    pub fn from(&mut self, low: i64, high: i64) -> i64 {
        let span = u64::try_from(high - low + 1).unwrap_or(1);
        low + i64::try_from(self.next() % span).unwrap_or(0)
    }

    pub fn one_in(&mut self, count: u64) -> bool {
        self.next().is_multiple_of(count)
    }
}

/// What the cohort is written as.
pub struct Cohort {
    pub ndjson: String,
    pub labels: String,
}

#[derive(Clone, Copy, PartialEq)]
enum Course {
    Calm,
    /// The pressure of one compartment climbs.
    Rising,
    /// The diastolic falls for a while.
    Hypotension,
    /// One reading is off.
    Spike,
}

/// `patients` invented patients, each of one to two days.
pub fn cohort(seed: u64, patients: usize) -> Cohort {
    let mut dice = Dice(seed);
    let mut lines: Vec<String> = Vec::new();
    let mut labels = String::from("patient,outcome,time\n");
    for number in 0..patients {
        patient(&mut dice, number, &mut lines, &mut labels);
    }
    lines.insert(
        lines.len() / 3,
        String::from("{\"resourceType\":\"Observation\",\"id\":"),
    );
    lines.insert(lines.len() / 2, String::from("not JSON at all"));
    Cohort {
        ndjson: lines.join("\n") + "\n",
        labels,
    }
}

fn patient(dice: &mut Dice, number: usize, lines: &mut Vec<String>, labels: &mut String) {
    let course = match dice.from(0, 99) {
        0..=9 => Course::Rising,
        10..=15 => Course::Hypotension,
        16..=25 => Course::Spike,
        _ => Course::Calm,
    };
    let who = format!("inv-{number:04}");
    let year = if dice.one_in(15) { 2015 } else { dice.from(1940, 2004) };
    lines.push(json!({"resourceType": "Patient", "id": who, "birthDate": format!("{year}-05-01")}).to_string());
    let begin = dice.from(0, 21 * 24 * 60);
    let length = dice.from(20 * 60, 44 * 60);
    let onset = dice.from(4 * 60, 12 * 60);
    let sites = [
        "leg-anterior",
        "leg-lateral",
        "leg-superficial-posterior",
        "leg-deep-posterior",
    ];
    let side = if dice.one_in(2) {
        ("7771000", "Left")
    } else {
        ("24028007", "Right")
    };
    let used = if dice.one_in(3) { 4 } else { 1 };
    let base: Vec<i64> = (0..used).map(|_| dice.from(6, 20)).collect();
    let diastolic = dice.from(66, 84);
    let mut minute = 0;
    let mut count = 0;
    while minute < length {
        let fallen = if course == Course::Hypotension && (onset..onset + 300).contains(&minute) {
            24
        } else {
            0
        };
        let now = diastolic - fallen + dice.from(-4, 4);
        if !dice.one_in(14) {
            lines.push(blood_pressure(dice, &who, count, begin + minute, now));
        }
        if count % 3 == 0 {
            for (index, site) in sites.iter().take(used).enumerate() {
                let mut pressure = base[index] + dice.from(-2, 3);
                if course == Course::Rising && index == 0 && minute > onset {
                    pressure += ((minute - onset) / 9).min(48);
                }
                if course == Course::Spike && index == 0 && (onset..onset + 60).contains(&minute) {
                    pressure += 34;
                }
                let line = compartment(dice, &who, count, begin + minute + 3, pressure, (site, side));
                if dice.one_in(60) {
                    let mut newer = line.clone();
                    newer["meta"]["lastUpdated"] = json!(at(begin + minute + 40));
                    newer["meta"]["versionId"] = json!("2");
                    newer["status"] = json!(if dice.one_in(3) {
                        "entered-in-error"
                    } else {
                        "corrected"
                    });
                    lines.push(newer.to_string());
                }
                lines.push(line.to_string());
            }
        }
        if dice.one_in(6) {
            lines.push(glucose(&who, count, begin + minute));
        }
        minute += dice.from(20, 40);
        count += 1;
    }
    let present = match course {
        Course::Rising => !dice.one_in(8),
        Course::Hypotension => dice.one_in(20),
        _ => dice.one_in(120),
    };
    if !dice.one_in(40) {
        let time = if present {
            at(begin + onset + dice.from(240, 600))
        } else {
            String::new()
        };
        labels.push_str(&format!("Patient/{who},{},{time}\n", u8::from(present)));
    }
}

/// A FHIR instant so many minutes after the start.
pub fn at(minute: i64) -> String {
    deltaward::fhir::Instant::from_millis(START)
        .plus_minutes(minute)
        .to_string()
}

fn base(id: String, who: &str, minute: i64, late: i64) -> Value {
    json!({
        "resourceType": "Observation", "id": id, "status": "final",
        "meta": {"versionId": "1", "lastUpdated": at(minute + late)},
        "subject": {"reference": format!("Patient/{who}")}, "effectiveDateTime": at(minute),
    })
}

fn quantity(value: i64) -> Value {
    json!({"value": value, "unit": "mmHg", "system": "http://unitsofmeasure.org", "code": "mm[Hg]"})
}

fn blood_pressure(dice: &mut Dice, who: &str, count: i64, minute: i64, diastolic: i64) -> String {
    let late = dice.from(1, 9);
    let mut body = base(format!("{who}-bp-{count}"), who, minute, late);
    body["code"] = json!({"coding": [{"system": "http://loinc.org", "code": "85354-9"}]});
    let part = |code: &str, value: i64| json!({"code": {"coding": [{"system": "http://loinc.org", "code": code}]}, "valueQuantity": quantity(value)});
    body["component"] = json!([part("8480-6", diastolic + 52), part("8462-4", diastolic)]);
    body.to_string()
}

fn compartment(
    dice: &mut Dice,
    who: &str,
    count: i64,
    minute: i64,
    pressure: i64,
    place: (&str, (&str, &str)),
) -> Value {
    let (site, (side, side_name)) = place;
    let late = dice.from(1, 25);
    let mut body = base(format!("{who}-{site}-{count}"), who, minute, late);
    body["code"] = json!({"coding": [{"system": "https://deltaward.example/fhir/CodeSystem/measurement", "code": "compartment-pressure"}]});
    body["bodySite"] = json!({"coding": [
        {"system": "https://deltaward.example/fhir/CodeSystem/compartment", "code": site},
        {"system": "http://snomed.info/sct", "code": side, "display": side_name},
    ]});
    body["valueQuantity"] = quantity(pressure);
    if dice.one_in(250) {
        body["valueQuantity"] = json!({"value": pressure});
    }
    body
}

fn glucose(who: &str, count: i64, minute: i64) -> String {
    let mut body = base(format!("{who}-glu-{count}"), who, minute, 2);
    body["code"] = json!({"coding": [{"system": "http://loinc.org", "code": "2339-0"}]});
    body["valueQuantity"] =
        json!({"value": 104, "unit": "mg/dL", "system": "http://unitsofmeasure.org", "code": "mg/dL"});
    body.to_string()
}
