//! `POST /fhir`: batch and transaction.
//!
//! All writes of a Bundle are one intake batch, so one commit. A transaction is atomic and is
//! carried out in the order DELETE, POST, PUT (FHIR R4, "RESTful API", section "Transaction
//! Processing Rules"); its entries are answered in the order in which they came. Reads are
//! carried out after the writes; in a transaction they are refused.

use super::body::too_large;
use super::call::{Call, Return};
use super::entry::{Bundle, Entry, Plan};
use super::json::{Members, parse_problem};
use super::looking::{Answered, Looking};
use super::problem::Problem;
use super::references::References;
use super::search;
use super::types::TypeInfo;
use super::write::{self, Done, Matched, Write};
use crate::fhir::outcome::IssueType;
use crate::server::AppState;
use crate::source::{Answer, Batch, Incoming, IntakeError, Operation};
use axum::http::StatusCode;
use serde_json::{Map, Value, json};
use std::collections::{BTreeMap, BTreeSet};
use tokio::sync::OwnedMutexGuard;

/// The most reads and searches of one batch: each may give a page of its own.
pub const MAX_READS: usize = 100;

/// Entries of a batch that go into one commit.
const ENTRIES_PER_COMMIT: usize = 250;

/// Where one entry stands.
enum Slot {
    Write(Write),
    Done(Done),
    Read(Plan),
    Refused(Problem),
}

/// A Bundle's text as what it asks for: true for a transaction, then one plan or refusal for each
/// entry, in their order. Pure.
///
/// # Errors
/// 400 when it is no batch or transaction, 413 when it has more than `max_entries` entries.
pub fn read(text: &str, max_entries: usize) -> Result<(bool, Vec<Result<Entry, Problem>>), Problem> {
    // For what only `Members` refuses: a key twice, an escape that is no character.
    drop(Members::parse(text)?);
    let bundle: Bundle<'_> = serde_json::from_str(text).map_err(|error| parse_problem(&error))?;
    let atomic = bundle.is_transaction()?;
    if bundle.entry.len() > max_entries {
        let text = format!("The Bundle has more than {max_entries} entries.");
        return Err(Problem::new(StatusCode::PAYLOAD_TOO_LARGE, IssueType::TooLong, text));
    }
    Ok((atomic, bundle.entry.iter().map(|raw| Entry::parse(raw)).collect()))
}

/// Carry out a Bundle; the response Bundle as JSON text.
///
/// # Errors
/// 400 when it is no batch or transaction, 413 when it has too many entries, 503 when nothing
/// could be kept; for a transaction also what refused its first entry.
pub async fn run(app: &AppState, call: &Call, text: &str) -> Result<Answered, Problem> {
    let (atomic, entries) = read(text, app.limits.max_bundle_entries)?;
    // Only a conditional interaction needs the lock; it is held until the commit.
    let conditional = entries.iter().flatten().any(|entry| entry.plan.is_conditional());
    let lock = if conditional {
        Some(write::lock(app).await)
    } else {
        None
    };

    let mut slots = Work::new(app, atomic).prepare(entries).await?;
    if atomic {
        refuse_whole(&slots)?;
    }
    let (batch, order) = batch_of(&slots, atomic);
    if !batch.items.is_empty() {
        let answers = submit(app, batch, lock).await?;
        for (position, answer) in order.iter().zip(answers) {
            if let Slot::Write(write) = &slots[*position] {
                let done = answer.and_then(|answer| write.done(&answer));
                slots[*position] = done.map_or_else(Slot::Refused, Slot::Done);
            }
        }
    }
    if atomic {
        refuse_whole(&slots)?;
    }
    response(app, call, atomic, slots).await
}

/// Submit the writes and give each its answer. A transaction is one commit. The entries of a batch
/// stand for themselves: they go in parts, so that a large one does not hold up every other writer.
/// When the first part is not taken, nothing was kept and the whole is refused; when a later one is
/// not, its entries are.
async fn submit(
    app: &AppState,
    batch: Batch,
    lock: Option<OwnedMutexGuard<()>>,
) -> Result<Vec<Result<Answer, Problem>>, Problem> {
    if batch.atomic || batch.items.len() <= ENTRIES_PER_COMMIT {
        let answers = write::submit(app, batch, lock).await?;
        return Ok(answers.into_iter().map(Ok).collect());
    }
    // To its end also when the caller goes away: the lock holds until the last part stands.
    let whole = tokio::spawn(in_parts(app.clone(), batch.items, lock));
    whole.await.unwrap_or_else(|_| Err(IntakeError::Stopped.into()))
}

