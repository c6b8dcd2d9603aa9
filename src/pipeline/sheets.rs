//! The rule sheets that the configuration names, read from their files.

use crate::config::RulesConfig;
use crate::rules::{Sheet, Sheets};
use anyhow::Context;
use std::path::Path;

/// The sheets in force: those that the configuration names, else the built-in ones.
///
/// # Errors
/// When one cannot be read, is refused, or does not fit its place.
pub fn in_force(config: &RulesConfig) -> anyhow::Result<Sheets> {
    let adult = match &config.sheet {
        Some(path) => read(path).context("[rules] sheet")?,
        None => Sheet::adult()?,
    };
    let child = match &config.child_sheet {
        Some(path) => read(path).context("[rules] child_sheet")?,
        None => Sheet::child()?,
    };
    Ok(Sheets::new(adult, child)?)
}

/// One sheet from its file.
///
/// # Errors
/// When it cannot be read or is refused.
pub fn read(path: &Path) -> anyhow::Result<Sheet> {
    let name = path.display().to_string();
    let text = std::fs::read_to_string(path)
        .with_context(|| format!("{name} cannot be read; name an existing rule sheet, or none for the built-in one"))?;
    Ok(Sheet::checked(&name, &text)?)
}
