//! What is written: forms against the official R4 schema, examples and CodeSystems; texts against
//! the list of what may never be said.

mod beside;
mod forms;
mod standard;
mod texts;
mod whole;

use deltaward::fhir::quantity::{round_delta, to_mmhg};
use deltaward::fhir::{Decimal, Instant};
use deltaward::outbox::build::{self, Draft};
use deltaward::outbox::communication::communication;
use deltaward::outbox::delta_observation::{delta_observation, retracted};
use deltaward::outbox::draft::*;
use deltaward::outbox::invariants;
use deltaward::outbox::local_references::localise;
use deltaward::outbox::message_text::{HEADLINE_CHARS, headline};
use deltaward::outbox::wording::{self, forbidden_in};
use deltaward::outbox::{MessageContext, Mode, SheetRef, Validator};
use deltaward::recognise::Reason;
use deltaward::recognise::reading::*;
use deltaward::rules::Tier;
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::sync::LazyLock;
use uuid::Uuid;

static VALIDATOR: LazyLock<Validator> = LazyLock::new(|| Validator::new().unwrap());

/// 2026-03-05 22:10 UTC.
const AT: Instant = Instant::from_millis(1_772_748_600_000);

fn ctx() -> MessageContext {
    MessageContext {
        mode: Mode::Shadow,
        sheet: SheetRef {
            id: "adult".into(),
            version: "1".into(),
            hash: "0123456789abcdef".repeat(4),
        },
        recipients: vec!["Group/ward-night".into(), "Ward desk".into()],
    }
}

fn pressure(mmhg: &str, sent: &str, unit: &str) -> Pressure {
    Pressure {
        mmhg: mmhg.parse().unwrap(),
        sent_value: sent.into(),
        sent_unit: unit.into(),
        comparator: None,
    }
}

fn measured(id: &str, pressure: Pressure, at: Instant, method: Method) -> Measured {
    let sources = vec![SourceRef {
        reference: format!("Observation/{id}"),
        version_id: "1".into(),
    }];
    Measured {
        sources,
        pressure,
        at,
        method,
        status: ReadingStatus::Final,
        quality: None,
    }
}

fn site() -> Site {
    Site {
        side: Side::Left,
        system: deltaward::recognise::COMPARTMENT_SYSTEM.into(),
        code: "leg-anterior".into(),
        display: "anterior compartment of the leg".into(),
    }
}

/// Converted with UCUM's factor, as recognition does.
fn kpa(sent: &str) -> Pressure {
    let mmhg = to_mmhg(
        sent.parse().unwrap(),
        Some("http://unitsofmeasure.org"),
        Some("kPa"),
        None,
    )
    .unwrap();
    Pressure {
        mmhg,
        sent_value: sent.into(),
        sent_unit: "kPa".into(),
        comparator: None,
    }
}

/// Whitesides 1975 (Clin Orthop 113:43): diastolic 70 with compartment 40 leaves 30. The 40 comes
/// as 5.33 kPa, which is 39.98 mmHg.
fn facts() -> DeltaFacts {
    let mut facts = DeltaFacts {
        site: site(),
        body_site_json: None,
        compartment: measured("cp", kpa("5.33"), AT, Method::Unstated),
        diastolic: measured("bp", pressure("70", "70", "mm[Hg]"), AT.plus_minutes(-2), Method::Cuff),
        delta_mmhg: Decimal::ZERO,
        delta_whole_mmhg: 0,
        bounded_above: false,
        age: AgeClass::Simultaneous,
        carried: false,
        tier: Some(Tier::Act),
        under_anaesthesia: false,
        beside: Vec::new(),
    };
    subtract(&mut facts);
    facts
}

/// The delta of the two pressures as they stand.
fn subtract(facts: &mut DeltaFacts) {
    facts.delta_mmhg = facts.diastolic.pressure.mmhg - facts.compartment.pressure.mmhg;
    facts.delta_whole_mmhg = round_delta(facts.delta_mmhg);
}

fn draft(facts: DeltaFacts) -> DeltaDraft {
    DeltaDraft {
        identity: deltaward::outbox::identity::delta("Patient/1", &facts.site.key(), "Observation/cp", ""),
        patient: PatientKey("Patient/1".into()),
        facts,
        threshold_mmhg: 30,
        sheet_hash: String::new(),
        inclusive: true,
        amends: false,
        issued: AT.plus_minutes(4),
    }
}

fn ground(rule: &str, tier: Tier, sentence: &str) -> Ground {
    Ground {
        rule: rule.into(),
        by: GroundBy::Delta,
        tier,
        sentence: sentence.into(),
        next: wording::next_step(Some(tier)).into(),
    }
}

fn message(occasion: Occasion, tier: Option<Tier>) -> MessageDraft {
    let facts = facts();
    let observation = draft(facts.clone());
    MessageDraft {
        unusable: None,
        identity: deltaward::outbox::identity::message("Patient/1", &facts.site.key(), "pressure", 1, "ground"),
        predecessor: None,
        patient: observation.patient,
        site: Some(site()),
        family: Family::Pressure,
        occasion,
        tier,
        tier_before: None,
        grounds: tier
            .map(|tier| ground("delta-30", tier, "delta pressure 30 mmHg is at or below 30 mmHg"))
            .into_iter()
            .collect(),
        lost: Vec::new(),
        compartment: Some(facts.compartment.clone()),
        diastolic: None,
        delta_identity: Some(observation.identity),
        delta: Some(facts),
        beside: Vec::new(),
        session: None,
        reading_count: 1,
        age_note: AgeNote::InBand,
        at: AT.plus_minutes(4),
    }
}

fn observation(draft: &DeltaDraft) -> Value {
    let value = delta_observation(draft, Mode::Live, &ctx().sheet);
    VALIDATOR.validate_derived(&value).unwrap();
    value
}

fn written(draft: &MessageDraft) -> Value {
    let value = communication(draft, &ctx());
    VALIDATOR.validate_derived(&value).unwrap();
    value
}

fn text(draft: &MessageDraft) -> String {
    written(draft)["payload"][0]["contentString"]
        .as_str()
        .unwrap()
        .to_string()
}
