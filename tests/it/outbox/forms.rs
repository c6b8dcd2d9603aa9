//! Which element says what, and that an invalid draft is an error in its place.

use super::*;

#[test]
fn status_follows_sources_and_amendment() {
    use ReadingStatus::{Amended, Corrected, Final, Preliminary};
    for (compartment, diastolic, amends, status) in [
        (Final, Final, false, "final"),
        (Corrected, Final, false, "final"),
        (Preliminary, Final, false, "preliminary"),
        (Final, Preliminary, true, "preliminary"),
        (Final, Final, true, "amended"),
        (Amended, Final, true, "amended"),
        (Final, Corrected, true, "corrected"),
    ] {
        let mut draft = draft(facts());
        draft.amends = amends;
        draft.facts.compartment.status = compartment;
        draft.facts.diastolic.status = diastolic;
        assert_eq!(
            observation(&draft)["status"],
            status,
            "{compartment:?} {diastolic:?} {amends}"
        );
    }
    // What stands beside is part of the Observation too.
    let mut draft = draft(beside::kakar());
    draft.facts.beside[0].pressure.status = Preliminary;
    let value = observation(&draft);
    assert_eq!(value["status"], "preliminary");
    assert!(
        value["note"][0]["text"]
            .as_str()
            .unwrap()
            .contains(wording::PRELIMINARY)
    );
}

#[test]
fn interpretation_is_ll_lx_or_none() {
    for (tier, code) in [
        (Some(Tier::Critical), json!("LL")),
        (Some(Tier::Act), json!("LL")),
        (Some(Tier::Watch), json!("LX")),
        (Some(Tier::Check), Value::Null),
        (None, Value::Null),
    ] {
        let mut draft = draft(facts());
        draft.facts.tier = tier;
        assert_eq!(
            observation(&draft)["interpretation"][0]["coding"][0]["code"],
            code,
            "{tier:?}"
        );
    }
}

#[test]
fn comparators_bound_the_delta() {
    // design §4: > and >= on a compartment pressure, < and <= on a diastolic bound it from above.
    for (compartment, diastolic, above, code) in [
        (Some(Comparator::GreaterOrEqual), None, true, json!("<=")),
        (Some(Comparator::Greater), None, true, json!("<")),
        (None, Some(Comparator::Less), true, json!("<")),
        (None, Some(Comparator::LessOrEqual), true, json!("<=")),
        (Some(Comparator::Less), None, false, json!(">")),
        (None, Some(Comparator::GreaterOrEqual), false, json!(">=")),
        (None, None, false, Value::Null),
    ] {
        let mut draft = draft(facts());
        draft.facts.compartment.pressure.comparator = compartment;
        draft.facts.diastolic.pressure.comparator = diastolic;
        draft.facts.bounded_above = above;
        let value = observation(&draft);
        assert_eq!(
            value["valueQuantity"]["comparator"], code,
            "{compartment:?} {diastolic:?}"
        );
        let note = value["note"][0]["text"].as_str().unwrap();
        assert_eq!(note.contains(wording::BOUNDED), above);
    }
}

#[test]
fn the_body_site_is_kept_and_only_added_to() {
    let mut draft = draft(facts());
    // SNOMED CT 4812002 "Anterior tibial compartment structure" (R4 value set body-site).
    let sent = json!({
        "extension": [{ "url": "http://example.org/x", "valueString": "y" }],
        "coding": [{ "system": "http://snomed.info/sct", "code": "4812002" }, { "system": "http://snomed.info/sct", "code": "7771000" }],
        "text": "Ant. comp. L",
    });
    draft.facts.body_site_json = Some(sent.to_string());
    let written = observation(&draft)["bodySite"].clone();
    assert_eq!(written["text"], sent["text"]);
    assert_eq!(written["extension"], sent["extension"]);
    let codes: Vec<&str> = written["coding"]
        .as_array()
        .unwrap()
        .iter()
        .map(|c| c["code"].as_str().unwrap())
        .collect();
    assert_eq!(codes, ["4812002", "7771000", "leg-anterior"], "the side stands once");

    draft.facts.body_site_json = None;
    draft.facts.site.side = Side::Unstated;
    let written = observation(&draft)["bodySite"].clone();
    assert_eq!(written["coding"].as_array().unwrap().len(), 1, "no side is invented");

    draft.facts.site = Site {
        side: Side::Unstated,
        system: String::new(),
        code: "unstated".into(),
        display: "site not stated".into(),
    };
    assert_eq!(observation(&draft).get("bodySite"), None);
}

#[test]
fn every_source_is_named_once_with_its_version() {
    let mut draft = draft(facts());
    draft.facts.compartment.sources.push(SourceRef {
        reference: "Observation/cp-again".into(),
        version_id: String::new(),
    });
    draft
        .facts
        .diastolic
        .sources
        .insert(0, draft.facts.compartment.sources[0].clone());
    let value = observation(&draft);
    let references: Vec<&str> = value["derivedFrom"]
        .as_array()
        .unwrap()
        .iter()
        .map(|r| r["reference"].as_str().unwrap())
        .collect();
    assert_eq!(references, ["Observation/cp", "Observation/cp-again", "Observation/bp"]);
    assert_eq!(value["derivedFrom"][0]["extension"][0]["valueString"], "1");
    assert_eq!(value["derivedFrom"][1].get("extension"), None);
}

