//! The page Round: the crates that are due, in the order in which one walks past them, and what is found.

mod words;

use std::{collections::BTreeMap, fmt::Write as _};

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
use chrono::{DateTime, NaiveDate, Utc};
use serde::Deserialize;

use super::{
    super::{
        Site,
        access::Who,
        acts,
        forms::Again,
        html::{Frame, Tab, Tone},
        pages::{Failed, path_of, render},
        view,
    },
    crates::{what, worst_line},
    enter,
    form::{self, Fields},
    history, krate, note,
};
use crate::{
    climate::Unit,
    engine::{self, Status},
    notify::telling::local,
    season::standing::Stands,
    stock::{
        CrateCode, Finding,
        ledger::{Crate, CrateId, Deed, EntryId, Lot, LotId, Outcome, Stock},
        place::Place,
        round::{Due, Round, Standing, Stop, due},
    },
    store::looks::Visited,
    watch::models::threat::Threat,
};

/// Crates of one walk: some two hours at two minutes each. Our choice.
const MOST: usize = 60;

/// The walk through the crates that are due: one document that holds all of them, since nothing more
/// can be fetched where there is no reception.
#[derive(Debug, Clone, Template)]
#[template(path = "round.html", config = "src/web/askama.toml")]
pub struct RoundPage {
    /// What stands around the page.
    pub frame: Frame,
    /// "10 crates are due, 4 of them threatened." or "No crate is due."
    pub sentence: String,
    /// What the form without script just noted, and of which crate.
    pub said: Option<(String, String)>,
    /// Walks that are offered beside this one: address and words.
    pub others: Vec<(String, String)>,
    /// "lb", "kg".
    pub weight_unit: &'static str,
    /// The room that is walked through whether its crates are due or not; may be empty.
    pub room: String,
    /// All rooms are.
    pub all: bool,
    /// In walking order, at most 60.
    pub crates: Vec<RoundCrate>,
}

/// One crate of a walk.
#[derive(Debug, Clone)]
pub struct RoundCrate {
    /// What its label says.
    pub code: String,
    /// The one after it; empty for the last.
    pub next: String,
    /// "the cellar, north wall / shelf 2 / 3".
    pub place: String,
    /// Number of the newest entry about it when the page was made.
    pub seen: i64,
    /// Key of what the form without script notes, made anew for every page: sending it twice is once.
    pub key: String,
    /// The same for its photo.
    pub photo_key: String,
    /// What is in it.
    pub lots: Vec<RoundLot>,
    /// How near the worst threat is, and what it is: "Mould: 62 days ahead at this air".
    pub threat: Option<(Tone, String)>,
    /// Why it is due, a sentence.
    pub due: String,
    /// What was found last, sentences: "Tue 3 Nov: took out 2 Amber Lantern: soft."
    pub last: Vec<String>,
    /// Why what the form without script asked for was not entered.
    pub again: Option<Again>,
    /// What was typed then.
    pub typed: Fields,
}

/// One lot of a crate.
#[derive(Debug, Clone)]
pub struct RoundLot {
    /// The number by which a finding names it.
    pub id: i64,
    /// Its variety.
    pub variety: String,
    /// Count, form and packing: "12 divisions in shavings".
    pub what: String,
    /// How many there are.
    pub count: u32,
}

impl RoundPage {
    /// Word in an entry, which is also the name of the shape, and word on the page.
    fn findings() -> Vec<(&'static str, String)> {
        let mut findings = vec![(Finding::Sound.key(), "all sound".to_owned())];
        findings.extend(Self::bad());
        findings
    }

    /// The same without the good one.
    fn bad() -> impl Iterator<Item = (&'static str, String)> {
        let bad = Finding::ALL.into_iter().skip(1);
        bad.map(|f| (f.key(), f.to_string()))
    }

    /// The crate that was not noted.
    fn refused(&self) -> Option<&RoundCrate> {
        self.crates.iter().find(|c| c.again.is_some())
    }
}

impl RoundCrate {
    fn chose(&self, field: &str, word: &str) -> bool {
        self.typed.get(field) == word
    }

    fn chose_lot(&self, lot: &RoundLot) -> bool {
        self.lots.len() == 1 || self.typed.get("lot") == lot.id.to_string()
    }
}

/// Which walk.
#[derive(Debug, Clone, Default, Deserialize)]
pub(super) struct Which {
    #[serde(default)]
    room: String,
    #[serde(default)]
    all: String,
    #[serde(default)]
    noted: String,
}

