//! A FHIR REST client over reqwest with the limits that the service needs: one origin for
//! credentials and links, no redirects, a deadline, a size limit held while the body streams in.

use super::capability::Capabilities;
use super::error::ClientError;
use super::present::carries;
use super::retry_after::RetryAfter;
use crate::config::FhirServerConfig;
use crate::fhir::reference::{self, Reference, is_id};
use futures_util::future::BoxFuture;
use reqwest::header::{ACCEPT, CACHE_CONTROL, CONTENT_TYPE, LOCATION, RETRY_AFTER};
use reqwest::{Method, RequestBuilder, Response, redirect};
use secrecy::{ExposeSecret, SecretString};
use serde_json::Value;
use std::error::Error as _;
use std::fmt::{self, Write as _};
use std::sync::Arc;
use std::time::Duration;
use url::Url;

/// The media type of FHIR JSON (FHIR R4 §3.1.0.1.8).
const FHIR_JSON: &str = "application/fhir+json";
/// Longest wait for a connection, whatever the limit for the whole request is.
const CONNECT_SECONDS: u64 = 10;

/// Why no answer came over a [`Transport`].
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NoAnswer {
    /// Not within the limit of the request.
    Timeout,
    /// The connection broke, or there was none. Why.
    Broken(String),
}

/// Carries one request to a server and its answer back, in the place of a network. The simulation
/// (`tests/simulation`) plays one; the service always uses the HTTP client.
pub trait Transport: fmt::Debug + Send + Sync {
    /// Send the request.
    ///
    /// # Errors
    /// [`NoAnswer`]; the server may have done what was asked all the same.
    fn send(&self, request: reqwest::Request) -> BoxFuture<'_, Result<Response, NoAnswer>>;
}

/// One FHIR server.
#[derive(Clone, Debug)]
pub struct FhirClient {
    http: reqwest::Client,
    /// Carries requests in the place of `http`.
    transport: Option<Arc<dyn Transport>>,
    base: Url,
    token: Option<SecretString>,
    timeout_seconds: u64,
    max_response_bytes: usize,
}

/// A successful answer (2xx) with its body, empty or JSON.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reply {
    /// HTTP status.
    pub status: u16,
    /// Body; JSON text, or empty.
    pub body: String,
    /// `Location` header.
    pub location: Option<String>,
}

impl Reply {
    /// The body as a JSON value.
    ///
    /// # Errors
    /// `Malformed` when it is not JSON (or empty).
    pub fn json(&self) -> Result<Value, ClientError> {
        serde_json::from_str(&self.body).map_err(|error| not_json(&error))
    }
}

/// A JSON error by line and column: serde's own words can quote the text.
fn not_json(error: &serde_json::Error) -> ClientError {
    ClientError::Malformed(format!("not JSON (line {}, column {})", error.line(), error.column()))
}

impl FhirClient {
    /// A client for the configured server. Nothing is sent yet.
    ///
    /// # Errors
    /// `Setup` when the address is not http(s), carries a user name, or TLS cannot be set up.
    pub fn new(config: &FhirServerConfig) -> Result<Self, ClientError> {
        let base = &config.base;
        if !matches!(base.scheme(), "http" | "https") || base.host_str().is_none() {
            return Err(ClientError::Setup(String::from(
                "the address must begin with http:// or https://",
            )));
        }
        if has_user(base) {
            return Err(ClientError::Setup(String::from(
                "the address holds a user name or password; use bearer_token_file",
            )));
        }
        let timeout = Duration::from_secs(config.timeout_seconds.max(1));
        let http = reqwest::Client::builder()
            .redirect(redirect::Policy::none())
            .referer(false)
            .timeout(timeout)
            .connect_timeout(timeout.min(Duration::from_secs(CONNECT_SECONDS)))
            .user_agent(concat!("deltaward/", env!("CARGO_PKG_VERSION")))
            .build()
            .map_err(|error| ClientError::Setup(causes(error)))?;
        Ok(Self {
            http,
            transport: None,
            base: base.clone(),
            token: config.bearer_token.clone(),
            timeout_seconds: config.timeout_seconds.max(1),
            max_response_bytes: config.max_response_bytes,
        })
    }

    /// The same client over another network.
    #[must_use]
    pub fn over(mut self, transport: Arc<dyn Transport>) -> Self {
        self.transport = Some(transport);
        self
    }

    /// Base address.
    pub const fn base(&self) -> &Url {
        &self.base
    }

    /// Most bytes of one answer.
    pub const fn max_response_bytes(&self) -> usize {
        self.max_response_bytes
    }

    /// `[base]/path?query`; `query` is already percent-encoded.
    ///
    /// # Errors
    /// `Address` when `path` has an empty or dotted segment.
    pub fn url(&self, path: &str, query: &str) -> Result<Url, ClientError> {
        if path.split('/').any(|segment| matches!(segment, "." | "..")) {
            return Err(ClientError::Address);
        }
        let mut url = self.base.clone();
        url.path_segments_mut()
            .map_err(|()| ClientError::Address)?
            .pop_if_empty()
            .extend(path.split('/').filter(|segment| !segment.is_empty()));
        url.set_query(Some(query).filter(|query| !query.is_empty()));
        Ok(url)
    }