async fn in_parts(
    app: AppState,
    items: Vec<Incoming>,
    lock: Option<OwnedMutexGuard<()>>,
) -> Result<Vec<Result<Answer, Problem>>, Problem> {
    let mut answers = Vec::with_capacity(items.len());
    let mut items = items.into_iter().peekable();
    let mut refused: Option<Problem> = None;
    while items.peek().is_some() {
        let part: Vec<Incoming> = items.by_ref().take(ENTRIES_PER_COMMIT).collect();
        let count = part.len();
        let part = Batch {
            items: part,
            ..Batch::default()
        };
        let done = match &refused {
            Some(problem) => Err(problem.clone()),
            None => write::submit(&app, part, None).await,
        };
        match done {
            Ok(done) => answers.extend(done.into_iter().map(Ok)),
            Err(problem) if answers.is_empty() => return Err(problem),
            Err(problem) => {
                answers.extend(std::iter::repeat_n(Err(problem.clone()), count));
                refused = Some(problem);
            }
        }
    }
    drop(lock);
    Ok(answers)
}

/// What preparing the entries of one Bundle gathers.
struct Work<'a> {
    app: &'a AppState,
    atomic: bool,
    references: References,
    conditions: BTreeSet<(&'static str, Option<String>, String)>,
}

impl<'a> Work<'a> {
    fn new(app: &'a AppState, atomic: bool) -> Self {
        Self {
            app,
            atomic,
            references: References::default(),
            conditions: BTreeSet::new(),
        }
    }

    async fn prepare(&mut self, entries: Vec<Result<Entry, Problem>>) -> Result<Vec<Slot>, Problem> {
        // First every entry gets its id, then references to any of them can be rewritten.
        let mut named = Vec::with_capacity(entries.len());
        for entry in entries {
            named.push(match entry {
                Ok(entry) => self.name(&entry).await.map(|target| (entry, target)),
                Err(problem) => Err(problem),
            });
        }
        let mut slots = Vec::with_capacity(named.len());
        for item in named {
            let slot = match item {
                Ok((entry, target)) => self.slot(entry, target).await,
                Err(problem) => Err(problem),
            };
            // When the store cannot be read, nothing of the Bundle is to be tried.
            match slot {
                Err(problem) if problem.status == StatusCode::SERVICE_UNAVAILABLE => return Err(problem),
                slot => slots.push(slot.unwrap_or_else(Slot::Refused)),
            }
        }
        if self.atomic {
            refuse_duplicates(&mut slots);
        }
        Ok(slots)
    }

    /// The id under which the entry's resource stands or will stand, and the standing one when a
    /// condition of a create matched it.
    async fn name(&mut self, entry: &Entry) -> Result<Target, Problem> {
        let target = match &entry.plan {
            Plan::Create { kind, condition: None } => Target::new(kind, write::new_id()),
            Plan::Create {
                kind,
                condition: Some(query),
            } => {
                self.once(kind, query)?;
                match write::resolve(self.app, kind, query).await? {
                    Matched::None => Target::new(kind, write::new_id()),
                    Matched::One(row) => Target {
                        standing: Some(Done::matched(&row)),
                        ..Target::new(kind, row.id)
                    },
                }
            }
            Plan::UpdateWhere { kind, query, .. } => {
                self.once(kind, query)?;
                let own_id = Members::parse(entry.body()?)?.string("id");
                Target::new(kind, write::id_where(self.app, kind, query, own_id).await?)
            }
            Plan::Update { kind, id, .. } | Plan::Delete { kind, id, .. } => Target::new(kind, id.clone()),
            Plan::Read { .. } | Plan::Search { .. } => return Ok(Target::default()),
        };
        // Only a transaction resolves references between its entries.
        let full_url = entry
            .full_url
            .as_deref()
            .filter(|_| self.atomic && entry.resource.is_some());
        let taken = full_url.is_some_and(|full_url| !self.references.add(full_url, target.reference.clone()));
        if taken {
            return Err(Problem::invalid(
                "Another entry of the transaction has the same fullUrl.",
            ));
        }
        Ok(target)
    }

