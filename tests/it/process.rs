//! The real binary as a process, for tests from outside.

use deltaward::rules::sheet::{ADULT, CHILD};
use sha2::Digest;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::mpsc;
use std::time::{Duration, Instant};

/// The built binary.
pub const BINARY: &str = env!("CARGO_BIN_EXE_deltaward");

/// The binary that the tests of faults run: another one when the environment names it.
fn binary() -> String {
    std::env::var("DELTAWARD_BINARY").unwrap_or_else(|_| BINARY.to_owned())
}

/// A running service; killed when dropped.
pub struct Running {
    child: Child,
    lines: mpsc::Receiver<String>,
    /// `http://127.0.0.1:port`
    pub base: String,
}

impl Running {
    /// Start `deltaward <args>` in `folder` and wait for the line that says where the page is.
    pub fn start(folder: &Path, args: &[&str]) -> Self {
        Self::start_by(folder, Command::new(binary()).args(args))
    }

    /// As `start`, by a command that becomes the service.
    pub fn start_by(folder: &Path, command: &mut Command) -> Self {
        Self::start_by_logging(folder, command, Stdio::inherit())
    }

    /// As `start_by`, with its log lines going to `log`.
    pub fn start_by_logging(folder: &Path, command: &mut Command, log: Stdio) -> Self {
        let mut child = command
            .current_dir(folder)
            .env_remove("RUST_LOG")
            .stdout(Stdio::piped())
            .stderr(log)
            .spawn()
            .unwrap();
        let stdout = child.stdout.take().unwrap();
        let (sender, lines) = mpsc::channel();
        std::thread::spawn(move || {
            for line in BufReader::new(stdout).lines().map_while(Result::ok) {
                let _ = sender.send(line);
            }
        });
        let mut running = Self {
            child,
            lines,
            base: String::new(),
        };
        let page = running.wait_for_line("page:");
        running.base = page
            .split("page:")
            .nth(1)
            .unwrap()
            .trim()
            .trim_end_matches('/')
            .to_owned();
        running
    }

    /// The next line that contains `word`.
    pub fn wait_for_line(&mut self, word: &str) -> String {
        let end = Instant::now() + Duration::from_secs(60);
        loop {
            let left = end.saturating_duration_since(Instant::now());
            match self.lines.recv_timeout(left) {
                Ok(line) if line.contains(word) => return line,
                Ok(_) => {}
                Err(error) => panic!("no line with {word:?}: {error}; status {:?}", self.child.try_wait()),
            }
        }
    }

    /// Its process id.
    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// Send a signal by name (`INT`, `TERM`, `KILL`).
    pub fn signal(&self, name: &str) {
        let status = Command::new("kill")
            .args([&format!("-{name}"), &self.child.id().to_string()])
            .status()
            .unwrap();
        assert!(status.success());
    }

    /// Wait until the process ends by itself.
    pub fn wait(&mut self) -> ExitStatus {
        let end = Instant::now() + Duration::from_secs(30);
        loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                return status;
            }
            assert!(Instant::now() < end, "the process does not end");
            std::thread::sleep(Duration::from_millis(20));
        }
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A configuration file for a self-contained service on a free port, plus `more`.
pub fn config(folder: &Path, more: &str) -> String {
    let path = folder.join("deltaward.toml");
    let text = format!("[server]\nlisten = \"127.0.0.1:0\"\n\n[store]\npath = \"deltaward.db\"\n\n{more}");
    std::fs::write(&path, text).unwrap();
    path.display().to_string()
}

/// Write the record by which somebody answers for a sheet, as `rules approve` does. Written here,
/// so that what is tested with a live sink does not hang on that command.
pub fn approved(folder: &Path, sheet: &str) {
    let text = std::fs::read(folder.join(sheet)).unwrap();
    let hash = format!("{:x}", sha2::Sha256::digest(text));
    let record = format!(
        "[[approval]]\nsheet = \"invented\"\nversion = \"0\"\nsha256 = \"{hash}\"\nat = \"2026-03-05T10:00:00Z\"\n\
         role = \"invented committee\"\nnote = \"for a test\"\n"
    );
    std::fs::write(folder.join(format!("{sheet}.approval.toml")), record).unwrap();
}

/// The built-in sheets, saved and approved in `folder`: the `[rules]` table that names them.
pub fn approved_rules(folder: &Path) -> &'static str {
    for (name, text) in [("adult.toml", ADULT), ("child.toml", CHILD)] {
        std::fs::write(folder.join(name), text).unwrap();
        approved(folder, name);
    }
    "\n[rules]\nsheet = \"adult.toml\"\nchild_sheet = \"child.toml\"\n"
}
