//! The plain answer once more, as slowly and as plainly as it can be said: each line by
//! `serde_json::Value`, each version against each other, each reading against each other.

use crate::plain::Plain;
use deltaward::replay::summary::Pairing;
use serde_json::Value;
use sha2::{Digest, Sha256};
use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet};

/// What is asked.
pub struct Asked {
    pub before_millis: i64,
    pub after_millis: i64,
    pub pairing: Pairing,
    pub as_of: Option<i64>,
}

struct Line {
    value: Value,
    id: Option<String>,
    updated: Option<i64>,
    number: u64,
}

#[derive(Clone)]
struct Reading {
    patient: String,
    /// None: a diastolic.
    site: Option<String>,
    millis: i64,
    updated: Option<i64>,
    thousandths: i128,
}

pub fn answer(text: &str, asked: &Asked) -> Plain {
    let mut plain = Plain::default();
    let mut lines = Vec::new();
    for line in text.split('\n').filter(|line| !line.trim_ascii().is_empty()) {
        let value: Value = serde_json::from_str(line).unwrap_or(Value::Null);
        match value["resourceType"].as_str() {
            None => plain.bad_lines += 1,
            Some("Observation") if value["status"].is_number() => plain.bad_lines += 1,
            Some("Observation") => lines.push(Line {
                id: value["id"].as_str().map(str::to_owned),
                updated: value["meta"]["lastUpdated"].as_str().and_then(millis),
                number: value["meta"]["versionId"]
                    .as_str()
                    .map_or(0, |text| text.parse().unwrap()),
                value,
            }),
            Some(_) => plain.other_resources += 1,
        }
    }
    let seen = lines.len() as u64;
    lines.retain(|line| {
        asked.as_of.is_none_or(|as_of| {
            line.updated
                .or_else(|| measured(line))
                .is_none_or(|known| known <= as_of)
        })
    });
    plain.undated_versions = lines.iter().filter(|line| line.updated.is_none()).count() as u64;
    plain.observations = lines.len() as u64;
    plain.later_versions = seen - plain.observations;
    let mut readings = Vec::new();
    for (index, line) in lines.iter().enumerate() {
        let newer = |(at, other): (usize, &Line)| {
            line.id.is_some()
                && other.id == line.id
                && (other.updated, other.number, at) > (line.updated, line.number, index)
        };
        if lines.iter().enumerate().any(newer) {
            plain.superseded += 1;
        } else if line.value["status"] == "entered-in-error" {
            plain.withdrawn += 1;
        } else {
            for reading in of_line(line) {
                match reading {
                    Ok(reading) => readings.push(reading),
                    Err(reason) => *plain.set_aside.entry(reason.to_owned()).or_default() += 1,
                }
            }
        }
    }
    pair(&readings, asked, &mut plain);
    plain
}

/// What is measured after a moment was not known then.
fn measured(line: &Line) -> Option<i64> {
    let value = &line.value;
    let single = value["effectiveDateTime"]
        .as_str()
        .or(value["effectiveInstant"].as_str());
    millis(single.or(value["effectivePeriod"]["end"].as_str())?)
}

fn of_line(line: &Line) -> Vec<Result<Reading, &'static str>> {
    let no_parts = Vec::new();
    let parts = line.value["component"].as_array().unwrap_or(&no_parts);
    let mut found = Vec::new();
    for part in std::iter::once(&line.value).chain(parts) {
        let codings = part["code"]["coding"].as_array().map_or(&[][..], Vec::as_slice);
        let has = |system: &str, code: &str| {
            codings
                .iter()
                .any(|coding| coding["system"] == system && coding["code"] == code)
        };
        let compartment = has(
            "https://deltaward.example/fhir/CodeSystem/measurement",
            "compartment-pressure",
        );
        if compartment || has("http://loinc.org", "8462-4") {
            found.push(reading(line, compartment, &part["valueQuantity"]));
        }
    }
    found
}

