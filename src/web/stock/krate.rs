//! The page of one crate: what is in it, what threatens it, what was done, and what can be done.

use std::collections::BTreeSet;

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
        forms::{Again, CratePage, Done, Holding, Threat},
        html::{Tab, Tone},
        pages::{Failed, path_of, render},
        pictures, view,
    },
    crates::what,
    enter,
    form::{self, Fields, POUND_G},
    history,
};
use crate::{
    climate::Unit,
    notify::{
        message::{Message, the},
        perils,
        words::{NB, count, percent, span},
    },
    stock::{
        check::check_character,
        ledger::{Crate, CrateId, Deed, EntryId, Stock},
    },
    store::entries::Told,
    watch::{
        RoomSettings, Stamp, Subject,
        models::{
            CrateNow,
            threat::{Peril, threats},
        },
        reading::HOUR_MS,
    },
};

/// Entries that the page shows at once.
const SHOWN: u32 = 30;

/// Which crate.
#[derive(Debug, Deserialize)]
pub(super) struct Which {
    #[serde(default)]
    code: String,
    #[serde(default)]
    all: String,
}

/// Where one crate is shown.
pub(in crate::web) fn href(code: &str) -> String {
    format!("/crate?code={}", view::url(code))
}

/// `GET /crate?code=..`; with `all=yes` the whole history.
pub(super) async fn krate(
    State(site): State<Site>,
    OriginalUri(uri): OriginalUri,
    asked: Result<Query<Which>, QueryRejection>,
) -> Result<Response, Failed> {
    let (code, all) = asked
        .map(|Query(a)| (a.code, a.all == "yes"))
        .unwrap_or_default();
    let shown = Shown {
        all,
        ..Shown::default()
    };
    page(&site, &code, shown, path_of(&uri)).await
}

/// `POST /crate/enter`: enters what one of the forms asks for.
pub(super) async fn deed(
    State(site): State<Site>,
    who: Option<Extension<Who>>,
    form: Result<Form<Vec<(String, String)>>, FormRejection>,
) -> Result<Response, Failed> {
    let fields: Fields = acts::form(&site, form)?.into_iter().collect();
    let code = fields.get("crate").to_owned();
    let back = href(&code);
    let asked = fields
        .deed(site.manner.unit)
        .and_then(|deed| fields.asked(deed));
    let asked = match asked {
        Ok(asked) => asked,
        Err(why) => {
            let again = Again {
                why,
                confirm: None,
                newest: String::new(),
            };
            return page(&site, &code, Shown::again(again, fields), back).await;
        }
    };
    if !asked.sure
        && let Some(why) = odd(&site, &asked.deed).await?
    {
        let again = Again {
            why,
            confirm: Some("Note it all the same"),
            newest: fields.get("seen").to_owned(),
        };
        return page(&site, &code, Shown::again(again, fields), back).await;
    }
    let founding = matches!(asked.deed, Deed::Undone { .. });
    let outcomes = enter::enter(&site, who, vec![asked], false).await;
    let outcomes = outcomes.map_err(|error| acts::unavailable(&site, &error))?;
    let Some(outcome) = outcomes.first() else {
        return Ok(Redirect::to(&back).into_response());
    };
    let stock = site.store.stock().await.map_err(Failed::store(&site))?;
    let Some(again) = history::again(outcome, &stock, site.clock.now(), site.manner) else {
        let there = code.parse().is_ok_and(|code| stock.find(&code).is_some());
        let to = if there || !founding {
            format!("{back}#done")
        } else {
            "/stock/count#entered".to_owned()
        };
        return Ok(Redirect::to(&to).into_response());
    };
    page(&site, &code, Shown::again(again, fields), back).await
}

/// What a person should be asked about first: a room that nobody knows, and taking back what a crate came
/// with.
async fn odd(site: &Site, deed: &Deed) -> Result<Option<String>, Failed> {
    let stock = site.store.stock().await.map_err(Failed::store(site))?;
    Ok(match deed {
        Deed::Moved { room, .. } => unknown_room(site, &stock, room),
        Deed::Undone { entry } => {
            let before = EntryId(entry.0 - 1);
            let found = site
                .store
                .entries_after(before, 1)
                .await
                .map_err(Failed::store(site))?;
            found.first().and_then(|entry| match &entry.deed {
                Deed::Lifted { count, into, .. } => Some(format!(
                    "Taken back, the {count} that were lifted leave crate {}, and the crate is gone if it holds nothing else.",
                    into.code
                )),
                Deed::Listed { krate } => Some(format!(
                    "Taken back, crate {} and its {} leave the store.",
                    krate.code,
                    count(krate.lots.iter().map(|l| l.count as usize).sum(), "tuber", "tubers")
                )),
                _ => None,
            })
        }
        _ => None,
    })
}

