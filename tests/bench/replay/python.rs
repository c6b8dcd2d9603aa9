//! A Python of its own with the libraries that join tables by time.

use anyhow::{Context, ensure};
use std::path::{Path, PathBuf};
use std::process::Command;

/// The folder of the scripts.
pub const SCRIPTS: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/bench/replay");

/// Python of a virtual environment below the target folder that has `packages`; made when it is not
/// there. The newest of each when `newest`, otherwise whatever an earlier run installed.
pub fn python(packages: &[&str], newest: bool) -> anyhow::Result<PathBuf> {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("tables-by-time");
    let python = folder.join("bin/python");
    let imports = format!("import {}", packages.join(", "));
    if !python.exists() {
        run(Command::new("python3").args(["-m", "venv", "--clear"]).arg(&folder))?;
    }
    let known = !newest && run(Command::new(&python).args(["-c", &imports])).is_ok();
    if !known {
        let pip = [
            "-m",
            "pip",
            "install",
            "--quiet",
            "--disable-pip-version-check",
            "--upgrade",
        ];
        run(Command::new(&python).args(pip).args(packages))?;
        run(Command::new(&python).args(["-c", &imports]))?;
    }
    Ok(python)
}

fn run(command: &mut Command) -> anyhow::Result<()> {
    let shown = format!("{command:?}");
    let output = command
        .output()
        .with_context(|| format!("{shown}: cannot be started; install Python 3 with its venv module"))?;
    ensure!(
        output.status.success(),
        "{shown}: {}; {}; Python 3 with venv and a package index are needed",
        output.status,
        String::from_utf8_lossy(&output.stderr)
    );
    Ok(())
}