    /// Two equal conditions of one Bundle would both match nothing.
    fn once(&mut self, kind: &TypeInfo, query: &str) -> Result<(), Problem> {
        let (system, value) = search::condition(kind, query)?;
        if self.conditions.insert((kind.name, system, value)) {
            return Ok(());
        }
        let text = "Another entry of the Bundle has the same condition.";
        Err(Problem::new(StatusCode::CONFLICT, IssueType::Duplicate, text))
    }

    async fn slot(&mut self, entry: Entry, target: Target) -> Result<Slot, Problem> {
        if let Some(done) = target.standing {
            return Ok(Slot::Done(done));
        }
        let write = match &entry.plan {
            Plan::Create { kind, .. } => Write::create(kind, &target.id, self.members(&entry).await?)?,
            Plan::Update { kind, id, if_match } => {
                Write::update(kind, id, self.members(&entry).await?, if_match.clone())?
            }
            Plan::UpdateWhere { kind, if_match, .. } => {
                let mut body = self.members(&entry).await?;
                body.set_id(&target.id);
                Write::update(kind, &target.id, body, if_match.clone())?
            }
            Plan::Delete { kind, id, if_match } => Write::delete(kind, id, if_match.clone())?,
            Plan::Read { .. } | Plan::Search { .. } if self.atomic => {
                let text = "GET is not supported in a transaction; send it in a batch, or on its own.";
                return Err(Problem::new(StatusCode::BAD_REQUEST, IssueType::NotSupported, text));
            }
            Plan::Read { .. } | Plan::Search { .. } => return Ok(Slot::Read(entry.plan)),
        };
        write::check_not_derived(self.app, &write.incoming.resource_type, &write.incoming.id).await?;
        Ok(Slot::Write(write))
    }

    /// The entry's resource with its references as they will stand.
    async fn members(&mut self, entry: &Entry) -> Result<Members, Problem> {
        let text = entry.body()?;
        if text.len() > self.app.limits.max_body_bytes {
            return Err(too_large(self.app.limits.max_body_bytes));
        }
        if self.atomic {
            self.references.resolve_conditions(self.app, text).await?;
        }
        Members::parse(&self.references.rewrite(text, entry.full_url.as_deref())?)
    }
}

/// Where an entry's resource stands or will stand.
#[derive(Default)]
struct Target {
    id: String,
    reference: String,
    standing: Option<Done>,
}

impl Target {
    fn new(kind: &TypeInfo, id: String) -> Self {
        Self {
            reference: format!("{}/{id}", kind.name),
            id,
            standing: None,
        }
    }
}

/// "A resource can only appear once in a transaction" (by identity).
fn refuse_duplicates(slots: &mut [Slot]) {
    let mut seen = BTreeMap::new();
    for slot in slots.iter_mut() {
        let Slot::Write(write) = slot else { continue };
        let count = seen.entry(write.reference()).or_insert(0_usize);
        *count += 1;
        if *count > 1 {
            let text = "The transaction writes this resource more than once.";
            *slot = Slot::Refused(Problem::new(StatusCode::BAD_REQUEST, IssueType::Duplicate, text));
        }
    }
}

/// The refusals of a transaction as one OperationOutcome.
fn refuse_whole(slots: &[Slot]) -> Result<(), Problem> {
    let (mut whole, mut dependent): (Option<Problem>, Option<Problem>) = (None, None);
    for (position, slot) in slots.iter().enumerate() {
        let Slot::Refused(problem) = slot else { continue };
        let mut problem = problem.clone();
        // The others were refused only because one was: they say nothing of their own.
        if problem.status == StatusCode::FAILED_DEPENDENCY {
            dependent = Some(problem);
            continue;
        }
        for issue in &mut problem.issues {
            let inner = issue.expression.pop();
            issue.expression = vec![match inner.as_deref().and_then(|inner| inner.split_once('.')) {
                Some((_, element)) => format!("Bundle.entry[{position}].resource.{element}"),
                None => format!("Bundle.entry[{position}]"),
            }];
        }
        match &mut whole {
            None => whole = Some(problem),
            Some(whole) => whole.issues.extend(problem.issues),
        }
    }
    whole.or(dependent).map_or(Ok(()), Err)
}

