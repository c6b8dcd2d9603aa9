//! Invented Observations as NDJSON, the same for the same seed: what a hospital's export of vital signs
//! and compartment pressures may look like: pressures that drift, with the noise of a measurement, and in
//! one patient of seven a compartment that rises over hours and falls at once (about the share of
//! McQueen et al. 2013, 162 of 850; the shape is ours). Nothing in it was measured on anybody.

use deltaward::fhir::Instant;
use std::collections::VecDeque;
use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::Path;

/// 2026-01-05T00:00:00Z, a Monday.
const START: i64 = 1_767_571_200_000;
/// Observations of one patient.
const EACH: u64 = 250;
/// Patients who are watched at one time.
const BEDS: u64 = 40;
/// From one Observation to the next, in milliseconds: each patient has one about every five minutes.
const STEP_MILLIS: i64 = 7_500;
/// Lines within which a newer version follows.
const RECENT: usize = 512;

const SITES: [&str; 4] = [
    "leg-anterior",
    "leg-lateral",
    "leg-superficial-posterior",
    "leg-deep-posterior",
];

/// LOINC code, display, unit, least and most value of vital signs that are no blood pressure.
const OTHERS: [(&str, &str, &str, u64, u64); 4] = [
    ("8867-4", "Heart rate", "/min", 50, 130),
    (
        "59408-5",
        "Oxygen saturation in Arterial blood by Pulse oximetry",
        "%",
        88,
        100,
    ),
    ("8310-5", "Body temperature", "Cel", 35, 40),
    ("9279-1", "Respiratory rate", "/min", 8, 30),
];

/// splitmix64 (Steele, Lea, Flood 2014): small, and the same everywhere.
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// From `low` to `high`, both counted.
    fn from(&mut self, low: u64, high: u64) -> u64 {
        low + self.next() % (high - low + 1)
    }

    fn one_in(&mut self, count: u64) -> bool {
        self.next().is_multiple_of(count)
    }
}

#[derive(Clone, Copy)]
enum What {
    Compartment { site: usize, tenths: u64 },
    Panel { diastolic: u64 },
    Diastolic { diastolic: u64 },
    Other { index: usize, value: u64 },
}

#[derive(Clone, Copy)]
struct One {
    id: u64,
    version: u64,
    patient: u64,
    taken: i64,
    updated: i64,
    withdrawn: bool,
    what: What,
}

/// Write so many lines.
pub fn write(path: &Path, observations: u64, seed: u64) -> io::Result<()> {
    let mut out = BufWriter::with_capacity(1 << 20, File::create(path)?);
    let mut dice = Dice(seed);
    let mut recent: VecDeque<One> = VecDeque::with_capacity(RECENT);
    for number in 0..observations {
        let one = match recent.len() == RECENT && dice.one_in(50) {
            true => newer(&mut dice, &mut recent),
            false => first(&mut dice, number),
        };
        if recent.len() == RECENT {
            recent.pop_front();
        }
        recent.push_back(one);
        line(&mut out, &one)?;
    }
    out.flush()
}

fn first(dice: &mut Dice, number: u64) -> One {
    let patient = number / EACH + dice.from(0, BEDS - 1);
    let due = START + number.cast_signed() * STEP_MILLIS;
    // Written down up to twenty minutes earlier or later than the neighbours, often to the minute.
    let mut taken = due - 1_200_000 + dice.from(0, 2_400_000).cast_signed();
    taken -= taken.rem_euclid(if dice.one_in(2) { 60_000 } else { 1_000 });
    let patient_is = Course::of(patient);
    let diastolic = patient_is.diastolic(taken) + dice.from(0, 6) - 3;
    let what = match dice.from(0, 99) {
        0..20 => {
            let second = dice.from(0, 1);
            What::Compartment {
                site: (patient + second) as usize % SITES.len(),
                tenths: patient_is.compartment_tenths(taken, second) + dice.from(0, 40) - 20,
            }
        }
        20..50 => What::Panel { diastolic },
        50..65 => What::Diastolic { diastolic },
        _ => {
            let index = dice.from(0, OTHERS.len() as u64 - 1) as usize;
            let (_, _, _, low, high) = OTHERS[index];
            let value = dice.from(low, high);
            What::Other { index, value }
        }
    };
    One {
        id: number,
        version: 1,
        patient,
        taken,
        updated: taken + dice.from(1_000, 1_500_000).cast_signed(),
        withdrawn: dice.one_in(200),
        what,
    }
}

