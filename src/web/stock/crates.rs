//! The page Crates: the stock by crate, by place and by variety, with the air where it stands.

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::Arc,
};

use axum::{
    extract::{OriginalUri, Query, State, rejection::QueryRejection},
    response::Response,
};
use serde::Deserialize;

use super::{
    super::{
        Site,
        html::{By, CrateGroup, CratesPage, Krate, Lot, Tab, Tone},
        pages::{Failed, path_of, render, small},
        view::{self, room_air, standing_tone},
    },
    form::POUND_G,
    krate::href,
    shelf,
};
use crate::{
    climate::Unit,
    engine::Status,
    notify::{
        message::the,
        perils,
        words::{count, percent, thousands},
    },
    stock::{Form, list::Crate},
    watch::{
        RoomSettings, Stamp, Subject,
        models::threat::{Threat, rank, threats},
    },
};

/// Longest search; more is cut off.
const SEARCH: usize = 60;

/// What the page was asked for.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Asked {
    #[serde(default)]
    by: String,
    #[serde(default)]
    q: String,
}

/// `GET /crates?by=crate|place|variety&q=...`.
pub(super) async fn crates(
    State(site): State<Site>,
    OriginalUri(uri): OriginalUri,
    asked: Result<Query<Asked>, QueryRejection>,
) -> Result<Response, Failed> {
    // An address that cannot be read asks for nothing in particular.
    let asked = asked.map_or_else(|_| Asked::default(), |Query(asked)| asked);
    let status: Arc<Status> = site.status.borrow().clone();
    let all = site.store.crates().await.map_err(Failed::store(&site))?;
    let now = site.clock.now();
    let by = match asked.by.as_str() {
        "crate" => By::Crate,
        "place" => By::Place,
        "variety" => By::Variety,
        _ => By::Risk,
    };
    let q: String = asked.q.trim().chars().take(SEARCH).collect();
    let wanted = q.to_lowercase();
    let mut shown: Vec<&Crate> = all.iter().filter(|c| holds(c, &wanted)).collect();
    let risks: BTreeMap<&str, Vec<Threat>> = shown
        .iter()
        .map(|c| (c.code.as_str(), threats_of(&status, c.code.as_str(), now)))
        .collect();
    if by == By::Risk {
        // Those of which nothing is known stand last.
        let place = |c: &Crate| {
            let all = &risks[c.code.as_str()];
            if all.is_empty() { -1.0 } else { rank(all) }
        };
        shown.sort_by(|a, b| place(b).total_cmp(&place(a)));
    }
    let page = CratesPage {
        frame: view::frame(&site, &status, now, "Crates", Tab::Crates, path_of(&uri)),
        by,
        found: (!q.is_empty()).then(|| {
            format!(
                "{} of {} match",
                shown.len(),
                count(all.len(), "crate", "crates")
            )
        }),
        q,
        totals: totals(&all),
        groups: groups(&site, &status, by, &shown, &wanted, &risks, now),
    };
    Ok(render(&page))
}

fn holds(krate: &Crate, wanted: &str) -> bool {
    let has = |text: &str| text.to_lowercase().contains(wanted);
    wanted.is_empty()
        || has(krate.code.as_str())
        || has(&krate.room)
        || has(&krate.place)
        || has(&krate.packing)
        || krate.lots.iter().any(|l| has(&l.variety) || has(&l.note))
}

fn tubers<'a>(crates: impl IntoIterator<Item = &'a Crate>) -> i64 {
    let lots = crates.into_iter().flat_map(|c| &c.lots);
    lots.map(|l| i64::from(l.count)).sum()
}

fn totals(all: &[Crate]) -> Vec<(String, String)> {
    let varieties: BTreeSet<String> = all
        .iter()
        .flat_map(|c| &c.lots)
        .map(|l| l.variety.to_lowercase())
        .collect();
    let word = |n: usize, one: &str, many: &str| if n == 1 { one } else { many }.to_owned();
    vec![
        (
            thousands(all.len() as i64),
            word(all.len(), "crate", "crates"),
        ),
        (
            thousands(varieties.len() as i64),
            word(varieties.len(), "variety", "varieties"),
        ),
        (thousands(tubers(all)), "tubers and clumps".to_owned()),
    ]
}