/// The intake batch, and which slot each of its items is.
fn batch_of(slots: &[Slot], atomic: bool) -> (Batch, Vec<usize>) {
    let mut order: Vec<(u8, usize)> = slots
        .iter()
        .enumerate()
        .filter_map(|(position, slot)| match slot {
            Slot::Write(write) if atomic => Some((rank(write), position)),
            Slot::Write(_) => Some((0, position)),
            _ => None,
        })
        .collect();
    order.sort_unstable();
    let order: Vec<usize> = order.into_iter().map(|(_, position)| position).collect();
    let items = order
        .iter()
        .filter_map(|position| match &slots[*position] {
            Slot::Write(write) => Some(write.incoming.clone()),
            _ => None,
        })
        .collect();
    let batch = Batch {
        items,
        atomic,
        ..Batch::default()
    };
    (batch, order)
}

/// DELETE before POST and PUT. Creates and updates of one transaction never touch the same
/// resource, so their order among themselves shows nowhere.
fn rank(write: &Write) -> u8 {
    u8::from(write.incoming.operation != Operation::Delete)
}

async fn response(app: &AppState, call: &Call, atomic: bool, slots: Vec<Slot>) -> Result<Answered, Problem> {
    let mut entries = Vec::with_capacity(slots.len());
    let mut reads = 0;
    let mut looking = Looking::default();
    for slot in slots {
        let text = match slot {
            Slot::Read(plan) => {
                reads += 1;
                let done = if reads > MAX_READS {
                    let text = format!("A batch may hold at most {MAX_READS} reads.");
                    Err(Problem::new(StatusCode::PAYLOAD_TOO_LARGE, IssueType::TooLong, text))
                } else {
                    looking.look_up(app, call, &plan).await
                };
                match done {
                    Ok(done) => response_entry(call, &done, true),
                    Err(problem) => refused_entry(&problem),
                }
            }
            Slot::Done(done) => response_entry(call, &done, call.wants == Return::Representation),
            Slot::Refused(problem) => refused_entry(&problem),
            // The engine gave fewer answers than items: it never does.
            Slot::Write(_) => refused_entry(&Problem::try_again("The engine gave no answer; send the entry again.")),
        };
        entries.push(text);
    }
    let kind = if atomic {
        "transaction-response"
    } else {
        "batch-response"
    };
    let entries = match entries.is_empty() {
        true => String::new(),
        false => format!(",\"entry\":[{}]", entries.join(",")),
    };
    let text = format!("{{\"resourceType\":\"Bundle\",\"type\":\"{kind}\"{entries}}}");
    Ok((text, looking.room))
}

fn response_entry(call: &Call, done: &Done, with_resource: bool) -> String {
    let mut response = Map::new();
    response.insert(String::from("status"), json!(done.status.to_string()));
    let modified = done.version.as_ref().and_then(|version| version.last_updated);
    let parts = [
        (
            "location",
            done.location.as_ref().map(|location| json!(call.link(location))),
        ),
        ("etag", done.etag().map(Value::from)),
        ("lastModified", modified.map(|at| json!(at.to_string()))),
        (
            "outcome",
            (call.wants == Return::OperationOutcome).then(|| done.outcome()),
        ),
    ];
    for (name, value) in parts {
        if let Some(value) = value {
            response.insert(name.to_owned(), value);
        }
    }
    let response = Value::from(response);
    // The resource goes in as text: its decimals keep their digits.
    match done.resource.as_deref().filter(|_| with_resource) {
        Some(resource) => format!("{{\"resource\":{resource},\"response\":{response}}}"),
        None => format!("{{\"response\":{response}}}"),
    }
}

fn refused_entry(problem: &Problem) -> String {
    let response = json!({"status": problem.status.to_string(), "outcome": problem.outcome()});
    format!("{{\"response\":{response}}}")
}
