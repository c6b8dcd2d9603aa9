//! Rows built by hand. All patients and values are invented.

use deltaward::fhir::{Decimal, Instant};
use deltaward::outbox::draft::{AgeClass, DeltaDraft, DeltaFacts, Family, Measured, Occasion, SourceRef};
use deltaward::patient::state::{Concern, ConcernKey, Slot, Standing, State, ToldGround};
use deltaward::recognise::reading::{
    Comparator, Kind, Method, PatientKey, Pressure, Reading, ReadingStatus, Side, Site, Version, Withdrawal,
};
use deltaward::recognise::reason::{Reason, Refusal};
use deltaward::rules::Tier;
use deltaward::store::records::PatientChange;
use deltaward::store::{DerivedRow, EventRow, InputRow, OutboxEntry, OutboxState, SetAsideRow};
use serde_json::{Value, json};
use uuid::Uuid;

/// 2026-03-05T22:10:00Z (`date -u -d @1772748600`), moved by minutes.
pub fn at(minutes: i64) -> Instant {
    Instant::from_millis(1_772_748_600_000).plus_minutes(minutes)
}

pub fn patient(number: u32) -> PatientKey {
    PatientKey(format!("Patient/{number}"))
}

pub fn identity(number: u128) -> Uuid {
    Uuid::from_u128(number)
}

pub fn version(number: u64, minutes: i64) -> Version {
    Version {
        last_updated: Some(at(minutes)),
        number: Some(number),
        id: number.to_string().into(),
        digest: format!("{number:016x}").into(),
    }
}

pub fn input(id: &str, number: u64, minutes: i64, body: &str) -> InputRow {
    InputRow {
        resource_type: "Observation".into(),
        id: id.into(),
        version: version(number, minutes),
        received: at(minutes),
        patient: Some(patient(1)),
        body: body.into(),
        deleted: false,
    }
}

pub fn derived(number: u128, minutes: i64, body: Value) -> DerivedRow {
    DerivedRow {
        identity: identity(number),
        resource_type: "Observation".into(),
        patient: Some(patient(1)),
        body,
        last_updated: at(minutes),
        version: 0,
    }
}

pub fn entry(of: u32, number: u128, minutes: i64) -> OutboxEntry {
    OutboxEntry {
        seq: 0,
        group: 0,
        identity: identity(number),
        resource_type: "Communication".into(),
        patient: patient(of),
        body: json!({"resourceType": "Communication", "number": number.to_string()}),
        state: OutboxState::Waiting,
        attempts: 0,
        next_attempt: at(minutes),
        last_answer: String::new(),
    }
}

pub fn set_aside(source: &str, part: &str, of: u32, reason: Reason, minutes: i64) -> SetAsideRow {
    SetAsideRow {
        source: source.into(),
        part: part.into(),
        patient: Some(patient(of)),
        reason,
        detail: "unit \"torr\"".into(),
        since: at(minutes),
    }
}

fn site() -> Site {
    Site {
        side: Side::Left,
        system: "http://snomed.info/sct".into(),
        code: "anterior".into(),
        display: "anterior compartment of the leg".into(),
    }
}

fn pressure(mmhg: &str) -> Pressure {
    Pressure {
        mmhg: Decimal::from_str_exact(mmhg).unwrap(),
        sent_value: "5.30".into(),
        sent_unit: "kPa".into(),
        comparator: Some(Comparator::GreaterOrEqual),
    }
}

fn measured(reference: &str, mmhg: &str) -> Measured {
    Measured {
        sources: vec![SourceRef {
            reference: reference.into(),
            version_id: "2".into(),
        }],
        pressure: pressure(mmhg),
        at: at(0),
        method: Method::Needle,
        status: ReadingStatus::Preliminary,
        quality: None,
    }
}

