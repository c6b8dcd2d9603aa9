//! The derived delta Observation (HL7 FHIR R4 Observation).
//!
//! Category is `procedure`, not `vital-signs`: an Observation so categorised has to follow the
//! vital-signs profile and lands on vital-signs charts, where a derived difference does not
//! belong. Of the standard's categories `procedure` ("results of interventional procedures … more
//! granular information about component observations", observation-category) fits a pressure that
//! a needle or catheter gave; `exam` means findings by simple instruments.

use crate::fhir::{Decimal, Instant};
use crate::outbox::context::{Mode, SheetRef};
use crate::outbox::draft::{Beside, BesideKind, DeltaDraft, DeltaFacts, RetractDraft};
use crate::outbox::{body_site, device, parts, wording};
use crate::recognise::MEASUREMENT_SYSTEM;
use crate::recognise::reading::{Comparator, ReadingStatus};
use crate::rules::Tier;
use serde_json::{Value, json};

/// CodeSystem of Observation.interpretation.
pub const INTERPRETATION_SYSTEM: &str = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation";
/// CodeSystem of Observation.category.
pub const CATEGORY_SYSTEM: &str = "http://terminology.hl7.org/CodeSystem/observation-category";

/// The Observation of a delta that stands.
pub fn delta_observation(draft: &DeltaDraft, mode: Mode, sheet: &SheetRef) -> Value {
    resource(
        draft,
        status(draft),
        draft.issued,
        &wording::delta_note(draft),
        mode,
        sheet,
    )
}

/// The same Observation once its ground is gone: `entered-in-error`, its content kept so that
/// whoever acted on it still finds what it said.
pub fn retracted(draft: &RetractDraft, mode: Mode, sheet: &SheetRef) -> Value {
    let note = wording::retracted_note(&draft.last);
    resource(&draft.last, "entered-in-error", draft.issued, &note, mode, sheet)
}

/// Observation.status. An unverified source makes the delta unverified, whatever stood before.
fn status(draft: &DeltaDraft) -> &'static str {
    let facts = &draft.facts;
    let beside = facts.beside.iter().map(|beside| beside.pressure.status);
    let sources: Vec<ReadingStatus> = [facts.compartment.status, facts.diastolic.status]
        .into_iter()
        .chain(beside)
        .collect();
    if sources.contains(&ReadingStatus::Preliminary) {
        "preliminary"
    } else if !draft.amends {
        "final"
    } else if sources.contains(&ReadingStatus::Corrected) {
        "corrected"
    } else {
        "amended"
    }
}

/// The bound that the sources' comparators put on the delta, if any.
pub fn comparator(facts: &DeltaFacts) -> Option<Comparator> {
    use Comparator::{Greater, GreaterOrEqual, Less, LessOrEqual};
    let compartment = facts.compartment.pressure.comparator;
    let diastolic = facts.diastolic.pressure.comparator;
    if facts.bounded_above {
        let strict = compartment == Some(Greater) || diastolic == Some(Less);
        return Some(if strict { Less } else { LessOrEqual });
    }
    if compartment == Some(Less) || diastolic == Some(Greater) {
        Some(Greater)
    } else if compartment == Some(LessOrEqual) || diastolic == Some(GreaterOrEqual) {
        Some(GreaterOrEqual)
    } else {
        None
    }
}

/// Quantity.comparator's code.
fn comparator_code(comparator: Comparator) -> &'static str {
    match comparator {
        Comparator::Less => "<",
        Comparator::LessOrEqual => "<=",
        Comparator::GreaterOrEqual => ">=",
        Comparator::Greater => ">",
    }
}

/// LL "critical low" for what asks for action now, LX "below low threshold" for watch, else none:
/// no code here ever says that a value is unremarkable.
fn interpretation(tier: Option<Tier>) -> Option<Value> {
    let (code, display) = match tier? {
        Tier::Critical | Tier::Act => ("LL", "Critical low"),
        Tier::Watch => ("LX", "below low threshold"),
        Tier::Check => return None,
    };
    Some(json!([{ "coding": [{ "system": INTERPRETATION_SYSTEM, "code": code, "display": display }] }]))
}

/// Code and display of a second difference in our CodeSystem of measurements.
pub fn beside_code(kind: BesideKind) -> (&'static str, &'static str) {
    match kind {
        BesideKind::BeforeAnaesthesia => (
            "delta-pressure-before-anaesthesia",
            "Delta pressure, diastolic before anaesthesia",
        ),
        BesideKind::Mean => ("mean-delta-pressure", "Mean delta pressure"),
        BesideKind::OtherMethod => (
            "delta-pressure-other-method",
            "Delta pressure, diastolic by the other method",
        ),
    }
}

