//! The page Labels: which crates get labels, a preview, and the sheets a browser prints.

pub mod sheet;

use std::collections::BTreeSet;

use askama::Template;
use axum::{
    extract::{OriginalUri, Query, State, rejection::QueryRejection},
    http::{HeaderMap, header},
    response::Response,
};

use self::sheet::{COPIES, MOST_COPIES, Paper, Sheets, Size, Tag};
use super::{
    super::{
        Site,
        html::{Frame, Tab},
        names::is_here,
        pages::{Failed, path_of, render},
        view,
    },
    shelf,
};
use crate::stock::{
    CrateCode,
    ledger::{Crate, CrateId, Stock},
    place::{Place, natural},
};

/// Crates on one page; a shelf or a room at a time is printed anyway.
const MOST: usize = 200;

/// The form, and the labels it asked for.
#[derive(Debug, Clone, Template)]
#[template(path = "labels.html", config = "src/web/askama.toml")]
pub struct LabelsPage {
    /// What stands around the page.
    pub frame: Frame,
    /// What is wrong with what was asked for.
    pub faults: Vec<String>,
    /// The labels.
    pub sheets: Sheets,
    /// Where the symbols lead: "store.lan:8480".
    pub host: String,
    /// It leads to the device itself that scans it.
    pub here: bool,
    /// It is the address of the configuration.
    pub settled: bool,
    /// Codes as they were typed.
    pub codes: String,
    /// What else can be chosen by.
    pub fields: Vec<Choice>,
    /// All were asked for.
    pub all: bool,
}

/// A list to choose one of.
#[derive(Debug, Clone)]
pub struct Choice {
    /// In the address.
    pub name: &'static str,
    /// On the page.
    pub word: &'static str,
    /// What can be chosen, and whether it is.
    pub options: Vec<(String, bool)>,
}

/// Which crates, in what form. All that is said has to fit; nothing said is no crate.
#[derive(Debug, Default)]
struct Asked {
    codes: Vec<String>,
    room: String,
    shelf: String,
    variety: String,
    all: bool,
    copies: Option<usize>,
    paper: Paper,
    size: Size,
}

impl Asked {
    fn of(pairs: Vec<(String, String)>) -> Self {
        let mut asked = Self::default();
        for (name, value) in pairs {
            let value = value.trim();
            match name.as_str() {
                "code" => asked.codes.extend(codes(value)),
                "room" => value.clone_into(&mut asked.room),
                "shelf" => value.clone_into(&mut asked.shelf),
                "variety" => value.clone_into(&mut asked.variety),
                "all" => asked.all = value == "yes",
                "copies" => asked.copies = value.parse().ok(),
                "paper" => asked.paper = value.parse().unwrap_or_default(),
                "size" => asked.size = value.parse().unwrap_or_default(),
                _ => {}
            }
        }
        asked
    }

    fn is_nothing(&self) -> bool {
        self.codes.is_empty()
            && self.room.is_empty()
            && self.shelf.is_empty()
            && self.variety.is_empty()
            && !self.all
    }

    fn fits(&self, stock: &Stock, id: CrateId, krate: &Crate) -> bool {
        let same = |asked: &str, is: &str| asked.is_empty() || asked.eq_ignore_ascii_case(is);
        same(&self.room, &krate.room)
            && same(&self.shelf, shelf(&krate.place))
            && (self.variety.is_empty()
                || (stock.content(id)).any(|(_, lot, _)| same(&self.variety, &lot.variety)))
            && (self.codes.is_empty()
                || (self.codes.iter()).any(|code| krate.code.as_str().eq_ignore_ascii_case(code)))
    }
}

/// Codes out of a text with spaces or commas between.
fn codes(text: &str) -> impl Iterator<Item = String> + '_ {
    let between = |c: char| c.is_whitespace() || c == ',' || c == ';';
    text.split(between)
        .filter(|code| !code.is_empty())
        .map(str::to_owned)
}

/// The crates that fit, in the order in which one walks past them.
pub(crate) fn in_walking_order(
    stock: &Stock,
    fits: impl Fn(CrateId, &Crate) -> bool,
) -> Vec<(CrateId, &Crate)> {
    let mut crates: Vec<_> = (stock.crates())
        .filter(|(id, krate)| fits(*id, krate))
        .map(|(id, krate)| (Place::read(&krate.place), id, krate))
        .collect();
    crates.sort_by(|(a_place, _, a), (b_place, _, b)| {
        natural(&a.room, &b.room)
            .then_with(|| a_place.cmp(b_place))
            .then_with(|| natural(a.code.as_str(), b.code.as_str()))
    });
    crates.into_iter().map(|(_, id, k)| (id, k)).collect()
}

