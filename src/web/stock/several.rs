//! One deed for many crates at once: a whole shelf, or a whole variety.

use std::collections::BTreeMap;

use askama::Template;
use axum::{
    Extension, Form,
    extract::{
        OriginalUri, Query, State,
        rejection::{FormRejection, QueryRejection},
    },
    http::StatusCode,
    response::{IntoResponse, Redirect, Response},
};
use serde::Deserialize;

use super::{
    super::{
        Site,
        access::Who,
        acts,
        html::{Frame, Tab},
        pages::{Failed, path_of, render},
        view,
    },
    enter,
    form::{self, Fields},
    history, shelf,
};
use crate::{
    notify::words::count,
    stock::{
        CrateCode, Finding, Treatment,
        ledger::{Asked, Crate, CrateId, Deed, EntryId, Stock},
        place::Place,
    },
};

/// Crates that one page takes.
const MOST: usize = 200;

/// Which crates.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Which {
    #[serde(default)]
    room: String,
    #[serde(default)]
    shelf: String,
    #[serde(default)]
    variety: String,
    #[serde(default)]
    done: String,
}

/// Many crates, and what can be done to all of them.
#[derive(Debug, Clone, Template)]
#[template(path = "several.html", config = "src/web/askama.toml")]
pub struct SeveralPage {
    /// What stands around the page.
    pub frame: Frame,
    /// "12 crates on the north wall / shelf 2"; "Amber Lantern in 4 crates".
    pub title: String,
    /// What was done just now.
    pub done: Option<String>,
    /// The room and the shelf, where the crates were chosen so.
    pub room: String,
    /// See above.
    pub shelf: String,
    /// The variety, where they were chosen so; what is done is then done to it alone.
    pub variety: String,
    /// The crates.
    pub crates: Vec<One>,
    /// How many more there are than the page takes.
    pub left_out: usize,
    /// Key of what this page will ask for.
    pub key: String,
    /// Rooms that are known.
    pub rooms: Vec<String>,
    /// Why nothing was entered.
    pub faults: Vec<String>,
    /// What was typed then.
    pub fields: Fields,
}

/// One of the crates.
#[derive(Debug, Clone)]
pub struct One {
    /// Its code.
    pub code: String,
    /// What is in it, in a line.
    pub what: String,
    /// Number of the newest entry about it.
    pub seen: i64,
    /// It is meant.
    pub ticked: bool,
}

impl SeveralPage {
    fn chose(&self, field: &str, word: &str) -> bool {
        self.fields.get(field) == word
    }

    fn treatments() -> Vec<(&'static str, String)> {
        Treatment::ALL.map(|t| (t.key(), t.to_string())).into()
    }

    fn findings() -> Vec<(&'static str, String)> {
        Finding::ALL
            .iter()
            .skip(1)
            .map(|f| (f.key(), f.to_string()))
            .collect()
    }
}

/// `GET /several?room=..&shelf=..` or `?variety=..`.
pub(super) async fn several(
    State(site): State<Site>,
    OriginalUri(uri): OriginalUri,
    asked: Result<Query<Which>, QueryRejection>,
) -> Result<Response, Failed> {
    let which = asked.map(|Query(w)| w).unwrap_or_default();
    let again = Again::default();
    page(&site, &which, again, path_of(&uri)).await
}

