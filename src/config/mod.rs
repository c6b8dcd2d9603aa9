//! What the operator says: one TOML file and the environment for secrets → a checked [`Config`].
//!
//! Comes in: the text of the file and a lookup for environment variables. Goes out: a [`Config`]
//! whose values all lie in their ranges, or a [`ConfigError`] that names every fault by line and
//! column. `deploy/config/full.toml` shows each key with its default. Relative paths are relative
//! to the working directory. Secrets come from files or the environment, never from the TOML text,
//! and are never shown.

mod check;
mod problem;
mod read;
mod tables;
mod token;

pub use check::check_listen;
pub use problem::{ConfigError, Place, Problem};
pub use read::{AUTH_TOKEN_VARIABLE, SINK_TOKEN_VARIABLE, SOURCE_TOKEN_VARIABLE, from_text, load};

use std::net::{Ipv4Addr, SocketAddr};
use std::path::PathBuf;

/// The checked configuration. Every table is optional in the file. The default is the
/// self-contained service: nothing is polled, nothing is sent.
#[derive(Clone, Debug, Default)]
pub struct Config {
    /// `[source]`: where Observations are polled from; None: only what is sent to us.
    pub source: Option<SourceConfig>,
    /// `[sink]`: where derived resources go; None: self-contained.
    pub sink: Option<SinkConfig>,
    /// `[mapping]`.
    pub mapping: MappingConfig,
    /// `[rules]`.
    pub rules: RulesConfig,
    /// `[auth]`: what a request must carry; None: only this machine may ask, and needs nothing.
    pub auth: Option<AuthConfig>,
    /// `[server]`.
    pub server: ServerConfig,
    /// `[store]`.
    pub store: StoreConfig,
    /// `[telemetry]`.
    pub telemetry: TelemetryConfig,
}

/// A FHIR server: base URL, credentials, limits. Credentials go only to this host.
#[derive(Clone, Debug)]
pub struct FhirServerConfig {
    /// `fhir`: base URL, without a trailing slash, except that a host alone keeps the one slash that
    /// a URL must have: build addresses with [`FhirServerConfig::base_text`].
    pub base: url::Url,
    /// `bearer_token_file`, or the environment variable DELTAWARD_SOURCE_TOKEN / DELTAWARD_SINK_TOKEN.
    pub bearer_token: Option<secrecy::SecretString>,
    /// `timeout_seconds` (30) for one request.
    pub timeout_seconds: u64,
    /// `max_response_bytes` (32 MiB).
    pub max_response_bytes: usize,
}

/// `[source]`.
#[derive(Clone, Debug)]
pub struct SourceConfig {
    /// The server.
    pub server: FhirServerConfig,
    /// `mode = "whole-system"` or `"per-patient"`.
    pub mode: PollMode,
    /// `interval_seconds` (30) between polls.
    pub interval_seconds: u64,
    /// `overlap_seconds` (120): how far behind the cursor each poll looks again.
    pub overlap_seconds: i64,
    /// `page_count` (200): `_count`.
    pub page_count: usize,
    /// `max_pages` (1000) of one chain; hitting it is reported, the cursor keeps what was read.
    pub max_pages: usize,
    /// `start`: FHIR instant from which the first poll reads; None: `first_hours` (24) before now.
    pub start: Option<crate::fhir::Instant>,
    /// `first_hours`.
    pub first_hours: i64,
    /// `ask_diastolics` (true): ask the server for a patient's diastolics before deciding that
    /// there is none.
    pub ask_diastolics: bool,
    /// `ask_timeout_seconds` (30): after this without an answer the decision is taken.
    pub ask_timeout_seconds: i64,
    /// `procedures` (false): poll Procedures of the context codes too (anaesthesia, ischaemia that is
    /// over); many servers give the right to read them apart.
    pub procedures: bool,
}

impl FhirServerConfig {
    /// This base with every default, without a token.
    pub fn new(base: url::Url) -> Self {
        Self {
            base,
            bearer_token: None,
            timeout_seconds: 30,
            max_response_bytes: 32 * 1024 * 1024,
        }
    }

    /// The base without a trailing slash in every case: `{base_text}/Observation` is an address.
    pub fn base_text(&self) -> &str {
        self.base.as_str().trim_end_matches('/')
    }
}

impl SourceConfig {
    /// This server with every default.
    pub fn new(server: FhirServerConfig) -> Self {
        Self {
            server,
            mode: PollMode::WholeSystem,
            interval_seconds: 30,
            overlap_seconds: 120,
            page_count: 200,
            max_pages: 1000,
            start: None,
            first_hours: 24,
            ask_diastolics: true,
            ask_timeout_seconds: 30,
            procedures: false,
        }
    }
}

/// How to poll.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum PollMode {
    /// One search by code and `_lastUpdated` over all patients.
    WholeSystem,
    /// One search a patient, for the members of a Group or List (`group = "Group/1"`, `list = "List/1"`).
    PerPatient {
        /// `Group/1` or `List/1`.
        members_of: String,
    },
}

/// `[sink]`.
#[derive(Clone, Debug)]
pub struct SinkConfig {
    /// The server.
    pub server: FhirServerConfig,
    /// `recipients`: references that every Communication names (`PractitionerRole/…`, `CareTeam/…`).
    pub recipients: Vec<String>,
    /// `mode = "shadow"` (default) or `"live"`.
    pub live: bool,
    /// `max_attempts` (0: never give up on failures that may heal).
    pub max_attempts: u32,
    /// `max_backoff_seconds` (300).
    pub max_backoff_seconds: u64,
}

