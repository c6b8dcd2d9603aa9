//! One id, several versions that contradict each other (`fixtures/malformed/versions.toml`).

use super::fate::Fate;
use super::service::Service;
use super::table::{Case, read};
use deltaward::recognise::PatientKey;
use serde::Deserialize;

#[derive(Deserialize)]
struct File {
    versions: Vec<Versions>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Versions {
    why: String,
    path: String,
    texts: Vec<String>,
    fates: Vec<Fate>,
    left_behind: Option<String>,
}

#[tokio::test]
async fn versions_meet_their_fates() {
    let file: File = toml::from_str(&read("versions")).unwrap();
    assert!(file.versions.len() >= 10);
    let service = Service::start();
    let mut wrong = Vec::new();
    for (index, versions) in file.versions.iter().enumerate() {
        let id = format!("v{index}");
        let source = format!("Observation/{id}");
        assert_eq!(versions.texts.len(), versions.fates.len(), "{}", versions.why);
        for (text, wanted) in versions.texts.iter().zip(&versions.fates) {
            let case = Case::diastolic(&versions.path, text, wanted.clone());
            service.put(&id, case.body(&id)).await;
            let found = service.became(&source);
            if !wanted.is_met_by(&found, &id) {
                wrong.push(format!("{} {text}: {found:?}", versions.why));
            }
        }
        if let Some(patient) = &versions.left_behind {
            let state = service.api.store.load_patient(&PatientKey(patient.clone())).unwrap();
            let slot = state.slots.get(&source);
            if slot.is_some_and(|slot| !slot.readings.is_empty() || slot.withdrawn.is_none()) {
                wrong.push(format!("{}: {patient} still has {slot:?}", versions.why));
            }
        }
    }
    assert!(wrong.is_empty(), "{}:\n{}", wrong.len(), wrong.join("\n"));
    service.still_answers().await;
}
