//! The page Winter, and the ways out of it.

use std::{fmt::Write as _, sync::Arc};

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
    Headline, compare, copy,
    data::{self, Data},
    file, headline,
    next::{self, Counsel},
    part::{Part, Rows},
    parts, tables,
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
    /// Another winter beside it, if one was picked.
    pub beside: Option<Rows>,
    /// Tables that can be taken: name and what each is.
    pub tables: Vec<(String, String)>,
}

/// What the page was asked for.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Which {
    winter: Option<String>,
    /// The one to set beside it.
    against: Option<String>,
}

/// Every address of winters.
pub fn routes() -> Router<Site> {
    Router::new()
        .route("/winter", get(newest))
        .route("/winter/{winter}", get(winter))
        .route("/winter/{winter}/account.html", get(as_page))
        .route("/winter/{winter}/account.json", get(as_json))
        .route("/winter/{winter}/tables/{file}", get(as_table))
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
        Some(newest) => shown(&site, *newest, None, &known, path_of(&uri), now).await,
        None => Ok(render(&nothing(&site, path_of(&uri), now))),
    }
}

/// `GET /winter/2025-26`.
async fn winter(
    State(site): State<Site>,
    OriginalUri(uri): OriginalUri,
    Path(name): Path<String>,
    asked: Result<Query<Which>, QueryRejection>,
) -> Result<Response, Failed> {
    let winter = named(&site, &name)?;
    let against = asked.ok().and_then(|Query(w)| w.against);
    let against = against.as_deref().and_then(period::read);
    let now = site.clock.now();
    let calendar = Calendar::new(site.manner.zone);
    let known = account::known(&site.store, &calendar, now).await;
    let known = known.map_err(Failed::store(&site))?;
    shown(&site, winter, against, &known, path_of(&uri), now).await
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
        beside: None,
        tables: Vec::new(),
    }
}

async fn shown(
    site: &Site,
    winter: i32,
    against: Option<i32>,
    known: &[i32],
    path: String,
    now: Stamp,
) -> Result<Response, Failed> {
    let made = kept(site, winter, now).await?;
    let other = match against.filter(|other| *other != winter && known.contains(other)) {
        Some(other) => kept(site, other, now).await?,
        None => None,
    };
    let mut page = nothing(site, path, now);
    page.winter = period::name(winter);
    page.winters = known
        .iter()
        .map(|w| (period::name(*w), *w == winter))
        .collect();
    if let Some(account) = made {
        fill(&mut page, &account, site);
        page.beside = other.map(|other| compare::rows(&account, &other, site.manner).open());
    }
    Ok(render(&page))
}

async fn kept(site: &Site, winter: i32, now: Stamp) -> Result<Option<Arc<Account>>, Failed> {
    let status = site.status.borrow().clone();
    let (store, place) = (&site.store, place(site));
    let made = site
        .accounts
        .get(store, &place, winter, &status.models, now);
    made.await.map_err(Failed::store(site))
}

fn fill(page: &mut WinterPage, account: &Account, site: &Site) {
    page.head = Some(headline(account));
    page.counsel = next::list(account, site.manner);
    page.nothing = next::nothing(&account.losses);
    page.parts = parts(account, site.manner);
    page.tables = tables::NAMES
        .iter()
        .map(|name| ((*name).to_owned(), name.replace('-', " ")))
        .collect();
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

/// `GET /winter/2025-26/tables/days.csv`, or `days.csv-metadata.json`, which says what is in it.
async fn as_table(
    State(site): State<Site>,
    Path((winter, file)): Path<(String, String)>,
) -> Result<Response, Failed> {
    let number = named(&site, &winter)?;
    let none = || {
        Failed::told(
            &site,
            StatusCode::NOT_FOUND,
            "There is no such table",
            format!("The tables are {}.", tables::NAMES.join(", ")),
            "Choose one on the page Winter.",
        )
    };
    let (name, described) = match file.strip_suffix("-metadata.json") {
        Some(csv) => (csv.strip_suffix(".csv"), true),
        None => (file.strip_suffix(".csv"), false),
    };
    let name = name
        .filter(|n| tables::NAMES.contains(n))
        .ok_or_else(none)?;
    let data = fresh(&site, number, site.clock.now())
        .await?
        .ok_or_else(none)?;
    let all = tables::tables(&data);
    let table = all.iter().find(|t| t.name == name).ok_or_else(none)?;
    let (_, hash) = data::hashed(&data).map_err(|e| broken(&site, &e))?;
    let (csv, description) = tables::with_description(table, &tables::notes(&data, &hash));
    let (kind, text) = if described {
        ("application/csvm+json", description.to_string())
    } else {
        ("text/csv; charset=utf-8", csv)
    };
    Ok((attached(kind, &file), text).into_response())
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