#[test]
fn the_value_has_one_decimal_in_the_text_of_the_json() {
    let value = observation(&draft(facts())).to_string();
    assert!(
        value.contains("\"value\":30.0}") || value.contains("\"value\":30.0,"),
        "{value}"
    );
}

#[test]
fn category_and_priority_by_occasion_and_tier() {
    use Occasion::{Raised, Resolved, Withdrawn};
    use Tier::{Act, Check, Critical, Watch};
    for (occasion, tier, before, category, priority) in [
        (Raised, Some(Critical), Some(Act), "alert", "stat"),
        (Raised, Some(Act), None, "alert", "stat"),
        (Raised, Some(Watch), None, "notification", "urgent"),
        (Raised, Some(Check), None, "notification", "urgent"),
        (Withdrawn, Some(Watch), Some(Act), "notification", "stat"),
        (Withdrawn, None, Some(Check), "notification", "urgent"),
        (Resolved, None, Some(Critical), "notification", "routine"),
        (Resolved, None, None, "notification", "routine"),
    ] {
        let mut draft = message(occasion, tier);
        draft.tier_before = before;
        let value = written(&draft);
        assert_eq!(
            value["category"][0]["coding"][0]["code"], category,
            "{occasion:?} {tier:?}"
        );
        assert_eq!(value["priority"], priority, "{occasion:?} {tier:?} {before:?}");
    }
}

#[test]
fn without_a_delta_the_sources_are_spoken_of() {
    let mut draft = message(Occasion::Raised, Some(Tier::Check));
    (draft.delta, draft.delta_identity) = (None, None);
    draft.lost = vec![GroundLost::NoLongerUsable {
        source: "Observation/bp".into(),
    }];
    let value = written(&draft);
    let references: Vec<&str> = value["about"]
        .as_array()
        .unwrap()
        .iter()
        .map(|r| r["reference"].as_str().unwrap())
        .collect();
    assert_eq!(references, ["Observation/cp", "Observation/bp"]);
    assert_eq!(value["about"], value["reasonReference"]);
    assert_eq!(value["payload"].as_array().unwrap().len(), 1);
}

#[test]
fn localised_references_name_what_is_served() {
    let draft = message(Occasion::Raised, Some(Tier::Act));
    let mut value = written(&draft);
    localise(&mut value);
    let expected = format!("Observation/{}", draft.delta_identity.unwrap());
    assert_eq!(value["about"][0]["reference"], expected);
    assert_eq!(value["payload"][1]["contentReference"]["reference"], expected);
    assert!(value["sender"]["reference"].as_str().unwrap().starts_with("Device/"));
    assert!(!value.to_string().contains("urn:uuid"));
    VALIDATOR.validate_derived(&value).unwrap();
}

#[test]
fn an_invalid_draft_is_an_error_in_its_place() {
    let good = draft(facts());
    let mut bad = good.clone();
    bad.identity = Uuid::from_u128(7);
    bad.patient = PatientKey(String::new());
    let told = message(Occasion::Raised, Some(Tier::Act));
    let built = build::resources(
        [Draft::Delta(&good), Draft::Delta(&bad), Draft::Message(&told)],
        &ctx(),
        &VALIDATOR,
    );
    assert_eq!(built.len(), 3);
    assert_eq!(built[0].as_ref().unwrap().resource_type, "Observation");
    let error = built[1].as_ref().unwrap_err();
    assert_eq!(error.identity, bad.identity);
    assert!(
        error.messages.iter().any(|message| message.contains("/subject")),
        "{:?}",
        error.messages
    );
    assert!(
        !error.to_string().contains("/subject"),
        "names of elements may come from a source: not for a log"
    );
    assert_eq!(built[2].as_ref().unwrap().identity, told.identity);
    let device = build::device_resource("0.1.0", &VALIDATOR).unwrap();
    insta::assert_json_snapshot!("device", device.value);
    assert!(build::device_resource("", &VALIDATOR).is_err());
}

/// A server that checks references refuses one to a deleted resource.
#[test]
fn a_deleted_source_is_named_without_a_link() {
    let mut draft = message(Occasion::Withdrawn, None);
    (draft.delta, draft.delta_identity, draft.compartment) = (None, None, None);
    let source = String::from("Observation/cp");
    draft.lost = vec![GroundLost::SourceWithdrawn {
        source,
        how: Withdrawal::Deleted,
    }];
    let about = written(&draft)["about"].clone();
    assert_eq!(
        about,
        json!([{ "type": "Observation", "display": "Observation/cp (deleted)" }])
    );
}
