//! The rule sheets that the configuration names, with the approval record beside each.

use crate::config::{Config, RulesConfig};
use crate::patient::examples;
use crate::rules::{ApprovalRecord, Sheet, Sheets};
use anyhow::{Context, bail};
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

/// The sheets in force: those that the configuration names, else the built-in ones.
///
/// # Errors
/// When one cannot be read, is refused, does not do what its examples say, or does not fit its place.
pub fn in_force(config: &RulesConfig) -> anyhow::Result<Sheets> {
    let adult = match &config.sheet {
        Some(path) => tried(path).context("[rules] sheet")?,
        None => Sheet::adult()?,
    };
    let child = match &config.child_sheet {
        Some(path) => tried(path).context("[rules] child_sheet")?,
        None => Sheet::child()?,
    };
    Ok(Sheets::new(adult, child)?)
}

/// A sheet whose examples this very program confirms: another version may have judged otherwise
/// when it was approved.
fn tried(path: &Path) -> anyhow::Result<Sheet> {
    let sheet = read(path)?;
    examples_hold(path, &sheet)?;
    Ok(sheet)
}

/// # Errors
/// When an example does not come out as the sheet says; names each.
pub fn examples_hold(path: &Path, sheet: &Sheet) -> anyhow::Result<()> {
    let failures = examples::failures(sheet);
    if failures.is_empty() {
        return Ok(());
    }
    let lines: Vec<String> = failures.iter().map(ToString::to_string).collect();
    bail!(
        "{}: {} of its examples fail, so it does not do what it says and can be neither used nor approved:\n{}",
        path.display(),
        failures.len(),
        lines.join("\n")
    )
}

/// One sheet from its file, with the record beside it.
///
/// # Errors
/// When one of them cannot be read or is refused.
pub fn read(path: &Path) -> anyhow::Result<Sheet> {
    let mut sheet = Sheet::checked(&path.display().to_string(), &text(path)?)?;
    sheet.record = record(path, &sheet.hash)?;
    Ok(sheet)
}

/// The text of a sheet.
///
/// # Errors
/// When it cannot be read.
pub fn text(path: &Path) -> anyhow::Result<String> {
    std::fs::read_to_string(path).with_context(|| {
        format!(
            "{} cannot be read; name an existing rule sheet, or none for the built-in one",
            path.display()
        )
    })
}

/// Where the approvals of a sheet are kept: `sheet.toml.approval.toml`.
pub fn record_path(sheet: &Path) -> PathBuf {
    let mut name = sheet.as_os_str().to_owned();
    name.push(".approval.toml");
    PathBuf::from(name)
}

fn record(sheet: &Path, hash: &str) -> anyhow::Result<ApprovalRecord> {
    let path = record_path(sheet);
    match std::fs::read_to_string(&path) {
        Ok(text) => Ok(ApprovalRecord::parse(&path.display().to_string(), &text, hash)?),
        Err(error) if error.kind() == ErrorKind::NotFound => Ok(ApprovalRecord::default()),
        Err(error) => Err(error).with_context(|| format!("{} cannot be read; mend its rights", path.display())),
    }
}

/// Refuse to send anything that a sheet nobody answers for has decided.
///
/// # Errors
/// When the sink is live and a sheet in force is not approved; says which, what is missing, and the
/// two ways on.
pub fn require_approval(config: &Config, sheets: &Sheets) -> anyhow::Result<()> {
    if !config.sink.as_ref().is_some_and(|sink| sink.live) {
        return Ok(());
    }
    let places = [
        ("sheet", "adult.toml", "", &config.rules.sheet),
        ("child_sheet", "child.toml", " --child", &config.rules.child_sheet),
    ];
    let mut missing = Vec::new();
    for (sheet, (key, name, child, path)) in sheets.both().into_iter().zip(places) {
        if sheet.approved() {
            continue;
        }
        missing.push(match path {
            Some(path) => format!(
                "[rules] {key} {} ({} {}, SHA-256 {}): {}",
                path.display(),
                sheet.id,
                sheet.version,
                sheet.hash,
                lacks(path, sheet)
            ),
            None => format!(
                "[rules] {key} is not set, and the built-in {} {} is approved by nobody here: save it with \
                 `deltaward rules show{child} --source > {name}` and name that file",
                sheet.id, sheet.version
            ),
        });
    }
    if missing.is_empty() {
        return Ok(());
    }
    bail!(
        "[sink] mode = \"live\" needs rule sheets that somebody answers for.\n{}\nApprove with `deltaward rules approve FILE \
         --by ROLE --note TEXT`, or set [sink] mode = \"shadow\": then all is computed and shown and nothing is sent.",
        missing.join("\n")
    )
}

/// What is missing of the record beside a sheet.
fn lacks(path: &Path, sheet: &Sheet) -> String {
    let record = record_path(path);
    match sheet.record.of_another.last() {
        None => format!("there is no approval record {}", record.display()),
        Some(other) => format!(
            "{} approves another text (version {}, SHA-256 {}), not this one",
            record.display(),
            other.version,
            other.sha256
        ),
    }
}

/// One line for each sheet in force, for startup and `config check`.
pub fn lines(sheets: &Sheets) -> Vec<String> {
    let line = |sheet: &Sheet| {
        format!(
            "rules: {}: {} {}, SHA-256 {}: {}",
            sheet.ages.words(),
            sheet.id,
            sheet.version,
            sheet.hash.get(..12).unwrap_or(&sheet.hash),
            sheet.record.words()
        )
    };
    sheets.both().map(line).into()
}
