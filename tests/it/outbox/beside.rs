//! What stands beside a delta: second differences, anaesthesia, quality, a round of measurements,
//! children, and being asked to measure again.

use super::*;
use deltaward::outbox::delta_observation::beside_code;
use deltaward::recognise::{Mapping, recognise};

/// Exact and whole, as patient does it.
pub fn second(kind: BesideKind, pressure: Measured, compartment: &Measured) -> Beside {
    let delta_mmhg = pressure.pressure.mmhg - compartment.pressure.mmhg;
    Beside {
        kind,
        pressure,
        delta_mmhg,
        delta_whole_mmhg: round_delta(delta_mmhg),
    }
}

/// Clinical check row 11: the means of Kakar 2007 (J Orthop Trauma 21:99-103; before 74, during 56)
/// with a compartment pressure of 40 leave 34 and 16.
pub fn kakar() -> DeltaFacts {
    let mut facts = facts();
    facts.compartment = measured("cp", pressure("40", "40", "mm[Hg]"), AT, Method::Needle);
    facts.diastolic = measured("bp", pressure("56", "56", "mm[Hg]"), AT.plus_minutes(-2), Method::Cuff);
    facts.under_anaesthesia = true;
    facts.tier = Some(Tier::Critical);
    subtract(&mut facts);
    let before = measured(
        "bp-before",
        pressure("74", "74", "mm[Hg]"),
        AT.plus_minutes(-90),
        Method::Cuff,
    );
    facts.beside = vec![second(BesideKind::BeforeAnaesthesia, before, &facts.compartment)];
    facts
}

/// All three, the mean as sent in kPa and the line with a bound.
fn all_three() -> DeltaFacts {
    let mut facts = kakar();
    let mean = measured("bp", kpa("8.27"), AT.plus_minutes(-2), Method::Cuff);
    let mut line = measured("art", pressure("61", "61", "mm[Hg]"), AT, Method::ArterialLine);
    line.pressure.comparator = Some(Comparator::LessOrEqual);
    facts.beside.push(second(BesideKind::Mean, mean, &facts.compartment));
    facts
        .beside
        .push(second(BesideKind::OtherMethod, line, &facts.compartment));
    facts
}

fn quality() -> Option<Box<Quality>> {
    Some(Box::new(Quality {
        zeroed: Some(true),
        flushed: Some(true),
        settled: Some(true),
        distance_from_fracture: Some("5 cm".into()),
        limb_level: Some("heart".into()),
    }))
}

fn round() -> Option<SessionNote> {
    Some(SessionNote {
        minutes: 30,
        measured: vec!["anterior".into()],
        missing: vec![
            "lateral".into(),
            "superficial posterior".into(),
            "deep posterior".into(),
        ],
    })
}

/// Put what may stand beside into a draft, by the bits of `shape`.
pub fn stand_beside(draft: &mut MessageDraft, shape: usize) {
    let bit = |n: usize| shape >> n & 1 == 1;
    let beside = all_three().beside;
    if bit(1) {
        match (&mut draft.delta, &draft.compartment) {
            (Some(facts), _) => facts.beside = beside,
            (None, _) => draft.beside = beside,
        }
    }
    if let Some(facts) = &mut draft.delta {
        facts.under_anaesthesia = bit(2);
    }
    if bit(3) {
        draft.session = round();
        if let Some(measured) = &mut draft.compartment {
            measured.quality = quality();
        }
    }
}

fn about(facts: DeltaFacts, tier: Tier) -> MessageDraft {
    let mut draft = message(Occasion::Raised, Some(tier));
    draft.compartment = Some(facts.compartment.clone());
    let sentence = format!("delta pressure {} mmHg is at or below 20 mmHg", facts.delta_whole_mmhg);
    draft.grounds = vec![ground("delta-20", tier, &sentence)];
    draft.delta = Some(facts);
    draft
}

fn line<'t>(text: &'t str, start: &str) -> &'t str {
    text.lines()
        .find(|line| line.starts_with(start))
        .unwrap_or_else(|| panic!("no line starts with {start:?}: {text}"))
}

