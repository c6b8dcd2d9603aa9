//! Load: so many connections, each with one request under way, over HTTP/1.1 keep-alive.

use anyhow::{Context, bail};
use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

/// What a run showed.
pub struct Outcome {
    /// Requests that were answered with 200 or 201.
    pub done: u64,
    /// Wall time.
    pub took: Duration,
    /// Sorted times from the first byte sent to the last received, microseconds.
    pub micros: Vec<u32>,
}

impl Outcome {
    /// Requests a second.
    pub fn rate(&self) -> f64 {
        self.done as f64 / self.took.as_secs_f64()
    }

    /// A percentile of the times, milliseconds.
    pub fn percentile(&self, percent: usize) -> f64 {
        let last = self.micros.len().saturating_sub(1);
        let index = (self.micros.len() * percent / 100).min(last);
        f64::from(self.micros.get(index).copied().unwrap_or_default()) / 1000.0
    }
}

/// A connection of HTTP/1.1 that waits for each answer.
pub struct Connection {
    stream: TcpStream,
    buffer: Vec<u8>,
}

impl Connection {
    /// Connect.
    pub async fn open(to: SocketAddr) -> anyhow::Result<Self> {
        let stream = TcpStream::connect(to).await?;
        stream.set_nodelay(true)?;
        Ok(Self {
            stream,
            buffer: Vec::with_capacity(16 * 1024),
        })
    }

    /// Send one request, read one answer to its end; its status.
    pub async fn exchange(&mut self, request: &[u8]) -> anyhow::Result<u16> {
        self.stream.write_all(request).await?;
        self.buffer.clear();
        let head = loop {
            if let Some(end) = find(&self.buffer, b"\r\n\r\n") {
                break end + 4;
            }
            if self.stream.read_buf(&mut self.buffer).await? == 0 {
                bail!("the server closed the connection");
            }
        };
        let text = std::str::from_utf8(&self.buffer[..head])?;
        let status = text
            .get(9..12)
            .and_then(|code| code.parse().ok())
            .context("no status line")?;
        let length = text
            .lines()
            .find_map(|line| {
                line.to_ascii_lowercase()
                    .strip_prefix("content-length:")?
                    .trim()
                    .parse::<usize>()
                    .ok()
            })
            .context("no Content-Length")?;
        while self.buffer.len() < head + length {
            if self.stream.read_buf(&mut self.buffer).await? == 0 {
                bail!("the server closed the connection inside a body");
            }
        }
        Ok(status)
    }
}

fn find(haystack: &[u8], needle: &[u8]) -> Option<usize> {
    haystack.windows(needle.len()).position(|window| window == needle)
}

/// A PUT of one Observation.
pub fn put(to: SocketAddr, id: &str, body: &str) -> Vec<u8> {
    format!(
        "PUT /fhir/Observation/{id} HTTP/1.1\r\nHost: {to}\r\nContent-Type: application/fhir+json\r\nContent-Length: {}\r\n\r\n{body}",
        body.len()
    )
    .into_bytes()
}

/// `connections` of them put `total` Observations that `make` gives by their number.
pub async fn put_all(
    to: SocketAddr,
    connections: usize,
    numbers: std::ops::Range<u64>,
    make: impl Fn(u64) -> (String, String) + Send + Sync + 'static,
) -> anyhow::Result<Outcome> {
    let next = Arc::new(AtomicU64::new(numbers.start));
    let make = Arc::new(make);
    let started = Instant::now();
    let mut tasks = Vec::with_capacity(connections);
    for _ in 0..connections {
        let (next, make, end) = (Arc::clone(&next), Arc::clone(&make), numbers.end);
        tasks.push(tokio::spawn(async move {
            let mut connection = Connection::open(to).await?;
            let mut micros = Vec::new();
            loop {
                let number = next.fetch_add(1, Ordering::Relaxed);
                if number >= end {
                    return anyhow::Ok(micros);
                }
                let (id, body) = make(number);
                let request = put(to, &id, &body);
                let sent = Instant::now();
                let status = connection.exchange(&request).await?;
                if !matches!(status, 200 | 201) {
                    bail!("Observation/{id} was answered {status}");
                }
                micros.push(u32::try_from(sent.elapsed().as_micros()).unwrap_or(u32::MAX));
            }
        }));
    }
    let mut micros = Vec::new();
    for task in tasks {
        micros.extend(task.await??);
    }
    let took = started.elapsed();
    micros.sort_unstable();
    Ok(Outcome {
        done: micros.len() as u64,
        took,
        micros,
    })
}
