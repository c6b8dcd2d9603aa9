//! The way between the process and the server, and everything that goes wrong on it.

use crate::life::Life;
use crate::server::{Answer, BASE, Server, outcome};
use crate::world::World;
use axum::http;
use deltaward::delivery::client::{NoAnswer, Transport};
use futures_util::future::BoxFuture;
use futures_util::stream;
use serde_json::Value;
use std::collections::BTreeMap;
use std::fmt;
use std::sync::Arc;
use std::time::Duration;

/// How long a client waits, seconds.
pub const TIMEOUT_SECONDS: u64 = 5;

pub struct Network {
    pub world: Arc<World>,
    pub life: Arc<Life>,
}

impl fmt::Debug for Network {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("the simulated network")
    }
}

/// What goes wrong with one exchange.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    TimeoutBefore,
    TimeoutAfter,
    BrokenBefore,
    BrokenAfter,
    /// A status with an OperationOutcome; nothing was done.
    Status(u16),
    /// A status of a gateway; nothing was done.
    Gateway(u16),
    /// 200 and a page, before or after it was done.
    HtmlBefore,
    HtmlAfter,
    Truncated,
    BrokenBody,
    Empty,
    /// A next link leads to the page before once more.
    RepeatedPage,
    /// A next link leads nowhere.
    MissingPage,
}

pub const FAULTS: &[(Fault, &str)] = &[
    (Fault::TimeoutBefore, "timeout before commit"),
    (Fault::TimeoutAfter, "timeout after commit"),
    (Fault::BrokenBefore, "broken before commit"),
    (Fault::BrokenAfter, "broken after commit"),
    (Fault::Status(409), "409"),
    (Fault::Status(412), "412"),
    (Fault::Status(422), "422"),
    (Fault::Status(429), "429"),
    (Fault::Gateway(429), "429 of a gateway"),
    (Fault::Status(500), "500"),
    (Fault::Gateway(502), "502"),
    (Fault::Gateway(503), "503"),
    (Fault::Gateway(504), "504"),
    (Fault::Gateway(403), "403 of a gateway"),
    (Fault::HtmlBefore, "HTML before commit"),
    (Fault::HtmlAfter, "HTML after commit"),
    (Fault::Truncated, "truncated body"),
    (Fault::BrokenBody, "body broken off"),
    (Fault::Empty, "empty body"),
    (Fault::RepeatedPage, "repeated page"),
    (Fault::MissingPage, "missing page"),
];

impl Transport for Network {
    fn send(&self, request: reqwest::Request) -> BoxFuture<'_, Result<reqwest::Response, NoAnswer>> {
        Box::pin(self.exchange(request))
    }
}

impl Network {
    async fn exchange(&self, request: reqwest::Request) -> Result<reqwest::Response, NoAnswer> {
        self.alive().await;
        let (latency, fault) = self.weather();
        tokio::time::sleep(Duration::from_millis(latency)).await;
        match fault {
            Some(Fault::TimeoutBefore) => {
                tokio::time::sleep(Duration::from_secs(TIMEOUT_SECONDS)).await;
                return Err(NoAnswer::Timeout);
            }
            Some(Fault::BrokenBefore) => return Err(NoAnswer::Broken(String::from("connection refused"))),
            Some(Fault::HtmlBefore) => return Ok(html()),
            Some(Fault::Status(status)) => return Ok(answered((status, None, Some(outcome("processing"))))),
            Some(Fault::Gateway(status)) => return Ok(answered((status, None, None))),
            _ => {}
        }
        let answer = serve(&mut self.world.lock().server, &request, fault);
        // The process may die after the server has done it.
        self.alive().await;
        tokio::time::sleep(Duration::from_millis(latency)).await;
        match fault {
            Some(Fault::TimeoutAfter) => {
                tokio::time::sleep(Duration::from_secs(TIMEOUT_SECONDS)).await;
                Err(NoAnswer::Timeout)
            }
            Some(Fault::BrokenAfter) => Err(NoAnswer::Broken(String::from("connection reset"))),
            Some(Fault::HtmlAfter) => Ok(html()),
            Some(Fault::Empty) => Ok(answered((answer.0, answer.1, None))),
            Some(Fault::Truncated) => Ok(cut(answer, false)),
            Some(Fault::BrokenBody) => Ok(cut(answer, true)),
            _ => Ok(answered(answer)),
        }
    }

