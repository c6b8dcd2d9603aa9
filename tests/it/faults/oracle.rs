//! What must stand at the end, worked out from the readings alone: the diastolic nearest in time
//! within 60 minutes before the pressure, delta = diastolic − pressure, at or below 30 an alert.
//! Written from the design's text; shares nothing with the service's core.

use super::load::{Fate, Ledger, PARTS, Says};
use crate::memory_fhir::MemoryFhir;
use reqwest::blocking::Client;
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};

/// What one patient's three resources say.
type Readings = BTreeMap<&'static str, i64>;

/// Everything that is compared.
pub struct Ends<'a> {
    pub base: String,
    pub record: &'a MemoryFhir,
    pub ledger: &'a Ledger,
}

/// What was compared, for the summary.
#[derive(Debug, Default)]
pub struct Seen {
    pub patients: usize,
    pub deltas: usize,
    pub messages: usize,
    pub withdrawals: usize,
}

/// (value, reference of the diastolic) of the delta that must stand.
fn delta(readings: &Readings) -> Option<(i64, &'static str)> {
    let pressure = readings.get("c")?;
    // d2 was measured 10 minutes before, d1 30 minutes.
    let nearest = ["d2", "d1"].into_iter().find(|part| readings.contains_key(part))?;
    Some((readings[nearest] - pressure, nearest))
}

/// Words of the concerns that must be open.
fn open(readings: &Readings) -> BTreeSet<&'static str> {
    let mut words = BTreeSet::new();
    match delta(readings) {
        Some((delta, _)) if delta <= 30 => drop(words.insert("ACT")),
        None if readings.contains_key("c") => drop(words.insert("CHECK")),
        _ => {}
    }
    words
}

