//! Pages of the stock: what is in which crate, where it stands, and what was done.

pub mod bring;
pub mod count;
mod crates;
mod enter;
mod find;
pub mod form;
mod history;
mod krate;
mod out;
pub mod paper;
mod photo;
pub mod several;

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
        .route("/crate/enter", post(krate::deed).merge(crates()))
        .route(
            "/crate/photo",
            post(photo::keep).merge(crates()).layer(photo::limit()),
        )
        .route("/crate/photo/{id}", get(photo::show))
        .route(
            "/stock/bring-in",
            get(bring::start).post(bring::bring).layer(bring::limit()),
        )
        .route("/stock/count", get(count::count))
        .route("/several", get(several::several).post(several::enter_all))
        .route("/stock/crates.csv", get(out::list))
        .route("/stock/ledger.json", get(out::ledger))
        .route("/stock/list", get(paper::list))
        .route("/api/stock/crates", get(find::crates))
        .route("/api/stock/entries", post(enter::entries))
}

/// `north wall / shelf 2 / 3` stands on `north wall / shelf 2`.
fn shelf(place: &str) -> &str {
    place.rsplit_once(" / ").map_or(place, |(shelf, _)| shelf)
}
