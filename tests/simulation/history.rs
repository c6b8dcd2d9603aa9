//! What happens in one run: who measures what when, how it reaches the service, and what is taken
//! back. All of it from one seed. A history is a list, so a failing one can be made shorter.

use crate::rng::Rng;
use serde_json::{Value, json};

/// 2026-03-05T12:00:00Z: minute 0 of every history.
pub const NOON: i64 = 1_772_712_000_000;

/// How a blood pressure was taken; a compartment pressure says nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum How {
    Cuff,
    Line,
    Unstated,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Side {
    Left,
    Right,
    None,
}

/// What one resource measures.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Measures {
    /// A pressure in a compartment of the leg (side, code in our CodeSystem).
    Compartment(Side, &'static str),
    Diastolic,
    Mean,
    /// A panel of systolic and diastolic; the number is the diastolic's.
    Panel,
}

/// One measurement as a record holds it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fact {
    pub patient: &'static str,
    pub measures: Measures,
    /// Seconds after noon.
    pub second: i64,
    pub value: &'static str,
    /// UCUM code; empty: none is given.
    pub unit: &'static str,
    pub comparator: &'static str,
    pub how: How,
    /// Observation.identifier, of a measurement that stands twice.
    pub identifier: Option<u64>,
    pub corrected: bool,
}

/// What a version of a resource says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Says {
    Fact(Fact),
    /// entered-in-error.
    Error(&'static str),
    Deleted,
}

/// How it reaches the service.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Way {
    /// Written to our endpoint.
    Rest,
    /// Written to a FHIR server that we poll.
    Polled,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub enum What {
    /// A new version; `late`: visible to a poll only some seconds after its lastUpdated.
    Write {
        source: String,
        way: Way,
        says: Says,
        late: bool,
    },
    /// The same again: sent twice, or a version that changes nothing.
    Again { source: String, way: Way },
    /// The service's clock goes wrong by so many minutes (0: right again).
    ClockWrong(i64),
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Event {
    /// Minutes after noon at which it happens.
    pub minute: i64,
    /// How long the simulation waits before it, on its own time.
    pub wait_millis: u64,
    pub what: What,
}

/// How often each trouble comes, in a thousand.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Troubles {
    /// A request or its answer goes wrong.
    pub network: u64,
    /// A write to the store fails, and the disk stays full for a while.
    pub disk: u64,
    /// The process dies at an await, a request or a store operation.
    pub crash: u64,
    /// A REST client never sees the answer, and sends again.
    pub lost_reply: u64,
}

/// What the server that we write to can do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Abilities {
    pub transaction: bool,
    /// It honours `PUT Type?identifier=…` and `If-None-Exist`; else it refuses the one and does not look at the other.
    pub conditions: bool,
}

#[derive(Clone, Debug)]
pub struct History {
    pub seed: u64,
    pub method_order: Vec<How>,
    /// The source is asked for earlier diastolics.
    pub asks: bool,
    /// The Patient resources are read: [`BIRTH_DATES`] are known in the end.
    pub people: bool,
    pub page_count: usize,
    /// lastUpdated is a multiple of so many milliseconds.
    pub stamp_millis: i64,
    pub abilities: Abilities,
    pub troubles: Troubles,
    pub events: Vec<Event>,
}

pub const PATIENTS: [&str; 2] = ["Patient/invented-a", "Patient/invented-b"];

/// Birth dates of the patients as the record has them: an adult and a child.
pub const BIRTH_DATES: [&str; 2] = ["1980-02-03", "2019-05-06"];

const PRESSURES: &[&str] = &[
    "8", "20", "25", "29", "29.5", "29.4", "30", "35", "38", "40", "42", "45", "45.5", "50", "55", "60", "71", "100",
    "101", "-1", "-5", "-5.5", "-6", "150.4", "151",
];
const DIASTOLICS: &[&str] = &[
    "50", "55", "60", "61", "65", "70", "70", "70.5", "71", "75", "75.5", "80", "81", "85", "90", "100", "19", "19.5",
    "20", "160", "161",
];
const KILOPASCALS: &[&str] = &["3.99", "4.00", "5.3", "6.0", "2.67"];
const CM_WATER: &[&str] = &["40", "41", "54.5", "60"];