/// `POST /several`.
pub(super) async fn enter_all(
    State(site): State<Site>,
    who: Option<Extension<Who>>,
    form: Result<Form<Vec<(String, String)>>, FormRejection>,
) -> Result<Response, Failed> {
    let pairs = acts::form(&site, form)?;
    let fields: Fields = pairs.iter().cloned().collect();
    let which = Which {
        room: fields.get("in-room").to_owned(),
        shelf: fields.get("in-shelf").to_owned(),
        variety: fields.get("of-variety").to_owned(),
        done: String::new(),
    };
    let ticked: Vec<&str> = pairs
        .iter()
        .filter(|(k, _)| k == "code")
        .map(|(_, v)| v.as_str())
        .collect();
    let stock = site.store.stock().await.map_err(Failed::store(&site))?;
    let asked = match all(&stock, &ticked, &which.variety, &fields, &site) {
        Ok(asked) => asked,
        Err(why) => {
            let again = Again {
                faults: vec![why],
                ticked: Some(ticked),
                fields: &fields,
            };
            return page(&site, &which, again, "/several".to_owned()).await;
        }
    };
    let n = asked.len();
    let subjects: Vec<String> = asked.iter().map(|(code, _)| code.to_string()).collect();
    let asked = asked.into_iter().map(|(_, asked)| asked).collect();
    let outcomes = enter::enter(&site, who, asked, true).await;
    let outcomes = outcomes.map_err(|error| acts::unavailable(&site, &error))?;
    let now = site.clock.now();
    let alone = crate::stock::ledger::Outcome::NotAlone;
    let faults: Vec<String> = (subjects.iter().zip(&outcomes))
        .filter(|(_, outcome)| **outcome != alone)
        .filter_map(|(code, outcome)| {
            let (why, remedy) = history::told(outcome, &stock, now, site.manner)?;
            Some(format!("Crate {code}: {why} {remedy}"))
        })
        .collect();
    if faults.is_empty() {
        let done = count(n, "entry", "entries");
        let back = format!(
            "/several?room={}&shelf={}&variety={}&done={}",
            view::url(&which.room),
            view::url(&which.shelf),
            view::url(&which.variety),
            view::url(&done)
        );
        return Ok(Redirect::to(&back).into_response());
    }
    let again = Again {
        faults,
        ticked: Some(ticked),
        fields: &fields,
    };
    page(&site, &which, again, "/several".to_owned()).await
}

/// What the form asks for, crate by crate.
fn all(
    stock: &Stock,
    ticked: &[&str],
    variety: &str,
    fields: &Fields,
    site: &Site,
) -> Result<Vec<(CrateCode, Asked)>, String> {
    let mut all = Vec::new();
    for code in ticked.iter().take(MOST) {
        let code: CrateCode = code
            .parse()
            .map_err(|_| "Load the page again.".to_owned())?;
        let (id, krate) = stock
            .find(&code)
            .ok_or_else(|| format!("Crate {code} is gone. Load the page again."))?;
        for deed in deeds(stock, id, krate, variety, fields, site)? {
            let nth = all.len();
            let key = fields.get("key");
            let asked = Asked {
                key: (!key.is_empty()).then(|| format!("{}{nth}", key.trim_end_matches('1'))),
                seen: fields
                    .get(&format!("seen-{code}"))
                    .parse()
                    .ok()
                    .map(EntryId),
                note: fields.get("note").to_owned(),
                ..Asked::from(deed)
            };
            if asked.bad_key().is_some() {
                return Err("This page is not as it was made. Load it again.".to_owned());
            }
            all.push((code.clone(), asked));
        }
    }
    if all.is_empty() {
        return Err("Tick at least one crate.".to_owned());
    }
    Ok(all)
}

fn deeds(
    stock: &Stock,
    id: CrateId,
    krate: &Crate,
    variety: &str,
    fields: &Fields,
    site: &Site,
) -> Result<Vec<Deed>, String> {
    let code = krate.code.clone();
    let of_variety = || {
        stock
            .content(id)
            .filter(|(_, lot, _)| lot.variety.eq_ignore_ascii_case(variety))
    };
    Ok(match fields.get("kind") {
        "" => return Err("Choose what was done.".to_owned()),
        "sold" => of_variety()
            .map(|(lot, _, count)| Deed::Sold { lot, count })
            .collect(),
        "given" => of_variety()
            .map(|(lot, _, count)| Deed::Given { lot, count })
            .collect(),
        "planted" => of_variety()
            .map(|(lot, _, count)| Deed::Planted {
                lot,
                count,
                bed: fields.get("bed").to_owned(),
            })
            .collect(),
        "culled" => {
            let finding: Finding = fields
                .get("finding")
                .parse()
                .map_err(|_| "Choose what you found.".to_owned())?;
            of_variety()
                .map(|(lot, _, count)| Deed::Culled {
                    lot,
                    finding,
                    count,
                })
                .collect()
        }
        "sound" => vec![Deed::Looked {
            krate: code,
            lot: None,
            finding: Finding::Sound,
            count: None,
        }],
        "woken" => vec![Deed::Woken { krate: code }],
        "moved" => vec![Deed::Moved {
            krate: code,
            room: fields.get("room").to_owned(),
            place: moved_to(fields.get("place"), &krate.place)?,
        }],
        "treated" => vec![Deed::Treated {
            krate: code,
            how: fields
                .get("how")
                .parse()
                .map_err(|_| "Choose what was done.".to_owned())?,
        }],
        // Everything else is read as on the page of one crate.
        _ => {
            let own = fields.all().map(|(k, v)| (k.to_owned(), v.to_owned()));
            let own: Fields = own
                .chain([("crate".to_owned(), code.to_string())])
                .collect();
            vec![own.deed(site.manner.unit)?]
        }
    })
}