/// Those of the codes that no crate has.
pub(crate) fn unknown<'a>(stock: &Stock, codes: &'a [String]) -> Vec<&'a str> {
    let known = |code: &str| (code.parse::<CrateCode>()).is_ok_and(|c| stock.find(&c).is_some());
    let codes = codes.iter().map(String::as_str);
    codes.filter(|code| !known(code)).collect()
}

/// `GET /labels?code=..&code=..`, `room=..`, `shelf=..`, `variety=..` or `all=yes`, with `copies`, `paper`
/// and `size`.
pub(super) async fn labels(
    State(site): State<Site>,
    OriginalUri(uri): OriginalUri,
    headers: HeaderMap,
    asked: Result<Query<Vec<(String, String)>>, QueryRejection>,
) -> Result<Response, Failed> {
    let asked = Asked::of(asked.map(|Query(pairs)| pairs).unwrap_or_default());
    let stock = site.store.stock().await.map_err(Failed::store(&site))?;
    let status = site.status.borrow().clone();
    let now = site.clock.now();
    let host = headers.get(header::HOST).and_then(|h| h.to_str().ok());
    let names = &site.access.names;
    let base = names.base(host, site.access.served);
    let host = base.split_once("://").map_or("", |(_, host)| host);
    let mut faults: Vec<String> = unknown(&stock, &asked.codes)
        .into_iter()
        .map(|code| format!("No crate has the code {code}."))
        .collect();
    let chosen = if asked.is_nothing() {
        Vec::new()
    } else {
        in_walking_order(&stock, |id, krate| asked.fits(&stock, id, krate))
    };
    if chosen.is_empty() && !asked.is_nothing() && faults.is_empty() {
        faults.push("No crate fits all of this. Leave what does not matter at any.".to_owned());
    }
    if let Some(more) = chosen.len().checked_sub(MOST).filter(|more| *more != 0) {
        faults.push(format!(
            "These are the first {MOST}; {more} more are left out. Choose a room or a shelf, and print the rest after these."
        ));
    }
    let tags = chosen.iter().take(MOST);
    let page = LabelsPage {
        frame: view::frame(&site, &status, now, "Labels", Tab::Crates, path_of(&uri)),
        faults,
        sheets: Sheets {
            paper: asked.paper,
            size: asked.size,
            copies: asked.copies.unwrap_or(COPIES).clamp(1, MOST_COPIES),
            tags: tags.map(|(id, k)| Tag::of(&stock, *id, k, &base)).collect(),
        },
        here: is_here(host),
        host: host.to_owned(),
        settled: names.address.is_some(),
        fields: fields(&stock, &asked),
        codes: asked.codes.join(" "),
        all: asked.all,
    };
    Ok(render(&page))
}

fn fields(stock: &Stock, asked: &Asked) -> Vec<Choice> {
    let crates = || stock.crates().map(|(_, krate)| krate);
    let lots = stock.lots().filter(|(.., count)| *count != 0);
    vec![
        choice(
            "room",
            "Room",
            &asked.room,
            crates().map(|c| c.room.as_str()),
        ),
        choice(
            "shelf",
            "Shelf",
            &asked.shelf,
            crates().map(|c| shelf(&c.place)),
        ),
        choice(
            "variety",
            "Variety",
            &asked.variety,
            lots.map(|(_, lot, _)| lot.variety.as_str()),
        ),
    ]
}

fn choice<'a>(
    name: &'static str,
    word: &'static str,
    asked: &str,
    known: impl Iterator<Item = &'a str>,
) -> Choice {
    let mut seen = BTreeSet::new();
    let mut words: Vec<&str> = known
        .filter(|w| !w.is_empty() && seen.insert(w.to_lowercase()))
        .collect();
    words.sort_by(|a, b| natural(a, b));
    let chosen = |w: &str| w.eq_ignore_ascii_case(asked);
    Choice {
        name,
        word,
        options: words.iter().map(|w| ((*w).to_owned(), chosen(w))).collect(),
    }
}