/// Minutes from a compartment reading to its diastolic: the edges of the windows and what is usual.
const BESIDE: &[i64] = &[
    -61, -60, -59, -30, -16, -15, -6, -5, -4, -1, 0, 0, 0, 1, 4, 5, 6, 20, 60,
];

impl History {
    pub fn new(seed: u64) -> Self {
        let mut rng = Rng::new(seed);
        let rng = &mut rng;
        let troubles = match rng.below(4) {
            0 => Troubles::default(),
            _ => Troubles {
                network: rng.pick(&[0, 50, 200, 400]),
                disk: rng.pick(&[0, 10, 40]),
                crash: rng.pick(&[0, 1, 4, 10]),
                lost_reply: rng.pick(&[0, 100, 300]),
            },
        };
        let method_order = match rng.below(3) {
            0 => Vec::new(),
            1 => vec![How::Line],
            _ => vec![How::Cuff, How::Line],
        };
        let mut history = Self {
            seed,
            method_order,
            asks: rng.below(2) == 0,
            people: rng.below(3) == 0,
            page_count: rng.pick(&[2, 3, 5, 200]),
            stamp_millis: rng.pick(&[1, 1000, 10_000]),
            abilities: Abilities {
                transaction: rng.below(4) > 0,
                conditions: rng.below(4) > 0,
            },
            troubles,
            events: Vec::new(),
        };
        let people = 1 + usize::try_from(rng.below(2)).unwrap();
        let mut plan = Vec::new();
        for patient in PATIENTS.iter().take(people) {
            plan_patient(patient, rng, &mut plan);
        }
        history.events = arrive(plan, rng);
        history
    }
}

/// A source and its versions, each with the minute at which it is written.
struct Source {
    id: String,
    way: Way,
    versions: Vec<(i64, Says)>,
}

fn plan_patient(patient: &'static str, rng: &mut Rng, plan: &mut Vec<Source>) {
    let way = rng.pick(&[Some(Way::Rest), Some(Way::Polled), None]);
    let sites = [
        Measures::Compartment(Side::Left, "leg-anterior"),
        Measures::Compartment(Side::Right, "leg-anterior"),
        Measures::Compartment(Side::Left, "leg-lateral"),
        Measures::Compartment(Side::None, "leg-anterior"),
    ];
    let favourite = rng.pick(&sites);
    let mut minute = rng.between(-60, 0);
    if rng.below(4) == 0 {
        low_for_hours(patient, favourite.clone(), way.unwrap_or(Way::Rest), minute, rng, plan);
        minute += 150;
    }
    for _ in 0..rng.between(2, 7) {
        minute += rng.pick(&[0, 2, 5, 10, 30, 30, 40, 59, 60, 60, 90, 119, 120, 121, 239]);
        let site = if rng.below(4) > 0 {
            favourite.clone()
        } else {
            rng.pick(&sites)
        };
        let mut beside = vec![(site, minute)];
        for _ in 0..rng.pick(&[0, 1, 1, 1, 2]) {
            let kind = rng.pick(&[
                Measures::Diastolic,
                Measures::Diastolic,
                Measures::Panel,
                Measures::Mean,
            ]);
            beside.push((kind, minute + rng.pick(BESIDE)));
        }
        for (measures, minute) in beside {
            let way = way.unwrap_or_else(|| rng.pick(&[Way::Rest, Way::Polled]));
            let fact = a_fact(patient, measures, minute, rng);
            a_source(fact, minute, way, rng, plan);
        }
    }
}

/// Two readings just below the threshold, two hours apart or nearly so, with nothing between.
fn low_for_hours(patient: &'static str, site: Measures, way: Way, from: i64, rng: &mut Rng, plan: &mut Vec<Source>) {
    for minute in [from, from + rng.pick(&[119, 120, 120, 121])] {
        let low = [
            (site.clone(), rng.pick(&["40", "45", "42"])),
            (Measures::Diastolic, rng.pick(&["68", "70"])),
        ];
        for (measures, value) in low {
            let fact = Fact {
                value,
                unit: "mm[Hg]",
                comparator: "",
                second: minute * 60,
                ..a_fact(patient, measures, minute, rng)
            };
            a_source(fact, minute, way, rng, plan);
        }
    }
}

