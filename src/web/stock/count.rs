//! The count: where every tuber of a winter came from and went to, and everything that was entered.

use std::collections::BTreeMap;

use askama::Template;
use axum::{
    extract::{OriginalUri, Query, State, rejection::QueryRejection},
    response::Response,
};
use serde::Deserialize;

use super::{
    super::{
        Site,
        html::{Frame, Tab},
        pages::{Failed, path_of, render},
        view,
    },
    history,
    krate::href,
};
use crate::{
    notify::{
        telling::{local, moment},
        words::thousands,
    },
    season::period::name,
    stock::{
        ledger::{CrateId, EntryId, Stock},
        winter::{first_day, winter_of},
    },
    watch::Stamp,
};

/// Entries on one page.
const AT_ONCE: u32 = 20;

/// What the page was asked for.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Which {
    winter: Option<i32>,
    before: Option<i64>,
}

/// The count of one winter.
#[derive(Debug, Clone, Template)]
#[template(path = "count.html", config = "src/web/askama.toml")]
pub struct CountPage {
    /// What stands around the page.
    pub frame: Frame,
    /// "2026-27".
    pub winter: String,
    /// The winter before, if anything was entered in it: its number and name.
    pub earlier: Option<(i32, String)>,
    /// The winter after, unless it has not begun.
    pub later: Option<(i32, String)>,
    /// "In store at the beginning", "lifted", ..; how many with their sign.
    pub lines: Vec<(String, String)>,
    /// What it comes to.
    pub left: String,
    /// By variety: name, came, went, lost, left.
    pub varieties: Vec<(String, [String; 4])>,
    /// Everything that was entered, newest first.
    pub entries: Vec<Line>,
    /// The page with what was entered before.
    pub older: Option<i64>,
}

/// One entry.
#[derive(Debug, Clone)]
pub struct Line {
    /// Its number.
    pub id: i64,
    /// "Ida, Tue 1 Dec, 8:15".
    pub who_when: String,
    /// "took out 3 Amber Lantern: soft".
    pub what: String,
    /// The remark; may be empty.
    pub note: String,
    /// It was taken back.
    pub undone: bool,
    /// Crates that it is about: code and address.
    pub crates: Vec<(String, String)>,
}

/// `GET /stock/count?winter=..&before=..`.
pub(super) async fn count(
    State(site): State<Site>,
    OriginalUri(uri): OriginalUri,
    asked: Result<Query<Which>, QueryRejection>,
) -> Result<Response, Failed> {
    let which = asked.map(|Query(w)| w).unwrap_or_default();
    let now = site.clock.now();
    let status = site.status.borrow().clone();
    let present = winter_of(local(site.manner.zone, now).date());
    let winter = which.winter.unwrap_or(present).clamp(2000, present);
    let (from, to) = (begins(&site, winter), begins(&site, winter + 1));
    let failed = || Failed::store(&site);
    let before = site
        .store
        .moved(Stamp(i64::MIN), from)
        .await
        .map_err(failed())?;
    let during = site.store.moved(from, to).await.map_err(failed())?;
    let stock = site.store.stock().await.map_err(failed())?;
    let told = site
        .store
        .latest(which.before.map(EntryId), AT_ONCE + 1)
        .await
        .map_err(failed())?;
    let older = (AT_ONCE < told.len() as u32)
        .then(|| told.get(AT_ONCE as usize - 1))
        .flatten();
    let older = older.map(|(t, _)| t.entry.id.0);
    let start: i64 = before.values().flat_map(BTreeMap::values).sum();
    let mut accounts: BTreeMap<&str, i64> = BTreeMap::new();
    for (account, n) in during.values().flatten() {
        *accounts.entry(account).or_default() += n;
    }
    let left: i64 = start + accounts.values().sum::<i64>();
    let mut lines = vec![("in store at the beginning".to_owned(), thousands(start))];
    lines.extend(ACCOUNTS.iter().filter_map(|(account, words)| {
        let n = *accounts.get(account).filter(|n| **n != 0)?;
        Some(((*words).to_owned(), signed(n)))
    }));
    let page = CountPage {
        frame: view::frame(&site, &status, now, "The count", Tab::Crates, path_of(&uri)),
        winter: name(winter),
        earlier: (!before.is_empty()).then(|| (winter - 1, name(winter - 1))),
        later: (winter < present).then(|| (winter + 1, name(winter + 1))),
        lines,
        left: thousands(left),
        varieties: varieties(&before, &during),
        entries: told
            .iter()
            .take(AT_ONCE as usize)
            .map(|(t, about)| Line {
                id: t.entry.id.0,
                who_when: history::who_when(&t.entry, now, site.manner),
                what: history::deed(&t.entry, &stock, told.iter().map(|(t, _)| &t.entry)),
                note: t.entry.note.clone(),
                undone: t.undone,
                crates: codes(about, &stock),
            })
            .collect(),
        older,
    };
    Ok(render(&page))
}

/// Accounts of postings, and what a person calls them.
const ACCOUNTS: [(&str, &str); 15] = [
    ("lifted", "lifted"),
    ("listed", "taken from lists"),
    ("divided", "more by dividing"),
    ("culled/soft", "thrown away, soft"),
    ("culled/mould", "thrown away, mould"),
    ("culled/shrivelled", "thrown away, shrivelled"),
    ("culled/sprouting", "thrown away, sprouting"),
    ("culled/mouse", "thrown away, mouse"),
    ("culled/gall-or-virus", "thrown away, gall or virus"),
    ("culled/sound", "thrown away, sound"),
    ("sold", "sold"),
    ("given", "given away"),
    ("planted", "planted"),
    ("corrected", "found or missing at a count"),
    ("lot", "from crate to crate"),
];

fn signed(n: i64) -> String {
    if n < 0 {
        format!("\u{2212}{}", thousands(-n))
    } else {
        format!("+{}", thousands(n))
    }
}

type Moved = BTreeMap<String, BTreeMap<String, i64>>;

/// Came, went, lost and left of each variety.
fn varieties(before: &Moved, during: &Moved) -> Vec<(String, [String; 4])> {
    let names: std::collections::BTreeSet<&String> = before.keys().chain(during.keys()).collect();
    let lines = names.into_iter().filter_map(|name| {
        let start: i64 = before.get(name).map_or(0, |a| a.values().sum());
        let accounts = during.get(name);
        let sum = |of: &[&str]| -> i64 {
            let all = accounts.into_iter().flatten();
            all.filter(|(a, _)| of.iter().any(|o| a.starts_with(o)))
                .map(|(_, n)| n)
                .sum()
        };
        let came = start + sum(&["lifted", "listed", "divided", "corrected", "lot"]);
        let (went, lost) = (sum(&["sold", "given", "planted"]), sum(&["culled"]));
        let left = came + went + lost;
        let nothing = came == 0 && went == 0 && lost == 0;
        (!nothing).then(|| (name.clone(), [came, -went, -lost, left].map(thousands)))
    });
    lines.collect()
}

fn codes(about: &[CrateId], stock: &Stock) -> Vec<(String, String)> {
    let code = |id: &CrateId| stock.krate(*id).map(|c| c.code.to_string());
    about
        .iter()
        .filter_map(code)
        .map(|c| (c.clone(), href(&c)))
        .collect()
}

fn begins(site: &Site, winter: i32) -> Stamp {
    moment(site.manner.zone, first_day(winter), chrono::NaiveTime::MIN)
}
