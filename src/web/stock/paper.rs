//! The stock as a plain table, for paper.

use std::collections::BTreeSet;

use askama::Template;
use axum::{
    extract::{OriginalUri, Query, State, rejection::QueryRejection},
    response::Response,
};
use serde::Deserialize;

use super::super::{
    Site,
    html::{Frame, Tab},
    pages::{Failed, path_of, render},
    view,
};
use crate::{
    notify::words::{count, thousands},
    stock::{
        list::{Crate, Lot},
        place::Place,
    },
};

/// The table.
#[derive(Debug, Clone, Template)]
#[template(path = "paper.html", config = "src/web/askama.toml")]
pub struct PaperPage {
    /// What stands around the page.
    pub frame: Frame,
    /// The day it was made.
    pub day: String,
    /// By variety, not by place.
    pub by_variety: bool,
    /// A line to a lot.
    pub rows: Vec<PaperRow>,
    /// "46 crates, 98 lots, 1,460 pieces".
    pub total: String,
}

/// One lot in one crate.
#[derive(Debug, Clone)]
pub struct PaperRow {
    /// The crate.
    pub code: String,
    /// "cellar, north wall / shelf 2 / 3".
    pub place: String,
    /// The variety.
    pub variety: String,
    /// Clump, division or pot tuber.
    pub form: String,
    /// How many.
    pub count: String,
    /// What it is packed in.
    pub packing: String,
    /// "21 Oct 2026", or empty.
    pub dug: String,
}

/// What the list was asked for.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Asked {
    #[serde(default)]
    by: String,
}

/// `GET /stock/list?by=place|variety`.
pub(super) async fn list(
    State(site): State<Site>,
    OriginalUri(uri): OriginalUri,
    asked: Result<Query<Asked>, QueryRejection>,
) -> Result<Response, Failed> {
    let by_variety = asked.is_ok_and(|Query(asked)| asked.by == "variety");
    let crates = site.store.crates().await.map_err(Failed::store(&site))?;
    let (status, now) = (site.status.borrow().clone(), site.clock.now());
    let mut lots: Vec<(&Crate, &Lot)> = crates
        .iter()
        .flat_map(|krate| krate.lots.iter().map(move |lot| (krate, lot)))
        .collect();
    if by_variety {
        lots.sort_by_cached_key(|(krate, lot)| (lot.variety.to_lowercase(), krate.code.clone()));
    } else {
        lots.sort_by_cached_key(|(krate, _)| {
            (
                krate.room.to_lowercase(),
                Place::read(&krate.place),
                krate.code.clone(),
            )
        });
    }
    let pieces: i64 = lots.iter().map(|(_, lot)| i64::from(lot.count)).sum();
    let varieties: BTreeSet<String> = lots.iter().map(|l| l.1.variety.to_lowercase()).collect();
    let page = PaperPage {
        frame: view::frame(&site, &status, now, "The stock", Tab::Crates, path_of(&uri)),
        day: site.manner.day(now),
        by_variety,
        total: format!(
            "{}, {}, {} pieces",
            count(crates.len(), "crate", "crates"),
            count(varieties.len(), "variety", "varieties"),
            thousands(pieces)
        ),
        rows: lots
            .into_iter()
            .map(|(krate, lot)| row(krate, lot))
            .collect(),
    };
    Ok(render(&page))
}

fn row(krate: &Crate, lot: &Lot) -> PaperRow {
    PaperRow {
        code: krate.code.to_string(),
        place: match krate.place.as_str() {
            "" => krate.room.clone(),
            place => format!("{}, {place}", krate.room),
        },
        variety: lot.variety.clone(),
        form: lot.form.to_string(),
        count: lot.count.to_string(),
        packing: krate.packing.clone(),
        dug: lot
            .dug
            .map(|day| day.format("%-d %b %Y").to_string())
            .unwrap_or_default(),
    }
}
