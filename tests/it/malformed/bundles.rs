//! Bundles that contradict themselves (`fixtures/malformed/bundles.toml`).

use super::fate::Fate;
use super::service::{Service, compartment, diastolic};
use super::table::{bytes, expanded, read};
use crate::fhir_api::support::{FHIR, Got};
use regex::{Captures, Regex};
use serde::Deserialize;
use std::collections::BTreeMap;

#[derive(Deserialize)]
struct File {
    bundle: Vec<Case>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Case {
    name: String,
    why: String,
    body: String,
    answer: Answer,
    #[serde(default)]
    after: BTreeMap<String, Fate>,
}

/// Of the whole, or of each entry ("201", "400 value").
#[derive(Debug, Deserialize)]
#[serde(untagged)]
enum Answer {
    Whole(Fate),
    Entries(Vec<String>),
}

fn body(text: &str) -> Vec<u8> {
    let good = Regex::new(r"\{([oc]):([a-z0-9]+)\}").unwrap();
    let resource = |found: &Captures<'_>| match &found[1] {
        "o" => diastolic(&found[2]).to_string(),
        _ => compartment(&found[2]).to_string(),
    };
    bytes(&good.replace_all(&expanded(text), resource))
}

/// Each entry's status, with the code of its OperationOutcome when it has one.
fn entries(got: &Got) -> Vec<String> {
    assert_eq!(got.status, 200, "{}", got.text);
    let bundle = got.json();
    let responses = bundle["entry"].as_array().cloned().unwrap_or_default();
    let answer = |entry: &serde_json::Value| {
        let response = &entry["response"];
        let status = response["status"].as_str().unwrap().split(' ').next().unwrap();
        match response["outcome"]["issue"][0]["code"].as_str() {
            Some(code) => format!("{status} {code}"),
            None => status.to_owned(),
        }
    };
    responses.iter().map(answer).collect()
}

#[tokio::test]
async fn bundles_meet_their_fates() {
    let file: File = toml::from_str(&read("bundles")).unwrap();
    assert!(file.bundle.len() >= 30, "{}", file.bundle.len());
    let service = Service::start();
    let mut wrong = Vec::new();
    for case in file.bundle {
        assert!(case.why.len() > 10, "{}", case.name);
        let got = service.api.call("POST", "/fhir", &[FHIR], body(&case.body)).await;
        match &case.answer {
            Answer::Entries(wanted) => {
                let found = entries(&got);
                if *wanted != found {
                    wrong.push(format!("{}: {found:?}", case.name));
                }
            }
            Answer::Whole(wanted) => {
                let status = got.status.as_u16();
                let code = got.issue(status)["code"].as_str().unwrap().to_owned();
                let found = Fate::Refused { status, code };
                if *wanted != found {
                    wrong.push(format!("{}: {found:?}", case.name));
                }
            }
        }
        for (id, wanted) in &case.after {
            let found = service.became(&format!("Observation/{id}"));
            if !wanted.is_met_by(&found, id) {
                wrong.push(format!("{}: {id} is {found:?}", case.name));
            }
        }
    }
    assert!(wrong.is_empty(), "{}:\n{}", wrong.len(), wrong.join("\n"));
    service.still_answers().await;
}
