//! Where results go: never over what they were made from, and never half.

use super::ReplayError;
use std::fs;
use std::io::{self, BufWriter, Write};
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::path::{Path, PathBuf};

/// One file, whatever it is called.
#[derive(PartialEq, Eq)]
enum Same {
    /// Device and number of a file that is there.
    There(u64, u64),
    /// Where one will be.
    Wanted(PathBuf),
}

impl Same {
    fn of(path: &Path) -> Option<Self> {
        match fs::metadata(path) {
            // A device takes whatever comes.
            Ok(known) => known.is_file().then(|| Self::There(known.dev(), known.ino())),
            Err(_) => {
                let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty());
                let folder = fs::canonicalize(folder.unwrap_or(Path::new("."))).ok()?;
                Some(Self::Wanted(folder.join(path.file_name()?)))
            }
        }
    }
}

/// Before anything is read: no output is an input or another output.
///
/// # Errors
/// Names the two that are one file.
pub fn keep_apart(outputs: &[&Path], inputs: &[&Path]) -> Result<(), ReplayError> {
    for (index, output) in outputs.iter().enumerate() {
        let Some(same) = Same::of(output) else { continue };
        let others = inputs.iter().chain(&outputs[..index]);
        if let Some(other) = others.into_iter().find(|other| Same::of(other).as_ref() == Some(&same)) {
            return Err(ReplayError::SameFile {
                output: output.display().to_string(),
                other: other.display().to_string(),
            });
        }
    }
    Ok(())
}

/// Write a file beside, and put it in its place when it is whole: a result of before stays until then.
///
/// # Errors
/// When it cannot be written.
pub fn write(path: &Path, content: impl FnOnce(&mut dyn Write) -> io::Result<()>) -> Result<(), ReplayError> {
    write_io(path, content).map_err(|error| ReplayError::Write {
        file: path.display().to_string(),
        what: error.to_string(),
    })
}

fn write_io(path: &Path, content: impl FnOnce(&mut dyn Write) -> io::Result<()>) -> io::Result<()> {
    // Behind a link its target is replaced, not the link.
    let path = fs::canonicalize(path).unwrap_or_else(|_| path.to_owned());
    let whole = |to: &mut dyn Write| {
        let mut to = BufWriter::new(to);
        content(&mut to).and_then(|()| to.flush())
    };
    if fs::metadata(&path).is_ok_and(|known| !known.is_file()) {
        return whole(&mut fs::File::create(&path)?);
    }
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty());
    let folder = folder.unwrap_or(Path::new("."));
    fs::metadata(folder)?;
    let mut beside = tempfile::Builder::new()
        .permissions(fs::Permissions::from_mode(0o666))
        .tempfile_in(folder)
        // Without the name of a file that nobody asked for.
        .map_err(|error| io::Error::from(error.kind()))?;
    whole(beside.as_file_mut())?;
    beside.persist(&path).map(drop).map_err(|error| error.error)
}

/// Write to standard output; a reader that has gone is no error.
///
/// # Errors
/// When it cannot be written.
pub fn print(text: &str) -> Result<(), ReplayError> {
    let mut output = io::stdout().lock();
    match output.write_all(text.as_bytes()).and_then(|()| output.flush()) {
        Err(error) if error.kind() != io::ErrorKind::BrokenPipe => Err(ReplayError::Write {
            file: String::from("standard output"),
            what: error.to_string(),
        }),
        _ => Ok(()),
    }
}
