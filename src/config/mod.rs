//! What the operator says: one TOML file and the environment for secrets → a checked [`Config`].

use std::net::SocketAddr;
use std::path::PathBuf;

/// The checked configuration. Every table is optional in the file.
#[derive(Clone, Debug)]
pub struct Config {
    /// `[source]`: where Observations are polled from; None: only what is sent to us.
    pub source: Option<SourceConfig>,
    /// `[sink]`: where derived resources go; None: self-contained.
    pub sink: Option<SinkConfig>,
    /// `[mapping]`.
    pub mapping: MappingConfig,
    /// `[rules]`.
    pub rules: RulesConfig,
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
    /// `fhir`: base URL, without a trailing slash.
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

/// `[mapping]`.
#[derive(Clone, Debug, Default)]
pub struct MappingConfig {
    /// `folder` with replacements of the files of `profiles/mapping/`.
    pub folder: Option<PathBuf>,
}

/// `[rules]`.
#[derive(Clone, Debug, Default)]
pub struct RulesConfig {
    /// `sheet`: a rule sheet instead of the built-in adult one.
    pub sheet: Option<PathBuf>,
}

/// `[server]`.
#[derive(Clone, Debug)]
pub struct ServerConfig {
    /// `listen` (127.0.0.1:8080).
    pub listen: SocketAddr,
    /// `max_body_bytes` (1 MiB) of one resource.
    pub max_body_bytes: usize,
    /// `max_bundle_bytes` (16 MiB) of a Bundle.
    pub max_bundle_bytes: usize,
    /// `max_depth` (64) of JSON nesting.
    pub max_depth: usize,
    /// `queue_batches` (256): batches waiting for the engine.
    pub queue_batches: usize,
}

/// `[store]`.
#[derive(Clone, Debug)]
pub struct StoreConfig {
    /// `path` (./deltaward.db).
    pub path: PathBuf,
}

/// `[telemetry]`.
#[derive(Clone, Debug)]
pub struct TelemetryConfig {
    /// `format = "text"` (default) or `"json"`.
    pub json: bool,
    /// `level` (info), in the form of tracing's EnvFilter.
    pub level: String,
}