/// That a room is not known, where it is not.
pub(super) fn unknown_room(site: &Site, stock: &Stock, room: &str) -> Option<String> {
    let status = site.status.borrow();
    let watched: Vec<&str> = status
        .settings
        .rooms
        .iter()
        .map(|r| r.name.as_str())
        .collect();
    let known = watched
        .iter()
        .any(|name| name.eq_ignore_ascii_case(room.trim()))
        || stock
            .crates()
            .any(|(_, c)| c.room.eq_ignore_ascii_case(room.trim()))
        || room.trim().is_empty();
    (!known).then(|| {
        format!(
            "No sensor watches a room called \u{201c}{room}\u{201d}; watched are {}. If it is a slip, write it again.",
            watched.join(", ")
        )
    })
}

/// What a page shows beside the crate.
#[derive(Default)]
struct Shown {
    again: Option<Again>,
    /// What was typed before.
    fields: Fields,
    /// The whole history.
    all: bool,
}

impl Shown {
    /// What was asked is asked about again, with what was typed.
    fn again(again: Again, fields: Fields) -> Self {
        Self {
            again: Some(again),
            fields,
            all: false,
        }
    }
}

fn weight_text(grams: u32, unit: Unit) -> String {
    match unit {
        Unit::F => format!("{:.2}{NB}lb", f64::from(grams) / POUND_G),
        Unit::C => format!("{:.2}{NB}kg", f64::from(grams) / 1000.0),
    }
}

fn key(peril: Peril) -> &'static str {
    match peril {
        Peril::Freezing => "freezing",
        Peril::Sweating => "sweating",
        Peril::Mould => "mould",
        Peril::Drying => "drying",
        Peril::Waking => "waking",
    }
}

/// What threatens a crate, with figures, sources and pictures.
fn threats_told(site: &Site, now: Stamp, stand: &CrateNow<'_>, room: &RoomSettings) -> Vec<Threat> {
    let limits = room.in_force();
    threats(stand, &limits)
        .into_iter()
        .map(|threat| {
            let words = perils::words(threat, stand, &limits, now, site.manner);
            let picture = pictures::of(threat.peril, stand, &limits, now, site.manner);
            Threat {
                key: key(threat.peril),
                tone: threat.priority().map_or(Tone::Well, view::tone),
                name: words.name,
                short: words.short,
                figures: words.figures,
                picture: picture.map(|p| p.figure(&format!("of-{}", key(threat.peril)))),
                source: words.source,
            }
        })
        .collect()
}

async fn page(site: &Site, code: &str, shown: Shown, path: String) -> Result<Response, Failed> {
    let status = site.status.borrow().clone();
    let now = site.clock.now();
    let stock = site.store.stock().await.map_err(Failed::store(site))?;
    let found = code.trim().parse().ok().and_then(|code| stock.find(&code));
    let Some((id, krate)) = found else {
        return Err(Failed::told(
            site,
            StatusCode::NOT_FOUND,
            "There is no such crate",
            "No crate has this code.".to_owned(),
            "Look at the label again, or find it on the page Crates.",
        ));
    };
    let most = if shown.all { u32::MAX } else { SHOWN + 1 };
    let mut told = site
        .store
        .history(id, most)
        .await
        .map_err(Failed::store(site))?;
    let more = !shown.all && SHOWN < told.len() as u32;
    told.truncate(if shown.all {
        told.len()
    } else {
        SHOWN as usize
    });
    let photos = site.store.photos(id).await.map_err(Failed::store(site))?;
    let code = krate.code.as_str();
    let known = status.models.krate(code);
    let stand = known.and_then(|k| status.models.stand(k, now));
    let room = stand.and_then(|s| status.settings.rooms.iter().find(|r| r.name == s.room.name));
    let unit = site.manner.unit;
    let weighings = known.map_or(&[][..], |k| &k.weighings);
    let first = weighings.first().map(|w| f64::from(w.grams));
    let names = |text: &str| text.eq_ignore_ascii_case(code);
    let alerts = status.alerts.iter().filter(|a| {
        a.state.is_sounding()
            && match &a.occurrence.subject {
                Subject::Crate(c) => names(c),
                _ => a.figures.crates.iter().any(|c| names(c)),
            }
    });
    let answer = if shown.again.is_some() {
        StatusCode::UNPROCESSABLE_ENTITY
    } else {
        StatusCode::OK
    };
    let page = CratePage {
        frame: view::frame(site, &status, now, &format!("Crate {code}"), Tab::Crates, path),
        code: code.to_owned(),
        check: check_character(&krate.code),
        place: place(krate),
        room: krate.room.clone(),
        spot: krate.place.clone(),
        packing: krate.packing.clone(),
        lots: holdings(&stock, id, unit),
        seen: told.first().map_or(0, |t| t.entry.id.0),
        key: form::key(),
        alerts: alerts
            .map(|a| {
                let m = Message::of(&a.occurrence, &a.room, &a.figures, a.since, now, site.manner);
                let href = super::super::alert::href(&a.occurrence);
                (href, m.headline, view::standing_tone(a))
            })
            .collect(),
        threats: stand
            .zip(room)
            .map(|(stand, room)| threats_told(site, now, &stand, room))
            .unwrap_or_default(),
        unknown: match known {
            None => "Nothing is in it, or the recorder has not taken note of it yet.".to_owned(),
            Some(_) => "No room of this name is watched, so nothing is known of its air.".to_owned(),
        },
        lived: stand.map(|s| lived(site, &s)).unwrap_or_default(),
        weighed: match known.map(|k| (k.weighings.len(), k.weighed_loss())) {
            Some((_, Some(lost))) => format!(
                "{} of its weight lost between the first and the last weighing.",
                percent(lost.max(0.0) * 100.0)
            ),
            Some((1, _)) => "Weighed once. Weigh it again in about a month: then its own loss replaces the assumed one.".to_owned(),
            _ => "Two weighings about a month apart replace the assumed loss of water by this crate's own; three crates weighed so speak for all in the same packing.".to_owned(),
        },
        weight_unit: match unit {
            Unit::F => "lb",
            Unit::C => "kg",
        },
        weighings: weighings
            .iter()
            .rev()
            .map(|w| {
                let lost = first.map_or(0.0, |f| (1.0 - f64::from(w.grams) / f) * 100.0);
                (
                    site.manner.day_and_clock(w.at),
                    weight_text(w.grams, unit),
                    format!("{lost:.1}{NB}%"),
                )
            })
            .collect(),
        history: told.iter().map(|t| done(t, &told, &stock, site, now)).collect(),
        more,
        photos: photos
            .into_iter()
            .map(|p| (p.id, format!("{}, {}", p.who, site.manner.moment(p.at, now))))
            .collect(),
        rooms: known_words(status.settings.rooms.iter().map(|r| r.name.clone())),
        packings: known_words(stock.crates().map(|(_, c)| c.packing.clone())),
        again: shown.again,
        fields: shown.fields,
    };
    Ok((answer, render(&page)).into_response())
}

