//! Small invented files, the same for the same seed, dense in what is easily got wrong: versions, ties,
//! ends of windows, escapes and orders of JSON, lines that are none.

use proptest::prelude::Rng as _;
use proptest::test_runner::{RngAlgorithm, TestRng};
use serde_json::{Map, Value, json};

pub struct Dice(TestRng);

impl Dice {
    pub fn new(seed: u64) -> Self {
        let mut bytes = [0; 32];
        bytes[..8].copy_from_slice(&seed.to_le_bytes());
        Self(TestRng::from_seed(RngAlgorithm::ChaCha, &bytes))
    }

    /// From `low` to `high`, both counted.
    pub fn from(&mut self, low: i64, high: i64) -> i64 {
        low + i64::try_from(self.0.next_u64() % u64::try_from(high - low + 1).unwrap()).unwrap()
    }

    pub fn one_in(&mut self, count: i64) -> bool {
        self.from(1, count) == 1
    }

    pub fn pick<'p, T>(&mut self, parts: &'p [T]) -> &'p T {
        &parts[usize::try_from(self.from(0, parts.len() as i64 - 1)).unwrap()]
    }
}

const PATIENTS: [&str; 4] = [
    "Patient/one",
    "Patient/two",
    "https://h.example/fhir/Patient/two",
    "Patient/zwölf",
];
const SITES: [&str; 3] = ["leg-anterior", "leg-lateral", "Wade | hinten"];

/// One file; `odd` also holds what other libraries are not asked to understand: further units, zones,
/// readings that cannot be used, and Observations without an id or a lastUpdated.
pub fn file(seed: u64, odd: bool) -> String {
    let mut dice = Dice::new(seed);
    let mut text = String::new();
    let mut told: Vec<Value> = Vec::new();
    for number in 0..dice.from(1, 70) {
        let observation = match told.is_empty() || !dice.one_in(5) {
            true => observation(&mut dice, number, odd),
            false => again(&mut dice, &told, odd),
        };
        if dice.one_in(12) {
            text.push_str(beside(&mut dice));
            text.push('\n');
        }
        write(&mut dice, &observation, &mut text);
        text.push('\n');
        told.push(observation);
    }
    if dice.one_in(3) {
        text.pop();
    }
    text
}

/// A line that is no Observation.
fn beside(dice: &mut Dice) -> &'static str {
    const LINES: [&str; 6] = [
        "",
        "  \t ",
        "not JSON",
        r#"{"resourceType":"Observation","id":"cut","stat"#,
        r#"{"resourceType":"Patient","id":"one"}"#,
        r#"{"resourceType":"Procedure","id":"two","code":{"text":"8462-4"}}"#,
    ];
    dice.pick::<&str>(&LINES)
}

fn observation(dice: &mut Dice, number: i64, odd: bool) -> Value {
    let mut body = json!({
        "resourceType": "Observation",
        "id": format!("o{number}"),
        "meta": {"versionId": "1", "lastUpdated": time(dice, 400, odd)},
        "status": "final",
        "subject": {"reference": *dice.pick(&PATIENTS)},
        "effectiveDateTime": time(dice, 200, odd),
        "note": [{"text": "said: \"8462-4\" \\ compartment-pressure"}],
    });
    if dice.one_in(20) {
        body["status"] = json!("entered-in-error");
    }
    match dice.from(0, 9) {
        0..4 => compartment(dice, &mut body, odd),
        4..6 => {
            body["code"] = coded("http://loinc.org", "8462-4");
            body["valueQuantity"] = quantity(dice, 40, 75, odd);
        }
        6..9 => {
            body["code"] = coded("http://loinc.org", "85354-9");
            let part =
                |code: &str, value: Value| json!({"code": coded("http://loinc.org", code), "valueQuantity": value});
            let systolic = part("8480-6", quantity(dice, 90, 150, odd));
            body["component"] = json!([systolic, part("8462-4", quantity(dice, 40, 75, odd))]);
        }
        _ => {
            body["code"] = coded("http://loinc.org", "8867-4");
            body["valueQuantity"] = json!({"value": 80, "unit": "/min", "code": "/min"});
        }
    }
    if odd {
        spoil(dice, &mut body);
    }
    body
}

fn compartment(dice: &mut Dice, body: &mut Value, odd: bool) {
    body["code"] = coded(
        "https://deltaward.example/fhir/CodeSystem/measurement",
        "compartment-pressure",
    );
    body["valueQuantity"] = quantity(dice, 0, 60, odd);
    if !dice.one_in(8) {
        let site = *dice.pick(&SITES);
        body["bodySite"] =
            json!({"coding": [{"system": "s", "code": site}, {"system": "http://snomed.info/sct", "code": "7771000"}]});
    }
}

/// The coding, behind one of a house.
fn coded(system: &str, code: &str) -> Value {
    json!({"coding": [{"system": "https://h.example/codes", "code": "8462-4"}, {"system": system, "code": code}], "text": "x"})
}

