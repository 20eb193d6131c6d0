//! The page Crates: the stock by crate, by place and by variety, with the air where it stands.

use std::{
    collections::{BTreeMap, BTreeSet},
    fmt::Write as _,
    ops::Range,
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
        html::{By, CrateGroup, CratesPage, GroupLink, Krate, Lot, Tab, Tone},
        pages::{Failed, path_of, render, small},
        paging::Paging,
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
    stock::{
        Form,
        list::{self, Crate},
        search::{Quality, did_you_mean, search},
    },
    watch::{
        RoomSettings, Stamp, Subject,
        models::threat::{Threat, rank, threats},
    },
};

/// Longest search; more is cut off.
pub(super) const SEARCH: usize = 60;
/// Crates on one page: a phone's thumb goes through so many.
const CRATES: usize = 40;
/// Shelves or varieties on one page where their crates are on pages of their own.
const GROUPS: usize = 100;
/// So many crates may be folded into one page, which then weighs less than 100 kB.
const FOLDED: usize = 120;
/// Empty crates that are named.
const EMPTY: usize = 200;

/// What the page was asked for.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Asked {
    #[serde(default)]
    by: String,
    #[serde(default)]
    q: String,
    #[serde(default)]
    group: String,
    #[serde(default)]
    page: String,
}

/// `GET /crates?by=crate|place|variety&q=...&group=...&page=...`.
pub(super) async fn crates(
    State(site): State<Site>,
    OriginalUri(uri): OriginalUri,
    asked: Result<Query<Asked>, QueryRejection>,
) -> Result<Response, Failed> {
    // An address that cannot be read asks for nothing in particular.
    let asked = asked.map_or_else(|_| Asked::default(), |Query(asked)| asked);
    let status: Arc<Status> = site.status.borrow().clone();
    let held = site.store.crates().await.map_err(Failed::store(&site))?;
    let empty = site.store.empty_crates().await;
    let empty = empty.map_err(Failed::store(&site))?;
    let now = site.clock.now();
    let by = match asked.by.as_str() {
        "crate" => By::Crate,
        "place" => By::Place,
        "variety" => By::Variety,
        _ => By::Risk,
    };
    let q: String = asked.q.trim().chars().take(SEARCH).collect();
    let found: Vec<(&Crate, Option<Quality>)> = if q.is_empty() {
        held.iter().map(|krate| (krate, None)).collect()
    } else {
        let all: Vec<Crate> = held.iter().chain(&empty).cloned().collect();
        let nth = |nth: usize| held.get(nth).or_else(|| empty.get(nth - held.len()));
        let found = search(&all, &q).into_iter();
        found
            .filter_map(|(at, quality)| Some((nth(at)?, Some(quality))))
            .collect()
    };
    let words = (!q.is_empty()).then(|| {
        let all = count(held.len() + empty.len(), "crate", "crates");
        format!("{} of {all} match", found.len())
    });
    let mean = found.is_empty().then(|| meant(&q, by, &held)).flatten();
    let mut sorted = found;
    if by == By::Risk {
        // Those of which nothing is known stand last.
        let place = |c: &Crate| {
            let all = threats_of(&status, c.code.as_str(), now);
            if all.is_empty() { -1.0 } else { rank(&all) }
        };
        let mut placed: Vec<_> = sorted.into_iter().map(|(c, q)| (q, place(c), c)).collect();
        placed.sort_by(|a, b| a.0.cmp(&b.0).then_with(|| b.1.total_cmp(&a.1)));
        sorted = placed.into_iter().map(|(q, _, c)| (c, q)).collect();
    }
    let shown: Vec<&Crate> = sorted.into_iter().map(|(krate, _)| krate).collect();
    let mut all = grouped(by, &shown, &matching(&shown, &q));
    let group = asked.group.trim();
    if !group.is_empty() {
        all.retain(|g| g.title.to_lowercase() == group.to_lowercase());
    }
    let here = |page: usize, group: &str| address(by, &q, group, page);
    let n_cards = all.iter().map(|g| g.crates.len()).sum::<usize>();
    let grouping = matches!(by, By::Place | By::Variety) && group.is_empty();
    let asked_page = asked.page.parse().unwrap_or(1);
    let (mut index, mut groups) = (Vec::new(), Vec::new());
    let paging = if grouping && FOLDED < n_cards {
        let paging = Paging::new(asked_page, all.len(), GROUPS, |n| here(n, ""));
        index = all[paging.range()]
            .iter()
            .map(|g| GroupLink {
                href: here(1, &g.title),
                tone: g.tone(&status),
                count: g.count(by),
                title: g.title.clone(),
            })
            .collect();
        paging
    } else if grouping {
        let open = !q.is_empty() || all.len() == 1;
        let cards = Cards {
            site: &site,
            status: &status,
            by,
            now,
        };
        groups = all.iter().map(|g| cards.group(g, Some(open))).collect();
        Paging::new(1, 1, 1, |_| String::new())
    } else {
        let paging = Paging::new(asked_page, n_cards, CRATES, |n| here(n, group));
        let cards = Cards {
            site: &site,
            status: &status,
            by,
            now,
        };
        // A heading counts all of its group, whatever part of it stands on this page.
        let whole: BTreeMap<String, String> =
            all.iter().map(|g| (g.title.clone(), g.count(by))).collect();
        groups = parts(all, paging.range())
            .iter()
            .map(|g| {
                let part = cards.group(g, None);
                let count = whole.get(&part.title).unwrap_or(&part.count).clone();
                CrateGroup { count, ..part }
            })
            .collect();
        paging
    };
    let last = paging.next.is_none();
    let page = CratesPage {
        frame: view::frame(&site, &status, now, "Crates", Tab::Crates, path_of(&uri)),
        by,
        found: words,
        mean,
        totals: totals(&held),
        whole: (!group.is_empty()).then(|| here(1, "")),
        empty: if last && q.is_empty() && group.is_empty() {
            let named = empty.iter().take(EMPTY);
            named
                .map(|c| (href(c.code.as_str()), c.code.to_string()))
                .collect()
        } else {
            Vec::new()
        },
        n_empty: empty.len(),
        q,
        groups,
        index,
        paging,
    };
    Ok(render(&page))
}

