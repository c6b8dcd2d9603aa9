//! The peer: an axum server that only stores each body in SQLite (WAL, synchronous FULL), many in one
//! commit, and answers after the commit. It reads nothing, judges nothing, and answers nothing else.

use anyhow::Context;
use axum::Router;
use axum::body::Bytes;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::routing::put;
use rusqlite::{Connection, params};
use tokio::sync::{mpsc, oneshot};

/// One body that waits for its commit.
struct Waiting {
    id: String,
    body: Bytes,
    answer: oneshot::Sender<()>,
}

/// Bodies of one commit at most.
const GROUP: usize = 1024;

/// `peer FILE`: serve until killed; the address goes to standard output.
pub async fn serve(arguments: &[String]) -> anyhow::Result<()> {
    let file = arguments.first().context("peer FILE")?;
    let store = Connection::open(file)?;
    store.pragma_update(None, "journal_mode", "WAL")?;
    store.pragma_update(None, "synchronous", "FULL")?;
    store.execute_batch(
        "CREATE TABLE bodies (id TEXT PRIMARY KEY NOT NULL, body BLOB NOT NULL) STRICT, WITHOUT ROWID;",
    )?;
    let (sender, receiver) = mpsc::channel(GROUP);
    std::thread::spawn(move || write(store, receiver));
    let router = Router::new()
        .route("/fhir/Observation/{id}", put(keep))
        .with_state(sender);
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await?;
    println!("{}", listener.local_addr()?);
    Ok(axum::serve(listener, router).await?)
}

async fn keep(State(sender): State<mpsc::Sender<Waiting>>, Path(id): Path<String>, body: Bytes) -> StatusCode {
    let (answer, committed) = oneshot::channel();
    let waiting = Waiting { id, body, answer };
    if sender.send(waiting).await.is_err() || committed.await.is_err() {
        return StatusCode::SERVICE_UNAVAILABLE;
    }
    StatusCode::CREATED
}

fn write(mut store: Connection, mut receiver: mpsc::Receiver<Waiting>) {
    let mut group = Vec::with_capacity(GROUP);
    while receiver.blocking_recv_many(&mut group, GROUP) > 0 {
        if let Err(error) = commit(&mut store, &group) {
            eprintln!("the peer cannot commit: {error}");
            return;
        }
        for waiting in group.drain(..) {
            // A caller that went away has nothing to be told.
            let _ = waiting.answer.send(());
        }
    }
}

fn commit(store: &mut Connection, group: &[Waiting]) -> rusqlite::Result<()> {
    let transaction = store.transaction()?;
    {
        let mut insert = transaction.prepare_cached("INSERT OR REPLACE INTO bodies (id, body) VALUES (?1, ?2)")?;
        for waiting in group {
            insert.execute(params![waiting.id, waiting.body.as_ref()])?;
        }
    }
    transaction.commit()
}