#[test]
fn kakar_gives_34_and_16_in_note_component_and_message() {
    let value = observation(&draft(kakar()));
    assert_eq!(value["valueQuantity"]["value"].to_string(), "16.0");
    let component = &value["component"][0];
    assert_eq!(
        component["valueQuantity"],
        json!({ "value": 34.0, "unit": "mmHg", "system": "http://unitsofmeasure.org", "code": "mm[Hg]" })
    );
    assert_eq!(
        component["code"]["coding"][0]["code"],
        "delta-pressure-before-anaesthesia"
    );
    let note = value["note"][0]["text"].as_str().unwrap();
    assert!(
        note.starts_with("56 (cuff, under anaesthesia, 2 min earlier) − 40 (needle) = 16 mmHg."),
        "{note}"
    );
    assert_eq!(
        line(note, "Before anaesthesia"),
        "Before anaesthesia: diastolic 74 mmHg (cuff, 2026-03-05 20:40 UTC, 90 min before the compartment reading) \
         − compartment pressure 40 mmHg = delta pressure 34 mmHg. Alerts stand on the current diastolic; under \
         anaesthesia it was 18 ± 13 mmHg lower on average (Kakar 2007)."
    );
    let told = text(&about(kakar(), Tier::Critical));
    assert_eq!(
        line(&told, "Diastolic"),
        "Diastolic pressure 56 mmHg (cuff), under anaesthesia, 2026-03-05 22:08 UTC, 6 min before this message."
    );
    assert_eq!(
        line(&told, "Before anaesthesia"),
        "Before anaesthesia: diastolic 74 mmHg (cuff, 2026-03-05 20:40 UTC, 94 min before this message) − compartment \
         pressure 40 mmHg = delta pressure 34 mmHg. Alerts stand on the current diastolic; under anaesthesia it was 18 \
         ± 13 mmHg lower on average (Kakar 2007)."
    );
    assert!(
        headline(&about(kakar(), Tier::Critical)).contains("delta 16 mmHg"),
        "the alert stands on the current diastolic"
    );
}

#[test]
fn snapshot_all_three_in_the_observation() {
    insta::assert_json_snapshot!(observation(&draft(all_three())));
}

#[test]
fn snapshot_all_three_in_a_message() {
    let mut draft = about(all_three(), Tier::Critical);
    draft.session = round();
    draft.compartment.as_mut().unwrap().quality = quality();
    insta::assert_snapshot!(text(&draft));
}

#[test]
fn a_reading_without_a_delta_tells_what_stands_beside_it() {
    let mut draft = about(all_three(), Tier::Watch);
    draft.beside = draft.delta.take().unwrap().beside;
    draft.delta_identity = None;
    draft.beside.retain(|beside| beside.kind == BesideKind::Mean);
    // 8.27 kPa × 7.500615758 = 62.03 mmHg (clinical.md §5).
    let told = text(&draft);
    assert!(
        told.contains("From the mean arterial pressure: 62 mmHg (cuff, sent as 8.27 kPa, 2026-03-05 22:08 UTC, 6 min before this message) − compartment pressure 40 mmHg = mean delta pressure 22 mmHg."),
        "{told}"
    );
    draft.grounds[0].by = GroundBy::MeanDelta;
    assert!(
        headline(&draft).contains(": mean delta 22 mmHg ("),
        "what the tier stands on is told first: {}",
        headline(&draft)
    );
}

#[test]
fn anaesthesia_without_an_earlier_diastolic_says_that_none_is_known() {
    let mut facts = kakar();
    facts.beside.clear();
    let told = text(&about(facts.clone(), Tier::Critical));
    assert!(told.contains(wording::ANAESTHESIA_ALONE), "{told}");
    let note = observation(&draft(facts))["note"][0]["text"].to_string();
    assert!(note.contains("No diastolic from before it is known"), "{note}");
    assert!(!text(&about(kakar(), Tier::Critical)).contains("No diastolic from before"));
}

