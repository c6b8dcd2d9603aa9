//! The FHIR R4 endpoint: REST intake of Observations, Procedures and Patients, reading and searching of
//! everything that is kept. See `types` for what is served, `write` for what is refused.
//!
//! Every error is an OperationOutcome in application/fhir+json, on every path below `/fhir`.

pub mod body;
pub mod bundle;
pub mod call;
pub mod entry;
pub mod json;
pub mod looking;
pub mod metadata;
pub mod problem;
pub mod read;
pub mod references;
pub mod room;
pub mod search;
pub mod types;
pub mod when;
pub mod write;

use crate::fhir::outcome::IssueType;
use crate::server::Shared;
use axum::Router;
use axum::body::Body;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, RawQuery, Request, State};
use axum::http::{HeaderMap, Method, StatusCode, header};
use axum::middleware::{Next, from_fn_with_state};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use call::{Call, Return};
use problem::{FHIR_JSON, Problem};
use std::any::Any;
use tower_http::catch_panic::CatchPanicLayer;
use write::Done;

type Answer = Result<Response, Problem>;
type PathOf<T> = Result<Path<T>, PathRejection>;

/// Everything below `/fhir`.
pub fn router(app: &Shared) -> Router<Shared> {
    let below = Router::new()
        .route("/", get(no_such_path).post(post_bundle))
        .route("/metadata", get(get_metadata))
        .route("/{type}", get(get_search).post(post_create).put(put_where))
        .route("/{type}/{id}", get(get_read).put(put_update).delete(delete_one))
        .route("/{type}/{id}/_history/{version}", get(get_version))
        .method_not_allowed_fallback(no_such_method)
        .fallback(no_such_path);
    Router::new()
        .nest("/fhir", below)
        // A base URL is often written with its slash; `nest` matches it without one only.
        .route("/fhir/", get(no_such_path).post(post_bundle))
        .layer(CatchPanicLayer::custom(on_panic))
        .layer(from_fn_with_state(Shared::clone(app), bounded))
}

/// The answer must begin within `answer_timeout`.
async fn bounded(State(app): State<Shared>, request: Request, next: Next) -> Response {
    match tokio::time::timeout(app.limits.answer_timeout, next.run(request)).await {
        Ok(response) => response,
        Err(_) => Problem::new(
            StatusCode::GATEWAY_TIMEOUT,
            IssueType::Timeout,
            "No answer in time; a write may still be carried out. Send it again: an update or a conditional \
             create is safe to repeat.",
        )
        .into_response(),
    }
}

fn on_panic(_panic: Box<dyn Any + Send + 'static>) -> Response {
    tracing::error!("a FHIR request handler panicked; the request was answered with 500");
    let text = "The request could not be answered because of a defect in this service.";
    Problem::new(StatusCode::INTERNAL_SERVER_ERROR, IssueType::Exception, text).into_response()
}

async fn no_such_path() -> Problem {
    let text = "Nothing is served under this path; see /fhir/metadata.";
    Problem::new(StatusCode::NOT_FOUND, IssueType::NotFound, text)
}

async fn no_such_method(method: Method) -> Problem {
    let text = format!("{method} is not supported here; see /fhir/metadata.");
    Problem::new(StatusCode::METHOD_NOT_ALLOWED, IssueType::NotSupported, text)
}

fn path<T>(path: PathOf<T>) -> Result<T, Problem> {
    path.map(|Path(parts)| parts)
        .map_err(|_| Problem::invalid("The path of the URL is not UTF-8."))
}

fn fhir_json(status: StatusCode, body: impl Into<Body>) -> Response {
    (status, [(header::CONTENT_TYPE, FHIR_JSON)], body.into()).into_response()
}

async fn get_metadata(State(app): State<Shared>, call: Call) -> Response {
    fhir_json(StatusCode::OK, metadata::statement(&app, &call).to_string())
}

async fn get_search(State(app): State<Shared>, call: Call, kind: PathOf<String>, RawQuery(query): RawQuery) -> Answer {
    let kind = types::find(&path(kind)?)?;
    let search = search::Search::parse(kind, &query.unwrap_or_default(), &call)?;
    let room = app.answers.take(search::PAGE_BYTES).await?;
    let text = search::run(&app, &call, search).await?;
    Ok(fhir_json(StatusCode::OK, room::body(text, room)))
}

async fn get_read(
    State(app): State<Shared>,
    _call: Call,
    parts: PathOf<(String, String)>,
    headers: HeaderMap,
) -> Answer {
    let (kind, id) = path(parts)?;
    Ok(read::answer(&headers, &read::current(&app, &kind, &id).await?))
}

async fn get_version(
    State(app): State<Shared>,
    _call: Call,
    parts: PathOf<(String, String, String)>,
    headers: HeaderMap,
) -> Answer {
    let (kind, id, version) = path(parts)?;
    Ok(read::answer(
        &headers,
        &read::version(&app, &kind, &id, &version).await?,
    ))
}