fn groups(
    site: &Site,
    status: &Status,
    by: By,
    shown: &[&Crate],
    wanted: &str,
    risks: &BTreeMap<&str, Vec<Threat>>,
    now: Stamp,
) -> Vec<CrateGroup> {
    let mut groups: BTreeMap<String, Vec<&Crate>> = BTreeMap::new();
    let mut titles: BTreeMap<String, String> = BTreeMap::new();
    for krate in shown {
        let keys: Vec<String> = match by {
            By::Risk => vec!["All crates, most at risk first".to_owned()],
            By::Crate => vec![krate.room.clone()],
            By::Place => vec![format!("{}, {}", krate.room, shelf(&krate.place))],
            By::Variety => {
                // A search for one variety is not to bring up its neighbours in the crate.
                let matching = |l: &&crate::stock::list::Lot| {
                    wanted.is_empty() || l.variety.to_lowercase().contains(wanted)
                };
                let mut own: Vec<_> = krate.lots.iter().filter(matching).collect();
                if own.is_empty() {
                    own = krate.lots.iter().collect();
                }
                own.iter().map(|l| l.variety.clone()).collect()
            }
        };
        for title in keys {
            let key = title.to_lowercase();
            titles.entry(key.clone()).or_insert(title);
            let list = groups.entry(key).or_default();
            if !list.iter().any(|c| c.code == krate.code) {
                list.push(krate);
            }
        }
    }
    groups
        .into_iter()
        .map(|(key, crates)| {
            let title = titles.remove(&key).unwrap_or(key.clone());
            let of_variety = |c: &&Crate| {
                let lots = c.lots.iter();
                lots.filter(|l| by != By::Variety || l.variety.to_lowercase() == key)
                    .map(|l| i64::from(l.count))
                    .sum::<i64>()
            };
            let n: i64 = crates.iter().map(of_variety).sum();
            let rooms: BTreeSet<&str> = crates.iter().map(|c| c.room.as_str()).collect();
            CrateGroup {
                title,
                count: format!(
                    "{}, {}",
                    count(crates.len(), "crate", "crates"),
                    count(n as usize, "piece", "pieces")
                ),
                air: rooms
                    .iter()
                    .map(|room| air(site, status, room, 1 < rooms.len(), now))
                    .collect(),
                krates: crates
                    .iter()
                    .map(|c| {
                        let worst = risks.get(c.code.as_str()).and_then(|r| r.first());
                        krate(c, by, worst, status, site, now)
                    })
                    .collect(),
            }
        })
        .collect()
}

/// The air of a room in one line.
fn air(site: &Site, status: &Status, room: &str, named: bool, now: Stamp) -> (Tone, String) {
    let place = if named {
        format!("{}: ", the(room))
    } else {
        String::new()
    };
    let known = status
        .settings
        .rooms
        .iter()
        .find(|r| r.name.eq_ignore_ascii_case(room.trim()));
    let Some(settings) = known else {
        return (
            Tone::NoWord,
            format!("{place}no room of this name is watched"),
        );
    };
    let heard = room_air(status, &settings.name);
    let figures = match (heard.temperature, heard.humidity) {
        (Some(t), Some(rh)) => format!("{} {}", site.manner.temperature(t), percent(rh)),
        (Some(t), None) => site.manner.temperature(t),
        (None, Some(rh)) => percent(rh),
        (None, None) => return (Tone::NoWord, format!("{place}no word")),
    };
    let (tone, state) = view::room_state(site, status, settings, &heard, now);
    (tone, format!("{place}{figures}, {}", small(&state)))
}

/// What threatens a crate, the worst first; nothing where its air is not watched.
pub(super) fn threats_of(status: &Status, code: &str, now: Stamp) -> Vec<Threat> {
    let stand = status
        .models
        .krate(code)
        .and_then(|k| status.models.stand(k, now));
    let room = stand.and_then(|s| status.settings.rooms.iter().find(|r| r.name == s.room.name));
    stand
        .zip(room)
        .map_or_else(Vec::new, |(stand, room)| threats(&stand, &room.in_force()))
}

