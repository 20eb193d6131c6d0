//! The way out, for programs: crates that are found, the crates as a list, and the whole ledger.

use std::io;

use axum::{
    Json,
    body::{Body, Bytes},
    extract::{Query, State, rejection::QueryRejection},
    http::{StatusCode, header},
    response::{IntoResponse, Response},
};
use serde::{Deserialize, Serialize};
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;

use super::{
    super::{Site, pages::Failed},
    crates::SEARCH,
};
use crate::{
    problem::Problem,
    stock::{
        CrateCode, Form,
        ledger::{EntryId, LotId, Stock, file},
        list,
        search::search,
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

/// What is looked for.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Wanted {
    #[serde(default)]
    q: String,
}

#[derive(Debug, Serialize)]
struct Found {
    code: CrateCode,
    room: String,
    place: String,
    packing: String,
    lots: Vec<FoundLot>,
}

#[derive(Debug, Serialize)]
struct FoundLot {
    id: LotId,
    variety: String,
    form: Form,
    count: u32,
    dug: Option<chrono::NaiveDate>,
}

/// `GET /api/stock/crates?q=..`: the crates that answer, the best first; every crate without a question.
pub(super) async fn found(
    State(site): State<Site>,
    wanted: Result<Query<Wanted>, QueryRejection>,
) -> Response {
    let q = wanted.map(|Query(wanted)| wanted.q).unwrap_or_default();
    let q: String = q.trim().chars().take(SEARCH).collect();
    let stock = match site.store.stock().await {
        Ok(stock) => stock,
        Err(error) => {
            return Problem::new(
                StatusCode::SERVICE_UNAVAILABLE,
                "/problems/unavailable",
                "The stock cannot be read",
                format!("{error}; ask again in a minute"),
            )
            .into_response();
        }
    };
    let (crates, found) = all(&stock);
    if q.is_empty() {
        return Json(found).into_response();
    }
    let mut found: Vec<Option<Found>> = found.into_iter().map(Some).collect();
    let best = search(&crates, &q).into_iter();
    let best: Vec<Found> = best.filter_map(|(nth, _)| found[nth].take()).collect();
    Json(best).into_response()
}

/// Every crate in the order of the codes, to be searched and to be answered with.
fn all(stock: &Stock) -> (Vec<list::Crate>, Vec<Found>) {
    let mut crates: Vec<_> = stock.crates().collect();
    crates.sort_by(|a, b| a.1.code.cmp(&b.1.code));
    let contents = stock.contents();
    let both = crates.into_iter().map(|(id, krate)| {
        let content = contents.get(&id).map_or(&[][..], Vec::as_slice);
        let listed = list::Crate {
            code: krate.code.clone(),
            room: krate.room.clone(),
            place: krate.place.clone(),
            packing: krate.packing.clone(),
            lots: content
                .iter()
                .map(|(_, lot, count)| lot.listed(*count))
                .collect(),
        };
        let found = Found {
            code: krate.code.clone(),
            room: krate.room.clone(),
            place: krate.place.clone(),
            packing: krate.packing.clone(),
            lots: content
                .iter()
                .map(|(id, lot, count)| FoundLot {
                    id: *id,
                    variety: lot.variety.clone(),
                    form: lot.form,
                    count: *count,
                    dug: lot.dug,
                })
                .collect(),
        };
        (listed, found)
    });
    both.unzip()
}
