//! What was measured, and whether the answers agree.

use anyhow::{Context, ensure};
use serde::Deserialize;
use serde_json::Value;
use std::path::Path;
use std::process::{Command, Stdio};

/// What the answers must agree in.
const FIELDS: [&str; 8] = [
    "observations",
    "superseded",
    "withdrawn",
    "pairs",
    "low",
    "low_runs",
    "groups",
    "first_low_sha256",
];

/// One process, from start to end.
#[derive(Deserialize)]
pub struct Measured {
    pub wall_s: f64,
    /// Of user and system.
    pub cpu_s: f64,
    pub peak_kib: f64,
    status: i32,
    output: String,
}

/// Run a command and see what it takes.
pub fn measure(python: &Path, command: &[String]) -> anyhow::Result<Measured> {
    let script = format!("{}/measure.py", super::python::SCRIPTS);
    let output = Command::new(python)
        .arg(script)
        .args(command)
        .stderr(Stdio::inherit())
        .output()?;
    let measured: Measured =
        serde_json::from_slice(&output.stdout).with_context(|| format!("{command:?} was not measured"))?;
    ensure!(measured.status == 0, "{command:?} ended with {}", measured.status);
    Ok(measured)
}

/// One way to the answer, and its best round.
pub struct Entry {
    pub name: &'static str,
    pub command: Vec<String>,
    /// Whether it prints the answer.
    pub answers: bool,
    pub best: Option<Measured>,
}

impl Entry {
    /// Measure once more; the shortest wall time is kept, with all that belongs to it.
    pub fn round(&mut self, python: &Path) -> anyhow::Result<()> {
        let measured = measure(python, &self.command)?;
        if self.best.as_ref().is_none_or(|best| measured.wall_s < best.wall_s) {
            self.best = Some(measured);
        }
        Ok(())
    }

    fn answer(&self) -> anyhow::Result<Value> {
        let output = self.best.as_ref().map(|best| best.output.as_str()).unwrap_or_default();
        serde_json::from_str(output).with_context(|| format!("{}: no answer in {output:?}", self.name))
    }
}

/// The table, with ratios to the first entry.
pub fn print(entries: &[Entry]) {
    println!("| | wall s | CPU s | peak MiB | wall ratio | CPU ratio | memory ratio |");
    println!("|---|---:|---:|---:|---:|---:|---:|");
    let Some(first) = entries.first().and_then(|entry| entry.best.as_ref()) else {
        return;
    };
    for entry in entries {
        let Some(best) = &entry.best else { continue };
        println!(
            "| {} | {:.3} | {:.3} | {:.0} | {:.3} | {:.3} | {:.3} |",
            entry.name,
            best.wall_s,
            best.cpu_s,
            best.peak_kib / 1024.0,
            best.wall_s / first.wall_s,
            best.cpu_s / first.cpu_s,
            best.peak_kib / first.peak_kib
        );
    }
}

/// # Errors
/// When two answers differ, and in what.
pub fn agree(entries: &[Entry]) -> anyhow::Result<Value> {
    let mut answering = entries.iter().filter(|entry| entry.answers);
    let first = answering.next().context("nothing was asked")?;
    let expected = first.answer()?;
    for entry in answering {
        let found = entry.answer()?;
        for field in FIELDS {
            let (one, other) = (&expected[field], &found[field]);
            ensure!(!one.is_null(), "{}: no {field}", first.name);
            ensure!(
                one == other,
                "{field}: {one} says {}, {other} says {}",
                first.name,
                entry.name
            );
        }
        let (one, other) = (sum(&expected)?, sum(&found)?);
        ensure!(
            one == other,
            "sum_delta_mmhg: {one} says {}, {other} says {}",
            first.name,
            entry.name
        );
    }
    Ok(expected)
}

/// Exact, whether it came as a number or as a text.
fn sum(answer: &Value) -> anyhow::Result<deltaward::fhir::Decimal> {
    let field = &answer["sum_delta_mmhg"];
    let text = field.as_str().map_or_else(|| field.to_string(), str::to_owned);
    text.parse::<deltaward::fhir::Decimal>()
        .map(|number| number.normalize())
        .with_context(|| format!("sum_delta_mmhg: {text:?}"))
}