/// A second difference as Observation.component. No interpretation and no reference range: no alert
/// stands on it here (a rule on the mean arterial pressure tells of itself in a Communication).
fn component(beside: &Beside, facts: &DeltaFacts) -> Value {
    let (code, display) = beside_code(beside.kind);
    let bound = wording::beside_bound(beside, &facts.compartment);
    json!({
        "code": {
            "coding": [{ "system": MEASUREMENT_SYSTEM, "code": code, "display": display }],
            "text": wording::beside_code_text(beside.kind),
        },
        "valueQuantity": difference_quantity(beside.delta_mmhg, bound),
    })
}

/// A difference in tenths of a mmHg, a half toward the alert, with its bound.
fn difference_quantity(exact_mmhg: Decimal, bound: Option<Comparator>) -> Value {
    let mut quantity = parts::mmhg_quantity(parts::number(&parts::tenth_mmhg(exact_mmhg)));
    if let Some(bound) = bound {
        quantity["comparator"] = Value::from(comparator_code(bound));
    }
    quantity
}

/// Every source, the compartment's first, then the diastolic's, then those of what stands beside; a
/// source that carried more than one of the pressures is named once.
fn derived_from(facts: &DeltaFacts) -> Vec<Value> {
    let mut seen: Vec<&str> = Vec::new();
    let mut references = Vec::new();
    let beside = facts.beside.iter().flat_map(|beside| &beside.pressure.sources);
    let of_delta = facts.compartment.sources.iter().chain(&facts.diastolic.sources);
    for source in of_delta.chain(beside) {
        if !seen.contains(&source.reference.as_str()) {
            seen.push(&source.reference);
            references.push(parts::source_reference(source));
        }
    }
    references
}

/// How the pairing came about, for programs; `note` says it in words. A carried delta has no age
/// class: its diastolic is the newer of the two.
fn pairing_extension(facts: &DeltaFacts) -> Value {
    let minutes = facts.diastolic.at.minutes_since(facts.compartment.at);
    let mut details = vec![
        json!({ "url": "minutes", "valueInteger": minutes }),
        json!({ "url": "carried", "valueBoolean": facts.carried }),
    ];
    if !facts.carried {
        details.push(json!({ "url": "age-class", "valueCode": wording::age_class_code(facts.age) }));
    }
    json!({ "url": parts::PAIRING_EXTENSION, "extension": details })
}

/// Observation.effective: the compartment reading's moment; of a carried delta the diastolic's.
fn effective(facts: &DeltaFacts) -> Instant {
    if facts.carried {
        facts.diastolic.at
    } else {
        facts.compartment.at
    }
}

fn resource(draft: &DeltaDraft, status: &str, issued: Instant, note: &str, mode: Mode, sheet: &SheetRef) -> Value {
    let facts = &draft.facts;
    let mut observation = json!({
        "resourceType": "Observation",
        "id": draft.identity.to_string(),
        "meta": parts::meta(mode),
        "extension": [parts::sheet_extension(sheet), pairing_extension(facts)],
        "identifier": parts::identifier(draft.identity),
        "status": status,
        "category": [{ "coding": [{ "system": CATEGORY_SYSTEM, "code": "procedure", "display": "Procedure" }] }],
        "code": {
            "coding": [{ "system": MEASUREMENT_SYSTEM, "code": "delta-pressure", "display": "Delta pressure" }],
            "text": wording::DELTA_CODE_TEXT,
        },
        "subject": parts::patient_reference(&draft.patient),
        "effectiveDateTime": effective(facts).to_string(),
        "issued": issued.to_string(),
        "valueQuantity": difference_quantity(facts.delta_mmhg, comparator(facts)),
        "note": [{ "authorString": "Deltaward", "time": issued.to_string(), "text": note }],
        "device": device::reference(),
        // With no `type` the standard assumes the range of the healthy: so one is given.
        "referenceRange": [{
            "low": parts::mmhg_quantity(Value::from(draft.threshold_mmhg)),
            "type": { "text": wording::RANGE_TYPE },
            "text": wording::range_text(draft.threshold_mmhg, draft.inclusive),
        }],
        "derivedFrom": derived_from(facts),
    });
    if let Some(site) = body_site::body_site(facts) {
        observation["bodySite"] = site;
    }
    if let Some(codes) = interpretation(facts.tier) {
        observation["interpretation"] = codes;
    }
    if !facts.beside.is_empty() {
        let components = facts.beside.iter().map(|beside| component(beside, facts));
        observation["component"] = components.collect();
    }
    observation
}