/// How the pressures of one patient go.
struct Course {
    patient: u64,
    /// When the stay begins, and how long it is, in milliseconds.
    from: i64,
    length: i64,
}

impl Course {
    fn of(patient: u64) -> Self {
        let each = EACH.cast_signed() * STEP_MILLIS;
        let beds = BEDS.cast_signed();
        Self {
            patient,
            from: START + (patient.cast_signed() - beds + 1).max(0) * each,
            length: beds * each,
        }
    }

    /// A number of this patient's own, from 0 to `below`, not counted.
    fn own(&self, what: u64, below: u64) -> u64 {
        Dice(self.patient ^ (what << 40)).from(0, below - 1)
    }

    /// Thousandths of the stay.
    fn progress(&self, at: i64) -> u64 {
        let gone = (at - self.from).clamp(0, self.length);
        u64::try_from(gone * 1000 / self.length).unwrap_or(0)
    }

    /// In mmHg: up and down by five in six hours.
    fn diastolic(&self, at: i64) -> u64 {
        const HALF: i64 = 10_800_000;
        let phase = (at + HALF / 8 * self.own(1, 16).cast_signed()).rem_euclid(2 * HALF);
        let swing = u64::try_from((phase - HALF).abs() * 10 / HALF).unwrap_or(0);
        58 + self.own(2, 20) + swing
    }

    /// In tenths of mmHg; the first site of one patient in seven rises from a fifth of the stay to its
    /// half, and is relieved soon after.
    fn compartment_tenths(&self, at: i64, site: u64) -> u64 {
        let base = 80 + self.own(3 + site, 100);
        if site > 0 || !self.patient.is_multiple_of(7) {
            return base;
        }
        let risen = match self.progress(at) {
            0..200 => 0,
            progress @ 200..500 => progress - 200,
            500..620 => 300,
            _ => 0,
        };
        base + (250 + self.own(5, 300)) * risen / 300
    }
}

/// A newer version of one of the last, corrected or taken back.
fn newer(dice: &mut Dice, recent: &mut VecDeque<One>) -> One {
    let mut one = recent[dice.from(0, RECENT as u64 - 1) as usize];
    // The newest version of this id that is still known.
    if let Some(newest) = recent.iter().rev().find(|other| other.id == one.id) {
        one = *newest;
    }
    one.version += 1;
    one.updated += dice.from(60_000, 3_600_000).cast_signed();
    one.withdrawn = dice.one_in(3);
    match &mut one.what {
        What::Compartment { tenths, .. } => *tenths += 15,
        What::Panel { diastolic } | What::Diastolic { diastolic } => *diastolic -= 2,
        What::Other { value, .. } => *value += 1,
    }
    one
}

