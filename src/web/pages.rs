//! The pages Now and Alerts, and what is answered when something goes wrong.

use std::{collections::BTreeMap, sync::Arc};

use askama::Template;
use axum::{
    Extension, Form,
    extract::{OriginalUri, State, rejection::FormRejection},
    http::{StatusCode, Uri},
    response::{Html, IntoResponse, Redirect, Response},
};
use chrono::DateTime;
use serde::Deserialize;
use tracing::error;

use super::{
    Site,
    access::{NOBODY, Who, own_path},
    figures,
    forms::Aside,
    html::{AlertsPage, Earlier, ErrorPage, Figure, NowPage, Off, Room, RoomSensor, Tab, Tone},
    pictures, stock,
    verdict::{margin_text, verdict},
    view::{self, crates_in, room_air},
};
use crate::{
    engine::Status,
    inbox::{Message as Ask, Unavailable},
    notify::{
        advice, ahead,
        message::{Message, the},
        words::{Manner, ago, percent, span_exact},
    },
    stock::list::Crate,
    store::StoreError,
    watch::{
        Act, Occurrence, SensorNow, Stage, Stamp, Standing, State as AlertState, act::Named,
        models::Target, settings::RoomSettings,
    },
};

/// So many forecasts of one kind of which none came true are enough.
const NEVER_CAME: u32 = 5;
/// Alerts that are over, shown at most.
const EARLIER: i64 = 50;

/// A page that could not be given; becomes the error page.
pub struct Failed {
    site: Box<Site>,
    status: StatusCode,
    headline: &'static str,
    what: String,
    todo: &'static str,
}

impl Failed {
    /// A page that could not be given, in words: the headline, what happened, what to do.
    pub(super) fn told(
        site: &Site,
        status: StatusCode,
        headline: &'static str,
        what: String,
        todo: &'static str,
    ) -> Self {
        Self {
            site: Box::new(site.clone()),
            status,
            headline,
            what,
            todo,
        }
    }

    pub(super) fn store(site: &Site) -> impl FnOnce(StoreError) -> Self {
        let site = site.clone();
        |fault| {
            error!(error = ?fault, "a page could not be made");
            Self {
                site: Box::new(site),
                status: StatusCode::INTERNAL_SERVER_ERROR,
                headline: "This page could not be made",
                what: fault.to_string(),
                todo: "Try again in a minute; what the recorder prints says more.",
            }
        }
    }
}

impl IntoResponse for Failed {
    fn into_response(self) -> Response {
        let status = self.site.status.borrow().clone();
        let now = self.site.clock.now();
        let page = ErrorPage {
            frame: view::frame(
                &self.site,
                &status,
                now,
                self.headline,
                Tab::Elsewhere,
                "/".to_owned(),
            ),
            status: self.status.as_u16().to_string(),
            headline: self.headline.to_owned(),
            what: self.what,
            todo: vec![self.todo.to_owned()],
        };
        (self.status, render(&page)).into_response()
    }
}

pub(super) fn render(page: &impl Template) -> Response {
    match page.render() {
        Ok(text) => Html(text).into_response(),
        Err(fault) => {
            error!(error = ?fault, "a template failed");
            StatusCode::INTERNAL_SERVER_ERROR.into_response()
        }
    }
}

pub(super) fn path_of(uri: &Uri) -> String {
    uri.path_and_query()
        .map_or_else(|| "/".to_owned(), ToString::to_string)
}

/// `GET /`: is it all right, and if not what is to be done.
pub async fn now(
    State(site): State<Site>,
    OriginalUri(uri): OriginalUri,
) -> Result<Response, Failed> {
    let (status, crates, now) = present(&site).await?;
    let alerts = open_alerts(&site, &status, &crates, now).await?;
    let due = stock::looks_due(&site, &status, now).await?;
    let page = NowPage {
        due,
        frame: view::frame(&site, &status, now, "Now", Tab::Now, path_of(&uri)),
        verdict: verdict(&site, &status, &crates, now),
        alerts,
        rooms: status
            .settings
            .rooms
            .iter()
            .enumerate()
            .map(|(n, r)| room(n, r, &site, &status, &crates, now))
            .collect(),
    };
    Ok(render(&page))
}

/// What the pages with alerts begin with.
async fn present(site: &Site) -> Result<(Arc<Status>, Vec<Crate>, Stamp), Failed> {
    let status: Arc<Status> = site.status.borrow().clone();
    let crates = site.store.crates().await.map_err(Failed::store(site))?;
    Ok((status, crates, site.clock.now()))
}

/// Every alert that somebody has to see to, the most urgent first.
async fn open_alerts(
    site: &Site,
    status: &Status,
    crates: &[Crate],
    now: Stamp,
) -> Result<Vec<super::html::Alert>, Failed> {
    let seen = seen_at(site, status).await?;
    let each = status.alerts.iter().filter(|a| !a.state.is_masked());
    Ok(each.map(|a| alert(a, crates, &seen, now, site)).collect())
}

