//! At the end of a run: what stands on the server and what the oracle says.

use crate::exact::Exact;
use crate::history::{Fact, History, Measures, NOON, Says, Side, What};
use crate::oracle::{self, Expected, Kind, Reading, Stands, Tier};
use crate::world::World;
use deltaward::outbox::draft::Occasion;
use deltaward::recognise::reading::PatientKey;
use deltaward::store::{EventRow, SqliteStore, Store};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};

const DERIVED: &str = "https://deltaward.example/fhir/derived";
const COMPARTMENT: &str = "https://deltaward.example/fhir/CodeSystem/compartment";

/// What is wrong; empty when all agrees.
pub fn differences(history: &History, world: &World, store: &SqliteStore) -> Vec<String> {
    let mut wrong = Vec::new();
    let ours: Vec<Value> = world.lock().server.ours().cloned().collect();
    count(&ours, world, store);
    each_once(&ours, &mut wrong);
    let mut told: BTreeSet<String> = BTreeSet::new();
    for (patient, readings) in truth(history, store) {
        let is_child = history.people && patient == crate::history::PATIENTS[1];
        let expected = oracle::expect(&readings, &history.method_order, is_child);
        observations(patient, &expected, &ours, &mut wrong);
        let events: Vec<EventRow> = world
            .lock()
            .decided
            .iter()
            .filter(|event| event.patient.0 == patient)
            .cloned()
            .collect();
        let listed = store.events(&PatientKey(patient.to_owned()), 10_000).unwrap();
        if listed.len() != events.len() {
            wrong.push(format!(
                "{patient}: {} events decided, {} kept",
                events.len(),
                listed.len()
            ));
        }
        concerns(patient, &expected, store, &events, &mut wrong);
        grounds(patient, &expected, &readings, &events, &ours, &mut wrong);
        for message in events.iter().filter_map(|event| event.message) {
            if !told.insert(message.to_string()) {
                wrong.push(format!("{patient}: two messages are both {message}"));
            }
        }
    }
    let sent: BTreeSet<String> = ours
        .iter()
        .filter(|body| body["resourceType"] == "Communication")
        .filter_map(identity)
        .collect();
    for lost in told.difference(&sent) {
        wrong.push(format!("the message {lost} was decided and never reached the server"));
    }
    for made_up in sent.difference(&told) {
        wrong.push(format!(
            "the message {made_up} stands on the server and was never decided"
        ));
    }
    wrong
}

/// What there was to be compared, for the summary.
fn count(ours: &[Value], world: &World, store: &SqliteStore) {
    let mut inner = world.lock();
    let mut add = |what, number: usize| *inner.counts.entry(what).or_default() += number as u64;
    let deltas = || ours.iter().filter(|body| body["resourceType"] == "Observation");
    let error = |body: &&Value| body["status"] == "entered-in-error";
    add("observations taken back", deltas().filter(error).count());
    add("observations that stand", deltas().filter(|body| !error(body)).count());
    add("carried deltas", deltas().filter(|body| stands(body).carried).count());
    add(
        "duplicates",
        deltas().filter(|body| stands(body).sources.len() > 2).count(),
    );
    add(
        "messages",
        ours.iter()
            .filter(|body| body["resourceType"] == "Communication")
            .count(),
    );
    let open = store.open_concerns().unwrap();
    add("concerns open", open.len());
    let critical = open
        .iter()
        .filter(|row| row.concern.tier == Some(deltaward::rules::Tier::Critical));
    add("critical", critical.count());
    let withdrawn = inner
        .decided
        .iter()
        .filter(|event| event.occasion == Some(Occasion::Withdrawn))
        .count();
    *inner.counts.entry("messages withdrawn").or_default() += withdrawn as u64;
}

fn identity(body: &Value) -> Option<String> {
    let ours = &body["identifier"][0];
    (ours["system"] == DERIVED)
        .then(|| ours["value"].as_str().map(str::to_owned))
        .flatten()
}

fn each_once(ours: &[Value], wrong: &mut Vec<String>) {
    let mut seen = BTreeSet::new();
    for body in ours {
        let named = format!("{} {:?}", body["resourceType"], identity(body));
        if !seen.insert(named.clone()) {
            wrong.push(format!("stands twice on the server: {named}"));
        }
    }
}

/// The readings of each patient as the record has them in the end.
fn truth(history: &History, store: &SqliteStore) -> BTreeMap<&'static str, Vec<Reading>> {
    let mut last: BTreeMap<&str, &Says> = BTreeMap::new();
    for event in &history.events {
        if let What::Write { source, says, .. } = &event.what {
            last.insert(source, says);
        }
    }
    let mut readings: BTreeMap<&'static str, Vec<Reading>> = BTreeMap::new();
    for patient in crate::history::PATIENTS {
        readings.insert(patient, Vec::new());
    }
    for (id, says) in last {
        let Says::Fact(fact) = says else { continue };
        let row = store.input("Observation", id).unwrap();
        let version = row.map_or((None, None), |row| {
            (
                row.version.number,
                row.version.last_updated.map(deltaward::fhir::Instant::millis),
            )
        });
        readings.get_mut(fact.patient).unwrap().push(reading(id, fact, version));
    }
    readings
}

