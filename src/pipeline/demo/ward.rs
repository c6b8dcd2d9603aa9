//! The demo's script (`fixtures/demo/ward.toml`) and its FHIR resources.

use crate::fhir::Instant;
use serde::Deserialize;
use serde_json::{Value, json};
use std::collections::BTreeMap;

/// The script that the program carries.
pub const WARD: &str = include_str!("../../../fixtures/demo/ward.toml");

const LOINC: &str = "http://loinc.org";
const SNOMED: &str = "http://snomed.info/sct";
const UCUM: &str = "http://unitsofmeasure.org";

/// The whole night.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Ward {
    /// Heading of the page.
    pub title: String,
    /// FHIR instant of minute 0.
    pub start: String,
    /// When the script ends: timers that fall due until then are part of it.
    pub end_minute: i64,
    /// Who lies there.
    #[serde(rename = "patient")]
    pub patients: Vec<WardPatient>,
    /// What happens.
    #[serde(rename = "event")]
    pub events: Vec<WardEvent>,
}

/// One invented patient.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WardPatient {
    /// Logical id.
    pub id: String,
    /// Shown on the page.
    pub name: String,
    /// FHIR date.
    pub birth_date: String,
}

/// One thing that happens.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WardEvent {
    /// Minutes after the start.
    pub minute: i64,
    /// To whom.
    pub patient: String,
    /// A remark for the printout.
    pub says: Option<String>,
    /// A blood pressure, two minutes before the compartments.
    pub blood_pressure: Option<WardBloodPressure>,
    /// One compartment.
    pub pressure: Option<WardPressure>,
    /// Several compartments in one Observation.
    pub compartments: Option<BTreeMap<String, String>>,
    /// An earlier reading, corrected.
    pub correction: Option<WardCorrection>,
    /// Something that begins and changes what a delta means.
    pub procedure: Option<WardProcedure>,
}

/// A Procedure that has begun.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WardProcedure {
    /// Logical id.
    pub id: String,
    /// `anaesthesia` or `after-ischaemia`.
    pub code: String,
}

/// A blood pressure, mmHg.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WardBloodPressure {
    /// Systolic.
    pub systolic: i64,
    /// Diastolic.
    pub diastolic: i64,
    /// Mean arterial pressure, where the record gives one.
    pub mean: Option<i64>,
    /// `cuff` or `arterial-line`: by LOINC's method-specific codes; absent: the vital-signs panel.
    pub method: Option<String>,
}

/// A compartment pressure.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WardPressure {
    /// Logical id, so that it can be corrected.
    pub id: String,
    /// Code of our compartment CodeSystem.
    pub site: String,
    /// `left`, `right` or absent.
    pub side: Option<String>,
    /// As sent.
    pub value: String,
    /// UCUM code.
    pub unit: String,
    /// `needle` (when absent) or `catheter`.
    pub method: Option<String>,
}

/// A correction of an earlier reading.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WardCorrection {
    /// Which.
    pub id: String,
    /// The right value.
    pub value: String,
}

/// One resource to be sent.
#[derive(Clone, Debug)]
pub struct Sending {
    /// When, on the ward's clock.
    pub at: Instant,
    /// `Observation/…`.
    pub address: String,
    /// The resource.
    pub body: Value,
}

impl Ward {
    /// The built-in night.
    ///
    /// # Errors
    /// When the script does not parse (never in a tested build).
    pub fn read() -> anyhow::Result<Self> {
        Ok(toml::from_str(WARD)?)
    }

    /// Minute 0.
    ///
    /// # Errors
    /// When `start` is not a FHIR instant.
    pub fn start(&self) -> anyhow::Result<Instant> {
        Ok(crate::fhir::datetime::parse(&self.start)?.earliest)
    }

    /// Everything that is sent, in order of time.
    ///
    /// # Errors
    /// When the script is wrong: a correction of something never sent, a value that is no number.
    pub fn sendings(&self) -> anyhow::Result<Vec<Sending>> {
        let start = self.start()?;
        let mut sendings: Vec<Sending> = self.patients.iter().map(|patient| patient.sending(start)).collect();
        let mut sent: BTreeMap<String, Value> = BTreeMap::new();
        for (number, event) in self.events.iter().enumerate() {
            for (address, body) in event.resources(number, start, &mut sent)? {
                sendings.push(Sending {
                    at: start.plus_minutes(event.minute),
                    address,
                    body,
                });
            }
        }
        sendings.sort_by_key(|sending| sending.at);
        Ok(sendings)
    }
}

impl WardPatient {
    fn sending(&self, at: Instant) -> Sending {
        let body = json!({
            "resourceType": "Patient", "id": self.id, "name": [{"text": self.name}], "birthDate": self.birth_date,
        });
        Sending {
            at,
            address: format!("Patient/{}", self.id),
            body,
        }
    }
}

impl WardEvent {
    fn resources(
        &self,
        number: usize,
        start: Instant,
        sent: &mut BTreeMap<String, Value>,
    ) -> anyhow::Result<Vec<(String, Value)>> {
        let at = start.plus_minutes(self.minute);
        let subject = json!({"reference": format!("Patient/{}", self.patient)});
        let mut resources = Vec::new();
        if let Some(blood_pressure) = &self.blood_pressure {
            resources.extend(blood_pressure.resources(number, &subject, at.plus_minutes(-2)));
        }
        if let Some(pressure) = &self.pressure {
            let body = pressure.resource(&subject, at)?;
            sent.insert(pressure.id.clone(), body.clone());
            resources.push((format!("Observation/{}", pressure.id), body));
        }
        if let Some(compartments) = &self.compartments {
            let id = format!("{}-session-{number}", self.patient);
            resources.push((format!("Observation/{id}"), session(&id, compartments, &subject, at)?));
        }
        if let Some(procedure) = &self.procedure {
            resources.push((format!("Procedure/{}", procedure.id), procedure.resource(&subject, at)));
        }
        if let Some(correction) = &self.correction {
            let before = sent.get(&correction.id);
            let mut body = before
                .cloned()
                .ok_or_else(|| anyhow::anyhow!("{} was never sent", correction.id))?;
            body["status"] = json!("corrected");
            body["valueQuantity"]["value"] = number_of(&correction.value)?;
            resources.push((format!("Observation/{}", correction.id), body));
        }
        Ok(resources)
    }
}