/// The address of a page of crates.
fn address(by: By, q: &str, group: &str, page: usize) -> String {
    let mut address = format!("/crates?by={}", by.key());
    for (key, value) in [("q", q), ("group", group)] {
        if !value.is_empty() {
            let _ = write!(address, "&{key}={}", view::url(value));
        }
    }
    if 1 < page {
        let _ = write!(address, "&page={page}");
    }
    address
}

/// A variety that may have been meant: its search, and its name.
fn meant(q: &str, by: By, held: &[Crate]) -> Option<(String, String)> {
    let names = held
        .iter()
        .flat_map(|c| &c.lots)
        .map(|l| l.variety.as_str());
    let name = did_you_mean(q, names)?;
    Some((address(by, &name, "", 1), name))
}

/// The varieties that a search is about, in small letters; none when it is about something else.
fn matching(shown: &[&Crate], q: &str) -> BTreeSet<String> {
    if q.is_empty() {
        return BTreeSet::new();
    }
    let lots = shown.iter().flat_map(|c| &c.lots);
    let names: BTreeMap<String, &list::Lot> = lots.map(|l| (l.variety.to_lowercase(), l)).collect();
    // A crate to each variety, with a code that names none.
    let alone: Vec<Crate> = names
        .values()
        .filter_map(|lot| {
            Some(Crate {
                code: "0".parse().ok()?,
                room: String::new(),
                place: String::new(),
                packing: String::new(),
                lots: vec![list::Lot {
                    note: String::new(),
                    ..(*lot).clone()
                }],
            })
        })
        .collect();
    let found = search(&alone, q).into_iter();
    found
        .filter_map(|(nth, _)| names.keys().nth(nth).cloned())
        .collect()
}

/// Crates that stand together, or hold one variety.
struct Group<'a> {
    title: String,
    crates: Vec<&'a Crate>,
}

