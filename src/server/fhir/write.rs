//! Create, update and delete: checked at the door, carried out by the engine, answered after its
//! commit.
//!
//! What is refused at the door: a body that is not a resource of the named type in FHIR's JSON
//! form at all (not JSON, not an object, another resourceType, an id that is not one or not the
//! URL's), and a write to what this service derives. Everything else is accepted and kept, even an
//! Observation without status or code, or with a unit that nobody knows: a measurement that was
//! taken is not thrown back over its form. The engine sets it aside with a reason, which is
//! counted and shown, and looks again when the mapping changes.

use super::json::{Members, as_served};
use super::problem::Problem;
use super::read::etag;
use super::search;
use super::types::{self, TypeInfo, check_id};
use crate::fhir::outcome::{Issue, IssueType, Severity, outcome};
use crate::recognise::reading::Version;
use crate::server::AppState;
use crate::source::intake::Versioning;
use crate::source::{Answer, Batch, Incoming, IntakeError, Operation};
use crate::store::{InputRow, SearchQuery};
use axum::http::StatusCode;
use tokio::sync::OwnedMutexGuard;
use uuid::Uuid;

/// One write that passed the door.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Write {
    /// What the intake gets.
    pub incoming: Incoming,
}

/// What became of one interaction, for an HTTP answer or a Bundle's entry alike.
#[derive(Clone, Debug)]
pub struct Done {
    /// 200, 201, 204 or 304.
    pub status: StatusCode,
    /// `Observation/1/_history/3`: where a write stands.
    pub location: Option<String>,
    /// Version that now stands, for ETag and Last-Modified.
    pub version: Option<Version>,
    /// The resource (JSON text) as it is served.
    pub resource: Option<String>,
    /// One sentence for `Prefer: return=OperationOutcome`.
    pub said: &'static str,
}

impl Done {
    /// A resource that stands already, as the answer.
    pub fn standing(row: &InputRow, said: &'static str) -> Self {
        Self {
            status: StatusCode::OK,
            location: None,
            version: Some(row.version.clone()),
            resource: Some(row.body.clone()),
            said,
        }
    }

    /// A conditional create that matched this resource: nothing was changed, and the caller learns
    /// where it stands.
    pub fn matched(row: &InputRow) -> Self {
        let mut done = Self::standing(
            row,
            "A resource with this identifier stands already; nothing was changed.",
        );
        done.location = Some(location(&row.resource_type, &row.id, &row.version));
        done
    }

    /// An OperationOutcome that says what was done.
    pub fn outcome(&self) -> serde_json::Value {
        outcome(&[Issue {
            severity: Severity::Information,
            code: IssueType::Informational,
            diagnostics: self.said.to_owned(),
            expression: Vec::new(),
        }])
    }

    /// ETag of the version.
    pub fn etag(&self) -> Option<String> {
        self.version.as_ref().and_then(etag)
    }
}

impl Write {
    fn new(kind: &TypeInfo, id: &str, operation: Operation, if_match: Option<String>) -> Self {
        Self {
            incoming: Incoming {
                resource_type: kind.name.to_owned(),
                id: id.to_owned(),
                operation,
                versioning: Versioning::Ours,
                if_match,
            },
        }
    }

    /// A create under an id that we give.
    ///
    /// # Errors
    /// 400 when the body is not a resource of this type.
    pub fn create(kind: &TypeInfo, id: &str, mut body: Members) -> Result<Self, Problem> {
        check_type(kind, &body)?;
        body.set_id(id);
        body.drop_server_meta();
        Ok(Self::new(kind, id, Operation::Put(body.to_json()), None))
    }

    /// An update, or a create under the client's id.
    ///
    /// # Errors
    /// 400 when the body is not a resource of this type with this id.
    pub fn update(kind: &TypeInfo, id: &str, body: Members, if_match: Option<String>) -> Result<Self, Problem> {
        check_id(id)?;
        if body.string("id").as_deref() != Some(id) {
            let text = "The resource must hold the same id as the URL.";
            return Err(Problem::invalid(text).at(format!("{}.id", kind.name)));
        }
        let mut write = Self::create(kind, id, body)?;
        write.incoming.if_match = if_match;
        Ok(write)
    }

    /// A delete.
    ///
    /// # Errors
    /// 400 when the id is not one.
    pub fn delete(kind: &TypeInfo, id: &str, if_match: Option<String>) -> Result<Self, Problem> {
        check_id(id)?;
        Ok(Self::new(kind, id, Operation::Delete, if_match))
    }

    /// `Observation/abc`.
    pub fn reference(&self) -> String {
        format!("{}/{}", self.incoming.resource_type, self.incoming.id)
    }