fn reading(line: &Line, compartment: bool, quantity: &Value) -> Result<Reading, &'static str> {
    let value = &line.value;
    let patient = value["subject"]["reference"].as_str().ok_or("no-patient")?;
    let taken = ["effectiveDateTime", "effectiveInstant"].map(|name| value[name].as_str());
    let taken = taken
        .into_iter()
        .flatten()
        .next()
        .or(value["effectivePeriod"]["end"].as_str());
    let taken = taken.ok_or("no-effective-time")?;
    if taken.len() == "2026-01-05".len() {
        return Err("time-too-coarse");
    }
    let number = quantity["value"].as_number().ok_or("no-value")?;
    if quantity["comparator"].is_string() {
        return Err("comparator");
    }
    let unit = quantity["code"].as_str().ok_or("unit-missing")?;
    let site = &value["bodySite"]["coding"][0]["code"];
    Ok(Reading {
        patient: patient.to_owned(),
        site: compartment.then(|| site.as_str().unwrap_or_default().to_owned()),
        millis: millis(taken).unwrap(),
        updated: line.updated,
        thousandths: thousandths(&number.to_string(), unit)?,
    })
}

/// By jiff.
fn millis(text: &str) -> Option<i64> {
    text.parse::<jiff::Timestamp>()
        .ok()
        .map(|moment| moment.as_millisecond())
}

/// In thousandths of mm[Hg], a half away from zero. UCUM (ucum-essence 2.2) defines m[Hg] as 133.3220 kPa
/// and m[H2O] as 9.80665 kPa, so that 1 kPa is 1000/133.322 and 1 cm[H2O] 98.0665/133.322 mm[Hg].
fn thousandths(number: &str, unit: &str) -> Result<i128, &'static str> {
    let (whole, fraction) = number.split_once('.').unwrap_or((number, ""));
    let digits: i128 = format!("{whole}{fraction}").parse().unwrap();
    let (numerator, denominator) = match unit {
        "mm[Hg]" => (1, 1),
        "kPa" => (1_000_000, 133_322),
        "cm[H2O]" => (980_665, 1_333_220),
        _ => return Err("unit-unknown"),
    };
    let numerator = digits * numerator * 1000;
    let denominator = denominator * 10_i128.pow(u32::try_from(fraction.len()).unwrap());
    Ok((2 * numerator + numerator.signum() * denominator) / (2 * denominator))
}

fn pair(readings: &[Reading], asked: &Asked, plain: &mut Plain) {
    let (compartments, diastolics): (Vec<Reading>, Vec<Reading>) =
        readings.iter().cloned().partition(|reading| reading.site.is_some());
    plain.compartment_readings = compartments.len() as u64;
    plain.diastolic_readings = diastolics.len() as u64;
    let groups: BTreeSet<_> = compartments.iter().map(|one| (&one.patient, &one.site)).collect();
    let mut firsts: Vec<String> = Vec::new();
    for (patient, site) in groups {
        let mut group: Vec<&Reading> = compartments
            .iter()
            .filter(|one| (&one.patient, &one.site) == (patient, site))
            .collect();
        group.sort_by_key(|one| (one.millis, one.updated, one.thousandths));
        let deltas = group.iter().filter_map(|one| {
            let diastolic = diastolic(one, &diastolics, asked)?;
            Some((one.millis, diastolic.thousandths - one.thousandths))
        });
        let deltas: Vec<(i64, i128)> = deltas.collect();
        plain.pairs += deltas.len() as u64;
        plain.sum_thousandths += deltas.iter().map(|(_, delta)| delta).sum::<i128>();
        let lows: Vec<bool> = deltas.iter().map(|(_, delta)| *delta <= 30_000).collect();
        plain.low += lows.iter().filter(|low| **low).count() as u64;
        let begins = (0..lows.len()).filter(|at| lows[*at] && (*at == 0 || !lows[at - 1]));
        plain.low_runs += begins.count() as u64;
        if let Some(first) = lows.iter().position(|low| *low) {
            firsts.push(format!("{patient}|{}|{}", site.as_deref().unwrap(), deltas[first].0));
        }
    }
    plain.groups = firsts.len() as u64;
    firsts.sort();
    let digest = Sha256::digest(firsts.join("\n"));
    plain.first_low_sha256 = digest.iter().map(|byte| format!("{byte:02x}")).collect();
}

fn diastolic<'d>(one: &Reading, diastolics: &'d [Reading], asked: &Asked) -> Option<&'d Reading> {
    let window = one.millis - asked.before_millis..=one.millis + asked.after_millis;
    let fit = diastolics
        .iter()
        .filter(|other| other.patient == one.patient && window.contains(&other.millis));
    fit.max_by_key(|other| {
        let away = match asked.pairing {
            Pairing::Latest => 0,
            Pairing::Nearest => (other.millis - one.millis).abs(),
        };
        (Reverse(away), other.millis, other.updated, Reverse(other.thousandths))
    })
}

/// Readings that were left out, by reason.
pub type SetAside = BTreeMap<String, u64>;