pub(super) fn place(krate: &Crate) -> String {
    if krate.place.is_empty() {
        the(&krate.room)
    } else {
        format!("{}, {}", the(&krate.room), krate.place)
    }
}

fn holdings(stock: &Stock, id: CrateId, unit: Unit) -> Vec<Holding> {
    let packing = stock.krate(id).map_or("", |c| c.packing.as_str());
    let holding =
        |(id, lot, count): (crate::stock::ledger::LotId, &crate::stock::ledger::Lot, u32)| {
            Holding {
                id: id.0,
                variety: lot.variety.clone(),
                what: what(count, lot.form, packing, lot.weight_g(count), unit),
                dug: lot.dug.map(|d| format!("dug {}", d.format("%-d %b %Y"))),
                note: lot.note.clone(),
                count,
                clump: lot.form == crate::stock::Form::Clump,
            }
        };
    stock.content(id).map(holding).collect()
}

fn known_words(words: impl Iterator<Item = String>) -> Vec<String> {
    words
        .filter(|w| !w.is_empty())
        .collect::<BTreeSet<_>>()
        .into_iter()
        .collect()
}

fn done(told: &Told, all: &[Told], stock: &Stock, site: &Site, now: Stamp) -> Done {
    let entry = &told.entry;
    let is_undo = matches!(entry.deed, Deed::Undone { .. });
    Done {
        id: entry.id.0,
        who_when: history::who_when(entry, now, site.manner),
        what: match &entry.deed {
            Deed::Weighed { grams, .. } => {
                format!("weighed {}", weight_text(*grams, site.manner.unit))
            }
            _ => history::deed(entry, stock, all.iter().map(|t| &t.entry)),
        },
        note: entry.note.clone(),
        undone: told.undone,
        can_undo: !told.undone && !is_undo,
    }
}

/// The air a crate has been through, figure by figure.
fn lived(site: &Site, stand: &CrateNow<'_>) -> Vec<(&'static str, String)> {
    let cores = || stand.cohort.days.iter().map(|d| d.core_c);
    let coldest = cores().map(|c| c.0).min_by(f64::total_cmp);
    let warmest = cores().map(|c| c.1).max_by(f64::total_cmp);
    let hours = |h: f64| span((h * HOUR_MS as f64) as i64);
    let mut lived = Vec::new();
    if let (Some(coldest), Some(warmest)) = (coldest, warmest) {
        let range = format!(
            "{} to {}",
            site.manner.temperature(coldest),
            site.manner.temperature(warmest)
        );
        lived.push(("Coldest and warmest among the tubers", range));
    }
    lived.push((
        "Drying of its air (deficit dose)",
        format!("{:.0}{NB}kPa days", stand.dose),
    ));
    lived.push(("Sweating", hours(stand.wet_h)));
    if 1.0 <= stand.gap_h {
        lived.push(("Without a reading", hours(stand.gap_h)));
    }
    lived
}