impl WardBloodPressure {
    fn resources(&self, number: usize, subject: &Value, at: Instant) -> Vec<(String, Value)> {
        let base = |id: &str, code: &str| {
            json!({
                "resourceType": "Observation", "id": id, "status": "final",
                "category": [{"coding": [{
                    "system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "vital-signs"}]}],
                "code": {"coding": [{"system": LOINC, "code": code}]},
                "subject": subject, "effectiveDateTime": at.to_string(),
            })
        };
        let quantity = |value: i64| json!({"value": value, "unit": "mmHg", "system": UCUM, "code": "mm[Hg]"});
        let single = match self.method.as_deref() {
            Some("arterial-line") => Some(("76215-3", "76213-8")),
            Some(_) => Some(("76534-7", "76535-4")),
            None => None,
        };
        if let Some((systolic, diastolic)) = single {
            let parts = [("s", systolic, self.systolic), ("d", diastolic, self.diastolic)];
            return parts
                .into_iter()
                .map(|(suffix, code, value)| {
                    let id = format!("bp-{number}-{suffix}");
                    let mut body = base(&id, code);
                    body["valueQuantity"] = quantity(value);
                    (format!("Observation/{id}"), body)
                })
                .collect();
        }
        let id = format!("bp-{number}");
        let mut body = base(&id, "85354-9");
        let component = |code: &str, value: i64| json!({"code": {"coding": [{"system": LOINC, "code": code}]}, "valueQuantity": quantity(value)});
        body["component"] = json!([component("8480-6", self.systolic), component("8462-4", self.diastolic)]);
        if let (Some(mean), Some(components)) = (self.mean, body["component"].as_array_mut()) {
            components.push(component("8478-0", mean));
        }
        vec![(format!("Observation/{id}"), body)]
    }
}

impl WardPressure {
    fn resource(&self, subject: &Value, at: Instant) -> anyhow::Result<Value> {
        let mut body = json!({
            "resourceType": "Observation", "id": self.id, "status": "final", "code": pressure_code(),
            "subject": subject, "effectiveDateTime": at.to_string(),
            "valueQuantity": {"unit": self.unit, "system": UCUM, "code": self.unit},
            "bodySite": body_site(&self.site, self.side.as_deref()),
            "method": method_code(self.method.as_deref().unwrap_or("needle")),
        });
        body["valueQuantity"]["value"] = number_of(&self.value)?;
        Ok(body)
    }
}

impl WardProcedure {
    fn resource(&self, subject: &Value, at: Instant) -> Value {
        json!({
            "resourceType": "Procedure", "id": self.id, "status": "in-progress",
            "code": {"coding": [{"system": crate::recognise::READING_SYSTEM, "code": self.code}]},
            "subject": subject, "performedPeriod": {"start": at.to_string()},
        })
    }
}

/// One Observation with a component for each compartment.
fn session(id: &str, compartments: &BTreeMap<String, String>, subject: &Value, at: Instant) -> anyhow::Result<Value> {
    let side = compartments.get("side").map(String::as_str);
    let unit = compartments.get("unit").map_or("mm[Hg]", String::as_str);
    let mut components = Vec::new();
    for (site, value) in compartments
        .iter()
        .filter(|(key, _)| !matches!(key.as_str(), "side" | "unit"))
    {
        let mut component = json!({
            "code": {"coding": [{"system": crate::recognise::COMPARTMENT_SYSTEM, "code": site}]},
            "valueQuantity": {"unit": unit, "system": UCUM, "code": unit},
        });
        component["valueQuantity"]["value"] = number_of(value)?;
        components.push(component);
    }
    let mut body = json!({
        "resourceType": "Observation", "id": id, "status": "final", "code": pressure_code(),
        "subject": subject, "effectiveDateTime": at.to_string(), "component": components,
        "method": method_code("needle"),
    });
    if let Some(side) = side.and_then(side_coding) {
        body["bodySite"] = json!({"coding": [side]});
    }
    Ok(body)
}

fn pressure_code() -> Value {
    json!({"coding": [{"system": crate::recognise::MEASUREMENT_SYSTEM, "code": "compartment-pressure"}]})
}

fn method_code(method: &str) -> Value {
    json!({"coding": [{"system": crate::recognise::READING_SYSTEM, "code": method}]})
}

fn body_site(site: &str, side: Option<&str>) -> Value {
    let mut coding = vec![json!({"system": crate::recognise::COMPARTMENT_SYSTEM, "code": site})];
    coding.extend(side.and_then(side_coding));
    json!({"coding": coding})
}

fn side_coding(side: &str) -> Option<Value> {
    match side {
        "left" => Some(json!({"system": SNOMED, "code": "7771000", "display": "Left"})),
        "right" => Some(json!({"system": SNOMED, "code": "24028007", "display": "Right"})),
        _ => None,
    }
}

/// A JSON number digit for digit.
fn number_of(text: &str) -> anyhow::Result<Value> {
    serde_json::from_str::<Value>(text).map_err(|error| anyhow::anyhow!("{text:?} is not a number: {error}"))
}