impl SinkConfig {
    /// This server with every default: shadow, no recipients.
    pub fn new(server: FhirServerConfig) -> Self {
        Self {
            server,
            recipients: Vec::new(),
            live: false,
            max_attempts: 0,
            max_backoff_seconds: 300,
        }
    }
}

/// `[mapping]`.
#[derive(Clone, Debug, Default)]
pub struct MappingConfig {
    /// `folder` with replacements of the files of `profiles/mapping/`.
    pub folder: Option<PathBuf>,
}

/// `[rules]`.
#[derive(Clone, Debug, Default)]
pub struct RulesConfig {
    /// `sheet`: a rule sheet for adults (and unknown age) instead of the built-in one.
    pub sheet: Option<PathBuf>,
    /// `child_sheet`: a rule sheet for children instead of the built-in one.
    pub child_sheet: Option<PathBuf>,
}

/// `[auth]`.
#[derive(Clone, Debug)]
pub struct AuthConfig {
    /// `token_file`, or the environment variable DELTAWARD_AUTH_TOKEN: 16 characters at least.
    pub token: secrecy::SecretString,
}

/// `[server]`.
#[derive(Clone, Debug)]
pub struct ServerConfig {
    /// `listen` (127.0.0.1:8080). Without `[auth]` only a loopback address may be listened on.
    pub listen: SocketAddr,
    /// `public_base`: the base URL of `/fhir` as callers reach it through a proxy
    /// (`https://ward.example/fhir`): its host is answered to, and links are made from it.
    pub public_base: Option<url::Url>,
    /// `max_body_bytes` (1 MiB) of one resource.
    pub max_body_bytes: usize,
    /// `max_bundle_bytes` (16 MiB) of a Bundle.
    pub max_bundle_bytes: usize,
    /// `max_depth` (64) of JSON nesting.
    pub max_depth: usize,
    /// `queue_batches` (256): batches waiting for the engine.
    pub queue_batches: usize,
    /// `max_waiting_bytes` (64 MiB): bodies that are being received, and again as much in batches that
    /// wait for the engine; what comes past it is answered 503.
    pub max_waiting_bytes: usize,
    /// `max_connections` (768): open at once; a further one takes the place of one that does nothing.
    pub max_connections: usize,
    /// `head_seconds` (10): for the head of a request to arrive.
    pub head_seconds: u64,
    /// `body_seconds` (30): for the body of a request to arrive.
    pub body_seconds: u64,
    /// `idle_seconds` (60): how long a connection may wait between two requests.
    pub idle_seconds: u64,
    /// `write_seconds` (30): how long a reader may take nothing of an answer.
    pub write_seconds: u64,
}

impl Default for ServerConfig {
    fn default() -> Self {
        Self {
            listen: SocketAddr::from((Ipv4Addr::LOCALHOST, 8080)),
            public_base: None,
            max_body_bytes: 1024 * 1024,
            max_bundle_bytes: 16 * 1024 * 1024,
            max_depth: 64,
            queue_batches: 256,
            max_waiting_bytes: 64 * 1024 * 1024,
            max_connections: 768,
            head_seconds: 10,
            body_seconds: 30,
            idle_seconds: 60,
            write_seconds: 30,
        }
    }
}

/// `[store]`.
#[derive(Clone, Debug)]
pub struct StoreConfig {
    /// `path` (./deltaward.db).
    pub path: PathBuf,
    /// `unwatched_hours` (48): how long readings of patients without a compartment pressure are kept.
    pub unwatched_hours: i64,
}

impl Default for StoreConfig {
    fn default() -> Self {
        Self {
            path: PathBuf::from("./deltaward.db"),
            unwatched_hours: crate::patient::retention::UNWATCHED_HOURS,
        }
    }
}

/// `[telemetry]`.
#[derive(Clone, Debug)]
pub struct TelemetryConfig {
    /// `format = "text"` (default) or `"json"`.
    pub json: bool,
    /// `level` (info), in the form of tracing's EnvFilter.
    pub level: String,
}

impl Default for TelemetryConfig {
    fn default() -> Self {
        Self {
            json: false,
            level: String::from("info"),
        }
    }
}

impl Config {
    /// What becomes of the messages, in one line to be printed at start.
    pub fn mode_words(&self) -> &'static str {
        match &self.sink {
            None => "mode:  self-contained: what is derived is kept here and served on /fhir, nothing is sent",
            Some(sink) if sink.live => "mode:  live: what is derived is sent to the sink",
            Some(_) => "mode:  shadow: all is computed and shown, nothing is sent",
        }
    }

    /// What is legal but should be known: one sentence each, to be printed at start. No secrets.
    pub fn warnings(&self) -> Vec<String> {
        let mut warnings = Vec::new();
        let listen = self.server.listen;
        if !check::is_loopback(listen) {
            warnings.push(format!(
                "[server] listen = {listen} is plain http for other machines, so the secret of [auth] and patient data \
                 travel readable by others; put a reverse proxy with TLS in front and let only that reach the port"
            ));
        }
        let servers = [
            ("[source]", self.source.as_ref().map(|source| &source.server)),
            ("[sink]", self.sink.as_ref().map(|sink| &sink.server)),
        ];
        for (table, server) in servers {
            if server.is_some_and(check::sends_token_in_clear) {
                warnings.push(format!(
                    "{table} fhir is plain http on another machine, so the bearer token and patient data travel readable \
                     by others; use https"
                ));
            }
        }
        if self
            .sink
            .as_ref()
            .is_some_and(|sink| sink.live && sink.recipients.is_empty())
        {
            warnings.push(String::from(
                "[sink] is live without recipients: alerts will be in the record, but no Communication names anyone to be \
                 told; list them in [sink] recipients",
            ));
        }
        warnings
    }
}
