//! The pages: server-rendered HTML, one style sheet, one small script, no build step. One action:
//! a stopped outbox entry is put back in line (`POST /stopped/{seq}/resend`).
//!
//! Everything shown comes from the store and from `patient::assess` at the time of the request;
//! nothing here decides anything. Names, sites, units and codes of the record are untrusted: they
//! reach the page only through maud, which escapes them. No page says that a limb needs nothing.

mod assets;
mod beside;
mod concern_card;
mod evidence;
mod front;
mod layout;
mod lists;
mod live;
mod messages;
mod numbers;
mod patient;
mod resend;
mod rules;
mod text;

use crate::fhir::Instant;
use crate::patient::assess::AskPolicy;
use crate::recognise::reading::PatientKey;
use crate::rules::Sheets;
use crate::server::LiveEvent;
use crate::store::{Store, StoreError};
use axum::Router;
use axum::extract::{Query, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use layout::Body;
use serde::Deserialize;
use std::sync::Arc;
use tokio::sync::broadcast;

/// Patients whose evidence the front page works out; concerns of further ones are listed without it.
pub const FRONT_PATIENTS: usize = 200;
/// How long after a patient's newest compartment reading the front page still lists them without
/// an open concern.
pub const WATCHED_HOURS: i64 = 72;
/// Rows of evidence, history, messages and set-aside entries on one page; beyond it the page says so.
pub const ROWS: usize = 200;

/// What the banner says about the messages of this service.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PageMode {
    /// Messages are delivered (or served on `/fhir` when there is no sink).
    Live,
    /// Nothing leaves the service.
    Shadow,
    /// Invented patients.
    Demo,
}

/// What the pages need. Cheap to clone.
#[derive(Clone)]
pub struct PageState {
    /// Where everything that is shown comes from.
    pub store: Arc<dyn Store>,
    /// The rule sheets in force.
    pub sheets: Arc<Sheets>,
    /// As the engine has it, so that a reading whose diastolic is being asked for is shown so.
    pub policy: AskPolicy,
    /// Now.
    pub clock: Arc<dyn Fn() -> Instant + Send + Sync>,
    /// What open pages are told.
    pub events: broadcast::Sender<LiveEvent>,
    /// Which banner stands on top.
    pub mode: PageMode,
    /// Name of the ward beside the title.
    pub ward_title: Option<String>,
}

impl PageState {
    fn now(&self) -> Instant {
        (self.clock)()
    }

    /// A page whose body is worked out on a thread that may block.
    async fn page<F>(self, build: F) -> Response
    where
        F: FnOnce(&PageState, Instant) -> Result<Body, StoreError> + Send + 'static,
    {
        let now = self.now();
        let built = tokio::task::spawn_blocking(move || {
            let body = build(&self, now).unwrap_or_else(|error| {
                tracing::error!(%error, "a page could not be built from the store");
                layout::store_failed(&error)
            });
            layout::page(&self, body, now)
        });
        match built.await {
            Ok(response) => response,
            Err(error) => {
                tracing::error!(%error, "a page could not be built");
                let text = "The page could not be built because of a defect in this service.\n";
                (StatusCode::INTERNAL_SERVER_ERROR, text).into_response()
            }
        }
    }
}

/// Every page, the live events and the assets.
pub fn router(state: PageState) -> Router {
    Router::new()
        .route("/", get(front_page))
        .route("/patient", get(patient_page))
        .route("/set-aside", get(set_aside_page))
        .route("/rules", get(rules_page))
        .route("/stopped", get(stopped_page))
        .route("/stopped/resend", post(resend::all))
        .route("/stopped/{seq}/resend", post(resend::one))
        .route("/events", get(live::events))
        .route("/assets/{name}", get(assets::serve))
        .with_state(live::Streams::around(state))
}

async fn front_page(State(streams): State<live::Streams>) -> Response {
    streams.page.page(front::build).await
}

#[derive(Deserialize)]
struct Which {
    /// `PatientKey`, URL-encoded.
    #[serde(default)]
    id: String,
}

async fn patient_page(State(streams): State<live::Streams>, Query(which): Query<Which>) -> Response {
    let patient = PatientKey(which.id);
    streams
        .page
        .page(move |page, now| patient::build(page, &patient, now))
        .await
}

async fn set_aside_page(State(streams): State<live::Streams>) -> Response {
    streams.page.page(lists::set_aside).await
}

async fn rules_page(State(streams): State<live::Streams>) -> Response {
    streams.page.page(|page, _| Ok(rules::build(&page.sheets))).await
}

async fn stopped_page(State(streams): State<live::Streams>) -> Response {
    streams.page.page(lists::stopped).await
}

/// Of every answer of the pages: the same policy as the whole port, here too so that the pages keep
/// it wherever the router is mounted.
const HEADERS: [(header::HeaderName, &str); 4] = [
    (header::CONTENT_TYPE, "text/html; charset=utf-8"),
    (header::CACHE_CONTROL, "no-store"),
    (header::REFERRER_POLICY, "same-origin"),
    (
        header::CONTENT_SECURITY_POLICY,
        "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; \
         img-src 'self' data:; frame-ancestors 'none'; form-action 'self'; base-uri 'none'",
    ),
];