fn slot(source: &str, withdrawn: Option<Withdrawal>) -> Slot {
    Slot {
        source: source.into(),
        version: version(2, 1),
        received: at(0),
        withdrawn,
        readings: vec![Reading {
            part: "component[2]".into(),
            kind: Kind::Compartment,
            // Longer than a binary double can hold: must come back digit for digit.
            pressure: pressure("39.753379096116167123456789"),
            start: at(-1),
            at: at(0),
            site: Some(site()),
            body_site_json: Some(r#"{"text": "Unterschenkel, \"vorn\""}"#.into()),
            method: Method::Catheter,
            status: ReadingStatus::Corrected,
            identifiers: vec!["urn:a|7".into()],
            quality: None,
        }],
        refusals: vec![Refusal {
            part: "".into(),
            reason: Reason::UnitUnknown,
            detail: "unit \"torr\"".into(),
            meant: None,
        }],
        members: vec!["Observation/m".into()],
        members_side: Side::Right,
        contexts: Vec::new(),
        diastolics_asked: true,
        seal: 7,
        published: Vec::new(),
        judged: Vec::new(),
    }
}

fn standing(retracted: bool) -> Standing {
    let draft = DeltaDraft {
        identity: identity(7),
        patient: patient(1),
        facts: DeltaFacts {
            site: site(),
            body_site_json: None,
            compartment: measured("Observation/c", "48.25"),
            diastolic: measured("Observation/d", "70"),
            delta_mmhg: Decimal::from_str_exact("21.75").unwrap(),
            delta_whole_mmhg: 21,
            bounded_above: true,
            age: AgeClass::Paired,
            carried: false,
            tier: Some(Tier::Act),
            under_anaesthesia: false,
            beside: Vec::new(),
        },
        threshold_mmhg: 30,
        sheet_hash: String::new(),
        inclusive: true,
        amends: false,
        issued: at(2),
    };
    Standing { draft, retracted }
}

pub fn concern(tier: Option<Tier>, since_minutes: i64) -> (ConcernKey, Concern) {
    let key = ConcernKey {
        site: site().key(),
        family: Family::Pressure,
    };
    let concern = Concern {
        site: Some(site()),
        family: Family::Pressure,
        tier,
        since: at(since_minutes),
        reached: std::collections::BTreeMap::from([(Tier::Act, at(3))]),
        told: vec![ToldGround {
            seals: (1, 2),
            source: "Observation/c".into(),
            diastolic: Some("Observation/d".into()),
            tier: Tier::Act,
            carried: false,
            rules: vec!["delta-30".into()],
        }],
        last_message: Some(identity(9)),
        messages: 3,
    };
    (key, concern)
}

pub fn event(of: u32, minutes: i64, text: &str) -> EventRow {
    EventRow {
        patient: patient(of),
        site_key: site().key(),
        site_text: "left leg, anterior compartment".into(),
        family: Family::Pressure,
        at: at(minutes),
        tier_before: None,
        tier: Some(Tier::Act),
        occasion: Some(Occasion::Raised),
        text: text.into(),
        message: Some(identity(9)),
    }
}

/// A state that uses every part, also the optional ones.
pub fn state(of: u32) -> State {
    let mut state = State::new(patient(of));
    state.birth_date = Some("2012-03".into());
    state.label = Some("Bed 4 (invented)".into());
    state.next_due = Some(at(60));
    for slot in [
        slot("Observation/c", None),
        slot("Observation/x", Some(Withdrawal::Deleted)),
    ] {
        state.slots.insert(slot.source.clone(), Box::new(slot));
    }
    state.standing.insert(identity(7), Box::new(standing(false)));
    state.standing.insert(identity(8), Box::new(standing(true)));
    let (key, open) = concern(Some(Tier::Critical), 5);
    state.concerns.insert(key, Box::new(open));
    let (_, mut closed) = concern(None, 1);
    closed.site = None;
    closed.family = Family::Measurement;
    let key = ConcernKey {
        site: String::new(),
        family: Family::Measurement,
    };
    state.concerns.insert(key, Box::new(closed));
    state
}

/// The change that writes a whole state.
pub fn change(state: &State) -> PatientChange {
    PatientChange {
        patient: state.patient.clone(),
        birth_date: state.birth_date.clone(),
        label: state.label.clone(),
        next_due: state.next_due,
        slots: state.slots.values().map(|slot| Slot::clone(slot)).collect(),
        forgotten: Vec::new(),
        forgotten_standing: Vec::new(),
        standing: state
            .standing
            .iter()
            .map(|(key, value)| (*key, Standing::clone(value)))
            .collect(),
        concerns: state
            .concerns
            .iter()
            .map(|(key, value)| (key.clone(), Concern::clone(value)))
            .collect(),
        events: Vec::new(),
    }
}