impl Group<'_> {
    fn count(&self, by: By) -> String {
        let of_variety = |c: &&Crate| {
            let lots = c.lots.iter();
            lots.filter(|l| by != By::Variety || l.variety.eq_ignore_ascii_case(&self.title))
                .map(|l| i64::from(l.count))
                .sum::<i64>()
        };
        let n: i64 = self.crates.iter().map(of_variety).sum();
        format!(
            "{}, {}",
            count(self.crates.len(), "crate", "crates"),
            count(n as usize, "piece", "pieces")
        )
    }

    /// The most urgent of the alerts that name one of its crates.
    fn tone(&self, status: &Status) -> Option<Tone> {
        let tones = self
            .crates
            .iter()
            .filter_map(|c| named(status, c.code.as_str()));
        tones.min_by_key(|tone| *tone as u8)
    }
}

fn grouped<'a>(by: By, shown: &[&'a Crate], varieties: &BTreeSet<String>) -> Vec<Group<'a>> {
    let mut groups: BTreeMap<String, Group<'a>> = BTreeMap::new();
    for krate in shown {
        let keys: Vec<String> = match by {
            By::Risk => vec!["All crates, most at risk first".to_owned()],
            By::Crate => vec![krate.room.clone()],
            By::Place => vec![format!("{}, {}", krate.room, shelf(&krate.place))],
            By::Variety => {
                // A search for one variety is not to bring up its neighbours in the crate.
                let all = || krate.lots.iter().map(|l| l.variety.clone());
                let own: Vec<_> = all()
                    .filter(|v| varieties.contains(&v.to_lowercase()))
                    .collect();
                match (own.is_empty(), krate.lots.is_empty()) {
                    (_, true) => vec!["Nothing in it".to_owned()],
                    (true, _) => all().collect(),
                    _ => own,
                }
            }
        };
        for title in keys {
            let group = groups.entry(title.to_lowercase()).or_insert_with(|| Group {
                title,
                crates: Vec::new(),
            });
            if group.crates.last().is_none_or(|c| c.code != krate.code) {
                group.crates.push(krate);
            }
        }
    }
    groups.into_values().collect()
}

/// What of these groups stands on one page.
fn parts(groups: Vec<Group<'_>>, page: Range<usize>) -> Vec<Group<'_>> {
    let mut at = 0;
    groups
        .into_iter()
        .filter_map(|mut group| {
            let (from, n) = (at, group.crates.len());
            at += n;
            let here = page.start.clamp(from, at) - from..page.end.clamp(from, at) - from;
            group.crates = group.crates[here].to_vec();
            (!group.crates.is_empty()).then_some(group)
        })
        .collect()
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

/// What cards are made from.
struct Cards<'a> {
    site: &'a Site,
    status: &'a Status,
    by: By,
    now: Stamp,
}

impl Cards<'_> {
    /// A group with its cards; `folded` says that it can be folded, and whether it is open.
    fn group(&self, group: &Group<'_>, folded: Option<bool>) -> CrateGroup {
        let Self {
            site,
            status,
            by,
            now,
        } = *self;
        let rooms: BTreeSet<&str> = group.crates.iter().map(|c| c.room.as_str()).collect();
        let id = |c: char| if c.is_alphanumeric() { c } else { '-' };
        CrateGroup {
            id: format!("g-{}", group.title.chars().map(id).collect::<String>()),
            folded,
            tone: folded.and_then(|_| group.tone(status)),
            count: group.count(by),
            title: group.title.clone(),
            air: rooms
                .iter()
                .map(|room| air(site, status, room, 1 < rooms.len(), now))
                .collect(),
            krates: group
                .crates
                .iter()
                .map(|c| {
                    let threats = threats_of(status, c.code.as_str(), now);
                    krate(c, by, threats.first(), status, site, now)
                })
                .collect(),
            several: match (by, group.crates.first()) {
                (By::Place, Some(c)) => Some(format!(
                    "/several?room={}&shelf={}",
                    view::url(&c.room),
                    view::url(shelf(&c.place))
                )),
                (By::Variety, _) => Some(format!("/several?variety={}", view::url(&group.title))),
                _ => None,
            },
        }
    }
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
        tone: named(status, code),
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

/// How urgent the alert is that names a crate.
fn named(status: &Status, code: &str) -> Option<Tone> {
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
    named.map(standing_tone)
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
