//! `GET /events`: server-sent events, one for each change, so that an open page draws itself anew.

use super::PageState;
use crate::server::LiveEvent;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use futures_util::StreamExt;
use serde_json::json;
use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::Semaphore;
use tokio_stream::wrappers::BroadcastStream;

/// Pages that may listen at once; a further one is told to come back, and refreshes by itself.
pub const LISTENERS: usize = 256;
/// One connection lasts at most so long; the browser then connects again. Frees what a vanished
/// listener holds.
pub const LISTEN_FOR: Duration = Duration::from_secs(600);
/// A sign of life on a quiet connection, so that proxies keep it and the page knows.
const KEEP_ALIVE: Duration = Duration::from_secs(15);

/// The pages' state with the places for listeners.
#[derive(Clone)]
pub(super) struct Streams {
    pub(super) page: PageState,
    places: Arc<Semaphore>,
}

impl Streams {
    pub(super) fn around(page: PageState) -> Self {
        Self {
            page,
            places: Arc::new(Semaphore::new(LISTENERS)),
        }
    }
}

/// Subscribe. A listener that lags misses single events and gets `lagged` instead: draw all anew.
pub(super) async fn events(State(streams): State<Streams>) -> Response {
    let Ok(place) = Arc::clone(&streams.places).try_acquire_owned() else {
        let text = "Too many pages listen; this one refreshes by itself.\n";
        return (StatusCode::SERVICE_UNAVAILABLE, [(header::RETRY_AFTER, "30")], text).into_response();
    };
    let changes = BroadcastStream::new(streams.page.events.subscribe()).map(move |change| {
        let _held_until_the_stream_ends = &place;
        Ok::<_, Infallible>(
            change.map_or_else(|_| Event::default().event("lagged").data("{}"), |change| event(&change)),
        )
    });
    let hello = futures_util::stream::iter([Ok(Event::default()
        .retry(Duration::from_secs(3))
        .event("hello")
        .data("{}"))]);
    let bounded = hello.chain(changes).take_until(tokio::time::sleep(LISTEN_FOR));
    let stream = Sse::new(bounded.boxed()).keep_alive(KeepAlive::new().interval(KEEP_ALIVE));
    ([(header::CACHE_CONTROL, "no-store")], stream).into_response()
}

fn event(change: &LiveEvent) -> Event {
    let data = json!({ "patient": change.patient.0, "at": change.at.to_string(), "text": change.text });
    Event::default().event("change").data(data.to_string())
}