type SeenAt = BTreeMap<String, (Option<String>, Option<Stamp>)>;

/// Who has seen which open alert; asked only when somebody has.
async fn seen_at(site: &Site, status: &Status) -> Result<SeenAt, Failed> {
    if !status
        .alerts
        .iter()
        .any(|a| !a.state.is_masked() && !a.state.wants_acknowledgement())
    {
        return Ok(SeenAt::new());
    }
    let open = site
        .store
        .open_alerts()
        .await
        .map_err(Failed::store(site))?;
    let each = open.into_iter();
    Ok(each
        .map(|a| {
            (
                a.occurrence.to_string(),
                (a.acknowledged_by, a.acknowledged_at),
            )
        })
        .collect())
}

fn alert(
    a: &Standing,
    crates: &[Crate],
    seen: &SeenAt,
    now: Stamp,
    site: &Site,
) -> super::html::Alert {
    let mut alert = view::alert(a, crates, now, site.manner);
    if let super::html::Seen::By { name, at } = &mut alert.seen
        && let Some((who, when)) = seen.get(&alert.occurrence)
    {
        if let Some(who) = who {
            name.clone_from(who);
        }
        if let Some(when) = when {
            *at = site.manner.moment(*when, now);
        }
    }
    alert
}

fn room(
    n: usize,
    settings: &RoomSettings,
    site: &Site,
    status: &Status,
    crates: &[Crate],
    now: Stamp,
) -> Room {
    let manner = site.manner;
    let air = room_air(status, &settings.name);
    let band = settings.in_force().band;
    // Nothing is held against anything in an empty room.
    let judged = settings.stage != Stage::Empty;
    let (tone, state) = view::room_state(site, status, settings, &air, now);
    let outside = |value: Option<f64>, low: f64, high: f64| match value {
        Some(v) if judged && v < low => Some("below".to_owned()),
        Some(v) if judged && high < v => Some("above".to_owned()),
        _ => None,
    };
    let whole = |c: f64| format!("{}", (manner.degrees(c) * 10.0).round() / 10.0);
    let own: Vec<&SensorNow> = status
        .sensors
        .iter()
        .filter(|s| s.settings.room == settings.name)
        .collect();
    let standing = crates_in(crates, &settings.name).count();
    Room {
        key: n.to_string(),
        name: settings.name.clone(),
        stage: settings.stage.as_str().to_owned(),
        stages: Stage::ALL
            .iter()
            .map(|&stage| {
                let chosen = stage == settings.stage;
                let meaning = meaning(settings, stage, manner);
                (stage.as_str().to_owned(), meaning, chosen)
            })
            .collect(),
        tone,
        state,
        temperature: Figure {
            value: air
                .temperature
                .map_or_else(|| "–".to_owned(), |t| manner.degrees_text(t)),
            unit: manner.letter().to_owned(),
            band: if judged {
                format!("{} to {}", whole(band.low_c), whole(band.high_c))
            } else {
                "not judged".to_owned()
            },
            outside: outside(air.temperature, band.low_c, band.high_c),
        },
        humidity: Figure {
            value: air
                .humidity
                .map_or_else(|| "–".to_owned(), |rh| format!("{rh:.0}")),
            unit: "%".to_owned(),
            band: if judged {
                format!("{} to {}", band.low_pct, band.high_pct)
            } else {
                "not judged".to_owned()
            },
            outside: outside(air.humidity, band.low_pct, band.high_pct),
        },
        dew_point: air
            .dew_point()
            .map(|d| format!("Dew point {}", manner.temperature(d))),
        margin: margin_text(site, &air),
        heard: air.heard_at.map_or_else(
            || "Not heard yet".to_owned(),
            |at| format!("Heard {}", ago(at, now)),
        ),
        sensors: if own.len() < 2 {
            Vec::new()
        } else {
            own.iter()
                .map(|s| RoomSensor {
                    tone: if s.silent || s.out.is_some() || s.heard_at.is_none() {
                        Tone::NoWord
                    } else {
                        Tone::Well
                    },
                    name: s.settings.name.to_string(),
                    figures: last_values(site, s),
                    heard: match s.heard_at {
                        _ if s.out.is_some() => "out of service".to_owned(),
                        Some(at) => ago(at, now),
                        None => "not heard yet".to_owned(),
                    },
                })
                .collect()
        },
        tips: advice::tips(
            settings,
            &status.models,
            status.settings.altitude_m,
            now,
            manner,
        )
        .into_iter()
        .map(|t| (t.what, t.why, t.caution))
        .collect(),
        ahead: ahead_lines(status, settings, now, manner),
        moist: pictures::moist_air(status, settings, now, manner),
        worst: stock::worst_of(status, settings, site, now),
        strip: view::strip(status, settings, now, manner),
        crates: view::crates_here(standing),
        crates_href: format!("/crates?by=place&q={}", view::url(&settings.name)),
    }
}

