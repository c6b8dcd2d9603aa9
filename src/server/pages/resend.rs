//! `POST /stopped/{seq}/resend` and `POST /stopped/resend`: a person has mended the cause, so what
//! was stopped goes back in line. Delivery looks at the outbox each second and sends it.
//!
//! The guard of the port refuses a foreign Origin before anything here is reached. What is sent is
//! never changed, only when: sending again is a conditional write and doubles nothing.

use super::live::Streams;
use crate::store::{OutboxState, StoreError};
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};

/// Entries that one request puts back in line; more need another.
const AT_ONCE: usize = 10_000;

/// One entry.
pub(super) async fn one(State(streams): State<Streams>, Path(seq): Path<i64>) -> Response {
    let resent = resend(streams, move |_| Ok(vec![seq])).await;
    let refused = format!(
        "Entry {seq} is not stopped, or a later form of the same resource was delivered: nothing was changed.\n"
    );
    answer(resent, refused)
}

/// Every stopped entry.
pub(super) async fn all(State(streams): State<Streams>) -> Response {
    let resent = resend(streams, |store| {
        let stopped = store.outbox_list(OutboxState::Stopped, AT_ONCE)?;
        Ok(stopped.iter().map(|entry| entry.seq).collect())
    })
    .await;
    answer(
        resent,
        String::from("No stopped entry can be sent again: nothing was changed.\n"),
    )
}

/// How many of the entries wait again.
async fn resend<F>(streams: Streams, which: F) -> Result<usize, StoreError>
where
    F: FnOnce(&dyn crate::store::Store) -> Result<Vec<i64>, StoreError> + Send + 'static,
{
    let page = streams.page;
    let now = page.now();
    let joined = tokio::task::spawn_blocking(move || {
        let mut resent = 0;
        for seq in which(page.store.as_ref())? {
            resent += usize::from(page.store.outbox_resend(seq, now)?);
        }
        Ok(resent)
    });
    joined.await.unwrap_or_else(|error| {
        Err(StoreError::Statement {
            action: "resend an outbox entry",
            cause: error.to_string(),
        })
    })
}

fn answer(resent: Result<usize, StoreError>, refused: String) -> Response {
    match resent {
        Ok(0) => (StatusCode::CONFLICT, refused).into_response(),
        Ok(entries) => {
            tracing::info!(entries, "stopped entries were put back in line by hand");
            Redirect::to("/stopped").into_response()
        }
        Err(error) => {
            tracing::error!(%error, "a stopped entry could not be put back in line");
            let text = "The store could not write; nothing was changed. The log says why.\n";
            (StatusCode::SERVICE_UNAVAILABLE, text).into_response()
        }
    }
}