    /// The engine's answer in HTTP's words.
    ///
    /// # Errors
    /// 412 for a version conflict, 400 for a refusal, 424 when another item of the transaction
    /// was refused.
    pub fn done(&self, answer: &Answer) -> Result<Done, Problem> {
        let stands = |status: StatusCode, version: &Version, said: &'static str| {
            let Incoming { resource_type, id, .. } = &self.incoming;
            let resource = match &self.incoming.operation {
                Operation::Put(body) => Some(as_served(body, id, version)),
                Operation::Delete => None,
            };
            Done {
                status,
                location: Some(location(resource_type, id, version)),
                version: Some(version.clone()),
                resource,
                said,
            }
        };
        let gone = |said: &'static str| Done {
            status: StatusCode::NO_CONTENT,
            location: None,
            version: None,
            resource: None,
            said,
        };
        match answer {
            Answer::Created(version) => Ok(stands(StatusCode::CREATED, version, "Created and kept.")),
            Answer::Updated(version) => Ok(stands(StatusCode::OK, version, "Updated and kept.")),
            Answer::Unchanged(version) => {
                let said = "The same content stood already; no new version was made.";
                Ok(stands(StatusCode::OK, version, said))
            }
            Answer::Deleted => Ok(gone("Deleted.")),
            Answer::NotFound => Ok(gone("There was no such resource; nothing was changed.")),
            Answer::VersionConflict(current) => Err(version_conflict(current.as_ref())),
            Answer::Refused(reason) => Err(Problem::invalid(format!("The resource was refused: {reason}."))),
            Answer::NotApplied => Err(Problem::new(
                StatusCode::FAILED_DEPENDENCY,
                IssueType::Processing,
                "Another entry of the transaction was refused, so this one was not carried out.",
            )),
        }
    }
}

fn version_conflict(current: Option<&Version>) -> Problem {
    let text = match current {
        Some(version) if !version.id.is_empty() => format!(
            "If-Match names another version than the current one ({}); read the resource again.",
            version.id
        ),
        _ => String::from("If-Match names a version, but there is no current one."),
    };
    Problem::new(StatusCode::PRECONDITION_FAILED, IssueType::Conflict, text)
}

fn check_type(kind: &TypeInfo, body: &Members) -> Result<(), Problem> {
    if body.string("resourceType").as_deref() == Some(kind.name) {
        return Ok(());
    }
    let text = format!("resourceType must be {:?}, as the URL says.", kind.name);
    Err(Problem::invalid(text).at("Resource.resourceType"))
}

/// `Observation/1/_history/3`.
fn location(kind: &str, id: &str, version: &Version) -> String {
    match version.id.as_str() {
        "" => format!("{kind}/{id}"),
        version => format!("{kind}/{id}/_history/{version}"),
    }
}

/// A new logical id.
pub fn new_id() -> String {
    Uuid::new_v4().to_string()
}

/// Refuses a write to what this service derives. Derived ids are version 5 UUIDs, so no other id
/// needs a look into the store.
///
/// # Errors
/// 403; 503 when the store cannot be read.
pub async fn check_not_derived(app: &AppState, kind: &str, id: &str) -> Result<(), Problem> {
    let may_be_ours = Uuid::parse_str(id).is_ok_and(|uuid| uuid.get_version_num() == 5);
    if !may_be_ours {
        return Ok(());
    }
    let (kind, id) = (kind.to_owned(), id.to_owned());
    let derived = app
        .with_store(move |store| Ok(store.input(&kind, &id)?.is_none() && store.read(&kind, &id)?.is_some()))
        .await?;
    if !derived {
        return Ok(());
    }
    let text = "This resource is derived by this service; clients can only read it. Correct its source instead.";
    Err(Problem::new(StatusCode::FORBIDDEN, IssueType::BusinessRule, text))
}

/// What a condition matched.
pub enum Matched {
    /// Nothing.
    None,
    /// One resource.
    One(Box<InputRow>),
}

/// Carry out the search of a conditional interaction.
///
/// # Errors
/// 400 for a condition that is not one identifier, 412 when more than one resource matches.
pub async fn resolve(app: &AppState, kind: &'static TypeInfo, query: &str) -> Result<Matched, Problem> {
    let identifier = search::condition(kind, query)?;
    let query = SearchQuery {
        resource_type: kind.name.to_owned(),
        identifier: Some(identifier),
        count: 2,
        ..SearchQuery::default()
    };
    let mut found = app.with_store(move |store| store.search(&query)).await?;
    match (found.rows.pop(), found.rows.is_empty()) {
        (None, _) => Ok(Matched::None),
        (Some(row), true) => Ok(Matched::One(Box::new(row))),
        (Some(_), false) => Err(Problem::new(
            StatusCode::PRECONDITION_FAILED,
            IssueType::MultipleMatches,
            "The condition matches more than one resource; nothing was changed.",
        )),
    }
}

