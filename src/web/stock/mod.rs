//! Pages of the stock: what is in which crate, where it stands, and what was done.

pub mod bring;
mod calendar;
pub mod count;
mod crates;
mod enter;
pub mod form;
mod history;
mod krate;
pub mod labels;
pub mod new;
mod note;
mod out;
pub mod paper;
mod photo;
pub mod planting;
pub mod round;
pub mod season;
pub mod several;
pub mod typed;
pub mod wall;

use axum::{
    Router,
    response::Redirect,
    routing::{get, post},
};

use super::{Site, pages::Failed};
use crate::{
    engine::{Status, due},
    notify::duties,
    stock::due::looks,
    watch::Stamp,
};
pub(super) use crates::worst_of;

/// Every route of the stock.
pub(super) fn routes() -> Router<Site> {
    let crates = || get(async || Redirect::to("/crates"));
    Router::new()
        .route("/crates", get(crates::crates))
        .route("/crate", get(krate::krate))
        .route("/crate/new", get(new::ask).post(new::make))
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
        .route("/find", get(typed::find))
        // The address in the symbol of a label is in capitals.
        .route("/k/{code}", get(typed::scanned))
        .route("/K/{code}", get(typed::scanned))
        .route("/labels", get(labels::labels))
        .route("/wall", get(wall::wall))
        .route("/stock/count", get(count::count))
        .route("/several", get(several::several).post(several::enter_all))
        .route("/stock/crates.csv", get(out::list))
        .route("/stock/ledger.json", get(out::ledger))
        .route("/stock/list", get(paper::list))
        .route("/api/stock/crates", get(out::found))
        .route("/api/stock/entries", post(enter::entries))
        .route("/planting", get(planting::planting).post(planting::settle))
        .route("/season", get(season::season).post(season::step))
        .route("/feeds/rounds.ics", get(calendar::rounds))
        .route("/round", get(round::round))
        .route(
            "/round/note",
            post(round::note).get(async || Redirect::to("/round")),
        )
        .route(
            "/api/stock/photos",
            post(photo::keep_sent).layer(photo::limit_sent()),
        )
}

/// The crates that are due for a look, in a line.
pub(super) async fn looks_due(
    site: &Site,
    status: &Status,
    now: Stamp,
) -> Result<Option<String>, Failed> {
    let here = due::Here {
        now,
        ..note::here(site)
    };
    let store = &site.store;
    let stock = store.stock().await.map_err(Failed::store(site))?;
    let visits = store.visits().await.map_err(Failed::store(site))?;
    let crates = due::crates(&visits, &stock, &status.settings, &status.models, here);
    let crates: Vec<_> = crates.into_iter().map(|c| c.standing).collect();
    Ok(duties::looks(&looks(&crates), here.today()))
}

/// `north wall / shelf 2 / 3` stands on `north wall / shelf 2`.
fn shelf(place: &str) -> &str {
    place.rsplit_once(" / ").map_or(place, |(shelf, _)| shelf)
}