#[test]
fn rounding_and_bounds_are_told_of_a_second_difference_too() {
    let mut facts = kakar();
    facts.compartment.pressure = pressure("39.6", "39.6", "mm[Hg]");
    let mut before = measured("b", pressure("70.4", "70.4", "mm[Hg]"), AT, Method::Cuff);
    let beside = second(BesideKind::BeforeAnaesthesia, before.clone(), &facts.compartment);
    let told = wording::beside_line(&beside, &facts.compartment, None);
    assert!(
        told.contains("70 mmHg (cuff, sent as 70.4 mm[Hg], 2026-03-05 22:10 UTC, in the minute of the compartment reading) − compartment pressure 40 mmHg (sent as 39.6 mm[Hg]) = delta pressure 31 mmHg (computed before rounding: 30.8 mmHg, a half goes toward the alert)."),
        "{told}"
    );
    before.pressure.comparator = Some(Comparator::LessOrEqual);
    facts.beside = vec![second(BesideKind::OtherMethod, before, &facts.compartment)];
    let value = observation(&draft(facts.clone()));
    assert_eq!(value["component"][0]["valueQuantity"]["comparator"], "<=");
    let note = value["note"][0]["text"].as_str().unwrap();
    assert!(
        note.contains("diastolic at most 70 mmHg") && note.contains("= delta pressure at most 31 mmHg"),
        "{note}"
    );
}

#[test]
fn every_source_of_what_stands_beside_is_named_once() {
    let value = observation(&draft(all_three()));
    let references: Vec<&str> = value["derivedFrom"]
        .as_array()
        .unwrap()
        .iter()
        .map(|source| source["reference"].as_str().unwrap())
        .collect();
    // The mean comes from the same Observation as the diastolic.
    assert_eq!(
        references,
        [
            "Observation/cp",
            "Observation/bp",
            "Observation/bp-before",
            "Observation/art"
        ]
    );
}

/// Code and display of every component stand in our CodeSystem, and the reading ConceptMap calls each derived.
#[test]
fn the_codes_are_those_of_the_profile() {
    let read = |name: &str| -> Value {
        let path = format!("{}/profiles/{name}.json", env!("CARGO_MANIFEST_DIR"));
        serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
    };
    let system = read("CodeSystem-measurement");
    let concepts = system["concept"].as_array().unwrap();
    assert_eq!(system["count"], concepts.len());
    let map = read("ConceptMap-reading").to_string();
    for kind in BesideKind::ALL {
        let (code, display) = beside_code(kind);
        let concept = concepts.iter().find(|concept| concept["code"] == code).expect(code);
        assert_eq!(concept["display"], display);
        assert!(map.contains(&format!("\"code\":\"{code}\"")), "{code}");
    }
}

/// Own output is never input (invariant 9): by identifier, by tag, or by code alone; also when a
/// component is all that is left of it.
#[test]
fn our_own_output_is_refused() {
    let mapping = Mapping::builtin();
    let whole = observation(&draft(all_three()));
    let mut by_code = whole.clone();
    let fields = by_code.as_object_mut().unwrap();
    fields.remove("identifier");
    fields.remove("meta");
    let mut cases = vec![whole.clone(), by_code.clone()];
    for component in whole["component"].as_array().unwrap() {
        let mut alone = by_code.clone();
        alone["code"] = component["code"].clone();
        alone["valueQuantity"] = component["valueQuantity"].clone();
        alone.as_object_mut().unwrap().remove("component");
        cases.push(alone);
    }
    assert_eq!(cases.len(), 5);
    for case in cases {
        let version = Version {
            number: Some(1),
            last_updated: None,
            id: "1".into(),
            digest: "".into(),
        };
        let found = recognise(&case.to_string(), "x", version, &mapping);
        assert!(found.readings.is_empty(), "{case}");
        let reasons: Vec<Reason> = found.refusals.iter().map(|refusal| refusal.reason).collect();
        assert_eq!(reasons, [Reason::OwnOutput], "{case}");
    }
}

#[test]
fn a_retracted_delta_keeps_what_stood_beside_it() {
    let retract = RetractDraft {
        last: draft(kakar()),
        issued: AT.plus_minutes(20),
    };
    let value = retracted(&retract, Mode::Live, &ctx().sheet);
    VALIDATOR.validate_derived(&value).unwrap();
    assert_eq!(value["component"][0]["valueQuantity"]["value"].to_string(), "34.0");
    assert!(
        value["note"][0]["text"]
            .as_str()
            .unwrap()
            .contains("= delta pressure 34 mmHg")
    );
}

