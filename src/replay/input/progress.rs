//! How far a scan is: a bar with rate and time left on a terminal, a plain line now and then elsewhere.

use super::files::File;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::io::IsTerminal;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

/// Is told how many bytes of the input (as they are stored) were read.
pub trait Progress: Sync {
    /// So many more.
    fn advance(&self, bytes: u64);

    /// As [`Self::advance`], for a reader that lives on its own.
    fn counter(&self) -> Arc<dyn Fn(u64) + Send + Sync>;

    /// All is read.
    fn finish(&self);
}

/// Tells nobody.
#[derive(Clone, Copy, Debug, Default)]
pub struct Silent;

impl Progress for Silent {
    fn advance(&self, _: u64) {}

    fn counter(&self) -> Arc<dyn Fn(u64) + Send + Sync> {
        Arc::new(|_| {})
    }

    fn finish(&self) {}
}

/// Tells on standard error.
pub struct Terminal {
    bar: ProgressBar,
    plain: Option<Arc<Plain>>,
}

/// A line each [`Plain::EVERY`].
struct Plain {
    started: Instant,
    read: AtomicU64,
    /// Milliseconds from the start to the next line.
    next: AtomicU64,
    total: Option<u64>,
}

impl Terminal {
    /// For these files; their size is known unless one is a stream.
    pub fn new(files: &[File]) -> Self {
        let total = total(files);
        if !std::io::stderr().is_terminal() {
            let plain = Plain {
                started: Instant::now(),
                read: AtomicU64::new(0),
                next: AtomicU64::new(Plain::EVERY.as_millis() as u64),
                total,
            };
            return Self {
                bar: ProgressBar::hidden(),
                plain: Some(Arc::new(plain)),
            };
        }
        let bar = match total {
            Some(total) => ProgressBar::new(total),
            None => ProgressBar::no_length(),
        };
        bar.set_draw_target(ProgressDrawTarget::stderr());
        let template = match total {
            Some(_) => "{bar:30} {bytes} of {total_bytes}, {bytes_per_sec}, {eta} left",
            None => "{spinner} {bytes}, {bytes_per_sec}",
        };
        if let Ok(style) = ProgressStyle::with_template(template) {
            bar.set_style(style);
        }
        Self { bar, plain: None }
    }
}

/// None when one of them has no size.
fn total(files: &[File]) -> Option<u64> {
    files
        .iter()
        .map(|file| {
            let metadata = std::fs::metadata(file.path.as_ref()?).ok()?;
            metadata.is_file().then_some(metadata.len())
        })
        .sum()
}

impl Progress for Terminal {
    fn advance(&self, bytes: u64) {
        match &self.plain {
            Some(plain) => plain.advance(bytes),
            None => self.bar.inc(bytes),
        }
    }

    fn counter(&self) -> Arc<dyn Fn(u64) + Send + Sync> {
        match &self.plain {
            Some(plain) => {
                let plain = Arc::clone(plain);
                Arc::new(move |bytes| plain.advance(bytes))
            }
            None => {
                let bar = self.bar.clone();
                Arc::new(move |bytes| bar.inc(bytes))
            }
        }
    }

    fn finish(&self) {
        self.bar.finish_and_clear();
    }
}

impl Plain {
    const EVERY: Duration = Duration::from_secs(10);

    fn advance(&self, bytes: u64) {
        let read = self.read.fetch_add(bytes, Ordering::Relaxed) + bytes;
        let elapsed = self.started.elapsed();
        let millis = elapsed.as_millis() as u64;
        let due = self.next.load(Ordering::Relaxed);
        let next = millis + Self::EVERY.as_millis() as u64;
        // Of several workers one writes the line.
        if millis < due
            || self
                .next
                .compare_exchange(due, next, Ordering::Relaxed, Ordering::Relaxed)
                .is_err()
        {
            return;
        }
        eprintln!("{}", self.words(read, elapsed));
    }

    fn words(&self, read: u64, elapsed: Duration) -> String {
        let mib = |bytes: u64| bytes >> 20;
        let rate = read as f64 / elapsed.as_secs_f64();
        let rate_mib = mib(rate as u64);
        match self.total {
            Some(total) => format!(
                "read {} of {} MiB, {rate_mib} MiB/s, {} s left",
                mib(read),
                mib(total),
                (total.saturating_sub(read) as f64 / rate.max(1.0)) as u64
            ),
            None => format!("read {} MiB, {rate_mib} MiB/s", mib(read)),
        }
    }
}
