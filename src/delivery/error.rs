//! What can go wrong with a FHIR server, in words that name no patient: addresses, bodies and
//! diagnostics of the server can hold patient data, so they are never part of `Display`.

use super::retry_after::RetryAfter;
use crate::fhir::outcome;
use crate::outbox::answer;
use serde_json::Value;

/// Why a request gave nothing usable.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ClientError {
    /// The HTTP client could not be built.
    #[error("the HTTP client cannot be set up: {0}; check the configured address and this machine's certificates")]
    Setup(String),
    /// A link or reference leads away from the configured origin.
    #[error(
        "a link of the server leads to {found}, but credentials go only to {allowed}: not followed; set the address that the server gives itself to the one in `fhir`"
    )]
    Origin {
        /// Scheme, host and port of the link.
        found: String,
        /// The configured origin.
        allowed: String,
    },
    /// A link or reference is no address.
    #[error("a link or reference of the server is not an address that can be read")]
    Address,
    /// No complete answer in time. A write may or may not have been done.
    #[error("no complete answer within {seconds} s; raise `timeout_seconds` if the server is slow")]
    Timeout {
        /// The limit.
        seconds: u64,
    },
    /// No connection, or it broke.
    #[error("the server cannot be reached: {0}; check the address, the network and the certificate")]
    Unreachable(String),
    /// The body is larger than allowed.
    #[error("the answer is larger than `max_response_bytes` = {limit}; raise it, or lower `page_count`")]
    TooLarge {
        /// The limit, bytes after decompression.
        limit: usize,
    },
    /// A success whose body is not JSON: a sign-in page, a proxy.
    #[error(
        "status {status} came with {media_type} instead of FHIR JSON; check that `fhir` is a FHIR base address and that no sign-in page or proxy stands before it"
    )]
    NotFhir {
        /// HTTP status.
        status: u16,
        /// Media type of the body, without parameters.
        media_type: String,
    },
    /// JSON, but not what was asked for.
    #[error("the answer cannot be used: {0}")]
    Malformed(String),
    /// The server refused.
    #[error("the server answered {status}{}", codes_in_brackets(.codes))]
    Refused {
        /// HTTP status.
        status: u16,
        /// The body was an OperationOutcome: a FHIR server spoke, not a gateway on the way to it.
        outcome: bool,
        /// `OperationOutcome.issue.code`s, comma separated; or what came instead of an outcome.
        codes: String,
        /// The outcome in words, for the operator's page; may name a patient, never logged.
        told: String,
        /// The server's wish.
        retry_after: Option<RetryAfter>,
    },
}

fn codes_in_brackets(codes: &str) -> String {
    if codes.is_empty() {
        String::new()
    } else {
        format!(" ({codes})")
    }
}

impl ClientError {
    /// HTTP status of a refusal.
    pub const fn status(&self) -> Option<u16> {
        match self {
            Self::Refused { status, .. } => Some(*status),
            _ => None,
        }
    }

    /// `Retry-After` of a refusal.
    pub const fn retry_after(&self) -> Option<RetryAfter> {
        match self {
            Self::Refused { retry_after, .. } => *retry_after,
            _ => None,
        }
    }

    /// What is kept beside an outbox entry for the operator: "422: …", one bounded line.
    pub fn told(&self) -> String {
        match self {
            Self::Refused { status, told, .. } => answer::shorten(&format!("{status}: {told}")),
            other => answer::shorten(&other.to_string()),
        }
    }

    /// A refusal from its status, media type and body. A page that is not JSON is named by its
    /// media type only, never quoted.
    pub(super) fn refused(status: u16, media_type: &str, body: &str, retry_after: Option<RetryAfter>) -> Self {
        let parsed = serde_json::from_str::<Value>(body);
        let outcome = parsed.as_ref().is_ok_and(outcome::is_outcome);
        let codes = match parsed {
            Ok(value) => issue_codes(&value),
            Err(_) if body.trim().is_empty() => String::new(),
            Err(_) => format!("{media_type} instead of an OperationOutcome"),
        };
        let told = outcome::summary(body);
        Self::Refused {
            status,
            outcome,
            codes,
            told,
            retry_after,
        }
    }
}

/// `issue.code`s of an OperationOutcome, each once, comma separated: they name no patient.
fn issue_codes(outcome: &Value) -> String {
    let issues = outcome.get("issue").and_then(Value::as_array);
    let mut codes: Vec<&str> = Vec::new();
    for issue in issues.into_iter().flatten().take(MAX_ISSUES) {
        let code = issue.get("code").and_then(Value::as_str).unwrap_or_default();
        let is_code = code.bytes().all(|byte| byte.is_ascii_lowercase() || byte == b'-');
        if is_code && (1..=MAX_CODE_BYTES).contains(&code.len()) && !codes.contains(&code) {
            codes.push(code);
        }
    }
    codes.join(", ")
}

/// Issues of one outcome that are read.
const MAX_ISSUES: usize = 10;
/// Longest `issue.code` that is repeated; FHIR's own are at most 16 characters.
const MAX_CODE_BYTES: usize = 32;
