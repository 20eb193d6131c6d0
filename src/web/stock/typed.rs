//! From a label to its crate: what a person types from it, and what a phone reads from its symbol.

use askama::Template;
use axum::{
    extract::{
        OriginalUri, Path, Query, State,
        rejection::{PathRejection, QueryRejection},
    },
    http::StatusCode,
    response::{IntoResponse, Redirect, Response},
};
use serde::Deserialize;

use super::{
    super::{
        Site,
        html::{Frame, Tab},
        pages::{Failed, path_of, render},
        view,
    },
    crates::what,
    krate::{href, place},
};
use crate::stock::{
    CrateCode,
    check::{Typed, check_character, typed},
    ledger::Stock,
};

/// Characters of a typed text that are shown again.
const SHOWN: usize = 60;

/// A label typed or scanned, and which crates it may mean.
#[derive(Debug, Clone, Template)]
#[template(path = "typed.html", config = "src/web/askama.toml")]
pub struct TypedPage {
    /// What stands around the page.
    pub frame: Frame,
    /// What was typed or scanned; may be empty.
    pub text: String,
    /// What came of it.
    pub answer: Answer,
    /// The crates it may mean.
    pub crates: Vec<Meant>,
}

/// What came of a text from a label.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Answer {
    /// Nothing was typed yet.
    Ask,
    /// One crate by its code alone, where a slip would not have been noticed.
    IsIt,
    /// More than one fits.
    Which,
    /// None fits.
    Slip,
    /// A symbol was scanned, and there is no such crate.
    Gone,
}

impl TypedPage {
    fn is(&self, answer: Answer) -> bool {
        self.answer == answer
    }
}

/// A crate that may be meant.
#[derive(Debug, Clone)]
pub struct Meant {
    /// Its code.
    pub code: String,
    /// Its check character.
    pub check: char,
    /// Its page.
    pub href: String,
    /// What is in it: variety, and how many.
    pub lots: Vec<(String, String)>,
    /// Where it stands.
    pub place: String,
}

/// What was typed.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Asked {
    #[serde(default)]
    code: String,
}

/// `GET /find?code=..`: leads to the crate, or asks.
pub(super) async fn find(
    State(site): State<Site>,
    OriginalUri(uri): OriginalUri,
    asked: Result<Query<Asked>, QueryRejection>,
) -> Result<Response, Failed> {
    let text = asked.map(|Query(a)| a.code).unwrap_or_default();
    let stock = site.store.stock().await.map_err(Failed::store(&site))?;
    let (answer, codes) = if text.trim().is_empty() {
        (Answer::Ask, Vec::new())
    } else {
        match typed(&text, stock.crates().map(|(_, k)| &k.code)) {
            Typed::Exact(code) => return Ok(Redirect::to(&href(code.as_str())).into_response()),
            Typed::Bare(code) => (Answer::IsIt, vec![code]),
            Typed::Several(codes) => (Answer::Which, codes),
            Typed::Slip { nearest } => (Answer::Slip, nearest),
        }
    };
    Ok(page(&site, &stock, &text, answer, &codes, path_of(&uri)))
}

/// `GET /k/{code}`, in capitals as well: the address in the symbol of a label.
pub(super) async fn scanned(
    State(site): State<Site>,
    code: Result<Path<String>, PathRejection>,
) -> Result<Response, Failed> {
    let text = code.map(|Path(code)| code).unwrap_or_default();
    let stock = site.store.stock().await.map_err(Failed::store(&site))?;
    if let Some((_, krate)) = text.parse().ok().and_then(|code| stock.find(&code)) {
        return Ok(Redirect::to(&href(krate.code.as_str())).into_response());
    }
    let near = match typed(&text, stock.crates().map(|(_, k)| &k.code)) {
        Typed::Exact(code) | Typed::Bare(code) => vec![code],
        Typed::Several(codes) => codes,
        Typed::Slip { nearest } => nearest,
    };
    let path = "/find".to_owned();
    let page = page(&site, &stock, &text, Answer::Gone, &near, path);
    Ok((StatusCode::NOT_FOUND, page).into_response())
}

fn page(
    site: &Site,
    stock: &Stock,
    text: &str,
    answer: Answer,
    codes: &[CrateCode],
    path: String,
) -> Response {
    let status = site.status.borrow().clone();
    let now = site.clock.now();
    let page = TypedPage {
        frame: view::frame(site, &status, now, "A label", Tab::Crates, path),
        text: text.trim().chars().take(SHOWN).collect(),
        answer,
        crates: codes.iter().filter_map(|c| meant(site, stock, c)).collect(),
    };
    render(&page)
}

fn meant(site: &Site, stock: &Stock, code: &CrateCode) -> Option<Meant> {
    let (id, krate) = stock.find(code)?;
    let lots = stock.content(id).map(|(_, lot, count)| {
        let what = what(count, lot.form, &krate.packing, None, site.manner.unit);
        (lot.variety.clone(), what)
    });
    Some(Meant {
        code: krate.code.to_string(),
        check: check_character(&krate.code),
        href: href(krate.code.as_str()),
        lots: lots.collect(),
        // The position stays on one line with the stroke before it.
        place: place(krate).replace(" / ", " /\u{a0}"),
    })
}
