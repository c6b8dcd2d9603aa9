//! Every form once, whole.

use super::*;

#[test]
fn snapshot_delta() {
    insta::assert_json_snapshot!(observation(&draft(facts())));
}

#[test]
fn snapshot_amended() {
    let mut draft = draft(facts());
    draft.amends = true;
    draft.facts.compartment.status = ReadingStatus::Amended;
    draft.facts.compartment.pressure = pressure("31", "31", "mm[Hg]");
    subtract(&mut draft.facts);
    draft.facts.tier = Some(Tier::Watch);
    insta::assert_json_snapshot!(observation(&draft));
}

#[test]
fn snapshot_retracted() {
    let retract = RetractDraft {
        last: draft(facts()),
        issued: AT.plus_minutes(20),
    };
    let value = retracted(&retract, Mode::Live, &ctx().sheet);
    VALIDATOR.validate_derived(&value).unwrap();
    insta::assert_json_snapshot!(value);
}

#[test]
fn snapshot_carried() {
    let mut draft = draft(facts());
    draft.facts.carried = true;
    draft.facts.diastolic = measured(
        "bp2",
        pressure("58", "58", "mm[Hg]"),
        AT.plus_minutes(45),
        Method::ArterialLine,
    );
    subtract(&mut draft.facts);
    draft.facts.tier = Some(Tier::Critical);
    draft.issued = AT.plus_minutes(46);
    insta::assert_json_snapshot!(observation(&draft));
}

#[test]
fn snapshot_alert() {
    insta::assert_json_snapshot!(written(&message(Occasion::Raised, Some(Tier::Act))));
}

#[test]
fn snapshot_watch() {
    let mut draft = message(Occasion::Raised, Some(Tier::Watch));
    draft.age_note = AgeNote::Unknown;
    let facts = draft.delta.as_mut().unwrap();
    facts.diastolic.pressure = pressure("76", "76", "mm[Hg]");
    subtract(facts);
    draft.grounds = vec![ground(
        "delta-near",
        Tier::Watch,
        "delta pressure 36 mmHg is at or below 40 mmHg",
    )];
    insta::assert_json_snapshot!(written(&draft));
}

#[test]
fn snapshot_check() {
    let mut draft = message(Occasion::Raised, Some(Tier::Check));
    draft.family = Family::Measurement;
    (draft.delta, draft.delta_identity) = (None, None);
    draft.grounds = vec![ground(
        "diastolic-missing",
        Tier::Check,
        "no diastolic within 60 min of the compartment reading",
    )];
    draft.grounds[0].by = GroundBy::DiastolicMissing;
    insta::assert_json_snapshot!(written(&draft));
}

#[test]
fn snapshot_withdrawal() {
    let mut draft = message(Occasion::Withdrawn, None);
    draft.predecessor = Some(deltaward::outbox::identity::message(
        "Patient/1",
        &site().key(),
        "pressure",
        0,
        "ground",
    ));
    draft.tier_before = Some(Tier::Act);
    (draft.delta, draft.compartment) = (None, None);
    draft.lost = vec![GroundLost::SourceWithdrawn {
        source: "Observation/cp".into(),
        how: Withdrawal::EnteredInError,
    }];
    insta::assert_json_snapshot!(written(&draft));
}

#[test]
fn snapshot_resolution() {
    let mut draft = message(Occasion::Resolved, None);
    draft.predecessor = Some(deltaward::outbox::identity::message(
        "Patient/1",
        &site().key(),
        "pressure",
        0,
        "ground",
    ));
    draft.tier_before = Some(Tier::Watch);
    draft.reading_count = 3;
    let facts = draft.delta.as_mut().unwrap();
    facts.compartment.pressure = pressure("22", "22", "mm[Hg]");
    draft.compartment = Some(facts.compartment.clone());
    subtract(facts);
    facts.tier = None;
    insta::assert_json_snapshot!(written(&draft));
}