fn line(out: &mut impl Write, one: &One) -> io::Result<()> {
    let status = match (one.withdrawn, one.version) {
        (true, _) => "entered-in-error",
        (_, 1) => "final",
        _ => "corrected",
    };
    let (taken, updated) = (Instant::from_millis(one.taken), Instant::from_millis(one.updated));
    let patient = one.patient;
    write!(
        out,
        r#"{{"resourceType":"Observation","id":"obs-{:010}","meta":{{"versionId":"{}","lastUpdated":"{updated}","profile":["http://hl7.org/fhir/StructureDefinition/vitalsigns"]}},"#,
        one.id, one.version
    )?;
    write!(
        out,
        r#""text":{{"status":"generated","div":"<div xmlns='http://www.w3.org/1999/xhtml'>Invented</div>"}},"identifier":[{{"use":"official","system":"https://hospital.example/fhir/measurements","value":"M-{:012}"}}],"status":"{status}","category":[{{"coding":[{{"system":"http://terminology.hl7.org/CodeSystem/observation-category","code":"vital-signs","display":"Vital Signs"}}]}}],"#,
        one.id
    )?;
    code(out, one.what)?;
    write!(
        out,
        r#""subject":{{"reference":"Patient/inv-{patient:07}","type":"Patient"}},"encounter":{{"reference":"Encounter/stay-{patient:07}"}},"effectiveDateTime":"{taken}","issued":"{updated}","performer":[{{"reference":"Practitioner/nurse-{:03}","display":"Invented nurse"}}],"#,
        patient % 97
    )?;
    value(out, one.what)?;
    let bed = patient % BEDS;
    writeln!(
        out,
        r#""device":{{"reference":"Device/monitor-{bed:02}","display":"Monitor {bed:02}"}}}}"#
    )
}

fn code(out: &mut impl Write, what: What) -> io::Result<()> {
    let (system, code, display) = match what {
        What::Compartment { .. } => (
            "https://deltaward.example/fhir/CodeSystem/measurement",
            "compartment-pressure",
            "Compartment pressure",
        ),
        What::Panel { .. } => (
            "http://loinc.org",
            "85354-9",
            "Blood pressure panel with all children optional",
        ),
        What::Diastolic { .. } => ("http://loinc.org", "8462-4", "Diastolic blood pressure"),
        What::Other { index, .. } => ("http://loinc.org", OTHERS[index].0, OTHERS[index].1),
    };
    write!(
        out,
        r#""code":{{"coding":[{{"system":"{system}","code":"{code}","display":"{display}"}}],"text":"{display}"}},"#
    )
}

/// A quantity in mm[Hg], behind its name.
fn mmhg(out: &mut impl Write, value: impl std::fmt::Display) -> io::Result<()> {
    write!(
        out,
        r#""valueQuantity":{{"value":{value},"unit":"mmHg","system":"http://unitsofmeasure.org","code":"mm[Hg]"}}"#
    )
}

fn value(out: &mut impl Write, what: What) -> io::Result<()> {
    match what {
        What::Compartment { site, tenths } => {
            write!(
                out,
                r#""bodySite":{{"coding":[{{"system":"https://deltaward.example/fhir/CodeSystem/compartment","code":"{}"}},{{"system":"http://snomed.info/sct","code":"7771000","display":"Left"}}]}},"#,
                SITES[site]
            )?;
            mmhg(out, format_args!("{}.{}", tenths / 10, tenths % 10))?;
        }
        What::Panel { diastolic } => {
            write!(
                out,
                r#""component":[{{"code":{{"coding":[{{"system":"http://loinc.org","code":"8480-6","display":"Systolic blood pressure"}}]}},"#
            )?;
            mmhg(out, diastolic + 52)?;
            write!(
                out,
                r#"}},{{"code":{{"coding":[{{"system":"http://loinc.org","code":"8462-4","display":"Diastolic blood pressure"}}]}},"#
            )?;
            mmhg(out, diastolic)?;
            write!(out, "}}]")?;
        }
        What::Diastolic { diastolic } => mmhg(out, diastolic)?,
        What::Other { index, value } => {
            let unit = OTHERS[index].2;
            write!(
                out,
                r#""valueQuantity":{{"value":{value},"unit":"{unit}","system":"http://unitsofmeasure.org","code":"{unit}"}},"referenceRange":[{{"low":{{"value":{},"unit":"{unit}"}},"high":{{"value":{},"unit":"{unit}"}}}}]"#,
                OTHERS[index].3, OTHERS[index].4
            )?;
        }
    }
    write!(out, ",")
}
