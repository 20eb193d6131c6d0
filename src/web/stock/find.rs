//! Crates found by programs.

use axum::{
    Json,
    extract::{Query, State, rejection::QueryRejection},
    http::StatusCode,
    response::{IntoResponse, Response},
};
use serde::{Deserialize, Serialize};

use super::{super::Site, crates::SEARCH};
use crate::{
    problem::Problem,
    stock::{
        CrateCode, Form,
        ledger::{LotId, Stock},
        list,
        search::search,
    },
};

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
pub(super) async fn crates(
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
