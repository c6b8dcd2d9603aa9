//! The reads of a batch: in order, and bounded together.

use super::call::{self, Call};
use super::entry::Plan;
use super::problem::Problem;
use super::read;
use super::search::{self, PAGE_BYTES, Search};
use super::write::Done;
use crate::fhir::outcome::IssueType;
use crate::server::AppState;
use axum::http::StatusCode;
use tokio::sync::OwnedSemaphorePermit;

/// The text of the answer, and the room that its reads took.
pub type Answered = (String, Option<OwnedSemaphorePermit>);

/// What the reads of one batch have found so far.
#[derive(Default)]
pub(super) struct Looking {
    bytes: usize,
    /// Held until the answer is taken.
    pub(super) room: Option<OwnedSemaphorePermit>,
}

impl Looking {
    /// One read, as long as all of them together stay within [`READ_BYTES`].
    pub(super) async fn look_up(&mut self, app: &AppState, call: &Call, plan: &Plan) -> Result<Done, Problem> {
        if self.room.is_none() {
            self.room = Some(app.answers.take(READ_BYTES).await?);
        }
        if self.bytes >= READ_BYTES {
            let text = format!("The reads of a batch may find {READ_BYTES} bytes; send this one by itself.");
            return Err(Problem::new(StatusCode::PAYLOAD_TOO_LARGE, IssueType::TooLong, text));
        }
        let done = look_up(app, call, plan).await?;
        self.bytes += done.resource.as_ref().map_or(0, String::len);
        Ok(done)
    }
}

/// Bytes that the reads of one batch may find: past them each further one is refused in its place.
const READ_BYTES: usize = 2 * PAGE_BYTES;

async fn look_up(app: &AppState, call: &Call, plan: &Plan) -> Result<Done, Problem> {
    match plan {
        Plan::Read {
            kind,
            id,
            if_none_match,
        } => {
            let row = read::current(app, kind.name, id).await?;
            let mut done = Done::standing(&row, "Read.");
            let known = if_none_match.as_deref().map(call::version_of);
            if known.is_some_and(|known| known == row.version.id) {
                done.status = StatusCode::NOT_MODIFIED;
                done.resource = None;
            }
            Ok(done)
        }
        Plan::Search { kind, query } => {
            let search = Search::parse(kind, query, call)?;
            Ok(Done {
                status: StatusCode::OK,
                location: None,
                version: None,
                resource: Some(search::run(app, call, search).await?),
                said: "Searched.",
            })
        }
        _ => Err(Problem::invalid("This entry is not a read.")),
    }
}
