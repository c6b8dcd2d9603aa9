//! What the `rules` commands read and write.

use super::sheets;
use crate::fhir::Instant;
use crate::outbox::Validator;
use crate::rules::sheet::{ADULT, CHILD};
use crate::rules::{Approval, Sheet, export};
use anyhow::{Context, anyhow};
use std::io::Write;
use std::path::{Path, PathBuf};

/// Which sheet a command is about.
#[derive(Clone, Debug)]
pub enum Which {
    /// The built-in one for adults.
    Adult,
    /// The built-in one for children.
    Child,
    /// A file.
    File(PathBuf),
}

impl Which {
    /// The file, or a built-in sheet.
    pub fn of(file: Option<PathBuf>, child: bool) -> Self {
        match (file, child) {
            (Some(path), _) => Self::File(path),
            (None, true) => Self::Child,
            (None, false) => Self::Adult,
        }
    }

    /// The sheet, with the approvals beside it.
    ///
    /// # Errors
    /// When it cannot be read or is refused.
    pub fn sheet(&self) -> anyhow::Result<Sheet> {
        match self {
            Self::Adult => Ok(Sheet::adult()?),
            Self::Child => Ok(Sheet::child()?),
            Self::File(path) => sheets::read(path),
        }
    }

    /// Its text.
    ///
    /// # Errors
    /// When it cannot be read.
    pub fn text(&self) -> anyhow::Result<String> {
        match self {
            Self::Adult => Ok(ADULT.to_owned()),
            Self::Child => Ok(CHILD.to_owned()),
            Self::File(path) => sheets::text(path),
        }
    }
}

/// Write the sheet as FHIR resources into `folder`; answers the files.
///
/// # Errors
/// When the sheet is refused, a resource fails the R4 JSON Schema (a defect), or a file cannot be written.
pub fn write_resources(which: &Which, folder: &Path) -> anyhow::Result<Vec<PathBuf>> {
    let sheet = which.sheet()?;
    let text = which.text()?;
    let validator = Validator::of(&["PlanDefinition", "Library"])?;
    let mut written = Vec::new();
    for resource in export::export(&sheet, &text) {
        let name = resource["resourceType"].as_str().unwrap_or_default().to_owned();
        validator.validate(&resource).map_err(|faults| {
            anyhow!(
                "the {name} is not valid FHIR R4, a defect of this program: {}",
                faults.join("; ")
            )
        })?;
        let path = folder.join(format!("{name}-{}.json", sheet.id));
        let mut body = serde_json::to_string_pretty(&resource)?;
        body.push('\n');
        std::fs::write(&path, body).with_context(|| {
            format!(
                "{} cannot be written; name an existing folder with --out",
                path.display()
            )
        })?;
        written.push(path);
    }
    Ok(written)
}

/// Record that somebody answers for the sheet as it is now; earlier records stay as they are.
/// Answers the approval and the file it stands in.
///
/// # Errors
/// When the sheet is refused or one of its examples fails: such a sheet cannot be approved.
pub fn approve(path: &Path, role: &str, note: &str, now: Instant) -> anyhow::Result<(Approval, PathBuf)> {
    let sheet = sheets::read(path)?;
    sheets::examples_hold(path, &sheet)?;
    let approval = Approval::new(&sheet, role, note, now);
    let record = sheets::record_path(path);
    append(&record, &approval).with_context(|| format!("{} cannot be written", record.display()))?;
    Ok((approval, record))
}

/// What is in the file stays, byte for byte.
fn append(record: &Path, approval: &Approval) -> anyhow::Result<()> {
    let table = approval.to_toml().map_err(anyhow::Error::msg)?;
    let before = match std::fs::read_to_string(record) {
        Ok(before) => before,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => String::from(
            "# Who answers for the rule sheet beside this file, and for which text of it; written by\n\
             # `deltaward rules approve`. Roles, never names of persons.\n",
        ),
        Err(error) => return Err(error.into()),
    };
    let gap = if before.ends_with('\n') { "\n" } else { "\n\n" };
    // A new file in the old one's place: a power cut leaves the one or the other.
    let fresh = record.with_extension("toml.new");
    let mut file = std::fs::File::create(&fresh)?;
    file.write_all(format!("{before}{gap}{table}").as_bytes())?;
    file.sync_all()?;
    std::fs::rename(&fresh, record)?;
    Ok(())
}
