//! The way out: the crates as a list, and the whole ledger.

use std::io;

use axum::{
    body::{Body, Bytes},
    extract::State,
    http::header,
    response::{IntoResponse, Response},
};
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;

use super::super::{Site, pages::Failed};
use crate::{
    stock::{
        ledger::{EntryId, file},
        list,
    },
    store::{Store, StoreError},
};

/// Entries that are in memory at once.
const AT_ONCE: u32 = 500;
/// Pieces of the ledger that wait for a slow reader.
const WAITING: usize = 2;

fn named(kind: &'static str, name: &'static str) -> [(header::HeaderName, &'static str); 3] {
    [
        (header::CONTENT_TYPE, kind),
        (header::CONTENT_DISPOSITION, name),
        (header::CACHE_CONTROL, "no-store"),
    ]
}

/// `GET /stock/crates.csv`: the crates as they stand, as `import crates` takes them back.
pub(super) async fn list(State(site): State<Site>) -> Result<Response, Failed> {
    let crates = site.store.crates().await.map_err(Failed::store(&site))?;
    let head = named(
        "text/csv; charset=utf-8",
        "attachment; filename=\"crates.csv\"",
    );
    Ok((head, list::write(&crates)).into_response())
}

/// `GET /stock/ledger.json`: every entry, as `import ledger` takes them back.
pub(super) async fn ledger(State(site): State<Site>) -> Result<Response, Failed> {
    let newest = site.store.newest_entry().await;
    let newest = newest.map_err(Failed::store(&site))?;
    let (pieces, waiting) = mpsc::channel(WAITING);
    tokio::spawn(async move {
        if let Err(fault) = pour(&site.store, newest, &pieces).await {
            tracing::error!(error = ?fault, "the ledger could not be read to its end");
            // Ends the answer before its time, so that nobody takes a part for the whole.
            let _ = pieces.send(Err(io::Error::other(fault))).await;
        }
    });
    let head = named(
        "application/json",
        "attachment; filename=\"overwinter-ledger.json\"",
    );
    let body = Body::from_stream(ReceiverStream::new(waiting));
    Ok((head, body).into_response())
}

/// Sends every entry up to one, a piece after the other; ends early when nobody reads on.
async fn pour(
    store: &Store,
    newest: EntryId,
    pieces: &mpsc::Sender<io::Result<Bytes>>,
) -> Result<(), StoreError> {
    let mut last = EntryId(0);
    let mut piece = file::head(env!("CARGO_PKG_VERSION"));
    while last < newest {
        let mut entries = store.entries_after(last, AT_ONCE).await?;
        entries.retain(|entry| entry.id <= newest);
        let Some(end) = entries.last().map(|entry| entry.id) else {
            break;
        };
        piece.push_str(&file::lines(&entries, last == EntryId(0)));
        if pieces.send(Ok(piece.into())).await.is_err() {
            return Ok(());
        }
        (last, piece) = (end, String::new());
    }
    piece.push_str(file::TAIL);
    let _ = pieces.send(Ok(piece.into())).await;
    Ok(())
}
