//! Malformed input (`fixtures/malformed`): each case through the endpoint of a running service, and
//! what became of it against its written fate.

mod bundles;
mod fate;
pub mod service;
mod table;
mod versions;

use fate::Fate;
use service::Service;
use std::collections::{BTreeMap, BTreeSet};
use table::{Case, cases};

/// What is wrong with the outcome of one case; empty when it met its fate.
async fn verdict(service: &Service, id: &str, case: &Case) -> Result<(), String> {
    let got = service.put(id, case.body(id)).await;
    let source = format!("Observation/{id}");
    let found = match got.status.as_u16() {
        201 => service.became(&source),
        status => {
            let code = got.issue(status)["code"].as_str().unwrap().to_owned();
            if !service.set_aside(&source).is_empty() || service.api.get(&format!("/fhir/{source}")).await.status != 404
            {
                return Err(String::from("was refused and left something behind"));
            }
            Fate::Refused { status, code }
        }
    };
    if !matches!(found, Fate::Refused { .. }) {
        let served = service.api.get(&format!("/fhir/{source}")).await;
        if served.status != 200 {
            return Err(format!("was kept and is served with {}", served.status));
        }
    }
    match case.fate.is_met_by(&found, id) {
        true => Ok(()),
        false => Err(format!("{found:?}")),
    }
}

async fn meet_their_fates(file: &str) {
    let service = Service::start();
    let mut wrong = Vec::new();
    for (index, case) in cases(file).iter().enumerate() {
        if let Err(what) = verdict(&service, &format!("m{index}"), case).await {
            wrong.push(format!("{case} wants {:?}, but {what}", case.fate));
        }
    }
    assert!(wrong.is_empty(), "{} of {file}:\n{}", wrong.len(), wrong.join("\n"));
    service.still_answers().await;
}

const FILES: [&str; 9] = [
    "identity",
    "code",
    "subject",
    "time",
    "value",
    "site",
    "contained",
    "text",
    "unread",
];

#[tokio::test]
async fn identity() {
    meet_their_fates("identity").await;
}

#[tokio::test]
async fn code() {
    meet_their_fates("code").await;
}

#[tokio::test]
async fn subject() {
    meet_their_fates("subject").await;
}

#[tokio::test]
async fn time() {
    meet_their_fates("time").await;
}

#[tokio::test]
async fn value() {
    meet_their_fates("value").await;
}

#[tokio::test]
async fn site() {
    meet_their_fates("site").await;
}

#[tokio::test]
async fn contained() {
    meet_their_fates("contained").await;
}

#[tokio::test]
async fn text() {
    meet_their_fates("text").await;
}

#[tokio::test]
async fn unread() {
    meet_their_fates("unread").await;
}

#[test]
fn there_are_enough_cases_each_with_a_fate_of_its_own() {
    let mut seen = BTreeSet::new();
    let mut fates: BTreeMap<&str, usize> = BTreeMap::new();
    let mut reasons = BTreeSet::new();
    for case in FILES.iter().flat_map(|file| cases(file)) {
        assert!(seen.insert(case.to_string()), "twice: {case}");
        let kind = match &case.fate {
            Fate::Refused { .. } => "refused",
            Fate::TakenBack | Fate::Absent => "gone",
            Fate::Kept { used, .. } if used.is_empty() => "set aside",
            Fate::Kept { .. } => "used",
        };
        *fates.entry(kind).or_default() += 1;
        if let Fate::Kept { set_aside, .. } = &case.fate {
            reasons.extend(set_aside.clone());
        }
    }
    assert!(seen.len() >= 400, "{}", seen.len());
    assert!(
        ["refused", "set aside", "used"].iter().all(|kind| fates[kind] >= 100),
        "{fates:?}"
    );
    assert!(reasons.len() >= 15, "{reasons:?}");
    // Every file of the folder is put to the test.
    let folder = table::folder();
    let named = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    let mut found: Vec<String> = named
        .filter(|path| path.extension().is_some_and(|ending| ending == "toml"))
        .map(|path| path.file_stem().unwrap().to_str().unwrap().to_owned())
        .filter(|name| !["bundles", "versions"].contains(&name.as_str()))
        .collect();
    found.sort();
    let mut files = FILES.to_vec();
    files.sort_unstable();
    assert_eq!(found, files);
}

/// A birth date decides which rule sheet judges: one odd member of a Patient must not take it away.
#[tokio::test]
async fn a_patient_with_an_odd_member_keeps_its_birth_date() {
    let service = Service::start();
    let odd = ["1e999", "[5]", r#"{"a":"b","a":"c"}"#, r#""\u0000""#, "[[[[]]]]"];
    for (index, odd) in odd.into_iter().enumerate() {
        for member in ["extension", "name", "telecom", "meta"] {
            let id = format!("p{index}-{member}");
            let body = format!(r#"{{"resourceType":"Patient","id":"{id}","birthDate":"2020-02-29","{member}":{odd}}}"#);
            let path = format!("/fhir/Patient/{id}");
            let got = service
                .api
                .call("PUT", &path, &[crate::fhir_api::support::FHIR], body)
                .await;
            assert_eq!(got.status, 201, "{member} {odd}: {}", got.text);
            let patient = deltaward::recognise::PatientKey(format!("Patient/{id}"));
            let state = service.api.store.load_patient(&patient).unwrap();
            assert_eq!(state.birth_date.as_deref(), Some("2020-02-29"), "{member} {odd}");
        }
    }
}