    /// A link as the server wrote it, found in the answer to `from`; only the same scheme, host
    /// and port are accepted.
    ///
    /// # Errors
    /// `Address` or `Origin`.
    pub fn link(&self, from: &Url, link: &str) -> Result<Url, ClientError> {
        let url = from.join(link).map_err(|_| ClientError::Address)?;
        self.check_origin(&url)?;
        Ok(url)
    }

    /// `Type/id` of a reference to a resource of this server: relative, or absolute below the
    /// base. A version (`/_history/…`) is cut off.
    ///
    /// # Errors
    /// `Address` or `Origin`.
    pub fn local_reference(&self, reference: &str) -> Result<String, ClientError> {
        match reference::parse(reference, Some(self.base.as_str())) {
            Ok(Reference::Here(target)) => Ok(target.to_string()),
            Ok(Reference::Elsewhere { base, target }) => {
                let base = Url::parse(base).map_err(|_| ClientError::Address)?;
                self.check_origin(&base)?;
                let same_path = base.path().trim_end_matches('/') == self.base.path().trim_end_matches('/');
                if same_path {
                    Ok(target.to_string())
                } else {
                    Err(ClientError::Address)
                }
            }
            _ => Err(ClientError::Address),
        }
    }

    fn check_origin(&self, url: &Url) -> Result<(), ClientError> {
        if url.origin() == self.base.origin() && !has_user(url) {
            return Ok(());
        }
        Err(ClientError::Origin {
            found: url.origin().ascii_serialization(),
            allowed: self.base.origin().ascii_serialization(),
        })
    }

    /// The one place where the token meets an address.
    fn request(&self, method: Method, url: Url) -> Result<RequestBuilder, ClientError> {
        self.check_origin(&url)?;
        let mut request = self
            .http
            .request(method, url)
            .header(ACCEPT, FHIR_JSON)
            .header(CACHE_CONTROL, "no-cache");
        if let Some(token) = &self.token {
            request = request.bearer_auth(token.expose_secret());
        }
        Ok(request)
    }

    /// GET; the body is JSON or an error. `Cache-Control: no-cache` because some servers reuse
    /// search results for a minute otherwise.
    ///
    /// # Errors
    /// Any [`ClientError`].
    pub async fn get(&self, url: Url) -> Result<Reply, ClientError> {
        let reply = self.exchange(self.request(Method::GET, url)?).await?;
        if reply.body.trim().is_empty() {
            return Err(ClientError::Malformed(format!(
                "status {} with an empty body",
                reply.status
            )));
        }
        Ok(reply)
    }

    /// POST a Bundle to the base.
    ///
    /// # Errors
    /// Any [`ClientError`].
    pub async fn transaction(&self, bundle: &Value) -> Result<Reply, ClientError> {
        let request = self.request(Method::POST, self.url("", "")?)?;
        self.exchange(with_body(request, bundle)).await
    }

    /// Conditional create: POST with `If-None-Exist: identifier=system|value` (FHIR R4 §3.1.0.8.1).
    ///
    /// # Errors
    /// Any [`ClientError`].
    pub async fn create_if_none(&self, kind: &str, identifier: &str, body: &Value) -> Result<Reply, ClientError> {
        let request = self.request(Method::POST, self.url(kind, "")?)?;
        let request = match mutated!(CreatedUnconditionally) {
            true => request,
            false => request.header("If-None-Exist", format!("identifier={identifier}")),
        };
        self.exchange(with_body(request, body)).await
    }

    /// Conditional update: PUT to `Type?identifier=system|value` (FHIR R4 §3.1.0.4.3).
    ///
    /// # Errors
    /// Any [`ClientError`].
    pub async fn update_where(&self, kind: &str, identifier: &str, body: &Value) -> Result<Reply, ClientError> {
        let query = format!("identifier={}", encode(identifier));
        let request = self.request(Method::PUT, self.url(kind, &query)?)?;
        self.exchange(with_body(request, body)).await
    }

    /// Update by id: PUT to `Type/id`.
    ///
    /// # Errors
    /// Any [`ClientError`].
    pub async fn update(&self, reference: &str, body: &Value) -> Result<Reply, ClientError> {
        let request = self.request(Method::PUT, self.url(reference, "")?)?;
        self.exchange(with_body(request, body)).await
    }

    /// `Type/id` of every resource with this identifier (`system|value`); the first page is enough,
    /// since one is expected. A resource that does not carry it is no find, whatever the server
    /// makes of the parameter.
    ///
    /// # Errors
    /// Any [`ClientError`].
    pub async fn find(&self, kind: &str, identifier: &str) -> Result<Vec<String>, ClientError> {
        let query = format!("identifier={}", encode(identifier));
        let bundle = self.get(self.url(kind, &query)?).await?.json()?;
        if bundle.get("resourceType").and_then(Value::as_str) != Some("Bundle") {
            return Err(ClientError::Malformed(String::from(
                "a search was not answered with a Bundle",
            )));
        }
        let entries = bundle.get("entry").and_then(Value::as_array);
        let found = entries.into_iter().flatten().filter_map(|entry| {
            let resource = entry.get("resource")?;
            let id = resource.get("id")?.as_str()?;
            (carries(resource, kind, identifier) && is_id(id)).then(|| format!("{kind}/{id}"))
        });
        Ok(found.collect())
    }

