//! Pages of the stock: what is in which crate, where it stands, and what was done.

mod crates;
mod enter;
pub mod form;
mod history;
mod krate;
mod photo;
pub mod round;
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
        .route("/round", get(round::round))
        .route(
            "/round/note",
            post(round::note).get(async || Redirect::to("/round")),
        )
        .route("/several", get(several::several).post(several::enter_all))
        .route("/api/stock/entries", post(enter::entries))
        .route(
            "/api/stock/photos",
            post(photo::keep_sent).layer(photo::limit_sent()),
        )
}

/// `north wall / shelf 2 / 3` stands on `north wall / shelf 2`.
fn shelf(place: &str) -> &str {
    place.rsplit_once(" / ").map_or(place, |(shelf, _)| shelf)
}
