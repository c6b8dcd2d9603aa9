//! Invented Observations of about 1 KB: four blood pressure panels to one compartment pressure,
//! over the patients in turn. Everything follows from the running number.

use deltaward::fhir::Instant;

/// Every fifth is a compartment pressure.
const COMPARTMENT_EVERY: u64 = 5;
/// Compartments of the left leg, in turn.
const COMPARTMENTS: [&str; 4] = [
    "leg-anterior",
    "leg-lateral",
    "leg-superficial-posterior",
    "leg-deep-posterior",
];

/// One resource with its id.
pub struct Resource {
    /// Logical id.
    pub id: String,
    /// JSON.
    pub body: String,
    /// True for a compartment pressure.
    pub compartment: bool,
}

/// Observation `number` of an even stream over `patients`, measured at `at`.
pub fn observation(number: u64, patients: u64, at: Instant) -> Resource {
    let round = number / COMPARTMENT_EVERY;
    match number % COMPARTMENT_EVERY {
        0 => compartment(number, round % patients, round / patients, at),
        // The blood pressures of the same patient stand beside its compartment pressure.
        _ => panel(number, round % patients, at),
    }
}

/// A mixing step (splitmix64): spreads what follows from the number.
fn spread(number: u64) -> u64 {
    let mut word = number.wrapping_add(0x9e37_79b9_7f4a_7c15);
    word = (word ^ (word >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    word = (word ^ (word >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    word ^ (word >> 31)
}

/// A blood pressure panel: diastolic 62–81.
pub fn panel(number: u64, patient: u64, at: Instant) -> Resource {
    let diastolic = 62 + spread(number) % 20;
    let systolic = diastolic + 45;
    let id = format!("p{number}");
    let at = at.to_string();
    let body = format!(
        r#"{{"resourceType":"Observation","id":"{id}","meta":{{"profile":["http://hl7.org/fhir/StructureDefinition/bp"]}},"status":"final","category":[{{"coding":[{{"system":"http://terminology.hl7.org/CodeSystem/observation-category","code":"vital-signs","display":"Vital Signs"}}]}}],"code":{{"coding":[{{"system":"http://loinc.org","code":"85354-9","display":"Blood pressure panel with all children optional"}}]}},"subject":{{"reference":"Patient/b{patient}"}},"effectiveDateTime":"{at}","component":[{{"code":{{"coding":[{{"system":"http://loinc.org","code":"8480-6","display":"Systolic blood pressure"}}]}},"valueQuantity":{{"value":{systolic},"unit":"mmHg","system":"http://unitsofmeasure.org","code":"mm[Hg]"}}}},{{"code":{{"coding":[{{"system":"http://loinc.org","code":"8462-4","display":"Diastolic blood pressure"}}]}},"valueQuantity":{{"value":{diastolic},"unit":"mmHg","system":"http://unitsofmeasure.org","code":"mm[Hg]"}}}}]}}"#
    );
    Resource {
        id,
        body,
        compartment: false,
    }
}

/// A compartment pressure: 12–31, so that most deltas stay above 30 as they do in a ward.
pub fn compartment(number: u64, patient: u64, round: u64, at: Instant) -> Resource {
    let pressure = 12 + spread(number) % 20;
    let site = COMPARTMENTS[usize::try_from(round % 4).unwrap_or(0)];
    let id = format!("c{number}");
    let at = at.to_string();
    let body = format!(
        r#"{{"resourceType":"Observation","id":"{id}","status":"final","category":[{{"coding":[{{"system":"http://terminology.hl7.org/CodeSystem/observation-category","code":"exam","display":"Exam"}}]}}],"code":{{"coding":[{{"system":"https://deltaward.example/fhir/CodeSystem/measurement","code":"compartment-pressure","display":"Compartment pressure"}}]}},"subject":{{"reference":"Patient/b{patient}"}},"effectiveDateTime":"{at}","bodySite":{{"coding":[{{"system":"https://deltaward.example/fhir/CodeSystem/compartment","code":"{site}"}},{{"system":"http://snomed.info/sct","code":"7771000","display":"Left"}}]}},"valueQuantity":{{"value":{pressure},"unit":"mmHg","system":"http://unitsofmeasure.org","code":"mm[Hg]"}},"note":[{{"text":"invented for the bench"}}]}}"#
    );
    Resource {
        id,
        body,
        compartment: true,
    }
}
