//! What the headers of a request ask for: media type, Prefer, versions.

use super::problem::{FHIR_JSON, Problem};
use crate::fhir::outcome::IssueType;
use crate::server::Shared;
use crate::server::guard::Base;
use axum::extract::FromRequestParts;
use axum::http::request::Parts;
use axum::http::{HeaderMap, StatusCode, header};

/// `Prefer: return=…`: what the answer to a write holds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Return {
    /// The header does not say: a single write gives the resource, a Bundle's entries do not.
    #[default]
    Unsaid,
    /// Nothing but headers.
    Minimal,
    /// The resource as stored.
    Representation,
    /// An OperationOutcome.
    OperationOutcome,
}

/// What a caller asks for, whatever the interaction.
#[derive(Clone, Debug, Default)]
pub struct Call {
    /// Base URL of `/fhir`, when it is known.
    pub base: Option<String>,
    /// `Prefer: return`.
    pub wants: Return,
    /// `Prefer: handling=strict`: unknown search parameters are refused.
    pub strict: bool,
}

impl Call {
    /// A link to `path` (`Observation/1`): absolute when the base is known, else relative to it.
    pub fn link(&self, path: &str) -> String {
        match &self.base {
            Some(base) => format!("{base}/{path}"),
            None => path.to_owned(),
        }
    }

    /// As `link`, but None when it cannot be absolute.
    pub fn absolute(&self, path: &str) -> Option<String> {
        self.base.as_ref().map(|base| format!("{base}/{path}"))
    }
}

impl FromRequestParts<Shared> for Call {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _app: &Shared) -> Result<Self, Problem> {
        accepts(&parts.headers, parts.uri.query())?;
        let mut call = Call {
            base: parts.extensions.get::<Base>().and_then(|base| base.0.clone()),
            ..Call::default()
        };
        for value in parts.headers.get_all("prefer") {
            for token in value.to_str().unwrap_or_default().split([',', ';']) {
                match token.trim().to_ascii_lowercase().as_str() {
                    "return=minimal" => call.wants = Return::Minimal,
                    "return=representation" => call.wants = Return::Representation,
                    "return=operationoutcome" => call.wants = Return::OperationOutcome,
                    "handling=strict" => call.strict = true,
                    "handling=lenient" => call.strict = false,
                    // Other preferences may be ignored (RFC 7240, section 2).
                    _ => {}
                }
            }
        }
        Ok(call)
    }
}

fn is_json(media_type: &str) -> bool {
    matches!(
        media_type,
        "application/fhir+json" | "application/json" | "json" | "text/json"
    )
}

/// Refuses a caller who cannot read FHIR's JSON form of R4. `_format` goes before Accept.
fn accepts(headers: &HeaderMap, query: Option<&str>) -> Result<(), Problem> {
    let refused = || {
        let text = "Only application/fhir+json (FHIR 4.0) is produced; ask for it, or leave Accept and _format out.";
        Err(Problem::new(StatusCode::NOT_ACCEPTABLE, IssueType::NotSupported, text))
    };
    let format = url::form_urlencoded::parse(query.unwrap_or_default().as_bytes())
        .find(|(name, _)| name == "_format")
        .map(|(_, value)| value.replace(' ', "+"));
    if let Some(format) = format {
        let essence = format.split(';').next().unwrap_or_default().trim().to_ascii_lowercase();
        return if is_json(&essence) { Ok(()) } else { refused() };
    }
    let mut ranges = headers
        .get_all(header::ACCEPT)
        .iter()
        .flat_map(|value| value.to_str().unwrap_or_default().split(','))
        .filter(|range| !range.trim().is_empty())
        .peekable();
    if ranges.peek().is_none() || ranges.any(wanted) {
        return Ok(());
    }
    refused()
}

/// One media range of Accept that our form meets.
fn wanted(range: &str) -> bool {
    let mut parts = range.split(';').map(|part| part.trim().to_ascii_lowercase());
    let essence = parts.next().unwrap_or_default();
    let fits = is_json(&essence) || matches!(essence.as_str(), "*/*" | "application/*");
    fits && parts.all(|part| match part.split_once('=') {
        Some(("q", quality)) => quality.trim().parse::<f32>().is_ok_and(|quality| quality > 0.0),
        Some(("fhirversion", version)) => is_r4(version),
        _ => true,
    })
}

fn is_r4(version: &str) -> bool {
    matches!(version.trim().trim_matches('"'), "4.0" | "4.0.1")
}

/// Content-Type of a body: FHIR JSON, JSON, or not said.
///
/// # Errors
/// 415.
pub fn check_content_type(headers: &HeaderMap) -> Result<(), Problem> {
    let refused = |text: String| {
        Err(Problem::new(
            StatusCode::UNSUPPORTED_MEDIA_TYPE,
            IssueType::NotSupported,
            text,
        ))
    };
    let coded = headers
        .get(header::CONTENT_ENCODING)
        .is_some_and(|coding| coding.as_bytes() != b"identity");
    if coded {
        return refused(String::from("The body is content-coded; send it as it is."));
    }
    let Some(value) = headers.get(header::CONTENT_TYPE) else {
        return Ok(());
    };
    let mut parts = value
        .to_str()
        .unwrap_or("?")
        .split(';')
        .map(|part| part.trim().to_ascii_lowercase());
    let essence = parts.next().unwrap_or_default();
    let fits = matches!(essence.as_str(), "application/fhir+json" | "application/json")
        && parts.all(|part| match part.split_once('=') {
            Some(("charset", charset)) => charset.trim_matches('"') == "utf-8",
            Some(("fhirversion", version)) => is_r4(version),
            _ => true,
        });
    if fits {
        return Ok(());
    }
    refused(format!("The body must be {FHIR_JSON} or application/json in UTF-8."))
}

/// The versionId of an `If-Match` or `If-None-Match` value: `W/"3"`, `"3"` or `3`.
pub fn version_of(tag: &str) -> &str {
    let tag = tag.trim();
    tag.strip_prefix("W/").unwrap_or(tag).trim_matches('"')
}

/// `If-Match` as a versionId.
///
/// # Errors
/// 400 when it is not one version.
pub fn if_match(value: Option<&str>) -> Result<Option<String>, Problem> {
    let Some(value) = value else { return Ok(None) };
    let version = version_of(value);
    if version.is_empty() || version.contains(['*', ',', '"', ' ']) {
        return Err(Problem::invalid("If-Match must name one version: W/\"3\"."));
    }
    Ok(Some(version.to_owned()))
}

/// A header's text; bytes that are not UTF-8 are replaced, so that a bad header is never taken for
/// an absent one.
pub fn text(headers: &HeaderMap, name: &str) -> Option<String> {
    headers
        .get(name)
        .map(|value| String::from_utf8_lossy(value.as_bytes()).into_owned())
}
