//! Who may talk to this port through a browser.
//!
//! On loopback no sign-in is asked for, and where one is, a browser adds it to every request by
//! itself. So a page of another origin must not be able to reach the port: a Host that is not ours
//! is refused (DNS rebinding), a state-changing request with a foreign Origin is refused (cross-site
//! request forgery), no CORS header is ever sent, and a strict Content-Security-Policy stands on
//! every answer.

use super::Shared;
use super::fhir::problem::Problem;
use crate::fhir::outcome::IssueType;
use axum::extract::{Request, State};
use axum::http::header::{self, HeaderName, HeaderValue};
use axum::http::{HeaderMap, Method, StatusCode, Uri};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};

const POLICY: &str = "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; \
                      img-src 'self' data:; frame-ancestors 'none'; form-action 'self'; base-uri 'none'";

/// The Host headers that are ours.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Hosts {
    names: Vec<String>,
    listen: IpAddr,
}

impl Hosts {
    /// Loopback names and addresses, the listen address, and the `extra` names of the
    /// configuration (without a port, in any case).
    ///
    /// On an unspecified listen address (0.0.0.0, ::) every IP literal is ours: rebinding needs a
    /// name, and a probe in a cluster calls by address.
    pub fn new(listen: SocketAddr, extra: &[String]) -> Self {
        Self {
            names: extra.iter().map(|name| name.to_ascii_lowercase()).collect(),
            listen: listen.ip(),
        }
    }

    /// True when a Host header (`name`, `name:port`, `[v6]:port`) is well formed and ours.
    pub fn allows(&self, header: &str) -> bool {
        match parse_host(header) {
            Some(Host::Address(address)) => {
                address.is_loopback() || address == self.listen || self.listen.is_unspecified() || {
                    let text = address.to_string();
                    self.names.iter().any(|name| name.trim_matches(['[', ']']) == text)
                }
            }
            Some(Host::Name(name)) => name == "localhost" || self.names.contains(&name),
            None => false,
        }
    }
}

enum Host {
    Address(IpAddr),
    Name(String),
}

fn parse_host(header: &str) -> Option<Host> {
    let (host, port) = if let Some(rest) = header.strip_prefix('[') {
        let (address, after) = rest.split_once(']')?;
        let address: Ipv6Addr = address.parse().ok()?;
        let port = match after {
            "" => None,
            _ => Some(after.strip_prefix(':')?),
        };
        (Host::Address(IpAddr::V6(address)), port)
    } else {
        let (name, port) = match header.split_once(':') {
            Some((name, port)) => (name, Some(port)),
            None => (header, None),
        };
        let host = match name.parse::<Ipv4Addr>() {
            Ok(address) => Host::Address(IpAddr::V4(address)),
            Err(_) => Host::Name(host_name(name)?),
        };
        (host, port)
    };
    match port {
        Some(port) if port.is_empty() || !port.bytes().all(|b| b.is_ascii_digit()) => None,
        Some(port) if port.parse::<u16>().is_err() => None,
        _ => Some(host),
    }
}

fn host_name(name: &str) -> Option<String> {
    let fits = !name.is_empty()
        && name.len() <= 253
        && name
            .bytes()
            .all(|b| b.is_ascii_alphanumeric() || b == b'-' || b == b'.' || b == b'_');
    fits.then(|| name.to_ascii_lowercase())
}

/// The base URL of `/fhir` as this caller reaches it; None when it cannot be known, and links
/// are then relative. Put into the request by [`guard`].
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Base(pub Option<String>);

/// Refuses a foreign Host or Origin, notes the base URL, sets the security headers.
pub async fn guard(State(app): State<Shared>, mut request: Request, next: Next) -> Response {
    let is_fhir = request.uri().path().starts_with("/fhir");
    let response = match check(&app.hosts, request.uri(), request.method(), request.headers()) {
        Ok(host) => {
            let base = app
                .public_base
                .clone()
                .or_else(|| host.map(|host| format!("http://{host}/fhir")));
            request.extensions_mut().insert(Base(base));
            next.run(request).await
        }
        Err((status, text)) if is_fhir => Problem::new(status, IssueType::Security, text).into_response(),
        Err((status, text)) => (status, format!("{text}\n")).into_response(),
    };
    with_headers(response)
}

type Refusal = (StatusCode, &'static str);

/// The checked Host, when there is one. A request without Host (HTTP/1.0, or in process) cannot
/// come from a browser and passes.
fn check(hosts: &Hosts, uri: &Uri, method: &Method, headers: &HeaderMap) -> Result<Option<String>, Refusal> {
    const FOREIGN: Refusal = (
        StatusCode::MISDIRECTED_REQUEST,
        "The Host of this request is not one that this service answers to; name it in [server] public_base.",
    );
    let mut all = headers.get_all(header::HOST).iter();
    let named = match (all.next(), all.next()) {
        (Some(_), Some(_)) => return Err((StatusCode::BAD_REQUEST, "The request has more than one Host.")),
        (Some(value), None) => Some(value.to_str().map_err(|_| FOREIGN)?.to_owned()),
        (None, _) => uri.authority().map(|authority| authority.as_str().to_owned()),
    };
    if named.as_deref().is_some_and(|host| !hosts.allows(host)) {
        return Err(FOREIGN);
    }
    if !matches!(*method, Method::GET | Method::HEAD) && crosses_sites(headers, named.as_deref()) {
        return Err((
            StatusCode::FORBIDDEN,
            "A page of another origin may not write to this service.",
        ));
    }
    Ok(named)
}

/// True when a browser says that another site's page sends this.
fn crosses_sites(headers: &HeaderMap, host: Option<&str>) -> bool {
    let site = headers.get("sec-fetch-site").and_then(|value| value.to_str().ok());
    if matches!(site, Some("cross-site" | "same-site")) {
        return true;
    }
    let Some(origin) = headers.get(header::ORIGIN) else {
        return false;
    };
    let own = origin.to_str().ok().and_then(|origin| {
        let rest = origin
            .strip_prefix("http://")
            .or_else(|| origin.strip_prefix("https://"));
        rest.map(|authority| Some(authority) == host)
    });
    own != Some(true)
}

fn with_headers(mut response: Response) -> Response {
    let headers = response.headers_mut();
    headers.insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    headers.insert(header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(POLICY));
    // No other site learns an address (it may name a patient). Not `no-referrer`: browsers then send
    // `Origin: null` with a form of our own page, and the check above would refuse it.
    headers.insert(header::REFERRER_POLICY, HeaderValue::from_static("same-origin"));
    headers.insert(
        HeaderName::from_static("cross-origin-resource-policy"),
        HeaderValue::from_static("same-origin"),
    );
    // Patient data must not stay in a shared cache; a handler may say otherwise (style sheets).
    headers
        .entry(header::CACHE_CONTROL)
        .or_insert(HeaderValue::from_static("no-store"));
    response
}
