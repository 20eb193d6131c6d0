//! The page Winter, and the ways out of it.

use std::fmt::Write as _;

use askama::Template;
use axum::{
    Extension, Router,
    extract::{OriginalUri, Path, Query, State, rejection::QueryRejection},
    http::{StatusCode, header},
    response::{IntoResponse, Redirect, Response},
    routing::get,
};
use serde::Deserialize;

use super::{
    Headline, copy,
    data::{self, Data},
    file, headline,
    next::{self, Counsel},
    part::Part,
    parts,
};
use crate::{
    engine::account::{self, Forecasts, Place},
    season::{account::Account, calendar::Calendar, period},
    store::given::Given,
    watch::Stamp,
    web::{
        Site,
        access::Who,
        acts::person,
        html::{Frame, Tab},
        pages::{Failed, path_of, render},
        view,
    },
};

/// The page of one winter.
#[derive(Debug, Clone, Template)]
#[template(path = "winter.html", config = "src/web/askama.toml")]
pub struct WinterPage {
    /// What stands around the page.
    pub frame: Frame,
    /// "2025-26"; empty where nothing is known of any.
    pub winter: String,
    /// Winters of which anything is known, the newest first, and whether it is this one.
    pub winters: Vec<(String, bool)>,
    /// The first sentences; none where nothing is known.
    pub head: Option<Headline>,
    /// What it counsels.
    pub counsel: Vec<Counsel>,
    /// What is said where there is none.
    pub nothing: &'static str,
    /// Every part.
    pub parts: Vec<Part>,
    /// "Counted up to Tue 12 Jan, 5:10"; empty where it is over.
    pub up_to: String,
}

/// What the page was asked for.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Which {
    winter: Option<String>,
}

/// Every address of winters.
pub fn routes() -> Router<Site> {
    Router::new()
        .route("/winter", get(newest))
        .route("/winter/{winter}", get(winter))
        .route("/winter/{winter}/account.html", get(as_page))
        .route("/winter/{winter}/account.json", get(as_json))
}

fn place(site: &Site) -> Place {
    Place {
        name: site.name.clone(),
        calendar: Calendar::new(site.manner.zone),
    }
}

/// `GET /winter`: the newest, or the one that was picked.
async fn newest(
    State(site): State<Site>,
    OriginalUri(uri): OriginalUri,
    asked: Result<Query<Which>, QueryRejection>,
) -> Result<Response, Failed> {
    let picked = asked.ok().and_then(|Query(w)| w.winter);
    if let Some(picked) = picked.as_deref().and_then(period::read) {
        return Ok(Redirect::to(&format!("/winter/{}", period::name(picked))).into_response());
    }
    let now = site.clock.now();
    let calendar = Calendar::new(site.manner.zone);
    let known = account::known(&site.store, &calendar, now).await;
    let known = known.map_err(Failed::store(&site))?;
    match known.first() {
        Some(newest) => shown(&site, *newest, &known, path_of(&uri), now).await,
        None => Ok(render(&nothing(&site, path_of(&uri), now))),
    }
}

/// `GET /winter/2025-26`.
async fn winter(
    State(site): State<Site>,
    OriginalUri(uri): OriginalUri,
    Path(name): Path<String>,
) -> Result<Response, Failed> {
    let winter = named(&site, &name)?;
    let now = site.clock.now();
    let calendar = Calendar::new(site.manner.zone);
    let known = account::known(&site.store, &calendar, now).await;
    let known = known.map_err(Failed::store(&site))?;
    shown(&site, winter, &known, path_of(&uri), now).await
}

fn named(site: &Site, name: &str) -> Result<i32, Failed> {
    period::read(name).ok_or_else(|| {
        Failed::told(
            site,
            StatusCode::NOT_FOUND,
            "There is no such winter",
            format!("`{name}` is no winter. One is written like 2026-27."),
            "Choose one on the page Winter.",
        )
    })
}

fn nothing(site: &Site, path: String, now: Stamp) -> WinterPage {
    let status = site.status.borrow().clone();
    WinterPage {
        frame: view::frame(site, &status, now, "Winter", Tab::Winter, path),
        winter: String::new(),
        winters: Vec::new(),
        head: None,
        counsel: Vec::new(),
        nothing: next::NOT_KEPT,
        parts: Vec::new(),
        up_to: String::new(),
    }
}

async fn shown(
    site: &Site,
    winter: i32,
    known: &[i32],
    path: String,
    now: Stamp,
) -> Result<Response, Failed> {
    let status = site.status.borrow().clone();
    let made = site
        .accounts
        .get(&site.store, &place(site), winter, &status.models, now)
        .await
        .map_err(Failed::store(site))?;
    let mut page = nothing(site, path, now);
    page.winter = period::name(winter);
    page.winters = known
        .iter()
        .map(|w| (period::name(*w), *w == winter))
        .collect();
    if let Some(account) = made {
        fill(&mut page, &account, site);
    }
    Ok(render(&page))
}

