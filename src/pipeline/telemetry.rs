//! Log lines: text for people, JSON for collectors. No patient data goes into either.

use std::io::IsTerminal;

use crate::config::TelemetryConfig;
use tracing_subscriber::EnvFilter;

/// Install the subscriber; log lines go to standard error.
///
/// # Errors
/// When the level is not in EnvFilter's form, or a subscriber is already installed.
pub fn start(config: &TelemetryConfig) -> anyhow::Result<()> {
    let filter = EnvFilter::try_new(&config.level)
        .map_err(|error| anyhow::anyhow!("[telemetry] level {:?} cannot be used: {error}", config.level))?;
    let builder = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .with_target(false)
        .with_ansi(std::io::stderr().is_terminal());
    let installed = if config.json {
        builder.json().try_init()
    } else {
        builder.try_init()
    };
    installed.map_err(|error| anyhow::anyhow!("the log cannot be started: {error}"))
}