async fn post_create(
    State(app): State<Shared>,
    call: Call,
    kind: PathOf<String>,
    headers: HeaderMap,
    body: Body,
) -> Answer {
    let kind = path(kind)?;
    types::find_writable(&kind)?;
    if headers.contains_key(header::IF_NONE_MATCH) {
        return Err(unsupported_condition("If-None-Exist"));
    }
    let text = body::resource(&app, &headers, body).await?;
    let condition = call::text(&headers, "if-none-exist");
    let done = write::create(&app, &kind, &text, condition.as_deref()).await?;
    Ok(written(&call, done))
}

/// 400: a 412 would say that the condition was looked at and does not hold.
pub(super) fn unsupported_condition(supported: &str) -> Problem {
    let text = format!("Of the conditions only {supported} is supported on this write; nothing was changed.");
    Problem::new(StatusCode::BAD_REQUEST, IssueType::NotSupported, text)
}

/// What a PUT or DELETE may be conditional on.
fn precondition(headers: &HeaderMap) -> Result<Option<String>, Problem> {
    if headers.contains_key(header::IF_NONE_MATCH) || headers.contains_key(header::IF_UNMODIFIED_SINCE) {
        return Err(unsupported_condition("If-Match"));
    }
    call::if_match(call::text(headers, "if-match").as_deref())
}

async fn put_update(
    State(app): State<Shared>,
    call: Call,
    parts: PathOf<(String, String)>,
    headers: HeaderMap,
    body: Body,
) -> Answer {
    let (kind, id) = path(parts)?;
    types::find_writable(&kind)?;
    let if_match = precondition(&headers)?;
    let text = body::resource(&app, &headers, body).await?;
    Ok(written(&call, write::update(&app, &kind, &id, &text, if_match).await?))
}

async fn put_where(
    State(app): State<Shared>,
    call: Call,
    kind: PathOf<String>,
    RawQuery(query): RawQuery,
    headers: HeaderMap,
    body: Body,
) -> Answer {
    let kind = path(kind)?;
    types::find_writable(&kind)?;
    let if_match = precondition(&headers)?;
    let text = body::resource(&app, &headers, body).await?;
    let query = query.unwrap_or_default();
    Ok(written(
        &call,
        write::update_where(&app, &kind, &query, &text, if_match).await?,
    ))
}

async fn delete_one(
    State(app): State<Shared>,
    call: Call,
    parts: PathOf<(String, String)>,
    headers: HeaderMap,
) -> Answer {
    let (kind, id) = path(parts)?;
    types::find_writable(&kind)?;
    let if_match = precondition(&headers)?;
    Ok(written(&call, write::delete(&app, &kind, &id, if_match).await?))
}

async fn post_bundle(State(app): State<Shared>, call: Call, headers: HeaderMap, body: Body) -> Answer {
    let text = body::bundle(&app, &headers, body).await?;
    let (text, room) = bundle::run(&app, &call, &text).await?;
    let body = match room {
        Some(room) => room::body(text, room),
        None => Body::from(text),
    };
    Ok(fhir_json(StatusCode::OK, body))
}

/// The answer to a single write, with as much as `Prefer` asks for.
fn written(call: &Call, done: Done) -> Response {
    let mut headers = done.version.as_ref().map(read::version_headers).unwrap_or_default();
    let location = done.location.as_ref().map(|location| call.link(location));
    if let Some(location) = location.and_then(|location| location.parse().ok()) {
        headers.insert(header::LOCATION, location);
    }
    let body = match call.wants {
        Return::Minimal => None,
        Return::OperationOutcome => Some(done.outcome().to_string()),
        Return::Unsaid | Return::Representation => done.resource,
    };
    match body {
        Some(body) => {
            let status = match done.status {
                StatusCode::NO_CONTENT => StatusCode::OK,
                status => status,
            };
            (headers, fhir_json(status, body)).into_response()
        }
        None => (done.status, headers).into_response(),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use tower::ServiceExt;

    #[tokio::test]
    async fn a_panic_is_an_operation_outcome() {
        let router: Router = Router::new()
            .route("/", get(async || -> StatusCode { panic!("an invented defect") }))
            .layer(CatchPanicLayer::custom(on_panic));
        let request = Request::get("/").body(Body::empty()).unwrap();
        let response = router.oneshot(request).await.unwrap();
        assert_eq!(response.status(), StatusCode::INTERNAL_SERVER_ERROR);
        assert_eq!(response.headers()[header::CONTENT_TYPE], FHIR_JSON);
        let bytes = axum::body::to_bytes(response.into_body(), 1000).await.unwrap();
        let outcome: serde_json::Value = serde_json::from_slice(&bytes).unwrap();
        assert_eq!(outcome["issue"][0]["code"], "exception");
    }
}