    /// What the server can do; None when it does not say (then [`Capabilities::UNKNOWN`] holds).
    ///
    /// # Errors
    /// Any [`ClientError`].
    pub async fn capabilities(&self) -> Result<Option<Capabilities>, ClientError> {
        let statement = self.get(self.url("metadata", "")?).await?.json()?;
        Ok(Capabilities::read(&statement))
    }

    async fn exchange(&self, request: RequestBuilder) -> Result<Reply, ClientError> {
        let response = self.send(request).await?;
        let status = response.status().as_u16();
        let header = |name| {
            let value = response.headers().get(name)?;
            value.to_str().ok().map(str::to_owned)
        };
        let media_type = header(CONTENT_TYPE).unwrap_or_default();
        let media_type = media_type
            .split(';')
            .next()
            .unwrap_or_default()
            .trim()
            .to_ascii_lowercase();
        let retry_after = header(RETRY_AFTER).and_then(|text| RetryAfter::parse(&text));
        let location = header(LOCATION);
        let body = self.body(response).await;
        if !(200..300).contains(&status) {
            // The status is what counts; a body that breaks off or is too large adds nothing.
            let body = body.unwrap_or_default();
            return Err(ClientError::refused(
                status,
                media_name(&media_type),
                &body,
                retry_after,
            ));
        }
        let body = body?;
        if !body.trim().is_empty() && !looks_like_json(&media_type, &body) {
            return Err(ClientError::NotFhir {
                status,
                media_type: media_name(&media_type).to_owned(),
            });
        }
        Ok(Reply { status, body, location })
    }

    async fn send(&self, request: RequestBuilder) -> Result<Response, ClientError> {
        let Some(transport) = &self.transport else {
            return request.send().await.map_err(|error| self.broken(error));
        };
        let request = request.build().map_err(|error| self.broken(error))?;
        transport.send(request).await.map_err(|error| match error {
            NoAnswer::Timeout => ClientError::Timeout {
                seconds: self.timeout_seconds,
            },
            NoAnswer::Broken(why) => ClientError::Unreachable(why),
        })
    }

    /// The body, counted as it comes (after decompression, so a small answer cannot unfold).
    async fn body(&self, mut response: Response) -> Result<String, ClientError> {
        let limit = self.max_response_bytes;
        let too_large = ClientError::TooLarge { limit };
        if response.content_length().is_some_and(|length| length > limit as u64) {
            return Err(too_large);
        }
        let mut bytes = Vec::new();
        while let Some(chunk) = response.chunk().await.map_err(|error| self.broken(error))? {
            if bytes.len().saturating_add(chunk.len()) > limit {
                return Err(too_large);
            }
            bytes.extend_from_slice(&chunk);
        }
        if bytes.starts_with(b"\xef\xbb\xbf") {
            bytes.drain(..3);
        }
        String::from_utf8(bytes).map_err(|_| ClientError::Malformed(String::from("the body is not UTF-8")))
    }

    fn broken(&self, error: reqwest::Error) -> ClientError {
        if error.is_timeout() {
            return ClientError::Timeout {
                seconds: self.timeout_seconds,
            };
        }
        ClientError::Unreachable(causes(error))
    }
}

/// `return=representation`: the answer then names the id that later references need.
fn with_body(request: RequestBuilder, body: &Value) -> RequestBuilder {
    request
        .header(CONTENT_TYPE, FHIR_JSON)
        .header("Prefer", "return=representation")
        .body(body.to_string())
}

/// An error and its causes on one line, without the address (a search names a patient).
fn causes(error: reqwest::Error) -> String {
    let error = error.without_url();
    let mut text = error.to_string();
    let mut source = error.source();
    while let Some(cause) = source {
        let _ = write!(text, ": {cause}");
        source = cause.source();
    }
    text
}

fn has_user(url: &Url) -> bool {
    !url.username().is_empty() || url.password().is_some()
}

fn media_name(media_type: &str) -> &str {
    if media_type.is_empty() {
        "a body without media type"
    } else {
        media_type
    }
}

/// Servers and proxies mislabel JSON (text/plain, none at all); a body that begins like an object
/// is given to the parser, anything declared as a page is not.
fn looks_like_json(media_type: &str, body: &str) -> bool {
    media_type.contains("json") || (!media_type.contains("html") && body.trim_start().starts_with('{'))
}

/// Percent-encode for a query value: everything but RFC 3986's unreserved characters, so that a
/// `+`, a `|` or an `&` in a code arrives as it is.
pub fn encode(text: &str) -> String {
    let mut encoded = String::with_capacity(text.len());
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'.' | b'_' | b'~') {
            encoded.push(char::from(byte));
        } else {
            let _ = write!(encoded, "%{byte:02X}");
        }
    }
    encoded
}
