//! Arguments → files.

use crate::replay::ReplayError;
use std::path::{Path, PathBuf};

/// How the files of a folder end.
const ENDINGS: [&str; 2] = [".ndjson", ".jsonl"];
/// What may follow.
const COMPRESSED: [&str; 2] = [".gz", ".zst"];

/// One input.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct File {
    /// As it is shown.
    pub name: String,
    /// None: standard input.
    pub path: Option<PathBuf>,
}

impl File {
    fn of(path: PathBuf) -> Self {
        Self {
            name: path.display().to_string(),
            path: Some(path),
        }
    }
}

/// The files that the arguments name: each a file, a folder (the `.ndjson` and `.jsonl` in it and
/// in its folders, compressed ones too, by name), a pattern (`export/*.ndjson`), or `-` for standard input. In the order of the
/// arguments; one that is named twice is read once.
///
/// # Errors
/// When an argument leads to no file, or a folder cannot be read.
pub fn files(arguments: &[String]) -> Result<Vec<File>, ReplayError> {
    let mut all: Vec<File> = Vec::new();
    let mut seen: Vec<PathBuf> = Vec::new();
    for argument in arguments {
        for file in named(argument)? {
            let same = match &file.path {
                // Two names of one file are one file; what cannot be resolved fails when it is read.
                Some(path) => std::fs::canonicalize(path).unwrap_or_else(|_| path.clone()),
                None => PathBuf::from("-"),
            };
            if !seen.contains(&same) {
                seen.push(same);
                all.push(file);
            }
        }
    }
    if all.is_empty() {
        return Err(ReplayError::NothingNamed);
    }
    Ok(all)
}

fn named(argument: &str) -> Result<Vec<File>, ReplayError> {
    if argument == "-" {
        return Ok(vec![File {
            name: String::from("standard input"),
            path: None,
        }]);
    }
    let path = Path::new(argument);
    if path.is_dir() {
        return of_folder(path);
    }
    if path.exists() {
        return Ok(vec![File::of(path.to_owned())]);
    }
    let pattern = glob::glob(argument).map_err(|error| ReplayError::Pattern {
        pattern: argument.to_owned(),
        what: error.to_string(),
    })?;
    let mut found = Vec::new();
    for entry in pattern {
        let path = entry.map_err(|error| ReplayError::Read {
            file: error.path().display().to_string(),
            cause: error.into(),
        })?;
        if !path.is_dir() {
            found.push(File::of(path));
        }
    }
    if found.is_empty() {
        return Err(ReplayError::NoMatch(argument.to_owned()));
    }
    Ok(found)
}

fn of_folder(folder: &Path) -> Result<Vec<File>, ReplayError> {
    let name = folder.display().to_string();
    let fail = |cause| ReplayError::Read {
        file: name.clone(),
        cause,
    };
    let mut paths = Vec::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).map_err(fail)? {
            let entry = entry.map_err(fail)?;
            let path = entry.path();
            // A link to a folder may lead in a circle.
            if entry.file_type().map_err(fail)?.is_dir() {
                folders.push(path);
            } else if !path.is_dir() && is_lines(&path) {
                paths.push(path);
            }
        }
    }
    if paths.is_empty() {
        return Err(ReplayError::EmptyFolder(name));
    }
    paths.sort();
    Ok(paths.into_iter().map(File::of).collect())
}

fn is_lines(path: &Path) -> bool {
    let name = path
        .file_name()
        .unwrap_or_default()
        .to_string_lossy()
        .to_ascii_lowercase();
    let plain = COMPRESSED
        .iter()
        .find_map(|ending| name.strip_suffix(ending))
        .unwrap_or(&name);
    ENDINGS.iter().any(|ending| plain.ends_with(ending))
}