#[test]
fn quality_tells_what_is_recorded_and_nothing_else() {
    let mut reading = kakar().compartment;
    assert_eq!(wording::quality_words(&reading), None, "nothing recorded, nothing said");
    reading.quality = Some(Box::default());
    assert_eq!(wording::quality_words(&reading), None);
    reading.quality = quality();
    assert_eq!(
        wording::quality_words(&reading).unwrap(),
        "zeroed, flushed, settled, needle, 5 cm from the fracture, limb level, as sent: \"heart\""
    );
    reading.method = Method::Unstated;
    reading.quality = Some(Box::new(Quality {
        zeroed: Some(false),
        distance_from_fracture: Some("at the\nfracture.".into()),
        ..Quality::default()
    }));
    assert_eq!(
        wording::quality_line(&reading).unwrap(),
        "How the compartment pressure was taken, as recorded: not zeroed, at the fracture."
    );
    reading.quality.as_mut().unwrap().limb_level = Some("x".repeat(5000));
    assert!(wording::quality_words(&reading).unwrap().chars().count() < 120);
}

#[test]
fn a_round_of_measurements_is_information() {
    let mut note = round().unwrap();
    assert_eq!(
        wording::session_line(&note).unwrap(),
        "For information: measured in this round (30 min): anterior; not measured: lateral, superficial posterior, deep posterior."
    );
    note.measured.clear();
    assert!(
        wording::session_line(&note)
            .unwrap()
            .starts_with("For information: not measured in this round (30 min): lateral")
    );
    note.missing.clear();
    assert_eq!(wording::session_line(&note), None);
}

#[test]
fn a_child_is_told_why_and_what_could_not_be_judged() {
    let mut draft = about(kakar(), Tier::Critical);
    draft.age_note = AgeNote::Child;
    let told = text(&draft);
    assert!(
        told.contains(wording::CHILD) && told.contains(wording::CHILD_PRESSURE_ALONE),
        "{told}"
    );
    assert!(told.contains(wording::CHILD_NO_MEAN), "{told}");
    draft.delta = Some(all_three());
    assert!(
        !text(&draft).contains(wording::CHILD_NO_MEAN),
        "a mean stands beside it"
    );
    // A site's own sheet let such a rule run.
    draft.grounds[0].by = GroundBy::Pressure;
    assert!(!text(&draft).contains(wording::CHILD_PRESSURE_ALONE));
    draft.age_note = AgeNote::Unknown;
    assert!(!text(&draft).contains("Mars & Hadley"));
}

fn follow_up(occasion: Occasion) -> MessageDraft {
    let mut draft = about(kakar(), Tier::Check);
    draft.occasion = occasion;
    draft.family = Family::FollowUp;
    draft.at = AT.plus_minutes(62);
    draft.tier = (occasion == Occasion::Raised).then_some(Tier::Check);
    if occasion == Occasion::Raised {
        draft.grounds[0].by = GroundBy::Overdue;
        draft.grounds[0].sentence = "No compartment reading of this site for 62 minutes".into();
    } else {
        draft.grounds.clear();
        draft.tier_before = Some(Tier::Check);
    }
    draft
}

#[test]
fn measuring_again_is_asked_for_with_the_age_of_the_last_reading() {
    let draft = follow_up(Occasion::Raised);
    assert_eq!(
        headline(&draft),
        "CHECK left anterior compartment of the leg: measuring again is overdue (last reading 62 min old). Examine, measure now."
    );
    insta::assert_snapshot!(text(&draft));
}

#[test]
fn an_answered_request_to_measure_again_speaks_of_no_number() {
    let told = text(&follow_up(Occasion::Resolved));
    assert!(
        told.starts_with(
            "ANSWERED left anterior compartment of the leg: the request to measure again no longer applies."
        ),
        "{told}"
    );
    assert!(told.contains(wording::resolution(Family::FollowUp)), "{told}");
    assert!(!told.contains("mmHg") && !told.contains("Next: "), "{told}");
}
