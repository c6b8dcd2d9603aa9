//! Who may ask at all: one shared secret, as a bearer token (RFC 6750) or, so that a browser can
//! open the pages and listen to changes, as the password of Basic (RFC 7617) with any user name.
//!
//! It stands behind [`super::guard`]: a browser adds Basic credentials to every request by itself,
//! so the checks of Host and Origin remain what keeps other sites' pages out.

use super::Shared;
use super::fhir::problem::Problem;
use crate::fhir::outcome::IssueType;
use axum::extract::{Request, State};
use axum::http::header::{self, HeaderMap, HeaderValue};
use axum::http::{Method, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use secrecy::{ExposeSecret, SecretString};
use sha2::{Digest, Sha256};
use subtle::ConstantTimeEq;

/// The one path that is answered without the secret: a supervisor asks there whether the process
/// lives, and learns nothing else. `/health/ready` names backlogs and faults, and needs it.
const OPEN: &str = "/health/live";

/// RFC 7617, section 2 (realm) and 2.1 (charset).
const BASIC: &str = r#"Basic realm="Deltaward", charset="UTF-8""#;
/// RFC 6750, section 3: no error code where no token was sent, `invalid_token` where a wrong one was.
const BEARER: &str = r#"Bearer realm="Deltaward""#;
const BEARER_WRONG: &str = r#"Bearer realm="Deltaward", error="invalid_token""#;

/// The secret, as a digest: of equal length whatever is compared, and never shown.
pub struct Auth {
    digest: [u8; 32],
}

/// What a request's credentials are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// The secret.
    Right,
    /// None, or of a scheme that is not known here.
    Absent,
    /// Something else than the secret, or more than one Authorization.
    Wrong,
}

impl Auth {
    /// This secret opens.
    pub fn new(secret: &SecretString) -> Self {
        Self {
            digest: digest(secret.expose_secret()),
        }
    }

    /// What the Authorization of these headers is.
    pub fn verdict(&self, headers: &HeaderMap) -> Verdict {
        let mut all = headers.get_all(header::AUTHORIZATION).iter();
        let given = match (all.next(), all.next()) {
            (None, _) => return Verdict::Absent,
            (Some(_), Some(_)) => return Verdict::Wrong,
            (Some(given), None) => given,
        };
        let Some((scheme, credentials)) = given.to_str().ok().and_then(|given| given.split_once(' ')) else {
            return Verdict::Wrong;
        };
        let credentials = credentials.trim_matches(' ');
        // A scheme has no case (RFC 9110, section 11.1).
        let secret = if scheme.eq_ignore_ascii_case("bearer") {
            Some(credentials.to_owned())
        } else if scheme.eq_ignore_ascii_case("basic") {
            password(credentials)
        } else {
            return Verdict::Absent;
        };
        match secret {
            Some(secret) if bool::from(digest(&secret).ct_eq(&self.digest)) => Verdict::Right,
            _ => Verdict::Wrong,
        }
    }
}

fn digest(secret: &str) -> [u8; 32] {
    Sha256::digest(secret).into()
}

/// The password of `user-id:password`; a user-id holds no colon (RFC 7617, section 2).
fn password(credentials: &str) -> Option<String> {
    let pair = String::from_utf8(STANDARD.decode(credentials).ok()?).ok()?;
    pair.split_once(':').map(|(_, password)| password.to_owned())
}

/// Lets through what carries the secret; 401 with both challenges for all else, before any of the
/// body is read.
pub async fn require(State(app): State<Shared>, request: Request, next: Next) -> Response {
    let Some(auth) = &app.auth else {
        return next.run(request).await;
    };
    let asks_for_life = request.uri().path() == OPEN && matches!(*request.method(), Method::GET | Method::HEAD);
    if asks_for_life {
        return next.run(request).await;
    }
    match auth.verdict(request.headers()) {
        Verdict::Right => next.run(request).await,
        verdict => refused(verdict, request.uri().path().starts_with("/fhir")),
    }
}

fn refused(verdict: Verdict, is_fhir: bool) -> Response {
    let text = "This service asks for its secret: send it as a bearer token, or as the password of any user name.";
    let mut response = if is_fhir {
        Problem::new(StatusCode::UNAUTHORIZED, IssueType::Login, text).into_response()
    } else {
        (StatusCode::UNAUTHORIZED, format!("{text}\n")).into_response()
    };
    let bearer = match verdict {
        Verdict::Wrong => BEARER_WRONG,
        Verdict::Right | Verdict::Absent => BEARER,
    };
    // Two fields, not one with a comma (the same by RFC 9110, section 5.3): not every browser finds
    // the second challenge of a list.
    for challenge in [bearer, BASIC] {
        let value = HeaderValue::from_static(challenge);
        response.headers_mut().append(header::WWW_AUTHENTICATE, value);
    }
    response
}