fn a_fact(patient: &'static str, measures: Measures, minute: i64, rng: &mut Rng) -> Fact {
    let compartment = matches!(measures, Measures::Compartment(..));
    let (value, unit) = match (rng.below(12), compartment) {
        (0, true) => (rng.pick(KILOPASCALS), "kPa"),
        (1, true) => (rng.pick(CM_WATER), "cm[H2O]"),
        (2, true) if rng.below(3) == 0 => ("40", ""),
        (0, false) => (rng.pick(&["9.3", "10.0", "8.00"]), "kPa"),
        (_, true) => (rng.pick(PRESSURES), "mm[Hg]"),
        (_, false) => (rng.pick(DIASTOLICS), "mm[Hg]"),
    };
    let how = match compartment {
        true => How::Unstated,
        false => rng.pick(&[How::Unstated, How::Cuff, How::Cuff, How::Line, How::Line]),
    };
    Fact {
        patient,
        measures,
        second: minute * 60 + rng.pick(&[0, 0, 0, 0, 1, -1]),
        value,
        unit,
        comparator: if rng.below(25) == 0 {
            rng.pick(&["<", "<=", ">=", ">"])
        } else {
            ""
        },
        how,
        identifier: None,
        corrected: false,
    }
}

/// A source of this fact: corrected, taken back, standing twice.
fn a_source(fact: Fact, minute: i64, way: Way, rng: &mut Rng, plan: &mut Vec<Source>) {
    let id = format!("o{}", plan.len());
    // Mostly told soon; some an hour or three later.
    let told = minute.max(0) + rng.pick(&[0, 0, 0, 0, 1, 3, 10, 45, 180]);
    let mut fact = fact;
    let twice = rng.below(10) == 0;
    if twice && rng.below(2) == 0 {
        fact.identifier = Some(rng.next() % 1_000_000);
    }
    let mut versions = vec![(told, Says::Fact(fact.clone()))];
    let mut later = told;
    while rng.below(4) == 0 {
        later += rng.pick(&[0, 1, 5, 20, 70]);
        let says = match rng.below(8) {
            0 | 1 => Says::Error(fact.patient),
            2 if way == Way::Rest => Says::Deleted,
            _ => {
                let patient = if rng.below(10) == 0 {
                    rng.pick(&PATIENTS)
                } else {
                    fact.patient
                };
                let measures = match (&fact.measures, rng.below(5)) {
                    (Measures::Compartment(_, code), 0) => {
                        Measures::Compartment(rng.pick(&[Side::Left, Side::Right]), code)
                    }
                    (same, _) => same.clone(),
                };
                let mut corrected = a_fact(patient, measures, minute, rng);
                corrected.identifier = fact.identifier;
                corrected.corrected = rng.below(2) == 0;
                Says::Fact(corrected)
            }
        };
        versions.push((later, says));
    }
    if twice {
        let other = rng.pick(&[Way::Rest, Way::Polled]);
        let told = told + rng.pick(&[0, 0, 2, 30]);
        plan.push(Source {
            id: format!("{id}-again"),
            way: other,
            versions: vec![(told, Says::Fact(fact))],
        });
    }
    plan.push(Source { id, way, versions });
}

/// In order of time, with waits, repeats and a wrong clock between.
fn arrive(plan: Vec<Source>, rng: &mut Rng) -> Vec<Event> {
    let mut events: Vec<Event> = Vec::new();
    for source in plan {
        for (minute, says) in source.versions {
            let write = What::Write {
                source: source.id.clone(),
                way: source.way,
                says,
                late: rng.below(5) == 0,
            };
            events.push(event(minute, write, rng));
            if rng.below(6) == 0 {
                let again = What::Again {
                    source: source.id.clone(),
                    way: source.way,
                };
                events.push(event(minute + rng.pick(&[0, 1, 15]), again, rng));
            }
        }
    }
    for _ in 0..rng.below(3) {
        let (minute, wrong) = (rng.between(0, 240), rng.pick(&[-60, 60, -7, 7]));
        events.push(event(minute, What::ClockWrong(wrong), rng));
        events.push(event(minute + rng.between(0, 60), What::ClockWrong(0), rng));
    }
    // Stable: of one source the versions keep their order.
    events.sort_by_key(|event| event.minute);
    events
}