fn fill(page: &mut WinterPage, account: &Account, site: &Site) {
    page.head = Some(headline(account));
    page.counsel = next::list(account, site.manner);
    page.nothing = next::nothing(&account.losses);
    page.parts = parts(account, site.manner);
    if !account.about.over {
        page.up_to = site.manner.day_and_clock(account.about.to.into());
    }
}

/// The data of a winter as they are now, not as they were kept.
async fn fresh(site: &Site, winter: i32, now: Stamp) -> Result<Option<Data>, Failed> {
    let status = site.status.borrow().clone();
    let forecasts = Forecasts::of(&status.models);
    let _turn = site.accounts.turn().await;
    let made = account::account(&site.store, &place(site), winter, None, forecasts, now).await;
    let Some(made) = made.map_err(Failed::store(site))? else {
        return Ok(None);
    };
    let data = data::data(&site.store, made).await;
    Ok(Some(data.map_err(Failed::store(site))?))
}

/// A copy in one form, remembered with its hash.
async fn given(
    site: &Site,
    name: &str,
    who: Option<Extension<Who>>,
    what: &'static str,
) -> Result<(Data, copy::About, String), Failed> {
    let winter = named(site, name)?;
    let now = site.clock.now();
    let Some(data) = fresh(site, winter, now).await? else {
        return Err(Failed::told(
            site,
            StatusCode::NOT_FOUND,
            "Nothing is known of that winter",
            format!(
                "No reading and no tuber of {} is on record.",
                period::name(winter)
            ),
            "Choose another on the page Winter.",
        ));
    };
    let who = person(who);
    let mut about = data::about(now, &who, site.manner.unit);
    let (text, hash) = data::hashed(&data).map_err(|e| broken(site, &e))?;
    about.sha256.clone_from(&hash);
    let given = Given {
        at: now,
        who,
        winter,
        what: what.to_owned(),
        sha256: bytes(&hash),
        detail: about.program.clone(),
    };
    let failed = || Failed::store(site);
    let mut tx = site.store.begin().await.map_err(failed())?;
    tx.note_given(&given).await.map_err(failed())?;
    tx.commit().await.map_err(failed())?;
    Ok((data, about, text))
}

fn broken(site: &Site, error: &dyn std::fmt::Display) -> Failed {
    tracing::error!(%error, "the account could not be written out");
    Failed::told(
        site,
        StatusCode::INTERNAL_SERVER_ERROR,
        "The account could not be written out",
        "This is a fault of the program; its log says more.".to_owned(),
        "Take the tables instead.",
    )
}

/// The bytes of a hash in hexadecimal digits; zeros where it is none.
pub fn bytes(hash: &str) -> [u8; 32] {
    let mut bytes = [0; 32];
    for (byte, pair) in bytes.iter_mut().zip(hash.as_bytes().chunks(2)) {
        let pair = std::str::from_utf8(pair).unwrap_or("0");
        *byte = u8::from_str_radix(pair, 16).unwrap_or(0);
    }
    bytes
}

fn attached(kind: &'static str, name: &str) -> [(header::HeaderName, String); 3] {
    let mut disposition = String::from("attachment; filename=\"");
    let _ = write!(disposition, "{name}\"");
    [
        (header::CONTENT_TYPE, kind.to_owned()),
        (header::CONTENT_DISPOSITION, disposition),
        (header::CACHE_CONTROL, "no-store".to_owned()),
    ]
}

/// `GET /winter/2025-26/account.html`: one file that opens without the program.
async fn as_page(
    State(site): State<Site>,
    Path(name): Path<String>,
    who: Option<Extension<Who>>,
) -> Result<Response, Failed> {
    let (data, about, _) = given(&site, &name, who, "page").await?;
    let text = file::page_file(&data, &about).map_err(|e| broken(&site, &e))?;
    let name = format!("winter-{}.html", data.account.about.winter);
    Ok((attached("text/html; charset=utf-8", &name), text).into_response())
}

/// `GET /winter/2025-26/account.json`: the sealed data.
async fn as_json(
    State(site): State<Site>,
    Path(name): Path<String>,
    who: Option<Extension<Who>>,
) -> Result<Response, Failed> {
    let (data, about, text) = given(&site, &name, who, "json").await?;
    let sealed = copy::seal(about, &text).map_err(|e| broken(&site, &e))?;
    let name = format!("winter-{}.json", data.account.about.winter);
    Ok((attached("application/json", &name), sealed).into_response())
}