impl Which {
    /// Through all crates instead of those that are due.
    fn is_whole(&self) -> bool {
        self.all == "yes" || !self.room.is_empty()
    }

    fn takes(&self, room: &str) -> bool {
        self.room.is_empty() || self.room.eq_ignore_ascii_case(room)
    }

    fn href(&self) -> String {
        let mut href = "/round".to_owned();
        let fields = [
            ("room", &self.room),
            ("all", &self.all),
            ("noted", &self.noted),
        ];
        for (name, value) in fields {
            if !value.is_empty() {
                let mark = if href.contains('?') { '&' } else { '?' };
                let _ = write!(href, "{mark}{name}={}", view::url(value));
            }
        }
        href
    }
}

/// `GET /round?room=..&all=yes&noted=..`.
pub(super) async fn round(
    State(site): State<Site>,
    OriginalUri(uri): OriginalUri,
    asked: Result<Query<Which>, QueryRejection>,
) -> Result<Response, Failed> {
    let which = asked.map(|Query(which)| which).unwrap_or_default();
    page(&site, &which, None, path_of(&uri)).await
}

/// `POST /round/note`: what was found at one crate, and the way on to the next.
pub(super) async fn note(
    State(site): State<Site>,
    who: Option<Extension<Who>>,
    form: Result<Form<Vec<(String, String)>>, FormRejection>,
) -> Result<Response, Failed> {
    let fields: Fields = acts::form(&site, form)?.into_iter().collect();
    let which = Which {
        room: fields.get("room").to_owned(),
        all: fields.get("all").to_owned(),
        noted: fields.get("crate").to_owned(),
    };
    let refuse = async |again: Again, fields: Fields| {
        let which = Which {
            noted: String::new(),
            ..which.clone()
        };
        let back = which.href();
        page(&site, &which, Some((again, fields)), back).await
    };
    let mut asked = match fields.found(site.manner.unit) {
        Ok(asked) => asked,
        Err(why) => {
            let again = Again {
                why,
                confirm: None,
                newest: String::new(),
            };
            return refuse(again, fields).await;
        }
    };
    let before = site.store.stock().await.map_err(Failed::store(&site))?;
    for asked in &mut asked {
        if let Deed::Looked {
            krate,
            lot,
            finding: Finding::Sound,
            count: None,
        } = &mut asked.deed
            && let Some((id, _)) = before.find(krate)
            && before.content(id).count() == 1
        {
            // With its one lot the whole crate is sound.
            *lot = None;
        }
    }
    let outcomes = enter::enter(&site, who, asked, true).await;
    let outcomes = outcomes.map_err(|error| acts::unavailable(&site, &error))?;
    let stock = site.store.stock().await.map_err(Failed::store(&site))?;
    let refused = (outcomes.iter())
        .filter(|outcome| **outcome != Outcome::NotAlone)
        .find_map(|outcome| history::again(outcome, &stock, site.clock.now(), site.manner));
    if let Some(again) = refused {
        return refuse(again, fields).await;
    }
    let next = match fields.get("next") {
        "" => String::new(),
        code => format!("#crate-{}", view::url(code)),
    };
    Ok(Redirect::to(&format!("{}{next}", which.href())).into_response())
}

/// A crate with all that its due day follows from.
struct Candidate<'a> {
    id: CrateId,
    krate: &'a Crate,
    visited: Option<&'a Visited>,
    standing: Standing,
    due: Due,
    worst: Option<Threat>,
}

impl Candidate<'_> {
    fn stop(&self) -> Stop {
        Stop {
            room: self.krate.room.clone(),
            place: Place::read(&self.krate.place),
            code: self.krate.code.clone(),
            due: self.due,
        }
    }

    fn was_looked_at(&self, day: NaiveDate) -> bool {
        self.standing.looked.is_some_and(|look| look.day == day)
    }
}

/// The local day of an instant.
fn day_of(site: &Site, at: DateTime<Utc>) -> NaiveDate {
    local(site.manner.zone, at.into()).date()
}

/// Every crate that a walk can lead to: not those in a room that is said to be empty nor, unless it is a walk
/// past all of them, those on their way from the field, which are in hands every day.
fn candidates<'a>(
    site: &Site,
    status: &Status,
    stock: &'a Stock,
    visits: &'a BTreeMap<CrateId, Visited>,
    whole: bool,
) -> Vec<Candidate<'a>> {
    let here = note::here(site);
    let all = engine::due::crates(visits, stock, &status.settings, &status.models, here);
    let candidate = |stands: Stands| {
        let any = || due(&stands.check, here.today()).filter(|_| whole);
        Some(Candidate {
            id: stands.id,
            krate: stock.krate(stands.id)?,
            visited: visits.get(&stands.id),
            due: stands.standing.look.or_else(any)?,
            standing: stands.check,
            worst: stands.worst,
        })
    };
    all.into_iter().filter_map(candidate).collect()
}