/// A crate that goes to another shelf with its neighbours keeps its position there.
fn moved_to(shelf: &str, place: &str) -> Result<String, String> {
    let position = Place::read(place).position;
    match (shelf, position.as_str()) {
        (shelf, "") => Ok(shelf.to_owned()),
        ("", _) => Err("Name the wall or rack and the shelf on which they stand now.".to_owned()),
        (shelf, position) => Ok(format!("{shelf} / {position}")),
    }
}

/// What was asked and not entered.
struct Again<'a> {
    faults: Vec<String>,
    /// The crates that were meant; all of them at first.
    ticked: Option<Vec<&'a str>>,
    fields: &'a Fields,
}

impl Default for Again<'_> {
    fn default() -> Self {
        static NONE: Fields = Fields::none();
        Self {
            faults: Vec::new(),
            ticked: None,
            fields: &NONE,
        }
    }
}

async fn page(
    site: &Site,
    which: &Which,
    again: Again<'_>,
    path: String,
) -> Result<Response, Failed> {
    let status = site.status.borrow().clone();
    let stock = site.store.stock().await.map_err(Failed::store(site))?;
    let newest = site
        .store
        .newest_entries()
        .await
        .map_err(Failed::store(site))?;
    let mut lines: BTreeMap<CrateId, Vec<String>> = BTreeMap::new();
    for (_, lot, count) in stock.lots().filter(|(.., count)| *count != 0) {
        let fits = which.variety.is_empty() || lot.variety.eq_ignore_ascii_case(&which.variety);
        if fits {
            lines
                .entry(lot.krate)
                .or_default()
                .push(format!("{count} {}", lot.variety));
        }
    }
    let fits = |krate: &Crate| {
        !which.variety.is_empty()
            || krate.room.eq_ignore_ascii_case(&which.room)
                && shelf(&krate.place).eq_ignore_ascii_case(&which.shelf)
    };
    let mut crates: Vec<(&Crate, CrateId, String)> = stock
        .crates()
        .filter(|(_, krate)| fits(krate))
        .filter_map(|(id, krate)| Some((krate, id, lines.get(&id)?.join(", "))))
        .collect();
    crates.sort_by(|a, b| {
        let walk = |k: &Crate| Place::read(&k.place);
        walk(a.0)
            .cmp(&walk(b.0))
            .then_with(|| a.0.code.cmp(&b.0.code))
    });
    if crates.is_empty() {
        return Err(Failed::told(
            site,
            StatusCode::NOT_FOUND,
            "There are no such crates",
            "Nothing stands there, or there is none of it.".to_owned(),
            "Choose again on the page Crates.",
        ));
    }
    let left_out = crates.len().saturating_sub(MOST);
    crates.truncate(MOST);
    let n = count(crates.len(), "crate", "crates");
    let title = if which.variety.is_empty() {
        format!("{n} in {}, {}", which.room, which.shelf)
            .trim_end_matches(", ")
            .to_owned()
    } else {
        format!("{} in {n}", which.variety)
    };
    let answer = if again.faults.is_empty() {
        StatusCode::OK
    } else {
        StatusCode::UNPROCESSABLE_ENTITY
    };
    let page = SeveralPage {
        frame: view::frame(site, &status, site.clock.now(), &title, Tab::Crates, path),
        title,
        done: (!which.done.is_empty()).then(|| which.done.chars().take(40).collect()),
        room: which.room.clone(),
        shelf: which.shelf.clone(),
        variety: which.variety.clone(),
        crates: crates
            .into_iter()
            .map(|(krate, id, what)| One {
                code: krate.code.to_string(),
                what,
                seen: newest.get(&id).map_or(0, |e| e.0),
                ticked: again
                    .ticked
                    .as_ref()
                    .is_none_or(|t| t.contains(&krate.code.as_str())),
            })
            .collect(),
        left_out,
        key: form::key(),
        rooms: status
            .settings
            .rooms
            .iter()
            .map(|r| r.name.clone())
            .collect(),
        faults: again.faults,
        fields: again.fields.clone(),
    };
    Ok((answer, render(&page)).into_response())
}
