//! What every written resource carries beside its facts: the mode, the rule sheet, who is told.

use serde::{Deserialize, Serialize};

/// CodeSystem of the `meta.tag` that says whether a resource was written in shadow or live.
pub const MODE_SYSTEM: &str = "https://deltaward.example/fhir/CodeSystem/mode";

/// Whether what is derived may leave the service.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Mode {
    /// All is computed and shown, nothing leaves.
    Shadow,
    /// What is derived is delivered.
    Live,
}

impl Mode {
    /// Code in [`MODE_SYSTEM`].
    pub fn code(self) -> &'static str {
        match self {
            Mode::Shadow => "shadow",
            Mode::Live => "live",
        }
    }
}

/// Which rule sheet judged: written into every resource, so that an old alert can be explained.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SheetRef {
    /// Id of the sheet ("adult").
    pub id: String,
    /// Its version.
    pub version: String,
    /// SHA-256 of its text, hex.
    pub hash: String,
}

impl From<&crate::rules::Sheet> for SheetRef {
    fn from(sheet: &crate::rules::Sheet) -> Self {
        Self {
            id: sheet.id.clone(),
            version: sheet.version.clone(),
            hash: sheet.hash.clone(),
        }
    }
}

impl SheetRef {
    /// "adult, version 1.0.0, 0123456789ab": the hash shortened to twelve digits, enough to tell two apart.
    pub fn words(&self) -> String {
        let short: String = self.hash.chars().take(12).collect();
        format!("{}, version {}, {short}", self.id, self.version)
    }
}

/// What a resource needs beside its draft.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct MessageContext {
    /// Shadow or live.
    pub mode: Mode,
    /// The rule sheet that judged the patient of whom the draft speaks.
    pub sheet: SheetRef,
    /// Whom the configuration names as recipients: references (`Group/ward-4`, an absolute URL);
    /// anything without a `/` or `urn:` is written as a display text.
    pub recipients: Vec<String>,
}