fn event(minute: i64, what: What, rng: &mut Rng) -> Event {
    Event {
        minute,
        wait_millis: rng.pick(&[0, 0, 1, 40, 150, 700, 2500]),
        what,
    }
}

impl Fact {
    /// The FHIR Observation of it.
    pub fn resource(&self, id: &str) -> Value {
        let mut resource = json!({"resourceType": "Observation", "id": id,
            "status": if self.corrected { "corrected" } else { "final" },
            "subject": {"reference": self.patient},
            "effectiveDateTime": instant(NOON + self.second * 1000)});
        let quantity = self.quantity(self.value);
        match &self.measures {
            Measures::Compartment(side, code) => {
                resource["code"] = coding(
                    "https://deltaward.example/fhir/CodeSystem/measurement",
                    "compartment-pressure",
                );
                let mut site =
                    vec![json!({"system": "https://deltaward.example/fhir/CodeSystem/compartment", "code": code})];
                // SNOMED CT 7771000 |Left|, 24028007 |Right|.
                match side {
                    Side::Left => site.push(json!({"system": "http://snomed.info/sct", "code": "7771000"})),
                    Side::Right => site.push(json!({"system": "http://snomed.info/sct", "code": "24028007"})),
                    Side::None => {}
                }
                resource["bodySite"] = json!({ "coding": site });
                resource["valueQuantity"] = quantity;
            }
            Measures::Diastolic => {
                resource["code"] = coding("http://loinc.org", "8462-4");
                resource["valueQuantity"] = quantity;
            }
            Measures::Mean => {
                resource["code"] = coding("http://loinc.org", "8478-0");
                resource["valueQuantity"] = quantity;
            }
            Measures::Panel => {
                resource["code"] = coding("http://loinc.org", "85354-9");
                let systolic = json!({"value": 240, "system": "http://unitsofmeasure.org", "code": "mm[Hg]"});
                resource["component"] = json!([
                    {"code": coding("http://loinc.org", "8480-6"), "valueQuantity": systolic},
                    {"code": coding("http://loinc.org", "8462-4"), "valueQuantity": quantity}]);
            }
        }
        // SNOMED CT 17146006 |Non-invasive blood pressure monitoring|, 77938009 |Arterial pressure monitoring, invasive|.
        match self.how {
            How::Unstated => {}
            How::Cuff => resource["method"] = coding("http://snomed.info/sct", "17146006"),
            How::Line => resource["method"] = coding("http://snomed.info/sct", LINE_METHOD),
        }
        if let Some(number) = self.identifier {
            resource["identifier"] = json!([{"system": "urn:oid:2.999.1", "value": number.to_string()}]);
        }
        resource
    }

    fn quantity(&self, value: &str) -> Value {
        let number: serde_json::Number = serde_json::from_str(value).unwrap();
        let mut quantity = json!({ "value": number });
        if !self.unit.is_empty() {
            quantity["system"] = json!("http://unitsofmeasure.org");
            quantity["code"] = json!(self.unit);
        }
        if !self.comparator.is_empty() {
            quantity["comparator"] = json!(self.comparator);
        }
        quantity
    }
}

/// The code of the built-in ConceptMap for an arterial line.
const LINE_METHOD: &str = "77938009";

/// Of a resource that is taken back.
pub fn error_resource(id: &str, patient: &str) -> Value {
    json!({"resourceType": "Observation", "id": id, "status": "entered-in-error",
        "subject": {"reference": patient}, "code": coding("http://loinc.org", "8462-4")})
}

fn coding(system: &str, code: &str) -> Value {
    json!({"coding": [{"system": system, "code": code}]})
}

/// The FHIR instant of a moment in milliseconds.
pub fn instant(millis: i64) -> String {
    deltaward::fhir::Instant::from_millis(millis).to_string()
}
