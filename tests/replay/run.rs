//! The command, from outside.

use std::path::Path;
use std::process::{Command, Output, Stdio};

/// `deltaward replay` in a folder, with nothing on standard input.
pub fn replay(folder: &Path, args: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_deltaward"));
    command.current_dir(folder).arg("replay").args(args);
    command.stdin(Stdio::null()).output().unwrap()
}

/// What it said.
pub fn told(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}
