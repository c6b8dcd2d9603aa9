//! `deltaward replay` against libraries that join tables by time, on the same invented file, each as a
//! process of its own, in turn: `cargo bench --bench replay -- [OBSERVATIONS]… [--rounds N] [--program FILE]`
//! (1,000,000 Observations and 3 rounds without); with `--data FILE` the invented file is only written. It needs Python 3 with venv and a package index, and
//! ends with an error when two answers differ.
//!
//! Every figure is the round of the shortest wall time, and its ratio to DuckDB's in the same run.

#[path = "replay/data.rs"]
mod data;
#[path = "replay/python.rs"]
mod python;
#[path = "replay/table.rs"]
mod table;

use anyhow::Context;
use std::path::{Path, PathBuf};
use std::time::Instant;
use table::Entry;

const SEED: u64 = 20_260_105;

struct Arguments {
    sizes: Vec<u64>,
    rounds: u32,
    program: String,
    data: Option<PathBuf>,
}

fn arguments() -> anyhow::Result<Arguments> {
    let mut found = Arguments {
        sizes: Vec::new(),
        rounds: 3,
        program: env!("CARGO_BIN_EXE_deltaward").to_owned(),
        data: None,
    };
    let mut words = std::env::args().skip(1).filter(|word| word != "--bench");
    while let Some(word) = words.next() {
        match word.as_str() {
            "--rounds" => found.rounds = words.next().context("--rounds needs a number")?.parse()?,
            "--program" => found.program = words.next().context("--program needs a file")?,
            "--data" => found.data = Some(words.next().context("--data needs a file")?.into()),
            size => found
                .sizes
                .push(size.parse().with_context(|| format!("{size:?} is no number"))?),
        }
    }
    if found.sizes.is_empty() {
        found.sizes.push(1_000_000);
    }
    Ok(found)
}

fn main() -> anyhow::Result<()> {
    // `cargo test --all-targets` starts benches too, without the `--bench` of `cargo bench`: that they
    // start is enough there.
    if !std::env::args().any(|word| word == "--bench") {
        return Ok(());
    }
    let arguments = arguments()?;
    if let Some(file) = &arguments.data {
        return Ok(data::write(
            file,
            arguments.sizes.first().copied().unwrap_or_default(),
            SEED,
        )?);
    }
    let python = python::python(&["duckdb", "polars", "pandas"], true)?;
    for size in &arguments.sizes {
        measure(&python, &arguments, *size)?;
    }
    Ok(())
}

fn measure(python: &Path, arguments: &Arguments, size: u64) -> anyhow::Result<()> {
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR"))?;
    let file = folder.path().join("observations.ndjson");
    let began = Instant::now();
    data::write(&file, size, SEED)?;
    let bytes = std::fs::metadata(&file)?.len();
    println!(
        "{size} Observations, {:.2} GB, {} bytes each, made in {:.1?}",
        bytes as f64 / 1e9,
        bytes / size.max(1),
        began.elapsed()
    );
    let file = file.display().to_string();
    let report = folder.path().join("report.html").display().to_string();
    let script = |name: &str| {
        let script = format!("{}/{name}_answer.py", python::SCRIPTS);
        vec![python.display().to_string(), script, file.clone()]
    };
    let ours = |more: &[&str]| {
        let words = [arguments.program.as_str(), "replay", &file, "--threads", "2"];
        words.iter().chain(more).map(|word| (*word).to_owned()).collect()
    };
    let entry = |name, command, answers| Entry {
        name,
        command,
        answers,
        best: None,
    };
    let mut entries = [
        entry("DuckDB", script("duckdb"), true),
        entry("Polars", script("polars"), true),
        entry("pandas", script("pandas"), true),
        entry("replay --summary", ours(&["--summary"]), true),
        entry("replay --html", ours(&["--html", &report]), false),
    ];
    for _ in 0..arguments.rounds {
        for entry in &mut entries {
            entry.round(python)?;
        }
    }
    table::print(&entries);
    let answer = table::agree(&entries)?;
    println!("all the same: {answer}");
    Ok(())
}
