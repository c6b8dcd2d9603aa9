//! RFC 8259 by JSONTestSuite (`fixtures/json-test-suite`): each file as the value of a member that
//! nobody reads, at the door and in the reader of Observations.

use crate::malformed::service::{Service, diastolic};
use deltaward::fhir::observation::parse;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::path::Path;

#[derive(Deserialize)]
struct Fates {
    fate: Vec<Fate>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Fate {
    why: String,
    door: Wanted,
    reader: Wanted,
    files: Vec<String>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Wanted {
    Accepted,
    Refused,
}

fn folder() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/json-test-suite")
}

/// Name, bytes, and what the door and the reader must do with it.
fn files() -> Vec<(String, Vec<u8>, [Wanted; 2])> {
    let fates: Fates = toml::from_str(&std::fs::read_to_string(folder().join("fates.toml")).unwrap()).unwrap();
    let mut open = BTreeMap::new();
    for fate in fates.fate {
        assert!(fate.why.starts_with("RFC 8259 section "), "{}", fate.why);
        for file in fate.files {
            assert!(
                open.insert(file.clone(), [fate.door, fate.reader]).is_none(),
                "{file} twice"
            );
        }
    }
    let mut files: Vec<_> = std::fs::read_dir(folder())
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|ending| ending == "json"))
        .map(|path| {
            let name = path.file_name().unwrap().to_str().unwrap().to_owned();
            let wanted = match &name[..2] {
                "y_" => [Wanted::Accepted; 2],
                "n_" => [Wanted::Refused; 2],
                _ => open.remove(&name).unwrap_or_else(|| panic!("{name} has no fate")),
            };
            (name, std::fs::read(path).unwrap(), wanted)
        })
        .collect();
    assert!(open.is_empty(), "no such files: {:?}", open.keys());
    files.sort_by(|one, other| one.0.cmp(&other.0));
    let count = |kind: &str| files.iter().filter(|(name, ..)| name.starts_with(kind)).count();
    assert_eq!([count("y_"), count("n_"), count("i_")], [95, 189, 35]);
    files
}

/// A diastolic of 70 with the file's bytes as the value of one more member.
fn wrapped(id: &str, file: &[u8]) -> Vec<u8> {
    let observation = diastolic(id).to_string();
    let rest = observation.strip_prefix('{').unwrap();
    [b"{\"unread\":", file, b",", rest.as_bytes()].concat()
}

#[test]
fn the_reader_of_observations_takes_and_refuses_as_the_suite_says() {
    for (name, file, [_, wanted]) in files() {
        let body = wrapped("a", &file);
        let read = std::str::from_utf8(&body).ok().and_then(|text| parse(text).ok());
        match wanted {
            Wanted::Accepted => {
                let observation = read.unwrap_or_else(|| panic!("{name} is refused"));
                let quantity = observation.value_quantity.as_ref().unwrap();
                assert_eq!(quantity.value.unwrap().get(), "70", "{name}");
            }
            Wanted::Refused => assert!(read.is_none(), "{name} is accepted"),
        }
        // On its own it is no Observation, so what is refused inside one is refused alone.
        if wanted == Wanted::Refused
            && let Ok(text) = std::str::from_utf8(&file)
        {
            assert!(parse(text).is_err(), "{name}");
        }
    }
}

#[tokio::test]
async fn the_door_takes_and_refuses_as_the_suite_says() {
    let service = Service::start();
    let mut kept = 0;
    for (index, (name, file, [wanted, _])) in files().into_iter().enumerate() {
        let id = format!("s{index}");
        let got = service.put(&id, wrapped(&id, &file)).await;
        match wanted {
            Wanted::Accepted => {
                assert_eq!(got.status.as_u16(), 201, "{name}: {}", got.text);
                let served = service.api.get(&format!("/fhir/Observation/{id}")).await;
                // Byte for byte, but for white space around the value.
                let text = std::str::from_utf8(&file).unwrap().trim();
                assert!(
                    served.text.contains(&format!("\"unread\":{text}")),
                    "{name}: {}",
                    served.text
                );
                assert!(service.set_aside(&format!("Observation/{id}")).is_empty(), "{name}");
                kept += 1;
            }
            Wanted::Refused => {
                let code = got.issue(400)["code"].as_str().unwrap().to_owned();
                assert!(["structure", "value", "too-long"].contains(&&*code), "{name}: {code}");
                service.api.get(&format!("/fhir/Observation/{id}")).await.issue(404);
            }
        }
    }
    assert_eq!(kept, 105);
    service.still_answers().await;
}