async fn page(
    site: &Site,
    which: &Which,
    refused: Option<(Again, Fields)>,
    path: String,
) -> Result<Response, Failed> {
    let failed = || Failed::store(site);
    let status = site.status.borrow().clone();
    let now = site.clock.now();
    let today = day_of(site, now.to_utc());
    let stock = site.store.stock().await.map_err(failed())?;
    let visits = site.store.visits().await.map_err(failed())?;
    let newest = site.store.newest_entries().await.map_err(failed())?;
    let all = candidates(site, &status, &stock, &visits, which.is_whole());
    let here = all.iter().filter(|c| which.takes(&c.krate.room));
    let walk = if which.is_whole() {
        // Those of today are done, so that after 60 of them the page shows the rest.
        let open = here.filter(|c| !c.was_looked_at(today));
        Round::past(open.map(Candidate::stop), MOST)
    } else {
        Round::choose(here.map(Candidate::stop), today, MOST)
    };
    let by_code: BTreeMap<_, _> = all.iter().map(|c| (&c.krate.code, c)).collect();
    let mut stops: Vec<&Candidate<'_>> = (walk.stops.iter())
        .filter_map(|stop| by_code.get(&stop.code).copied())
        .collect();
    // What was refused is mended here, even if the crate is due no more.
    let wrong = refused.as_ref().and_then(|(_, fields)| {
        let code: CrateCode = fields.get("crate").parse().ok()?;
        by_code.get(&code).copied()
    });
    if let Some(wrong) = wrong
        && !stops.iter().any(|c| c.id == wrong.id)
    {
        stops.insert(0, wrong);
    }
    let nexts = stops.iter().skip(1).map(|c| c.krate.code.to_string());
    let nexts: Vec<String> = nexts.chain([String::new()]).collect();
    let mut refused = refused;
    let answer = match (&refused, wrong) {
        (None, _) => StatusCode::OK,
        (Some(_), Some(_)) => StatusCode::UNPROCESSABLE_ENTITY,
        (Some((again, _)), None) => {
            return Err(acts::refuse(
                site,
                StatusCode::UNPROCESSABLE_ENTITY,
                again.why.clone(),
            ));
        }
    };
    let page = RoundPage {
        frame: view::frame(site, &status, now, "Round", Tab::Round, path),
        sentence: words::sentence(which, &all, &stops, walk.left_out, today),
        said: words::said(site, which, &all, &stock),
        others: words::others(which, &all, stops.is_empty(), today),
        weight_unit: match site.manner.unit {
            Unit::F => "lb",
            Unit::C => "kg",
        },
        room: which.room.clone(),
        all: which.all == "yes",
        crates: (stops.iter().zip(nexts))
            .map(|(c, next)| {
                let (again, typed) = match &mut refused {
                    Some(_) if wrong.is_some_and(|wrong| wrong.id == c.id) => {
                        refused.take().unzip()
                    }
                    _ => (None, None),
                };
                let typed = typed.unwrap_or_default();
                RoundCrate {
                    code: c.krate.code.to_string(),
                    next,
                    place: krate::place(c.krate),
                    // Until the person says to be sure, what came meanwhile is news.
                    seen: match typed.get("seen").parse() {
                        Ok(seen) => seen,
                        Err(_) => newest.get(&c.id).map_or(0, |EntryId(id)| *id),
                    },
                    key: form::key(),
                    photo_key: form::key(),
                    lots: lots(site, &stock, c),
                    threat: worst_line(c.krate.code.as_str(), c.worst.as_ref(), &status, site, now),
                    due: words::why(c, today),
                    last: words::last(site, &stock, c),
                    again,
                    typed,
                }
            })
            .collect(),
    };
    Ok((answer, render(&page)).into_response())
}

fn lots(site: &Site, stock: &Stock, c: &Candidate<'_>) -> Vec<RoundLot> {
    let lot = |(id, lot, n): (LotId, &Lot, u32)| RoundLot {
        id: id.0,
        variety: lot.variety.clone(),
        what: what(n, lot.form, &c.krate.packing, None, site.manner.unit),
        count: n,
    };
    stock.content(c.id).map(lot).collect()
}
