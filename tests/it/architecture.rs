//! The map is the layout: pure modules stay pure, and dependencies point one way.

use std::fs;
use std::path::{Path, PathBuf};

/// Modules and files without I/O, clock or randomness.
const PURE: &[&str] = &[
    "fhir",
    "recognise",
    "pair",
    "rules",
    "patient",
    "outbox",
    "server/charts",
    "replay/cohort.rs",
    "replay/gather.rs",
    "replay/bounds.rs",
    "replay/calm.rs",
    "replay/clock.rs",
    "replay/findings.rs",
    "replay/one.rs",
    "replay/burden.rs",
    "replay/statistics.rs",
    "replay/labels.rs",
    "replay/against.rs",
    "replay/sweep.rs",
    "replay/report",
];

/// What a pure module may not name: shells of ours, crates that reach outside, clocks, chance.
const FORBIDDEN: &[&str] = &[
    "crate::config",
    "crate::source",
    "crate::store",
    "crate::delivery",
    "crate::server",
    "crate::pipeline",
    "tokio",
    "reqwest",
    "rusqlite",
    "axum",
    "tracing",
    "tower",
    "hyper",
    "prometheus_client",
    "std::fs",
    "std::io",
    "std::net",
    "std::env",
    "std::process",
    "std::thread",
    "std::time::Instant",
    "SystemTime",
    "Timestamp::now",
    "Zoned::now",
    "Uuid::new_v4",
    "fastrand",
    "rand::",
];

/// Shells that may not know each other, and why not: only the pipeline wires them.
const APART: &[(&str, &[&str])] = &[
    (
        "config",
        &[
            "crate::source",
            "crate::store",
            "crate::delivery",
            "crate::server",
            "crate::pipeline",
        ],
    ),
    (
        "store",
        &["crate::delivery", "crate::server", "crate::pipeline", "crate::config"],
    ),
    ("source", &["crate::server", "crate::pipeline"]),
    ("delivery", &["crate::server", "crate::pipeline"]),
    ("server", &["crate::pipeline"]),
];

pub fn src() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("src")
}

pub fn rust_files(folder: &Path) -> Vec<PathBuf> {
    if folder.is_file() {
        return vec![folder.to_owned()];
    }
    let mut files = Vec::new();
    for entry in fs::read_dir(folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display())) {
        let path = entry.unwrap().path();
        if path.is_dir() {
            files.extend(rust_files(&path));
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            files.push(path);
        }
    }
    files
}

/// The code lines of a file that name something forbidden. Comments do not count, nor does the
/// part of a file after its `#[cfg(test)]`.
fn offences(text: &str, forbidden: &[&str], own: &str) -> Vec<String> {
    let code = text.split("#[cfg(test)]").next().unwrap_or_default();
    let mut found = Vec::new();
    for line in code.lines() {
        let line = line.split("//").next().unwrap_or_default();
        for word in forbidden.iter().filter(|word| !own.starts_with(**word)) {
            let mut from = 0;
            while let Some(at) = line[from..].find(word) {
                let start = from + at;
                let before = line[..start].chars().next_back();
                let after = line[start + word.len()..].chars().next();
                let whole = |c: Option<char>| !c.is_some_and(|c| c.is_alphanumeric() || c == '_');
                if whole(before) && (word.ends_with("::") || whole(after)) {
                    found.push(format!("{word} in: {}", line.trim()));
                }
                from = start + word.len();
            }
        }
    }
    found
}

#[test]
pub fn pure_modules_reach_no_shell() {
    let mut wrong = Vec::new();
    for module in PURE {
        let own = format!("crate::{}", module.replace('/', "::"));
        let files = rust_files(&src().join(module));
        assert!(
            !files.is_empty(),
            "{module} has no files: is it still where the map says?"
        );
        for file in files {
            let text = fs::read_to_string(&file).unwrap();
            wrong.extend(
                offences(&text, FORBIDDEN, &own)
                    .into_iter()
                    .map(|line| format!("{}: {line}", file.display())),
            );
        }
    }
    assert!(wrong.is_empty(), "pure modules reach outside:\n{}", wrong.join("\n"));
}

#[test]
fn the_check_can_fail() {
    for planted in [
        "use tokio::sync::mpsc;",
        "let now = SystemTime::now();",
        "use crate::store::Store;",
        "std::fs::read(x)",
    ] {
        assert!(
            !offences(planted, FORBIDDEN, "crate::patient").is_empty(),
            "{planted} was not seen"
        );
    }
    for innocent in [
        "// tokio is not used here",
        "use crate::recognise::Reading;",
        "let tokio_free = 1;",
    ] {
        assert!(
            offences(innocent, FORBIDDEN, "crate::patient").is_empty(),
            "{innocent} was blamed"
        );
    }
}

#[test]
fn shells_are_wired_only_by_the_pipeline() {
    for (module, forbidden) in APART {
        for file in rust_files(&src().join(module)) {
            let text = fs::read_to_string(&file).unwrap();
            let found = offences(&text, forbidden, "");
            assert!(found.is_empty(), "{}: {found:?}", file.display());
        }
    }
}

#[test]
fn the_map_names_every_module_in_the_order_of_the_flow() {
    let text = fs::read_to_string(src().join("lib.rs")).unwrap();
    let declared: Vec<&str> = text
        .lines()
        .filter_map(|line| line.strip_prefix("pub mod ")?.strip_suffix(';'))
        .collect();
    let flow = [
        "config",
        "fhir",
        "source",
        "recognise",
        "pair",
        "rules",
        "patient",
        "outbox",
        "store",
        "delivery",
        "server",
        "pipeline",
        "replay",
    ];
    assert_eq!(declared, flow);
    for module in flow {
        assert!(
            text.contains(&format!("[`{module}`]")),
            "the map does not describe {module}"
        );
    }
}

#[test]
fn files_stay_readable() {
    let mut long = Vec::new();
    for file in rust_files(&src()) {
        let lines = fs::read_to_string(&file).unwrap().lines().count();
        if lines > 600 {
            long.push(format!("{} has {lines} lines", file.display()));
        }
    }
    assert!(long.is_empty(), "split these by meaning: {long:?}");
}
