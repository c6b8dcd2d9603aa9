//! The tables as they stand in the file: types only, ranges unchecked. The keys are documented at
//! the checked types of the parent module. Values that a check may refuse keep their span.

use serde::Deserialize;
use std::path::PathBuf;
use toml::Spanned;

/// The whole file.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct FileTables {
    pub source: Option<Spanned<SourceTable>>,
    pub sink: Option<Spanned<SinkTable>>,
    pub mapping: MappingTable,
    pub rules: RulesTable,
    pub auth: Option<Spanned<AuthTable>>,
    pub server: ServerTable,
    pub store: StoreTable,
    pub telemetry: TelemetryTable,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SourceTable {
    pub fhir: Option<Spanned<String>>,
    pub bearer_token_file: Option<Spanned<PathBuf>>,
    pub timeout_seconds: Option<Spanned<i64>>,
    pub max_response_bytes: Option<Spanned<i64>>,
    pub mode: Option<Spanned<SourceMode>>,
    pub group: Option<Spanned<String>>,
    pub list: Option<Spanned<String>>,
    pub interval_seconds: Option<Spanned<i64>>,
    pub overlap_seconds: Option<Spanned<i64>>,
    pub page_count: Option<Spanned<i64>>,
    pub max_pages: Option<Spanned<i64>>,
    pub start: Option<Spanned<String>>,
    pub first_hours: Option<Spanned<i64>>,
    pub ask_diastolics: Option<bool>,
    pub ask_timeout_seconds: Option<Spanned<i64>>,
    pub procedures: Option<bool>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SourceMode {
    WholeSystem,
    PerPatient,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SinkTable {
    pub fhir: Option<Spanned<String>>,
    pub bearer_token_file: Option<Spanned<PathBuf>>,
    pub timeout_seconds: Option<Spanned<i64>>,
    pub max_response_bytes: Option<Spanned<i64>>,
    pub mode: Option<SinkMode>,
    pub recipients: Vec<Spanned<String>>,
    pub max_attempts: Option<Spanned<i64>>,
    pub max_backoff_seconds: Option<Spanned<i64>>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SinkMode {
    Shadow,
    Live,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct MappingTable {
    pub folder: Option<Spanned<PathBuf>>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct RulesTable {
    pub sheet: Option<Spanned<PathBuf>>,
    pub child_sheet: Option<Spanned<PathBuf>>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct AuthTable {
    pub token_file: Option<Spanned<PathBuf>>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ServerTable {
    pub listen: Option<Spanned<String>>,
    pub public_base: Option<Spanned<String>>,
    pub max_body_bytes: Option<Spanned<i64>>,
    pub max_bundle_bytes: Option<Spanned<i64>>,
    pub max_depth: Option<Spanned<i64>>,
    pub queue_batches: Option<Spanned<i64>>,
    pub max_waiting_bytes: Option<Spanned<i64>>,
    pub max_connections: Option<Spanned<i64>>,
    pub head_seconds: Option<Spanned<i64>>,
    pub body_seconds: Option<Spanned<i64>>,
    pub idle_seconds: Option<Spanned<i64>>,
    pub write_seconds: Option<Spanned<i64>>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct StoreTable {
    pub path: Option<Spanned<PathBuf>>,
    pub unwatched_hours: Option<Spanned<i64>>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct TelemetryTable {
    pub format: Option<TelemetryFormat>,
    pub level: Option<Spanned<String>>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TelemetryFormat {
    Text,
    Json,
}
