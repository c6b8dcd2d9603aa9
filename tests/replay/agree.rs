//! Four ways, one answer.

use crate::made::{self, Dice};
use crate::naive::{self, Asked};
use crate::plain::Plain;
use crate::python::{SCRIPTS, python};
use deltaward::fhir::Instant;
use deltaward::recognise::Mapping;
use deltaward::replay::input::{File, Options as Scan, Silent};
use deltaward::replay::summary::{Options, Pairing, summary};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::LazyLock;

static MAPPING: LazyLock<Mapping> = LazyLock::new(Mapping::builtin);

const MINUTE: i64 = 60_000;
/// As `replay --summary` has them.
const PLAIN: Asked = Asked {
    before_millis: 60 * MINUTE,
    after_millis: 0,
    pairing: Pairing::Latest,
    as_of: None,
};

fn ours(path: &Path, asked: &Asked, threads: usize) -> Plain {
    ours_within(path, asked, threads, u64::MAX)
}

fn ours_within(path: &Path, asked: &Asked, threads: usize, memory_bytes: u64) -> Plain {
    let files = [File {
        name: path.display().to_string(),
        path: Some(path.to_owned()),
    }];
    let options = Options {
        scan: Scan { threads, strict: false },
        before_minutes: u32::try_from(asked.before_millis / MINUTE).unwrap(),
        after_minutes: u32::try_from(asked.after_millis / MINUTE).unwrap(),
        pairing: asked.pairing,
        as_of: asked.as_of.map(Instant::from_millis),
        memory_bytes,
    };
    Plain::from(&summary(&files, &MAPPING, &options, &Silent).unwrap())
}

fn written(folder: &Path, seed: u64, odd: bool) -> (PathBuf, String) {
    let path = folder.join(format!("{seed:04}.ndjson"));
    let text = made::file(seed, odd);
    fs::write(&path, &text).unwrap();
    (path, text)
}

/// DuckDB's ASOF JOIN and pandas' merge_asof, from PyPI, are outside; serde_json, jiff and the quadratic
/// loop are apart.
#[test]
fn the_plain_answer_is_that_of_duckdb_of_pandas_and_of_the_slow_way() {
    const FILES: u64 = 240;
    let folder = tempfile::tempdir().unwrap();
    let files: Vec<(PathBuf, String)> = (0..FILES).map(|seed| written(folder.path(), seed, false)).collect();
    let answers: Vec<Plain> = files.iter().map(|(path, _)| ours(path, &PLAIN, 2)).collect();
    for ((path, text), answer) in files.iter().zip(&answers) {
        assert_eq!(*answer, naive::answer(text, &PLAIN), "{}: {text}", path.display());
    }
    let python = python(&["duckdb", "pandas"], false).unwrap();
    // Both at once: they take the most of the time.
    let peers = ["duckdb_answer.py", "pandas_answer.py"].map(|script| {
        let mut command = Command::new(&python);
        command
            .arg(Path::new(SCRIPTS).join(script))
            .args(files.iter().map(|(path, _)| path));
        let child = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        (script, child)
    });
    for (script, child) in peers {
        let output = child.wait_with_output().unwrap();
        let told = String::from_utf8(output.stdout).unwrap();
        let errors = String::from_utf8_lossy(&output.stderr);
        assert_eq!(told.lines().count(), files.len(), "{script}: {errors}");
        for (((path, text), answer), line) in files.iter().zip(&answers).zip(told.lines()) {
            assert_eq!(*answer, answer.of_peer(line), "{script}: {}: {text}", path.display());
        }
    }
    // The files hold what they are made for.
    let all = |count: fn(&Plain) -> u64| answers.iter().map(count).sum::<u64>();
    assert!(all(|answer| answer.superseded) > 500);
    assert!(all(|answer| answer.withdrawn) > 200);
    assert!(all(|answer| answer.low) > 300);
    assert!(all(|answer| answer.pairs) > all(|answer| answer.low) + 300);
    assert!(all(|answer| answer.bad_lines) > 100);
    assert!(all(|answer| answer.groups) < all(|answer| answer.low_runs));
}

/// Other units (by UCUM's exact factors), zones, windows and choices, views of the past, and readings
/// that cannot be used.
#[test]
fn odd_files_give_the_answer_of_the_slow_way() {
    let folder = tempfile::tempdir().unwrap();
    let mut reasons = naive::SetAside::new();
    for seed in 1000..1200 {
        let (path, text) = written(folder.path(), seed, true);
        let mut dice = Dice::new(!seed);
        let asked = Asked {
            before_millis: *dice.pick(&[0, 5, 60, 90]) * MINUTE,
            after_millis: *dice.pick(&[0, 10, 60]) * MINUTE,
            pairing: *dice.pick(&[Pairing::Latest, Pairing::Nearest]),
            // Some time on 2026-01-05; 2026-01-05T00:00:00Z is 1767571200 by GNU date.
            as_of: dice.one_in(3).then(|| 1_767_571_200_000 + dice.from(0, 400) * MINUTE),
        };
        let threads = usize::try_from(dice.from(1, 3)).unwrap();
        let answer = ours(&path, &asked, threads);
        assert_eq!(answer, naive::answer(&text, &asked), "{}: {text}", path.display());
        for (reason, count) in answer.set_aside {
            *reasons.entry(reason).or_default() += count;
        }
    }
    let found: Vec<&str> = reasons.keys().map(String::as_str).collect();
    let expected = [
        "comparator",
        "no-effective-time",
        "no-patient",
        "no-value",
        "time-too-coarse",
        "unit-missing",
        "unit-unknown",
    ];
    assert_eq!(found, expected);
}

/// What goes to the temporary file and comes back is what would have stayed in memory: many files of the
/// same few ids and patients, so that many pieces are full.
#[test]
fn little_memory_gives_the_same_answer() {
    let folder = tempfile::tempdir().unwrap();
    let mut all = String::new();
    for seed in 2000..2400 {
        all.push_str(made::file(seed, true).trim_end_matches('\n'));
        all.push('\n');
    }
    let path = folder.path().join("all.ndjson");
    fs::write(&path, &all).unwrap();
    let expected = ours(&path, &PLAIN, 1);
    assert_eq!(expected, naive::answer(&all, &PLAIN));
    assert!(expected.observations > 10_000 && expected.pairs > 10 && !expected.set_aside.is_empty());
    for (memory_bytes, threads) in [(0, 1), (0, 2), (100_000, 2)] {
        assert_eq!(
            ours_within(&path, &PLAIN, threads, memory_bytes),
            expected,
            "{memory_bytes} {threads}"
        );
    }
}