/// Hand a batch to the engine and wait for its commit. It runs to its end even when the caller
/// goes away, and `lock` is held until then.
///
/// # Errors
/// 503: nothing of the batch was kept.
pub async fn submit(app: &AppState, batch: Batch, lock: Option<OwnedMutexGuard<()>>) -> Result<Vec<Answer>, Problem> {
    let intake = app.intake.clone();
    let running = tokio::spawn(async move {
        let answers = intake.submit(batch).await;
        drop(lock);
        answers
    });
    let answers = running.await.unwrap_or(Err(IntakeError::Stopped))?;
    Ok(answers)
}

async fn carry_out(app: &AppState, write: Write, lock: Option<OwnedMutexGuard<()>>) -> Result<Done, Problem> {
    let batch = Batch {
        items: vec![write.incoming.clone()],
        ..Batch::default()
    };
    let answers = submit(app, batch, lock).await?;
    match answers.first() {
        Some(answer) => write.done(answer),
        None => Err(Problem::try_again("The engine gave no answer; send the request again.")),
    }
}

/// `POST /fhir/{type}`, with `If-None-Exist` when there is a condition.
///
/// # Errors
/// As [`Write::create`], [`resolve`] and [`submit`].
pub async fn create(app: &AppState, kind: &str, body: &str, condition: Option<&str>) -> Result<Done, Problem> {
    let kind = types::find_writable(kind)?;
    let write = Write::create(kind, &new_id(), Members::parse(body)?)?;
    let Some(condition) = condition else {
        return carry_out(app, write, None).await;
    };
    let lock = lock(app).await;
    match resolve(app, kind, condition).await? {
        Matched::None => carry_out(app, write, Some(lock)).await,
        Matched::One(row) => Ok(Done::matched(&row)),
    }
}

/// Held during a conditional interaction.
pub async fn lock(app: &AppState) -> OwnedMutexGuard<()> {
    std::sync::Arc::clone(&app.conditional).lock_owned().await
}

/// `PUT /fhir/{type}/{id}`.
///
/// # Errors
/// As [`Write::update`], [`check_not_derived`] and [`submit`].
pub async fn update(
    app: &AppState,
    kind: &str,
    id: &str,
    body: &str,
    if_match: Option<String>,
) -> Result<Done, Problem> {
    let kind = types::find_writable(kind)?;
    let write = Write::update(kind, id, Members::parse(body)?, if_match)?;
    check_not_derived(app, kind.name, id).await?;
    carry_out(app, write, None).await
}

/// The id that a conditional update writes to: the match's, else the body's own, else a new one
/// (FHIR R4, "RESTful API", section "Conditional update").
///
/// # Errors
/// 400 when the body's id is not the match's, else as [`resolve`].
pub async fn id_where(
    app: &AppState,
    kind: &'static TypeInfo,
    query: &str,
    own_id: Option<String>,
) -> Result<String, Problem> {
    match (resolve(app, kind, query).await?, own_id) {
        (Matched::None, Some(id)) => Ok(id),
        (Matched::None, None) => Ok(new_id()),
        (Matched::One(row), own_id) => {
            if own_id.is_some_and(|id| id != row.id) {
                let text = "The condition matches a resource with another id than the body's.";
                return Err(Problem::invalid(text).at(format!("{}.id", kind.name)));
            }
            Ok(row.id)
        }
    }
}

/// `PUT /fhir/{type}?identifier=…`.
///
/// # Errors
/// As [`id_where`] and [`submit`].
pub async fn update_where(
    app: &AppState,
    kind: &str,
    query: &str,
    body: &str,
    if_match: Option<String>,
) -> Result<Done, Problem> {
    let kind = types::find_writable(kind)?;
    let mut body = Members::parse(body)?;
    check_type(kind, &body)?;
    let lock = lock(app).await;
    let id = id_where(app, kind, query, body.string("id")).await?;
    body.set_id(&id);
    let write = Write::update(kind, &id, body, if_match)?;
    check_not_derived(app, kind.name, &id).await?;
    carry_out(app, write, Some(lock)).await
}

/// `DELETE /fhir/{type}/{id}`.
///
/// # Errors
/// As [`Write::delete`], [`check_not_derived`] and [`submit`].
pub async fn delete(app: &AppState, kind: &str, id: &str, if_match: Option<String>) -> Result<Done, Problem> {
    let kind = types::find_writable(kind)?;
    let write = Write::delete(kind, id, if_match)?;
    check_not_derived(app, kind.name, id).await?;
    carry_out(app, write, None).await
}
