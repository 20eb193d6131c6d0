//! The page of one crate: what threatens it, with the figures and pictures behind it, and its weight.

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
        forms::{CratePage, Threat},
        html::{Tab, Tone},
        pages::{Failed, path_of, render},
        pictures, view,
    },
    crates::lots_of,
    enter, history,
};
use crate::{
    climate::Unit,
    notify::{
        message::{Message, the},
        perils,
        words::{NB, percent},
    },
    stock::{
        ledger::{Asked, Deed},
        list::Crate,
    },
    watch::{
        RoomSettings, Stamp, Subject,
        models::{
            CrateNow,
            threat::{Peril, threats},
        },
    },
};

/// The international pound in grams, exact by definition (1959).
const POUND_G: f64 = 453.592_37;
/// Weights that one crate can have, in grams: an ounce to a loaded pallet.
const WEIGHTS_G: std::ops::RangeInclusive<f64> = 30.0..=1_000_000.0;

/// Which crate.
#[derive(Debug, Deserialize)]
pub(super) struct Which {
    #[serde(default)]
    code: String,
}

/// What was weighed.
#[derive(Debug, Deserialize)]
pub(super) struct Weight {
    code: String,
    weight: String,
    #[serde(default)]
    anew: String,
}

/// Where one crate is shown.
pub(in crate::web) fn href(code: &str) -> String {
    format!("/crate?code={}", view::url(code))
}

/// `GET /crate?code=..`.
pub(super) async fn krate(
    State(site): State<Site>,
    OriginalUri(uri): OriginalUri,
    asked: Result<Query<Which>, QueryRejection>,
) -> Result<Response, Failed> {
    let code = asked.map(|Query(a)| a.code).unwrap_or_default();
    page(&site, &code, None, path_of(&uri)).await
}

/// `POST /crate/weigh`: notes a weight.
pub(super) async fn weigh(
    State(site): State<Site>,
    who: Option<Extension<Who>>,
    form: Result<Form<Weight>, FormRejection>,
) -> Result<Response, Failed> {
    let Weight { code, weight, anew } = acts::form(&site, form)?;
    let back = href(&code);
    let refused = |why: String| (why, weight.clone());
    let grams = match grams(&weight, site.manner.unit) {
        Ok(grams) => grams,
        Err(why) => return page(&site, &code, Some(refused(why)), back).await,
    };
    let Ok(krate) = code.trim().parse() else {
        return page(&site, &code, None, back).await;
    };
    let asked = Asked {
        sure: anew == "yes",
        ..Asked::from(Deed::Weighed { krate, grams })
    };
    let outcomes = enter::enter(&site, who, vec![asked], false).await;
    let outcome = outcomes.map_err(|error| acts::unavailable(&site, &error))?;
    let stock = site.store.stock().await.map_err(Failed::store(&site))?;
    let told = outcome
        .first()
        .and_then(|o| history::told(o, &stock, site.clock.now(), site.manner));
    match told {
        Some((why, remedy)) => {
            page(&site, &code, Some(refused(format!("{why} {remedy}"))), back).await
        }
        None => Ok(Redirect::to(&format!("{back}#weigh")).into_response()),
    }
}

/// `23.4`, `23,4`, with a unit or in the site's own.
fn grams(text: &str, unit: Unit) -> Result<u32, String> {
    let text = text.trim().to_lowercase().replace(',', ".");
    let (number, factor) = if let Some(number) = text.strip_suffix("kg") {
        (number, 1000.0)
    } else if let Some(number) = text.strip_suffix("lbs").or(text.strip_suffix("lb")) {
        (number, POUND_G)
    } else {
        (
            text.as_str(),
            match unit {
                Unit::F => POUND_G,
                Unit::C => 1000.0,
            },
        )
    };
    let remedy = "Write a weight such as 23.4, or 10.6 kg.";
    let value: f64 = number
        .trim()
        .parse()
        .map_err(|_| format!("That is no weight. {remedy}"))?;
    let grams = value * factor;
    if WEIGHTS_G.contains(&grams) {
        Ok(grams.round() as u32)
    } else {
        Err(format!("No crate weighs that. {remedy}"))
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
fn told(site: &Site, now: Stamp, stand: &CrateNow<'_>, room: &RoomSettings) -> Vec<Threat> {
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

async fn page(
    site: &Site,
    code: &str,
    refused: Option<(String, String)>,
    path: String,
) -> Result<Response, Failed> {
    let status = site.status.borrow().clone();
    let now = site.clock.now();
    let all = site.store.crates().await.map_err(Failed::store(site))?;
    let listed: Option<&Crate> = all
        .iter()
        .find(|c| c.code.as_str().eq_ignore_ascii_case(code.trim()));
    let Some(listed) = listed else {
        return Err(Failed::told(
            site,
            StatusCode::NOT_FOUND,
            "There is no such crate",
            "No crate on the list has this code.".to_owned(),
            "Look at the page Crates.",
        ));
    };
    let code = listed.code.as_str();
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
    let (fault, typed) = refused.map_or((None, String::new()), |(why, typed)| (Some(why), typed));
    let answer = if fault.is_some() {
        StatusCode::UNPROCESSABLE_ENTITY
    } else {
        StatusCode::OK
    };
    let notes: Vec<&str> = listed
        .lots
        .iter()
        .map(|l| l.note.as_str())
        .filter(|n| !n.is_empty())
        .collect();
    let page = CratePage {
        frame: view::frame(
            site,
            &status,
            now,
            &format!("Crate {code}"),
            Tab::Crates,
            path,
        ),
        code: code.to_owned(),
        place: if listed.place.is_empty() {
            the(&listed.room)
        } else {
            format!("{}, {}", the(&listed.room), listed.place)
        },
        lots: lots_of(listed, unit),
        note: (!notes.is_empty()).then(|| notes.join("; ")),
        alerts: alerts
            .map(|a| {
                let m = Message::of(&a.occurrence, &a.room, &a.figures, a.since, now, site.manner);
                let href = super::super::alert::href(&a.occurrence);
                (href, m.headline, view::standing_tone(a))
            })
            .collect(),
        threats: stand
            .zip(room)
            .map(|(stand, room)| told(site, now, &stand, room))
            .unwrap_or_default(),
        unknown: match known {
            None => "The recorder has not taken note of this crate yet; look again in a few seconds.".to_owned(),
            Some(_) => "No room of this name is watched, so nothing is known of its air.".to_owned(),
        },
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
        typed,
        fault,
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
    };
    Ok((answer, render(&page)).into_response())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weights_are_read_in_the_unit_of_the_site_or_their_own() {
        assert_eq!(grams("10", Unit::F), Ok(4536));
        assert_eq!(grams("10,5", Unit::C), Ok(10_500));
        assert_eq!(grams(" 10.5 kg ", Unit::F), Ok(10_500));
        assert_eq!(grams("10lb", Unit::C), Ok(4536));
        for bad in ["", "heavy", "-3", "0", "NaN", "1e9", "inf"] {
            assert!(grams(bad, Unit::C).is_err(), "{bad}");
        }
    }
}