fn quantity(dice: &mut Dice, low: i64, high: i64, odd: bool) -> Value {
    let tenths = dice.from(low * 10, high * 10);
    // The very threshold and its neighbours come often: 30.000 between whole numbers.
    let whole = dice.one_in(2);
    let mmhg = if whole {
        (tenths / 10 * 10) as f64 / 10.0
    } else {
        tenths as f64 / 10.0
    };
    let unit = if odd {
        *dice.pick(&["mm[Hg]", "mm[Hg]", "kPa", "cm[H2O]"])
    } else {
        "mm[Hg]"
    };
    let value = match unit {
        "kPa" => (mmhg * 133.322).round() / 1000.0,
        "cm[H2O]" => (mmhg * 13.595).round() / 10.0,
        _ => mmhg,
    };
    json!({"value": value, "system": "http://unitsofmeasure.org", "code": unit})
}

/// Minutes, half of them whole: so that times meet.
fn time(dice: &mut Dice, minutes: i64, odd: bool) -> String {
    let minute = dice.from(0, minutes);
    let (hour, minute) = (minute / 60, minute % 60);
    let rest = *dice.pick(&["00", "00", "00", "30", "00.250", "59.999"]);
    match odd && dice.one_in(4) {
        false => format!("2026-01-05T{hour:02}:{minute:02}:{rest}Z"),
        true => format!("2026-01-05T{:02}:{minute:02}:{rest}+05:30", hour + 5),
    }
}

/// One that was told before, as it was or in another version: newer, older, or of the same time.
fn again(dice: &mut Dice, told: &[Value], odd: bool) -> Value {
    let mut copy = dice.pick(told).clone();
    if dice.one_in(5) || copy["meta"]["versionId"].is_null() {
        return copy;
    }
    let versions = told.iter().filter(|other| other["id"] == copy["id"]).count();
    copy["meta"]["versionId"] = match odd && dice.one_in(4) {
        // Beyond 32 bits.
        true => json!((4_294_967_297 - versions).to_string()),
        false => json!((versions + 1).to_string()),
    };
    if !dice.one_in(3) {
        copy["meta"]["lastUpdated"] = json!(time(dice, 400, odd));
    }
    copy["status"] = json!(*dice.pick(&["corrected", "amended", "entered-in-error"]));
    if copy["valueQuantity"]["value"].is_number() {
        copy["valueQuantity"]["value"] = json!(dice.from(0, 60));
    }
    if dice.one_in(4) {
        copy["subject"]["reference"] = json!(*dice.pick(&PATIENTS));
    }
    copy
}

/// Perhaps one thing is missing or of another kind.
fn spoil(dice: &mut Dice, body: &mut Value) {
    let map = body.as_object_mut().unwrap();
    match dice.from(0, 30) {
        0 => drop(map.remove("subject")),
        1 => drop(map.remove("effectiveDateTime")),
        2 => drop(map.insert(String::from("effectiveDateTime"), json!("2026-01-05"))),
        3 => drop(map.remove("valueQuantity")),
        4 => drop(map.remove("id")),
        5 => drop(map.remove("meta")),
        6 => drop(map.insert(String::from("meta"), json!({"lastUpdated": "yesterday"}))),
        7 => drop(map.insert(String::from("status"), json!(7))),
        8 => drop(map.remove("resourceType")),
        9..12 => {
            if let Some(quantity) = map.get_mut("valueQuantity").and_then(Value::as_object_mut) {
                match dice.from(0, 2) {
                    0 => drop(quantity.insert(String::from("comparator"), json!("<"))),
                    1 => drop(quantity.insert(String::from("code"), json!("furlong"))),
                    _ => drop(quantity.remove("code")),
                }
            }
        }
        12 => {
            let end = map.remove("effectiveDateTime").unwrap();
            map.insert(
                String::from("effectivePeriod"),
                json!({"start": "2026-01-05", "end": end}),
            );
        }
        13 => {
            let taken = map.remove("effectiveDateTime").unwrap();
            map.insert(String::from("effectiveInstant"), taken);
        }
        _ => {}
    }
}

/// JSON with its names in any order, white space here and there, and strings escaped here and there.
fn write(dice: &mut Dice, value: &Value, out: &mut String) {
    match value {
        Value::Object(map) => write_object(dice, map, out),
        Value::Array(items) => {
            out.push('[');
            for (index, item) in items.iter().enumerate() {
                if index > 0 {
                    out.push(',');
                }
                write(dice, item, out);
            }
            out.push(']');
        }
        Value::String(text) => write_string(dice, text, out),
        other => out.push_str(&other.to_string()),
    }
}

fn write_object(dice: &mut Dice, map: &Map<String, Value>, out: &mut String) {
    let mut names: Vec<&String> = map.keys().collect();
    for index in (1..names.len()).rev() {
        let other = usize::try_from(dice.from(0, index as i64)).unwrap();
        names.swap(index, other);
    }
    out.push('{');
    for (index, name) in names.iter().enumerate() {
        out.push_str(if index > 0 { "," } else { "" });
        write_string(dice, name, out);
        out.push_str(if dice.one_in(20) { " :\t" } else { ":" });
        write(dice, &map[*name], out);
    }
    out.push('}');
}

fn write_string(dice: &mut Dice, text: &str, out: &mut String) {
    if !dice.one_in(12) {
        out.push_str(&Value::from(text).to_string());
        return;
    }
    out.push('"');
    for letter in text.encode_utf16() {
        match char::from_u32(u32::from(letter)).filter(|letter| letter.is_ascii_alphanumeric()) {
            Some(letter) if dice.one_in(2) => out.push(letter),
            _ => out.push_str(&format!("\\u{letter:04x}")),
        }
    }
    out.push('"');
}