/// What threatens a crate most, in a line, where it is worth a look.
pub(super) fn worst_line(
    code: &str,
    worst: Option<&Threat>,
    status: &Status,
    site: &Site,
    now: Stamp,
) -> Option<(Tone, String)> {
    let threat = *worst?;
    let tone = view::tone(threat.priority()?);
    let stand = status.models.stand(status.models.krate(code)?, now)?;
    let room = status
        .settings
        .rooms
        .iter()
        .find(|r| r.name == stand.room.name)?;
    let words = perils::words(threat, &stand, &room.in_force(), now, site.manner);
    Some((tone, format!("{}: {}", words.name, words.short)))
}

fn krate(
    krate: &Crate,
    by: By,
    worst: Option<&Threat>,
    status: &Status,
    site: &Site,
    now: Stamp,
) -> Krate {
    let code = krate.code.as_str();
    let named = status.alerts.iter().find(|a| {
        a.state.is_sounding()
            && match &a.occurrence.subject {
                Subject::Crate(c) => c.eq_ignore_ascii_case(code),
                _ => a
                    .figures
                    .crates
                    .iter()
                    .any(|c| c.eq_ignore_ascii_case(code)),
            }
    });
    let dug: BTreeSet<_> = krate.lots.iter().filter_map(|l| l.dug).collect();
    let days: Vec<String> = dug.iter().map(|d| d.format("%-d %b").to_string()).collect();
    let notes: Vec<&str> = krate
        .lots
        .iter()
        .map(|l| l.note.as_str())
        .filter(|n| !n.is_empty())
        .collect();
    let place = match by {
        By::Variety | By::Risk => format!("{}, {}", krate.room, krate.place),
        By::Crate => krate.place.clone(),
        // The heading names the shelf already.
        By::Place => match krate.place.rsplit_once(" / ") {
            Some((_, position)) => format!("place {position}"),
            None => String::new(),
        },
    };
    Krate {
        code: krate.code.to_string(),
        place,
        href: href(code),
        tone: named.map(standing_tone),
        threat: worst_line(code, worst, status, site, now),
        lots: lots_of(krate, site.manner.unit),
        dug: if days.is_empty() {
            String::new()
        } else {
            format!("Dug {}", days.join(" and "))
        },
        note: (!notes.is_empty()).then(|| notes.join("; ")),
    }
}

/// What is in a crate, line by line.
fn lots_of(krate: &Crate, unit: Unit) -> Vec<Lot> {
    let lots = krate.lots.iter();
    lots.map(|l| Lot {
        variety: l.variety.clone(),
        what: what(l.count, l.form, &krate.packing, l.weight_g, unit),
    })
    .collect()
}

/// `12 divisions in shavings, 4.1 lb`.
pub(super) fn what(
    count: u32,
    form: Form,
    packing: &str,
    weight_g: Option<u32>,
    unit: Unit,
) -> String {
    let s = if count == 1 { "" } else { "s" };
    let packing = if packing.is_empty() {
        String::new()
    } else {
        format!(" in {packing}")
    };
    let weight = weight_g.map_or_else(String::new, |g| match unit {
        Unit::F => format!(", {:.1}\u{a0}lb", f64::from(g) / POUND_G),
        Unit::C => format!(", {:.1}\u{a0}kg", f64::from(g) / 1000.0),
    });
    format!("{count}\u{a0}{form}{s}{packing}{weight}")
}

/// The crate of a room that is most at risk, where one is worth a look: its page, and why.
pub(in crate::web) fn worst_of(
    status: &Status,
    room: &RoomSettings,
    site: &Site,
    now: Stamp,
) -> Option<(String, String)> {
    let model = status.models.room(&room.name)?;
    let limits = room.in_force();
    let all = status.models.stand_all(model, now);
    let named = all.iter().filter(|c| !c.krate.facts.code.is_empty());
    let (stand, threat) = named
        .filter_map(|c| Some((c, *threats(c, &limits).first()?)))
        .filter(|(_, t)| t.priority().is_some())
        .max_by(|a, b| a.1.score.total_cmp(&b.1.score))?;
    let words = perils::words(threat, stand, &limits, now, site.manner);
    let code = &stand.krate.facts.code;
    Some((
        href(code),
        format!(
            "Most at risk: crate {code}, {}, {}",
            words.name.to_lowercase(),
            words.short
        ),
    ))
}