/// What came of the forecasts made in each room.
fn forecasts(status: &Status, manner: Manner) -> Vec<(String, String)> {
    let rooms = status.models.rooms().flat_map(|room| {
        room.tally.iter().map(move |(target, tally)| {
            let last = room.forecasts.iter().rev().find(|f| f.target == *target);
            let limit = last.map_or_else(String::new, |f| ahead::limit(*target, f.limit, manner));
            let unseen = match tally.unseen {
                0 => String::new(),
                n => format!(" Of {n} nobody could see what came."),
            };
            (
                format!("{}, heading for {limit}", the(&room.name)),
                format!("{}{unseen}", ahead::record(*tally)),
            )
        })
    });
    rooms.collect()
}

/// Where the air of a room is heading, with the record of such forecasts.
fn ahead_lines(status: &Status, room: &RoomSettings, now: Stamp, manner: Manner) -> Vec<String> {
    let Some(model) = status.models.room(&room.name) else {
        return Vec::new();
    };
    let ahead = status.models.ahead(model, now);
    // What never came true here is kept in the record and said no more; frost always is.
    let tally_of = |target| model.tally.get(&target).copied().unwrap_or_default();
    let ahead = ahead.into_iter().filter(|(target, ..)| {
        let tally = tally_of(*target);
        *target == Target::Frost || 0 < tally.came || tally.not < NEVER_CAME
    });
    let said = ahead.map(|(target, limit, arrives)| {
        let tally = tally_of(target);
        ahead::words(target, limit, arrives, tally, manner)
    });
    said.collect()
}

/// What a stage is, the band it has here, and what it does not tell of.
fn meaning(room: &RoomSettings, stage: Stage, manner: Manner) -> String {
    let limits = room.limits_of(stage);
    let what = match stage {
        Stage::Curing => "lifted tubers dry",
        Stage::Storing => "packed tubers rest",
        Stage::Waking => "tubers are brought to sprout",
        Stage::Empty => return "nothing stands in it: readings are kept, no alerts".to_owned(),
    };
    let band = limits.band;
    let untold: Vec<&str> = [(&limits.dry_out, "dry air"), (&limits.sweating, "sweating")]
        .into_iter()
        .filter(|(rungs, _)| rungs.steps.is_empty())
        .map(|(_, what)| what)
        .collect();
    let untold = match &untold[..] {
        [] => String::new(),
        some => format!(", no alerts of {}", some.join(" or ")),
    };
    format!(
        "{what}: {} to {}, {} to {}{untold}",
        (manner.degrees(band.low_c) * 10.0).round() / 10.0,
        manner.limit(band.high_c),
        band.low_pct,
        percent(band.high_pct)
    )
}

/// A sentence's beginning within another one.
pub(super) fn small(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_lowercase().chain(letters).collect()
    })
}

/// What was found wrong as a sentence of its own.
pub(super) fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    let first = letters.next().into_iter().flat_map(char::to_uppercase);
    first.chain(letters).chain(['.']).collect()
}

pub(super) fn last_values(site: &Site, s: &SensorNow) -> String {
    let (t, rh) = s.together();
    let t = t.map(|t| site.manner.temperature(t));
    let both: Vec<String> = t.into_iter().chain(rh.map(percent)).collect();
    if both.is_empty() {
        "–".to_owned()
    } else {
        both.join(", ")
    }
}

/// `GET /alerts`: open ones, the last ones that are over, and when nobody was looking.
pub async fn alerts(
    State(site): State<Site>,
    OriginalUri(uri): OriginalUri,
) -> Result<Response, Failed> {
    let (status, crates, now) = present(&site).await?;
    let alerts = open_alerts(&site, &status, &crates, now).await?;
    let past = site
        .store
        .past_alerts(EARLIER)
        .await
        .map_err(Failed::store(&site))?;
    let offs = site.store.offs(20).await.map_err(Failed::store(&site))?;
    let manner = site.manner;
    let earlier = past.into_iter().map(|a| {
        let raised_at = a.occurrence.raised_at;
        // The trouble began before its delay was over.
        let since =
            DateTime::parse_from_rfc3339(&a.figures.since).map_or(raised_at, |s| s.to_utc().into());
        let words = Message::of(&a.occurrence, &a.room, &a.figures, raised_at, now, manner);
        Earlier {
            tone: view::tone(a.priority),
            priority: view::tone(a.priority).word().to_owned(),
            when: manner.day_long_ago(raised_at, now),
            headline: words.headline,
            href: super::alert::href(&a.occurrence),
            lasted: a.ended_at.map_or_else(String::new, |end| {
                format!("lasted {}", span_exact(end.since(since)))
            }),
            seen: match (a.acknowledged_by, a.acknowledged_at) {
                (Some(who), Some(at)) => format!("seen by {who} at {}", manner.clock(at)),
                _ => "not seen by anyone".to_owned(),
            },
        }
    });
    let page = AlertsPage {
        frame: view::frame(&site, &status, now, "Alerts", Tab::Alerts, path_of(&uri)),
        alerts,
        aside: aside(&site, &status, now),
        earlier: earlier.collect(),
        forecasts: forecasts(&status, manner),
        figures: figures::section(&site, &status, now).await?,
        off: offs
            .into_iter()
            .filter(|o| 60_000 <= o.to.since(o.from))
            .map(|o| Off {
                from: manner.day_long_ago(o.from, now),
                to: manner.day_long_ago(o.to, now),
                lasted: span_exact(o.to.since(o.from)),
            })
            .collect(),
    };
    Ok(render(&page))
}