fn reading(id: &str, fact: &Fact, version: (Option<u64>, Option<i64>)) -> Reading {
    let (kind, site, side_stated) = match &fact.measures {
        Measures::Compartment(side, code) => {
            let word = match side {
                Side::Left => "left",
                Side::Right => "right",
                Side::None => "side-unstated",
            };
            (
                Kind::Compartment,
                format!("{word}|{COMPARTMENT}|{code}"),
                *side != Side::None,
            )
        }
        Measures::Mean => (Kind::Mean, String::new(), true),
        Measures::Diastolic | Measures::Panel => (Kind::Diastolic, String::new(), true),
    };
    Reading {
        source: format!("Observation/{id}"),
        part: if fact.measures == Measures::Panel {
            "component[1]"
        } else {
            ""
        },
        kind,
        site,
        side_stated,
        at: NOON + fact.second * 1000,
        mmhg: Exact::mmhg(fact.value, fact.unit),
        direct: fact.unit == "mm[Hg]",
        comparator: fact.comparator,
        how: fact.how,
        corrected: fact.corrected,
        identifier: fact.identifier,
        unusable: fact.unit.is_empty(),
        version,
    }
}

fn is_delta_of(body: &Value, patient: &str) -> bool {
    body["resourceType"] == "Observation"
        && body["code"]["coding"][0]["code"] == "delta-pressure"
        && body["subject"]["reference"] == patient
}

fn observations(patient: &str, expected: &Expected, ours: &[Value], wrong: &mut Vec<String>) {
    let standing = ours
        .iter()
        .filter(|body| is_delta_of(body, patient) && body["status"] != "entered-in-error");
    let mut found: Vec<Stands> = standing.map(stands).collect();
    found.sort();
    for one in &found {
        if !expected.observations.contains(one) {
            wrong.push(format!("{patient}: stands and ought not to: {one:?}"));
        }
    }
    for one in &expected.observations {
        if !found.contains(one) {
            wrong.push(format!("{patient}: ought to stand: {one:?}"));
        }
    }
    if found.len() != expected.observations.len() {
        wrong.push(format!(
            "{patient}: {} stand, {} ought to",
            found.len(),
            expected.observations.len()
        ));
    }
}

fn stands(body: &Value) -> Stands {
    let sources = body["derivedFrom"].as_array().into_iter().flatten();
    let pairing = body["extension"].as_array().into_iter().flatten();
    let details = pairing.flat_map(|one| one["extension"].as_array().into_iter().flatten());
    let carried = details
        .into_iter()
        .any(|one| one["url"] == "carried" && one["valueBoolean"] == true);
    let value = body["valueQuantity"]["value"].to_string();
    let effective = body["effectiveDateTime"].as_str().unwrap_or_default();
    Stands {
        sources: sources
            .filter_map(|one| one["reference"].as_str().map(str::to_owned))
            .collect(),
        at: deltaward::fhir::datetime::parse(effective).unwrap().earliest.millis(),
        carried,
        tenths: Exact::parse(&value).half_down_parts(10),
        bounded: !body["valueQuantity"]["comparator"].is_null(),
        interpretation: match body["interpretation"][0]["coding"][0]["code"].as_str() {
            Some("LL") => "LL",
            Some("LX") => "LX",
            Some(_) => "another",
            None => "",
        },
    }
}

fn tier(tier: deltaward::rules::Tier) -> Tier {
    use deltaward::rules::Tier as Core;
    match tier {
        Core::Check => Tier::Check,
        Core::Watch => Tier::Watch,
        Core::Act => Tier::Act,
        Core::Critical => Tier::Critical,
    }
}

