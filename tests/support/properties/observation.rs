//! An Observation: two JSON readers agree, and whatever comes out is a reading or says why not.

use deltaward::fhir::observation::{Observation, parse};
use deltaward::recognise::{Kind, Mapping, Reason, Recognised, Version, recognise, recognise_procedure};
use deltaward::server::fhir::json::{Members, checked_text};
use std::sync::LazyLock;

static MAPPING: LazyLock<Mapping> = LazyLock::new(Mapping::builtin);

/// The units by which a pressure of the same number in mm[Hg] is meant.
const MILLIMETRES: [&str; 3] = ["mm[Hg]", "mmHg", "mm Hg"];

pub fn holds(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else {
        assert!(checked_text(data, 64).is_err());
        return;
    };
    is_read_as_by_serde(text);
    let found = recognise(text, "a", version(), &MAPPING);
    is_accounted_for(&found);
    is_accounted_for(&recognise_procedure(text, "a", version(), &MAPPING));
    // What the door lets in is recognised from what is kept as from what was sent.
    if checked_text(data, 64).is_ok()
        && let Ok(members) = Members::parse(text)
    {
        let kept = recognise(&members.to_json(), "a", version(), &MAPPING);
        assert_eq!(found.readings, kept.readings, "{text}");
        assert_eq!(found.patient, kept.patient, "{text}");
        assert_eq!(found.withdrawn, kept.withdrawn, "{text}");
        let reasons = |one: &Recognised| {
            one.refusals
                .iter()
                .map(|it| (it.part.clone(), it.reason))
                .collect::<Vec<_>>()
        };
        assert_eq!(reasons(&found), reasons(&kept), "{text}");
    }
}

fn version() -> Version {
    Version {
        number: None,
        last_updated: None,
        id: "".into(),
        digest: "".into(),
    }
}

/// serde_json is the oracle; the depth, which it does not count in what it skips, is ours.
fn is_read_as_by_serde(text: &str) {
    let oracle: serde_json::Result<Observation<'_>> = serde_json::from_str(text);
    match (parse(text), oracle) {
        (Ok(ours), Ok(theirs)) => assert_eq!(ours, theirs, "{text}"),
        (Err(_), Err(_)) => {}
        (Err(what), Ok(_)) => assert_eq!(what, "nested deeper than 64", "{text}"),
        (Ok(ours), Err(error)) => panic!("{error}, and yet read as {ours:?}: {text}"),
    }
}

/// Nothing is dropped without a word, and what is used is whole.
fn is_accounted_for(found: &Recognised) {
    let used = !found.readings.is_empty() || !found.contexts.is_empty();
    assert!(
        used || !found.refusals.is_empty() || found.withdrawn.is_some(),
        "{found:?}"
    );
    if found.withdrawn.is_some() {
        assert!(!used, "{found:?}");
    }
    if used {
        assert!(found.patient.is_some(), "{found:?}");
    }
    for refusal in &found.refusals {
        assert!(Reason::ALL.contains(&refusal.reason));
        assert!(refusal.detail.chars().count() <= 1000, "{}", refusal.detail);
        assert!(refusal.part.chars().count() <= 200, "{}", refusal.part);
    }
    for reading in &found.readings {
        assert!(reading.start <= reading.at, "{reading:?}");
        assert_eq!(reading.site.is_some(), reading.kind == Kind::Compartment, "{reading:?}");
        assert!(reading.site.is_some() || reading.quality.is_none(), "{reading:?}");
        let sent: serde_json::Number = serde_json::from_str(&reading.pressure.sent_value).unwrap();
        let sent = sent.as_f64().unwrap();
        if MILLIMETRES.contains(&reading.pressure.sent_unit.as_str()) {
            let ours: f64 = reading.pressure.mmhg.to_string().parse().unwrap();
            assert!((ours - sent).abs() <= sent.abs() * 1e-12, "{reading:?}");
        }
    }
    for context in &found.contexts {
        assert!(context.end.is_none_or(|end| context.start <= end), "{context:?}");
    }
    let kept = serde_json::to_string(found).unwrap();
    assert_eq!(*found, serde_json::from_str::<Recognised>(&kept).unwrap(), "{kept}");
}