impl Ends<'_> {
    /// Compare all; the first difference in words.
    pub fn compare(&self) -> Result<Seen, String> {
        let stored = self.stored_readings()?;
        let deltas = by_patient(self.derived("Observation"));
        let messages = by_patient(self.derived("Communication"));
        self.each_once("Observation")?;
        self.each_once("Communication")?;
        self.each_once("Device")?;
        let mut seen = Seen {
            patients: stored.len(),
            ..Seen::default()
        };
        let none = Vec::new();
        for (patient, (readings, ids)) in &stored {
            let about = |fault: String| format!("{patient} ({readings:?}): {fault}");
            let of_patient = deltas.get(patient).unwrap_or(&none);
            seen.deltas += compare_delta(readings, ids, of_patient).map_err(about)?;
            let told = messages.get(patient).unwrap_or(&none);
            seen.withdrawals += compare_messages(readings, told).map_err(about)?;
            seen.messages += told.len();
        }
        for patient in deltas.keys().chain(messages.keys()) {
            if !stored.contains_key(patient) {
                return Err(format!("{patient} has derived resources and no reading"));
            }
        }
        Ok(seen)
    }

    /// Derived resources at the FHIR server.
    fn derived(&self, kind: &str) -> Vec<Value> {
        let own = |one: &Value| !identity(one).is_empty();
        self.record.all(kind).into_iter().filter(own).collect()
    }

    /// Nothing doubled: at the server each identifier stands once, and just those that the service
    /// keeps itself.
    fn each_once(&self, kind: &str) -> Result<(), String> {
        let mut identities = BTreeSet::new();
        for one in self.derived(kind) {
            if !identities.insert(identity(&one)) {
                return Err(format!("DOUBLED: {kind} {}", identity(&one)));
            }
        }
        if kind == "Device" {
            return Ok(());
        }
        let mut url = format!("{}/fhir/{kind}?_count=1000", self.base);
        let mut kept = BTreeSet::new();
        loop {
            let page = read(&url)?.1;
            for entry in page["entry"].as_array().into_iter().flatten() {
                kept.insert(identity(&entry["resource"]));
            }
            let next = page["link"]
                .as_array()
                .into_iter()
                .flatten()
                .find(|link| link["relation"] == "next");
            match next {
                Some(link) => url = link["url"].as_str().unwrap_or_default().to_owned(),
                None => break,
            }
        }
        kept.remove("");
        match kept.symmetric_difference(&identities).next() {
            Some(one) => Err(format!("{kind} {one} stands on one side only")),
            None => Ok(()),
        }
    }

    /// Nothing lost: what was acknowledged stands; what was given up stands or does not. From the
    /// record everything must have come.
    #[allow(clippy::type_complexity, reason = "a map that is made and used here only")]
    fn stored_readings(&self) -> Result<BTreeMap<String, (Readings, BTreeMap<&'static str, String>)>, String> {
        let mut stored: BTreeMap<String, (Readings, BTreeMap<&'static str, String>)> = BTreeMap::new();
        for ((patient, part), fate) in self.ledger.lock().unwrap().iter() {
            assert!(PARTS.contains(part));
            let (says, id) = self.stands(patient, part)?;
            if !allowed(fate, says) {
                return Err(format!("LOST: {part} of {patient} says {says:?}, known is {fate:?}"));
            }
            let (readings, ids) = stored.entry(patient.clone()).or_default();
            ids.insert(part, id);
            if let Some(Says::Value(mmhg)) = says {
                readings.insert(part, mmhg);
            }
        }
        Ok(stored)
    }

    /// What the service keeps of a part; None: it never came.
    fn stands(&self, patient: &str, part: &str) -> Result<(Option<Says>, String), String> {
        let token = format!("urn:invented:load%7C{part}-{patient}");
        let direct = format!("{part}-{patient}");
        let id = match part {
            // Created under an id of the service's own, when it came by REST.
            "d2" if patient.starts_with('w') => {
                let found = read(&format!("{}/fhir/Observation?identifier={token}", self.base))?.1;
                match found["entry"].as_array().map_or(&[][..], Vec::as_slice) {
                    // Deleted, or never created: a search finds neither.
                    [] => return Ok((Some(Says::Deleted), direct)),
                    [one] => one["resource"]["id"].as_str().unwrap_or_default().to_owned(),
                    more => return Err(format!("DOUBLED: {} resources for {part} of {patient}", more.len())),
                }
            }
            _ => direct,
        };
        let (status, body) = read(&format!("{}/fhir/Observation/{id}", self.base))?;
        let says = match status {
            200 if body["status"] == "entered-in-error" => Some(Says::InError),
            200 => body["valueQuantity"]["value"].as_i64().map(Says::Value),
            410 => Some(Says::Deleted),
            404 => None,
            _ => return Err(format!("{status} for {part} of {patient}")),
        };
        Ok((says, id))
    }
}

fn allowed(fate: &Fate, says: Option<Says>) -> bool {
    let gone = |says: Option<Says>| matches!(says, None | Some(Says::Deleted));
    // A delete of what never was is acknowledged and leaves nothing.
    let same = |known: Option<Says>| known == says || (gone(known) && gone(says));
    same(fate.acknowledged) || fate.open.iter().any(|open| same(Some(*open)))
}

fn read(url: &str) -> Result<(u16, Value), String> {
    static CLIENT: std::sync::OnceLock<Client> = std::sync::OnceLock::new();
    let response = CLIENT.get_or_init(Client::new).get(url).send();
    let response = response.map_err(|error| format!("the service does not answer: {error}"))?;
    let status = response.status().as_u16();
    let text = response.text().map_err(|error| error.to_string())?;
    Ok((status, serde_json::from_str(&text).unwrap_or_default()))
}

/// The value of our identifier; empty without.
fn identity(resource: &Value) -> String {
    let identifiers = resource["identifier"].as_array().into_iter().flatten();
    let own = identifiers.filter(|one| one["system"] == "https://deltaward.example/fhir/derived");
    own.filter_map(|one| one["value"].as_str()).collect()
}

fn by_patient(resources: Vec<Value>) -> BTreeMap<String, Vec<Value>> {
    let mut patients: BTreeMap<String, Vec<Value>> = BTreeMap::new();
    for one in resources {
        let patient = one["subject"]["reference"].as_str().unwrap_or_default();
        let patient = patient.trim_start_matches("Patient/").to_owned();
        patients.entry(patient).or_default().push(one);
    }
    patients
}