/// Open concerns, and that each was told up to its tier, each fall to none too.
fn concerns(patient: &str, expected: &Expected, store: &SqliteStore, events: &[EventRow], wrong: &mut Vec<String>) {
    let rows = store.open_concerns().unwrap();
    let of_patient = rows.iter().filter(|row| row.patient.0 == patient);
    let open: BTreeMap<(String, &'static str), Tier> = of_patient
        .filter_map(|row| {
            let site = row.concern.site.as_ref().map(|site| site.key()).unwrap_or_default();
            Some(((site, row.concern.family.word()), tier(row.concern.tier?)))
        })
        .collect();
    if open != expected.concerns {
        wrong.push(format!(
            "{patient}: open are {open:?}, ought to be {:?}",
            expected.concerns
        ));
    }
    let told = told(events);
    for (key, (now, raised)) in &told {
        match expected.concerns.get(key) {
            Some(tier) if *now != Some(*tier) || *raised < Some(*tier) => wrong.push(format!(
                "{patient}: {key:?} ought to be told as {tier:?}; told {now:?}, raised {raised:?}"
            )),
            None if now.is_some() => {
                wrong.push(format!(
                    "{patient}: {key:?} was told as {now:?} and nothing took it back"
                ));
            }
            _ => {}
        }
    }
    for key in expected.concerns.keys().filter(|key| !told.contains_key(*key)) {
        wrong.push(format!("{patient}: {key:?} was never told"));
    }
}

/// Of each concern the tier that was told last, and the highest that was raised since it was closed.
type Told = BTreeMap<(String, &'static str), (Option<Tier>, Option<Tier>)>;

fn told(events: &[EventRow]) -> Told {
    let mut told = Told::new();
    for event in events {
        let now = event.tier.map(tier);
        let one = told.entry((event.site_key.clone(), event.family.word())).or_default();
        one.0 = now;
        match event.occasion {
            Some(Occasion::Raised) => one.1 = one.1.max(now),
            Some(Occasion::Resolved) => one.1 = None,
            _ if now.is_none() => one.1 = None,
            _ => {}
        }
    }
    told
}

/// Each raised message of a limb stands on a reading that still holds its tier, or is answered.
fn grounds(
    patient: &str,
    expected: &Expected,
    readings: &[Reading],
    events: &[EventRow],
    ours: &[Value],
    wrong: &mut Vec<String>,
) {
    let by_id = |kind: &str, id: &str| {
        ours.iter()
            .find(|body| body["resourceType"] == kind && body["id"] == id)
    };
    for (index, event) in events.iter().enumerate() {
        let Some(message) = event.message.map(|message| message.to_string()) else {
            continue;
        };
        let Some(body) = ours
            .iter()
            .find(|body| identity(body).as_deref() == Some(message.as_str()))
        else {
            continue;
        };
        for answered in body["inResponseTo"].as_array().into_iter().flatten() {
            let earlier = events[..index].iter().any(|earlier| {
                earlier
                    .message
                    .is_some_and(|earlier| refers(answered, &earlier.to_string(), ours))
            });
            if !earlier {
                wrong.push(format!(
                    "{patient}: {message} answers {answered}, which was not told before"
                ));
            }
        }
        if event.occasion != Some(Occasion::Raised) || event.family.word() != "pressure" {
            continue;
        }
        let about: Vec<&Value> = body["about"].as_array().into_iter().flatten().collect();
        if about.is_empty() {
            wrong.push(format!("{patient}: {message} has no ground"));
        }
        let mut sources: BTreeSet<String> = BTreeSet::new();
        // A carried delta that raised nothing above another is told and not written, so only the text tells: design §3
        // has it always labelled.
        let payload = body["payload"][0]["contentString"].as_str().unwrap_or_default();
        let carried = payload.contains("\nCarried: ");
        for one in about {
            let reference = one["reference"].as_str().unwrap_or_default();
            let logical = one["identifier"]["value"].as_str();
            let (kind, id) = reference.split_once('/').unwrap_or_default();
            let derived = match logical {
                Some(value) => ours.iter().find(|body| identity(body).as_deref() == Some(value)),
                None => by_id(kind, id),
            };
            match derived {
                Some(derived) => {
                    let of = stands(derived);
                    if of.carried && !carried {
                        wrong.push(format!(
                            "{patient}: {message} is of a carried delta and does not say so"
                        ));
                    }
                    sources.extend(of.sources);
                }
                None if logical.is_some() => {
                    wrong.push(format!("{patient}: {message} is about {one}, which is nowhere"))
                }
                None => {
                    sources.insert(reference.to_owned());
                }
            }
        }
        let raised = event.tier.map(tier);
        let stands = sources
            .iter()
            .any(|source| expected.holds.get(&(event.site_key.clone(), source.clone())).copied() >= raised);
        let answered = events[index + 1..].iter().any(|later| {
            later.site_key == event.site_key
                && later.family == event.family
                && matches!(later.occasion, Some(Occasion::Withdrawn | Occasion::Resolved))
        });
        // A carried delta asks for a new measurement: a later one beside that very diastolic is an answer too.
        let taken = readings
            .iter()
            .filter(|one| one.site == event.site_key && sources.contains(&one.source));
        let measured_again = carried
            && taken.map(|one| one.at).max().is_some_and(|taken| {
                let beside = expected.beside.iter().filter(|one| one.site == event.site_key);
                let mut later = beside.filter(|one| one.at > taken);
                later.any(|one| !one.diastolics.is_disjoint(&sources))
            });
        if !stands && !answered && !measured_again {
            wrong.push(format!(
                "{patient}: the ground of {message} ({raised:?} on {sources:?}) is gone, unanswered"
            ));
        }
    }
}

fn refers(reference: &Value, identity_of: &str, ours: &[Value]) -> bool {
    if reference["identifier"]["value"] == identity_of {
        return true;
    }
    let (kind, id) = reference["reference"]
        .as_str()
        .and_then(|text| text.split_once('/'))
        .unwrap_or_default();
    ours.iter()
        .any(|body| body["resourceType"] == kind && body["id"] == id && identity(body).as_deref() == Some(identity_of))
}