/// What nobody is told of for now, and how that ends.
fn aside(site: &Site, status: &Status, now: Stamp) -> Vec<Aside> {
    let masked = status.alerts.iter().filter(|a| a.state.is_masked());
    let alerts = masked.map(|a| {
        let words = Message::of(
            &a.occurrence,
            &a.room,
            &a.figures,
            a.since,
            now,
            site.manner,
        );
        let shelved = a.state == AlertState::Shelved;
        Aside {
            headline: words.headline,
            what: match a.state {
                AlertState::Shelved => "Shelved",
                AlertState::Suppressed => "Suppressed",
                _ => "Out of service",
            }
            .to_owned(),
            why: if shelved {
                super::alert::aside(site, a, now).replacen("On the shelf until", "Until", 1)
            } else {
                super::alert::state(site, Some(a), None, false, now)
            },
            href: super::alert::href(&a.occurrence),
            unshelve: shelved.then(|| a.occurrence.to_string()),
            sensor: None,
        }
    });
    let sensors = status.sensors.iter().filter_map(|s| {
        let out = s.out.as_ref()?;
        Some(Aside {
            headline: format!("Sensor {} in {}", s.settings.name, the(&s.settings.room)),
            what: "Out of service".to_owned(),
            why: format!(
                "Since {}, by {}: {}.",
                site.manner.moment(out.since, now),
                out.by,
                out.reason
            ),
            href: "/sensors".to_owned(),
            unshelve: None,
            sensor: Some(s.settings.name.to_string()),
        })
    });
    alerts.chain(sensors).collect()
}

/// What the acknowledge button sends.
#[derive(Debug, Deserialize)]
pub struct Acknowledge {
    occurrence: String,
    back: Option<String>,
}

/// `POST /alerts/acknowledge`: notes that a person has seen one occurrence; doing it twice is once.
pub async fn acknowledge(
    State(site): State<Site>,
    who: Option<Extension<Who>>,
    form: Result<Form<Acknowledge>, FormRejection>,
) -> Result<Response, Failed> {
    let refuse = |what: String| Failed {
        site: Box::new(site.clone()),
        status: StatusCode::BAD_REQUEST,
        headline: "That could not be acknowledged",
        what,
        todo: "Go back to the first page and press the button there.",
    };
    let Form(form) = form.map_err(|e| refuse(e.to_string()))?;
    let occurrence: Occurrence = form
        .occurrence
        .parse()
        .map_err(|e: crate::watch::alert::BadOccurrence| refuse(e.to_string()))?;
    let known = site
        .status
        .borrow()
        .alerts
        .iter()
        .any(|a| a.occurrence == occurrence && a.state != AlertState::Acknowledged);
    if known {
        let ask = Ask::Act {
            act: Act::Acknowledge(Named { occurrence }),
            who: who.map_or_else(|| NOBODY.to_owned(), |Extension(Who(name))| name),
        };
        site.inbox
            .send(ask)
            .await
            .map_err(|e: Unavailable| Failed {
                site: Box::new(site.clone()),
                status: StatusCode::SERVICE_UNAVAILABLE,
                headline: "That could not be noted",
                what: e.to_string(),
                todo: "Press the button again in a minute.",
            })?;
    }
    let back = form.back.as_deref().and_then(own_path);
    Ok(Redirect::to(back.unwrap_or("/")).into_response())
}

/// Every address that is none of ours.
pub async fn nothing_here(State(site): State<Site>, uri: Uri) -> Failed {
    Failed {
        site: Box::new(site),
        status: StatusCode::NOT_FOUND,
        headline: "There is no such page",
        what: format!("Nothing is kept under {}.", uri.path()),
        todo: "Use Now, Alerts, Crates or Sensors.",
    }
}
