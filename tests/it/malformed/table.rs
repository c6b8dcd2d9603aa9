//! The case files: members of a good Observation with wrong values.

use super::fate::Fate;
use super::service::{compartment, diastolic};
use regex::{Captures, Regex};
use serde::Deserialize;
use serde_json::Value;
use std::collections::BTreeMap;
use std::fmt;
use std::path::{Path, PathBuf};
use std::sync::LazyLock;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    table: Vec<Table>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Table {
    base: Base,
    path: String,
    #[serde(default)]
    without: Vec<String>,
    why: String,
    cases: BTreeMap<String, Fate>,
}

#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Base {
    Diastolic,
    Compartment,
}

/// One input with its fate.
pub struct Case {
    base: Base,
    path: String,
    without: Vec<String>,
    text: String,
    pub fate: Fate,
}

impl fmt::Display for Case {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{:?} {} (without {:?}) = {}",
            self.base, self.path, self.without, self.text
        )
    }
}

pub fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/malformed")
}

/// The text of a case file.
pub fn read(name: &str) -> String {
    std::fs::read_to_string(folder().join(name).with_extension("toml")).unwrap()
}

pub fn cases(name: &str) -> Vec<Case> {
    let file: File = toml::from_str(&read(name)).unwrap_or_else(|error| panic!("{name}: {error}"));
    let mut all = Vec::new();
    for table in file.table {
        assert!(
            !table.cases.is_empty() && table.why.len() > 10,
            "{name}: {}",
            table.path
        );
        all.extend(table.cases.into_iter().map(|(text, fate)| Case {
            base: table.base,
            path: table.path.clone(),
            without: table.without.clone(),
            text,
            fate,
        }));
    }
    all
}

/// `<<1000 9>>` is a thousand nines.
static REPEATED: LazyLock<Regex> = LazyLock::new(|| Regex::new(r"(?s)<<([0-9]+) (.+?)>>").unwrap());

pub fn expanded(text: &str) -> String {
    let repeat = |found: &Captures<'_>| found[2].repeat(found[1].parse().unwrap());
    REPEATED.replace_all(text, repeat).into_owned()
}

/// `\xff` is a byte.
pub fn bytes(text: &str) -> Vec<u8> {
    let mut parts = text.split("\\x");
    let mut bytes = parts.next().unwrap().as_bytes().to_vec();
    for part in parts {
        bytes.push(u8::from_str_radix(&part[..2], 16).unwrap());
        bytes.extend_from_slice(&part.as_bytes()[2..]);
    }
    bytes
}

impl Case {
    /// One member of a good diastolic.
    pub fn diastolic(path: &str, text: &str, fate: Fate) -> Self {
        Self {
            base: Base::Diastolic,
            path: path.to_owned(),
            without: Vec::new(),
            text: text.to_owned(),
            fate,
        }
    }

    /// The body to be put as the Observation `id`.
    pub fn body(&self, id: &str) -> Vec<u8> {
        let mut resource = match self.base {
            Base::Diastolic => diastolic(id),
            Base::Compartment => compartment(id),
        };
        for member in &self.without {
            assert!(resource.as_object_mut().unwrap().remove(member).is_some(), "{self}");
        }
        let text = expanded(&self.text);
        let whole = match self.path.as_str() {
            "." => text,
            "<" => format!("{text}{resource}"),
            ">" => format!("{resource}{text}"),
            "+" => format!("{},{text}}}", resource.to_string().strip_suffix('}').unwrap()),
            path => {
                set(&mut resource, path);
                resource.to_string().replacen(&format!("\"{HERE}\""), &text, 1)
            }
        };
        bytes(&whole)
    }
}

/// Where the text of a case goes.
const HERE: &str = "here-goes-the-text-of-the-case";

fn set(resource: &mut Value, path: &str) {
    let mut value = resource;
    for step in path.split('.') {
        value = match step.parse::<usize>() {
            Ok(index) => &mut value[index],
            Err(_) => &mut value[step],
        };
    }
    *value = Value::from(HERE);
}
