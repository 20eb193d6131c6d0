//! Pages of the stock: what is in which crate, where it stands, and what was done.

mod crates;
mod enter;
mod history;
mod krate;

use axum::{
    Router,
    response::Redirect,
    routing::{get, post},
};

use super::Site;
pub(super) use crates::worst_of;

/// Every route of the stock.
pub(super) fn routes() -> Router<Site> {
    let crates = || get(async || Redirect::to("/crates"));
    Router::new()
        .route("/crates", get(crates::crates))
        .route("/crate", get(krate::krate))
        .route("/crate/weigh", post(krate::weigh).merge(crates()))
        .route("/api/stock/entries", post(enter::entries))
}
