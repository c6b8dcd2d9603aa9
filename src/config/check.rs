//! Checks of meaning: ranges, URLs, references, keys that need each other.

use super::tables::{FileTables, ServerTable, SinkMode, SinkTable, SourceMode, SourceTable, TelemetryFormat};
use super::{
    AUTH_TOKEN_VARIABLE, Config, FhirServerConfig, MappingConfig, PollMode, RulesConfig, SINK_TOKEN_VARIABLE,
    SOURCE_TOKEN_VARIABLE, ServerConfig, SinkConfig, SourceConfig, StoreConfig, TelemetryConfig,
};
use crate::fhir::reference::{self, Reference};
use crate::fhir::{Instant, datetime};
use std::net::SocketAddr;
use std::ops::{Range, RangeInclusive};
use std::path::PathBuf;
use toml::Spanned;

/// One day: the longest interval or timeout that makes sense here.
const DAY_SECONDS: i64 = 86_400;
/// The largest body that may be allowed: it is held in memory.
const MAX_BYTES: i64 = 1 << 30;
/// serde_json refuses deeper nesting by itself.
const MAX_DEPTH: i64 = 127;

/// What Communication.recipient may refer to (HL7 FHIR R4, 4.0.1).
const RECIPIENT_TYPES: [&str; 9] = [
    "Device",
    "Organization",
    "Patient",
    "Practitioner",
    "PractitionerRole",
    "RelatedPerson",
    "Group",
    "CareTeam",
    "HealthcareService",
];

/// A fault and the bytes that it is about; None: the environment.
pub struct Fault {
    pub span: Option<Range<usize>>,
    pub message: String,
}

/// Tables → checked configuration.
pub fn check(tables: FileTables, environment: &dyn Fn(&str) -> Option<String>) -> Result<Config, Vec<Fault>> {
    let mut checker = Checker {
        environment,
        faults: Vec::new(),
    };
    let secret_given = tables.auth.is_some() || checker.variable(AUTH_TOKEN_VARIABLE).is_some();
    let config = Config {
        auth: checker.auth(tables.auth),
        source: tables.source.and_then(|table| checker.source(table)),
        sink: tables.sink.and_then(|table| checker.sink(table)),
        mapping: MappingConfig {
            folder: checker.path("folder", tables.mapping.folder),
        },
        rules: RulesConfig {
            sheet: checker.path("sheet", tables.rules.sheet),
            child_sheet: checker.path("child_sheet", tables.rules.child_sheet),
        },
        server: checker.server(tables.server, secret_given),
        store: StoreConfig {
            path: checker
                .path("path", tables.store.path)
                .unwrap_or(StoreConfig::default().path),
            unwatched_hours: checker.number(
                "unwatched_hours",
                tables.store.unwatched_hours,
                StoreConfig::default().unwatched_hours,
                1..=8760,
            ),
        },
        telemetry: TelemetryConfig {
            json: tables.telemetry.format == Some(TelemetryFormat::Json),
            level: checker.level(tables.telemetry.level),
        },
    };
    if checker.faults.is_empty() {
        Ok(config)
    } else {
        Err(checker.faults)
    }
}

/// Refuse to listen where other machines reach the service, unless requests must carry the token of
/// `[auth]`.
///
/// # Errors
/// The sentence to show.
pub fn check_listen(listen: SocketAddr, with_auth: bool) -> Result<(), String> {
    if is_loopback(listen) || with_auth {
        return Ok(());
    }
    Err(format!(
        "{listen} can be reached from other machines, and without [auth] anyone there could read patient data and write \
         readings: name a secret with token_file in [auth], or set the environment variable {AUTH_TOKEN_VARIABLE}; or \
         listen on 127.0.0.1 or [::1] behind a reverse proxy that authenticates"
    ))
}

pub fn is_loopback(listen: SocketAddr) -> bool {
    listen.ip().to_canonical().is_loopback()
}

/// True when the token would cross the network unencrypted.
pub fn sends_token_in_clear(server: &FhirServerConfig) -> bool {
    let local = match server.base.host() {
        Some(url::Host::Domain(name)) => name == "localhost",
        Some(url::Host::Ipv4(address)) => address.is_loopback(),
        Some(url::Host::Ipv6(address)) => address.is_loopback(),
        None => false,
    };
    server.bearer_token.is_some() && server.base.scheme() == "http" && !local
}

/// The keys that `[source]` and `[sink]` share.
struct ServerKeys {
    fhir: Spanned<String>,
    bearer_token_file: Option<Spanned<PathBuf>>,
    timeout_seconds: Option<Spanned<i64>>,
    max_response_bytes: Option<Spanned<i64>>,
    token_variable: &'static str,
}