    async fn alive(&self) {
        if self.life.moment() {
            std::future::pending::<()>().await;
        }
    }

    fn weather(&self) -> (u64, Option<Fault>) {
        let mut inner = self.world.lock();
        let latency = inner.rng.pick(&[1, 1, 3, 20, 90]);
        let rate = inner.troubles.network;
        if !inner.rng.permille(rate) {
            return (latency, None);
        }
        let (fault, name) = inner.rng.pick(FAULTS);
        inner.count(name);
        (latency, Some(fault))
    }
}

/// What the server makes of a request.
fn serve(server: &mut Server, request: &reqwest::Request, fault: Option<Fault>) -> Answer {
    let url = request.url();
    let path = url.as_str().strip_prefix(BASE).unwrap_or_default();
    let path = path.split('?').next().unwrap_or_default().trim_matches('/').to_owned();
    let mut query: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for (name, value) in url.query_pairs() {
        query.entry(name.into_owned()).or_default().push(value.into_owned());
    }
    let one = |name: &str| query.get(name).and_then(|values| values.first()).cloned();
    let number = |name: &str| one(name).and_then(|text| text.parse::<u64>().ok());
    let body = || -> Value {
        let bytes = request.body().and_then(reqwest::Body::as_bytes).unwrap_or_default();
        serde_json::from_slice(bytes).unwrap_or_default()
    };
    let identifier = one("identifier");
    match (request.method().as_str(), path.as_str(), identifier) {
        ("GET", "metadata", _) => (200, None, Some(server.metadata())),
        ("GET", kind, Some(token)) => server.find(kind, &token),
        ("GET", "Observation", None) => match (number("_page"), number("_offset"), number("_count")) {
            (Some(token), Some(offset), Some(count)) => {
                let sorted = one("_sorted").as_deref() == Some("true");
                let (offset, count) = (
                    usize::try_from(offset).unwrap_or(0),
                    usize::try_from(count).unwrap_or(1),
                );
                match fault {
                    Some(Fault::MissingPage) => (410, None, Some(outcome("expired"))),
                    Some(Fault::RepeatedPage) => server.page(token, offset.saturating_sub(count), count, sorted),
                    _ => server.page(token, offset, count, sorted),
                }
            }
            _ => server.search(&query),
        },
        ("GET", path, None) => match path.split_once('/') {
            Some((kind, id)) => server.read(kind, id),
            None => (404, None, Some(outcome("not-found"))),
        },
        ("POST", "", _) => server.transaction(&body()),
        ("POST", kind, _) => {
            let condition = request
                .headers()
                .get("If-None-Exist")
                .and_then(|value| value.to_str().ok());
            server.create(kind, condition, body())
        }
        ("PUT", kind, Some(token)) => server.update_where(kind, &token, body()),
        ("PUT", path, None) => {
            let (kind, id) = path.split_once('/').unwrap_or((path, ""));
            server.update(kind, id, body())
        }
        _ => (405, None, Some(outcome("not-supported"))),
    }
}

fn response(status: u16, location: Option<String>, media: &str, body: reqwest::Body) -> reqwest::Response {
    let mut response = http::Response::builder().status(status).header("Content-Type", media);
    if let Some(location) = location {
        response = response.header("Location", location);
    }
    if status == 429 || status == 503 {
        response = response.header("Retry-After", "2");
    }
    reqwest::Response::from(response.body(body).unwrap())
}

fn answered((status, location, body): Answer) -> reqwest::Response {
    let text = body.map(|body| body.to_string()).unwrap_or_default();
    response(status, location, "application/fhir+json", reqwest::Body::from(text))
}

fn html() -> reqwest::Response {
    let page = "<!DOCTYPE html><title>Please sign in</title>";
    response(200, None, "text/html; charset=utf-8", reqwest::Body::from(page))
}

/// The first two thirds of the body, then its end or a broken connection.
fn cut((status, location, body): Answer, broken: bool) -> reqwest::Response {
    let text = body.map(|body| body.to_string()).unwrap_or_default();
    let part = text.as_bytes()[..text.len() * 2 / 3].to_vec();
    let body = match broken {
        false => reqwest::Body::from(part),
        true => {
            let broken = std::io::Error::from(std::io::ErrorKind::ConnectionReset);
            reqwest::Body::wrap_stream(stream::iter([Ok(part), Err(broken)]))
        }
    };
    response(status, location, "application/fhir+json", body)
}