/// The delta that stands, its sources and its interpretation; how many stand.
fn compare_delta(readings: &Readings, ids: &BTreeMap<&'static str, String>, found: &[Value]) -> Result<usize, String> {
    let standing: Vec<&Value> = found.iter().filter(|one| one["status"] != "entered-in-error").collect();
    let expected = delta(readings);
    match (expected, standing.as_slice()) {
        (None, []) => Ok(0),
        (Some((value, diastolic)), [one]) => {
            let sources: Vec<String> = [&ids["c"], &ids[diastolic]]
                .map(|id| format!("Observation/{id}"))
                .into();
            let named: Vec<&str> = one["derivedFrom"]
                .as_array()
                .into_iter()
                .flatten()
                .filter_map(|source| source["reference"].as_str())
                .collect();
            let code = &one["interpretation"][0]["coding"][0]["code"];
            let low = value <= 30;
            let right = one["valueQuantity"]["value"].as_f64() == Some(value as f64)
                && named == sources
                && (code == "LL") == low
                && (low || code.is_null());
            right
                .then_some(1)
                .ok_or_else(|| format!("delta {value} of {sources:?} expected, found {one}"))
        }
        (expected, standing) => Err(format!(
            "delta {expected:?} expected, {} stand: {standing:?}",
            standing.len()
        )),
    }
}

/// The first word of a message's text.
fn word(message: &Value) -> &str {
    let text = message["payload"][0]["contentString"].as_str().unwrap_or_default();
    text.split(' ').next().unwrap_or_default()
}

/// Messages answer one another in one chain for each concern; the last of each says how it stands.
/// Every alert but the last has its answer. How many withdrawals there are.
fn compare_messages(readings: &Readings, told: &[Value]) -> Result<usize, String> {
    let ids: BTreeMap<String, &Value> = told
        .iter()
        .map(|one| (format!("Communication/{}", one["id"].as_str().unwrap_or_default()), one))
        .collect();
    let mut answered: BTreeMap<String, usize> = BTreeMap::new();
    for one in told {
        for reference in one["inResponseTo"].as_array().into_iter().flatten() {
            let target = target(reference, told);
            let Some(target) = target.filter(|target| ids.contains_key(target)) else {
                return Err(format!("a message answers one that is not there: {reference}"));
            };
            *answered.entry(target).or_default() += 1;
        }
    }
    if let Some((id, times)) = answered.iter().find(|(_, times)| **times > 1) {
        return Err(format!("{id} is answered {times} times"));
    }
    let mut tails = BTreeSet::new();
    for (id, one) in &ids {
        if !answered.contains_key(id)
            && matches!(word(one), "ACT" | "CRITICAL" | "WATCH" | "CHECK")
            && !tails.insert(word(one))
        {
            return Err(format!("{} is told twice and stands twice", word(one)));
        }
    }
    let expected = open(readings);
    if tails != expected {
        let words: Vec<&str> = told.iter().map(word).collect();
        return Err(format!(
            "open concerns {expected:?} expected, the messages leave {tails:?} ({words:?})"
        ));
    }
    Ok(told.iter().filter(|one| word(one) == "WITHDRAWN").count())
}

/// `Communication/id` at the server of a reference by id or by identifier.
fn target(reference: &Value, told: &[Value]) -> Option<String> {
    let text = reference["reference"].as_str();
    let by_identity = |wanted: &str| {
        let found = told.iter().find(|one| identity(one) == wanted)?;
        Some(format!("Communication/{}", found["id"].as_str()?))
    };
    match text {
        Some(text) if text.starts_with("Communication?") => by_identity(text.rsplit('|').next()?),
        Some(text) if text.starts_with("urn:uuid:") => by_identity(text.trim_start_matches("urn:uuid:")),
        Some(text) => Some(text.to_owned()),
        None => by_identity(reference["identifier"]["value"].as_str()?),
    }
}