/// Collects faults, so that the operator sees them all at once.
pub(super) struct Checker<'a> {
    pub(super) environment: &'a dyn Fn(&str) -> Option<String>,
    pub(super) faults: Vec<Fault>,
}

impl Checker<'_> {
    pub(super) fn fault(&mut self, span: Range<usize>, message: impl Into<String>) {
        self.faults.push(Fault {
            span: Some(span),
            message: message.into(),
        });
    }

    fn source(&mut self, table: Spanned<SourceTable>) -> Option<SourceConfig> {
        let span = table.span();
        let mut table = table.into_inner();
        let mode = self.poll_mode(&mut table);
        let Some(fhir) = table.fhir else {
            self.fault(
                span,
                "[source] needs fhir, the base URL of the server to poll; remove the table to poll nothing",
            );
            return None;
        };
        let server = self.fhir_server(ServerKeys {
            fhir,
            bearer_token_file: table.bearer_token_file,
            timeout_seconds: table.timeout_seconds,
            max_response_bytes: table.max_response_bytes,
            token_variable: SOURCE_TOKEN_VARIABLE,
        })?;
        let usual = SourceConfig::new(server);
        let seconds = 1..=DAY_SECONDS;
        let number = |checker: &mut Self, key, given, default| checker.number(key, given, default, seconds.clone());
        Some(SourceConfig {
            mode,
            overlap_seconds: number(self, "overlap_seconds", table.overlap_seconds, usual.overlap_seconds),
            ask_timeout_seconds: number(
                self,
                "ask_timeout_seconds",
                table.ask_timeout_seconds,
                usual.ask_timeout_seconds,
            ),
            interval_seconds: self.number(
                "interval_seconds",
                table.interval_seconds,
                usual.interval_seconds,
                seconds,
            ),
            page_count: self.number("page_count", table.page_count, usual.page_count, 1..=10_000),
            max_pages: self.number("max_pages", table.max_pages, usual.max_pages, 1..=1_000_000),
            start: table.start.and_then(|start| self.start(&start)),
            // A year: what lies further back is no matter of an acute watch.
            first_hours: self.number("first_hours", table.first_hours, usual.first_hours, 1..=8760),
            ask_diastolics: table.ask_diastolics.unwrap_or(usual.ask_diastolics),
            procedures: table.procedures.unwrap_or(usual.procedures),
            server: usual.server,
        })
    }

    fn sink(&mut self, table: Spanned<SinkTable>) -> Option<SinkConfig> {
        let span = table.span();
        let table = table.into_inner();
        let Some(fhir) = table.fhir else {
            self.fault(
                span,
                "[sink] needs fhir, the base URL of the server to write to; remove the table to run self-contained",
            );
            return None;
        };
        let server = self.fhir_server(ServerKeys {
            fhir,
            bearer_token_file: table.bearer_token_file,
            timeout_seconds: table.timeout_seconds,
            max_response_bytes: table.max_response_bytes,
            token_variable: SINK_TOKEN_VARIABLE,
        })?;
        let usual = SinkConfig::new(server);
        Some(SinkConfig {
            recipients: table.recipients.iter().filter_map(|one| self.recipient(one)).collect(),
            live: table.mode == Some(SinkMode::Live),
            max_attempts: self.number("max_attempts", table.max_attempts, usual.max_attempts, 0..=1_000_000),
            max_backoff_seconds: self.number(
                "max_backoff_seconds",
                table.max_backoff_seconds,
                usual.max_backoff_seconds,
                1..=DAY_SECONDS,
            ),
            server: usual.server,
        })
    }

    fn server(&mut self, table: ServerTable, with_auth: bool) -> ServerConfig {
        let usual = ServerConfig::default();
        let bundle_span = table
            .max_bundle_bytes
            .as_ref()
            .or(table.max_body_bytes.as_ref())
            .map(Spanned::span);
        let waiting_span = table
            .max_waiting_bytes
            .as_ref()
            .or(table.max_bundle_bytes.as_ref())
            .map(Spanned::span);
        let config = ServerConfig {
            listen: table
                .listen
                .and_then(|listen| self.listen(&listen, with_auth))
                .unwrap_or(usual.listen),
            public_base: table.public_base.and_then(|base| self.public_base(&base)),
            max_body_bytes: self.number(
                "max_body_bytes",
                table.max_body_bytes,
                usual.max_body_bytes,
                1024..=MAX_BYTES,
            ),
            max_bundle_bytes: self.number(
                "max_bundle_bytes",
                table.max_bundle_bytes,
                usual.max_bundle_bytes,
                1024..=MAX_BYTES,
            ),
            // An Observation nests about ten deep (component, coding, extension in extension).
            max_depth: self.number("max_depth", table.max_depth, usual.max_depth, 16..=MAX_DEPTH),
            queue_batches: self.number("queue_batches", table.queue_batches, usual.queue_batches, 1..=65_536),
            max_waiting_bytes: self.number(
                "max_waiting_bytes",
                table.max_waiting_bytes,
                usual.max_waiting_bytes,
                1024..=MAX_BYTES,
            ),
            max_connections: self.number(
                "max_connections",
                table.max_connections,
                usual.max_connections,
                1..=65_536,
            ),
            head_seconds: self.number("head_seconds", table.head_seconds, usual.head_seconds, 1..=3600),
            body_seconds: self.number("body_seconds", table.body_seconds, usual.body_seconds, 1..=3600),
            idle_seconds: self.number("idle_seconds", table.idle_seconds, usual.idle_seconds, 1..=3600),
            write_seconds: self.number("write_seconds", table.write_seconds, usual.write_seconds, 1..=3600),
        };
        if let Some(span) = waiting_span.filter(|_| config.max_waiting_bytes < config.max_bundle_bytes) {
            self.fault(
                span,
                format!(
                    "max_waiting_bytes ({}) is below max_bundle_bytes ({}), so the largest Bundle could never be taken: \
                     raise the one or lower the other",
                    config.max_waiting_bytes, config.max_bundle_bytes
                ),
            );
        }
        if let Some(span) = bundle_span.filter(|_| config.max_bundle_bytes < config.max_body_bytes) {
            self.fault(
                span,
                format!(
                    "max_bundle_bytes ({}) is below max_body_bytes ({}), but a Bundle holds whole resources: raise the one \
                     or lower the other",
                    config.max_bundle_bytes, config.max_body_bytes
                ),
            );
        }
        config
    }

    fn fhir_server(&mut self, keys: ServerKeys) -> Option<FhirServerConfig> {
        let bearer_token = self.token("bearer_token_file", keys.bearer_token_file, keys.token_variable);
        let base = self.base("fhir", &keys.fhir);
        let usual = FhirServerConfig::new(base?);
        Some(FhirServerConfig {
            bearer_token,
            timeout_seconds: self.number("timeout_seconds", keys.timeout_seconds, usual.timeout_seconds, 1..=3600),
            max_response_bytes: self.number(
                "max_response_bytes",
                keys.max_response_bytes,
                usual.max_response_bytes,
                1024..=MAX_BYTES,
            ),
            base: usual.base,
        })
    }

    /// The base of our own endpoint behind a proxy; the pages stand beside it, so its path is fixed.
    fn public_base(&mut self, given: &Spanned<String>) -> Option<url::Url> {
        let base = self.base("public_base", given)?;
        if base.path() != "/fhir" {
            self.fault(
                given.span(),
                String::from("public_base must end in /fhir right after the host, such as https://ward.example/fhir"),
            );
            return None;
        }
        Some(base)
    }

    /// A base URL. Its text is not repeated in messages: it may carry a password.
    fn base(&mut self, key: &str, given: &Spanned<String>) -> Option<url::Url> {
        let example = "such as https://fhir.example/r4";
        let fault = match url::Url::parse(given.get_ref()) {
            Err(error) => format!("{key} is not a URL ({error}): give the server's base URL, {example}"),
            Ok(url) if !matches!(url.scheme(), "http" | "https") => {
                format!("{key} must be an http or https URL, {example}")
            }
            Ok(url) if url.query().is_some() || url.fragment().is_some() => {
                format!("{key} must be a base URL without '?' or '#', {example}; searches are added by the service")
            }
            Ok(url) if !url.username().is_empty() || url.password().is_some() => {
                format!("{key} may not carry a user or password: remove them and use a token file or the environment")
            }
            Ok(mut url) => {
                let path = url.path().trim_end_matches('/').to_owned();
                url.set_path(&path);
                return Some(url);
            }
        };
        self.fault(given.span(), fault);
        None
    }

    fn poll_mode(&mut self, table: &mut SourceTable) -> PollMode {
        let members = [("Group", table.group.take()), ("List", table.list.take())];
        let [group, list] = members.map(|(wanted, given)| given.map(|given| (wanted, given)));
        let mode = table
            .mode
            .as_ref()
            .map(|mode| *mode.get_ref())
            .unwrap_or(SourceMode::WholeSystem);
        if let (Some(_), Some((_, list))) = (&group, &list) {
            self.fault(
                list.span(),
                "group and list are both given: keep the one whose members are to be polled",
            );
        }
        let members = group.or(list);
        match (mode, members) {
            (SourceMode::WholeSystem, None) => PollMode::WholeSystem,
            (SourceMode::WholeSystem, Some((_, given))) => {
                let message =
                    "group and list count only with mode = \"per-patient\": set that mode, or remove this key";
                self.fault(given.span(), message);
                PollMode::WholeSystem
            }
            (SourceMode::PerPatient, None) => {
                let span = table.mode.as_ref().map(Spanned::span).unwrap_or_default();
                self.fault(
                    span,
                    "mode = \"per-patient\" needs group = \"Group/…\" or list = \"List/…\", whose members are polled",
                );
                PollMode::WholeSystem
            }
            (SourceMode::PerPatient, Some((wanted, given))) => {
                match reference::parse(given.get_ref(), None) {
                    Ok(Reference::Here(target)) if target.resource_type == wanted && target.version.is_none() => {}
                    _ => {
                        let (key, example) = (wanted.to_ascii_lowercase(), format!("{wanted}/1"));
                        self.fault(
                            given.span(),
                            format!("{key} must be a reference on the same server, such as {example:?}"),
                        );
                    }
                }
                PollMode::PerPatient {
                    members_of: given.into_inner(),
                }
            }
        }
    }

    fn recipient(&mut self, given: &Spanned<String>) -> Option<String> {
        let target = reference::parse(given.get_ref(), None)
            .ok()
            .and_then(|reference| reference.target());
        if target.is_some_and(|target| RECIPIENT_TYPES.contains(&target.resource_type)) {
            return Some(given.get_ref().clone());
        }
        let message = format!(
            "a recipient must be a reference such as \"PractitionerRole/on-call\", to one of: {}",
            RECIPIENT_TYPES.join(", ")
        );
        self.fault(given.span(), message);
        None
    }

    fn start(&mut self, given: &Spanned<String>) -> Option<Instant> {
        match datetime::parse_instant(given.get_ref()) {
            Ok(instant) => Some(instant),
            Err(error) => {
                self.fault(
                    given.span(),
                    format!("start: {error}; write it as \"2026-03-05T22:10:00Z\""),
                );
                None
            }
        }
    }

    fn listen(&mut self, given: &Spanned<String>, with_auth: bool) -> Option<SocketAddr> {
        let outcome = match given.get_ref().parse::<SocketAddr>() {
            Ok(listen) => check_listen(listen, with_auth).map(|()| listen),
            Err(_) => Err(String::from(
                "listen must be an IP address and a port, such as 127.0.0.1:8080 or [::1]:8080 (a name is not resolved)",
            )),
        };
        outcome.map_err(|message| self.fault(given.span(), message)).ok()
    }

    /// A level filter. A bare word that is no level would silently become the name of a module whose
    /// lines alone are shown, so it is refused.
    fn level(&mut self, given: Option<Spanned<String>>) -> String {
        let Some(given) = given else {
            return TelemetryConfig::default().level;
        };
        let levels = ["off", "error", "warn", "info", "debug", "trace"];
        let known = |part: &str| part.contains('=') || levels.iter().any(|level| part.eq_ignore_ascii_case(level));
        let text = given.get_ref();
        let parsed = tracing_subscriber::EnvFilter::builder().parse(text);
        if parsed.is_err() || !text.split(',').all(|part| known(part.trim())) {
            let levels = levels.join(", ");
            self.fault(
                given.span(),
                format!("level must be one of {levels}, or such a list as \"info,deltaward::source=debug\""),
            );
        }
        given.into_inner()
    }

    fn path(&mut self, key: &str, given: Option<Spanned<PathBuf>>) -> Option<PathBuf> {
        let given = given?;
        if given.get_ref().as_os_str().is_empty() {
            self.fault(given.span(), format!("{key} is empty: name a path, or remove the key"));
        }
        Some(given.into_inner())
    }

    /// A whole number in `range`.
    fn number<T: TryFrom<i64>>(
        &mut self,
        key: &str,
        given: Option<Spanned<i64>>,
        default: T,
        range: RangeInclusive<i64>,
    ) -> T {
        let Some(given) = given else { return default };
        let number = *given.get_ref();
        match T::try_from(number) {
            Ok(fitting) if range.contains(&number) => fitting,
            _ => {
                let (least, most) = range.into_inner();
                self.fault(given.span(), format!("{key} must be {least} to {most}, not {number}"));
                default
            }
        }
    }
}
