//! What the fuzz targets (`tests/fuzz`) keep, held against the same properties: no finding comes back.

use crate::properties;
use std::path::{Path, PathBuf};

/// The most that is kept of one target, so that the replay stays short.
const MOST_FILES: usize = 100;
/// Of all targets together, bytes.
const MOST_BYTES: u64 = 2 << 20;

/// Name, property, and the folders of the project that are its seeds too.
type Target = (&'static str, fn(&[u8]), &'static [&'static str]);

const TARGETS: [Target; 5] = [
    ("datetime", properties::datetime::holds, &[]),
    (
        "observation",
        properties::observation::holds,
        &["fixtures/observations", "fixtures/procedures", "fixtures/official"],
    ),
    ("bundle", properties::bundle::holds, &["fixtures/official"]),
    ("config", properties::config::holds, &["deploy/config"]),
    ("rules", properties::rules::holds, &["profiles/rules"]),
];

fn files(folder: &str) -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join(folder);
    let entries = std::fs::read_dir(&folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display()));
    let mut files: Vec<PathBuf> = entries.map(|entry| entry.unwrap().path()).collect();
    files.retain(|path| path.is_file());
    files.sort();
    files
}

fn replay(target: &str) {
    let (_, holds, seeds) = TARGETS.iter().find(|(name, ..)| *name == target).unwrap();
    let kept = files(&format!("tests/fuzz/corpus/{target}"));
    assert!((5..=MOST_FILES).contains(&kept.len()), "{target}: {}", kept.len());
    for path in kept.into_iter().chain(seeds.iter().flat_map(|folder| files(folder))) {
        // Shown when the next line panics.
        println!("{}", path.display());
        holds(&std::fs::read(&path).unwrap());
    }
}

#[test]
fn datetime() {
    replay("datetime");
}

#[test]
fn observation() {
    replay("observation");
}

#[test]
fn bundle() {
    replay("bundle");
}

#[test]
fn config() {
    replay("config");
}

#[test]
fn rules() {
    replay("rules");
}

#[test]
fn the_corpora_are_small_and_every_target_has_one() {
    let kept = TARGETS
        .iter()
        .flat_map(|(target, ..)| files(&format!("tests/fuzz/corpus/{target}")));
    let bytes: u64 = kept.map(|path| path.metadata().unwrap().len()).sum();
    assert!((1..=MOST_BYTES).contains(&bytes), "{bytes}");
    let mut built: Vec<String> = files("tests/fuzz/targets")
        .iter()
        .map(|path| path.file_stem().unwrap().to_str().unwrap().to_owned())
        .collect();
    built.sort();
    let mut named = TARGETS.map(|(target, ..)| target.to_owned()).to_vec();
    named.sort();
    assert_eq!(built, named);
}
