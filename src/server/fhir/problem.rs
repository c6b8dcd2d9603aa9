//! Refusals on `/fhir`: an HTTP status with an OperationOutcome, always.

use crate::fhir::outcome::{Issue, IssueType, outcome};
use axum::http::StatusCode;
use axum::http::header::{self, HeaderName, HeaderValue};
use axum::response::{IntoResponse, Response};
use serde_json::Value;

/// The media type of FHIR's JSON form.
pub const FHIR_JSON: &str = "application/fhir+json";

/// Retry-After while the store does not commit or answer, seconds.
const STORE_RETRY_SECONDS: &str = "10";

/// A refused request or Bundle entry. Nothing of it was stored, unless its text says otherwise.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// HTTP status.
    pub status: StatusCode,
    /// At least one.
    pub issues: Vec<Issue>,
    /// Further headers (`Retry-After`, `Allow`).
    pub headers: Vec<(HeaderName, HeaderValue)>,
}

impl Problem {
    /// A problem of one issue; `code` is of FHIR R4's issue-type.
    pub fn new(status: StatusCode, code: IssueType, text: impl Into<String>) -> Self {
        Self {
            status,
            issues: vec![Issue::error(code, text)],
            headers: Vec::new(),
        }
    }

    /// 400: the request is not what FHIR says it must be.
    pub fn invalid(text: impl Into<String>) -> Self {
        Self::new(StatusCode::BAD_REQUEST, IssueType::Value, text)
    }

    /// 503 with Retry-After (seconds; RFC 9110, section 10.2.3): nothing was kept, the same request
    /// may be sent again. For what passes at once, such as a full queue.
    pub fn try_again(text: impl Into<String>) -> Self {
        Self::new(StatusCode::SERVICE_UNAVAILABLE, IssueType::Transient, text)
            .with_header(header::RETRY_AFTER, HeaderValue::from_static("1"))
    }

    /// As `try_again`, for what somebody has to mend first: a full disk, a locked file.
    pub fn try_again_later(text: impl Into<String>) -> Self {
        let mut problem = Self::try_again(text);
        problem.headers = vec![(header::RETRY_AFTER, HeaderValue::from_static(STORE_RETRY_SECONDS))];
        problem
    }

    /// The place of the last issue, as FHIRPath.
    #[must_use]
    pub fn at(mut self, expression: impl Into<String>) -> Self {
        if let Some(issue) = self.issues.last_mut() {
            issue.expression.push(expression.into());
        }
        self
    }

    /// With a header.
    #[must_use]
    pub fn with_header(mut self, name: HeaderName, value: HeaderValue) -> Self {
        self.headers.push((name, value));
        self
    }

    /// The OperationOutcome.
    pub fn outcome(&self) -> Value {
        outcome(&self.issues)
    }
}

impl From<crate::store::StoreError> for Problem {
    /// The cause goes to the log, not to the caller: it may name a path.
    fn from(error: crate::store::StoreError) -> Self {
        tracing::error!(%error, "the store did not answer a FHIR request");
        Self::try_again_later("The store cannot be read now; nothing was changed. Send the request again.")
    }
}

impl From<crate::source::IntakeError> for Problem {
    fn from(error: crate::source::IntakeError) -> Self {
        use crate::source::IntakeError;
        match &error {
            IntakeError::Busy(_) | IntakeError::Full(_) | IntakeError::Stopped => Self::try_again(error.to_string()),
            IntakeError::Store(cause) => {
                tracing::error!(%cause, "the store could not commit what was sent to /fhir");
                Self::try_again_later("The store could not commit; nothing of this request was kept. Send it again.")
            }
        }
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let body = self.outcome().to_string();
        let mut response = (self.status, [(header::CONTENT_TYPE, FHIR_JSON)], body).into_response();
        response.headers_mut().extend(self.headers);
        response
    }
}
