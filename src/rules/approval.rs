//! The approval record beside a rule sheet: who answers for exactly this text. Pure.
//!
//! One `[[approval]]` each, oldest first; a further approval is added at the end and none is changed.

use super::Sheet;
use super::sheet::SheetError;
use crate::fhir::{Instant, datetime};
use serde::{Deserialize, Serialize};

/// The longest role and the longest note, characters.
pub const TEXT_MAX: usize = 500;

/// One approval of one text.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Approval {
    /// Id of the sheet.
    pub sheet: String,
    /// Its version.
    pub version: String,
    /// SHA-256 of the text that was approved, hex.
    pub sha256: String,
    /// When.
    pub at: Instant,
    /// In which role it was approved; never a person's name.
    pub role: String,
    /// What the approval rests on.
    pub note: String,
}

/// The approvals in the record beside a sheet.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ApprovalRecord {
    /// Of exactly this text.
    pub of_this: Vec<Approval>,
    /// Of another text: an earlier or a changed sheet.
    pub of_another: Vec<Approval>,
}

/// A role or a note, trimmed.
///
/// # Errors
/// When it is empty, of several lines, or longer than [`TEXT_MAX`].
pub fn one_line(text: &str) -> Result<String, String> {
    let text = text.trim();
    let length = text.chars().count();
    if length == 0 || length > TEXT_MAX || text.chars().any(char::is_control) {
        return Err(format!("give one line of 1 to {TEXT_MAX} characters"));
    }
    Ok(text.to_owned())
}

/// As it stands in the file.
#[derive(Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
struct FileRecord {
    approval: Vec<FileApproval>,
}

#[derive(Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
struct FileApproval {
    sheet: String,
    version: String,
    sha256: String,
    at: String,
    role: String,
    note: String,
}

impl Approval {
    /// An approval of `sheet` as it was read; role and note as [`one_line`] gave them.
    pub fn new(sheet: &Sheet, role: &str, note: &str, at: Instant) -> Self {
        Self {
            sheet: sheet.id.clone(),
            version: sheet.version.clone(),
            sha256: sheet.hash.clone(),
            at,
            role: role.to_owned(),
            note: note.to_owned(),
        }
    }

    /// "as trauma lead on 2026-03-05T10:00:00.000Z: reviewed".
    pub fn words(&self) -> String {
        format!("as {} on {}: {}", self.role, self.at, self.note)
    }

    /// As a table for the end of a record.
    ///
    /// # Errors
    /// Never for checked texts; the writer's error is passed on all the same.
    pub fn to_toml(&self) -> Result<String, String> {
        let approval = FileApproval {
            sheet: self.sheet.clone(),
            version: self.version.clone(),
            sha256: self.sha256.clone(),
            at: self.at.to_string(),
            role: self.role.clone(),
            note: self.note.clone(),
        };
        let record = FileRecord {
            approval: vec![approval],
        };
        toml::to_string(&record).map_err(|error| error.to_string())
    }
}

impl ApprovalRecord {
    /// The record in `text` as it concerns the text whose SHA-256 is `hash`. `file` is for errors.
    ///
    /// # Errors
    /// When the text is no approval record.
    pub fn parse(file: &str, text: &str, hash: &str) -> Result<Self, SheetError> {
        let refused = |message: String| SheetError::of_whole(file, message);
        let record: FileRecord = toml::from_str(text).map_err(|error| {
            refused(format!(
                "this is no approval record ({}); mend it, or take it away and approve the sheet again",
                error.to_string().trim_end()
            ))
        })?;
        let mut sorted = Self::default();
        for one in record.approval {
            let at =
                datetime::parse_instant(&one.at).map_err(|error| refused(format!("at = {:?}: {error}", one.at)))?;
            let approval = Approval {
                sheet: one.sheet,
                version: one.version,
                sha256: one.sha256,
                at,
                role: one.role,
                note: one.note,
            };
            for (name, given) in [("role", &approval.role), ("note", &approval.note)] {
                if one_line(given).is_err() {
                    return Err(refused(format!(
                        "an approval has no usable {name} (one line, not empty); take the record away and approve the sheet again"
                    )));
                }
            }
            if approval.sha256 == hash {
                sorted.of_this.push(approval);
            } else {
                sorted.of_another.push(approval);
            }
        }
        Ok(sorted)
    }

    /// "approved as trauma lead on …: …"; else "not approved", and what there is instead.
    pub fn words(&self) -> String {
        match (self.of_this.as_slice(), self.of_another.last()) {
            ([], None) => String::from("not approved"),
            ([], Some(other)) => format!(
                "not approved: the record beside it is of another text (version {}, SHA-256 {}…)",
                other.version,
                other.sha256.get(..12).unwrap_or(&other.sha256)
            ),
            (approvals, _) => {
                let words: Vec<String> = approvals.iter().map(Approval::words).collect();
                format!("approved {}", words.join("; "))
            }
        }
    }
}
