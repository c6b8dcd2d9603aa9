//! A process under measurement: Deltaward itself, or the peer.

use anyhow::Context;
use std::ffi::OsString;
use std::io::{BufRead, BufReader};
use std::net::SocketAddr;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// A process that serves; killed when dropped.
pub struct Process {
    child: Child,
    /// Where it listens.
    pub address: SocketAddr,
    /// From its start until it answered `/health/ready`, or until it named its address (the peer).
    pub start_up: Duration,
}

impl Drop for Process {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Process {
    /// Deltaward with a store in `folder` and further configuration `tables`.
    pub fn deltaward(folder: &Path, tables: &str) -> anyhow::Result<Self> {
        let address: SocketAddr = free_address()?;
        let configuration = folder.join("deltaward.toml");
        let store = folder.join("deltaward.db");
        std::fs::write(
            &configuration,
            format!(
                "[server]\nlisten = \"{address}\"\n[store]\npath = \"{}\"\n[telemetry]\nlevel = \"warn\"\n{tables}",
                store.display()
            ),
        )?;
        let started = Instant::now();
        let child = Command::new(program())
            .args(["run", "--config"])
            .arg(&configuration)
            .stdout(Stdio::null())
            .spawn()
            .context("deltaward could not be started")?;
        let mut process = Self {
            child,
            address,
            start_up: Duration::ZERO,
        };
        loop {
            anyhow::ensure!(
                started.elapsed() < Duration::from_secs(120),
                "deltaward does not become ready"
            );
            if let Some(status) = process.child.try_wait()? {
                anyhow::bail!("deltaward ended: {status}");
            }
            if answers(address) {
                break;
            }
            std::thread::sleep(Duration::from_millis(2));
        }
        process.start_up = started.elapsed();
        Ok(process)
    }

    /// The peer with its store in `folder`.
    pub fn peer(folder: &Path) -> anyhow::Result<Self> {
        let started = Instant::now();
        let mut child = Command::new(std::env::current_exe()?)
            .arg("peer")
            .arg(folder.join("peer.db"))
            .stdout(Stdio::piped())
            .spawn()?;
        let output = child.stdout.take().context("no output of the peer")?;
        let mut line = String::new();
        BufReader::new(output).read_line(&mut line)?;
        let address = line.trim().parse().context("the peer names no address")?;
        Ok(Self {
            child,
            address,
            start_up: started.elapsed(),
        })
    }

    /// Resident memory now, bytes (Linux, `/proc`).
    pub fn resident_bytes(&self) -> anyhow::Result<u64> {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id()))?;
        let line = status
            .lines()
            .find_map(|line| line.strip_prefix("VmRSS:"))
            .context("no VmRSS")?;
        let kib: u64 = line.trim().trim_end_matches("kB").trim().parse()?;
        Ok(kib * 1024)
    }
}

/// The program of this build; `BENCH_PROGRAM` names another, for a comparison.
fn program() -> OsString {
    std::env::var_os("BENCH_PROGRAM").unwrap_or_else(|| env!("CARGO_BIN_EXE_deltaward").into())
}

fn free_address() -> anyhow::Result<SocketAddr> {
    Ok(std::net::TcpListener::bind("127.0.0.1:0")?.local_addr()?)
}

/// True when a GET of `/health/live` is answered 200.
fn answers(address: SocketAddr) -> bool {
    use std::io::{Read, Write};
    let ask = || -> std::io::Result<bool> {
        let mut stream = std::net::TcpStream::connect(address)?;
        write!(
            stream,
            "GET /health/live HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n"
        )?;
        let mut answer = String::new();
        stream.read_to_string(&mut answer)?;
        Ok(answer.starts_with("HTTP/1.1 200"))
    };
    ask().unwrap_or(false)
}
