//! The pages Now, Alerts and Sensors, and what is answered when something goes wrong.

use std::{collections::BTreeMap, sync::Arc};

use askama::Template;
use axum::{
    Form,
    extract::{OriginalUri, State, rejection::FormRejection},
    http::{StatusCode, Uri},
    response::{Html, IntoResponse, Redirect, Response},
};
use serde::Deserialize;
use tracing::error;

use super::{
    Site,
    html::{
        AlertsPage, Earlier, ErrorPage, Figure, NowPage, Off, Refused, Room, RoomSensor, Sensor,
        SensorsPage, Source, Tab, Tone, Unknown, Verdict,
    },
    view::{self, RoomAir, crates_in, room_air, standing_tone},
};
use crate::{
    engine::Status,
    inbox::{Message as Ask, Unavailable},
    notify::{
        message::{Message, the},
        words::{self, ago, count, percent, span, span_exact, thousands},
    },
    stock::list::Crate,
    store::{StoreError, log::RefusedLine},
    watch::{
        Arrives, Occurrence, Role, SensorName, Stamp, State as AlertState,
        judge::{SensorNow, Standing},
        settings::RoomSettings,
    },
};

/// A condensation margin below this is within the error of common sensors: 3 % of humidity are
/// 0.55 C of dew point at 10 C and 80 % (WMO-No. 8 formula, differentiated).
const CANNOT_TELL_K: f64 = 0.55;
/// Alerts that are over, shown at most.
const EARLIER: i64 = 50;
/// Refused lines looked at, and shown of each source.
const REFUSED_READ: i64 = 400;
const REFUSED_SHOWN: usize = 5;

/// A page that could not be given; becomes the error page.
pub struct Failed {
    site: Site,
    status: StatusCode,
    headline: &'static str,
    what: String,
    todo: &'static str,
}

impl Failed {
    pub(super) fn store(site: &Site) -> impl FnOnce(StoreError) -> Self {
        let site = site.clone();
        |fault| {
            error!(error = ?fault, "a page could not be made");
            Self {
                site,
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
    let status: Arc<Status> = site.status.borrow().clone();
    let crates = site.store.crates().await.map_err(Failed::store(&site))?;
    let seen = seen_at(&site, &status).await?;
    let now = site.clock.now();
    let page = NowPage {
        frame: view::frame(&site, &status, now, "Now", Tab::Now, path_of(&uri)),
        verdict: verdict(&site, &status, &crates, now),
        alerts: status
            .alerts
            .iter()
            .map(|a| alert(a, &crates, &seen, now, &site))
            .collect(),
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

type SeenAt = BTreeMap<String, (Option<String>, Option<Stamp>)>;

/// Who has seen which open alert; asked only when somebody has.
async fn seen_at(site: &Site, status: &Status) -> Result<SeenAt, Failed> {
    if !status
        .alerts
        .iter()
        .any(|a| a.state == AlertState::Acknowledged)
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

fn verdict(site: &Site, status: &Status, crates: &[Crate], now: Stamp) -> Verdict {
    if let Some(fault) = &status.store_fault {
        return Verdict {
            tone: Tone::ActNow,
            sentence: format!("Nothing can be stored: {fault}."),
            more: Some(
                "Make room on the disk or look at its cable. Readings wait at their sources, as far as these can wait."
                    .to_owned(),
            ),
        };
    }
    let active: Vec<&Standing> = status
        .alerts
        .iter()
        .filter(|a| a.state != AlertState::ReturnedUnacknowledged)
        .collect();
    if let Some(worst) = active.first() {
        let words = Message::of(
            &worst.occurrence,
            &worst.room,
            &worst.figures,
            worst.since,
            now,
            site.manner,
        );
        let standing = crates_in(crates, &worst.room).count();
        let others = active.len() - 1;
        let mut more = Vec::new();
        if 0 < standing {
            let stand = if standing == 1 { "stands" } else { "stand" };
            more.push(format!(
                "{} {stand} there.",
                count(standing, "crate", "crates")
            ));
        }
        if 0 < others {
            more.push(format!(
                "{} below.",
                count(others, "more alert", "more alerts")
            ));
        }
        return Verdict {
            tone: standing_tone(worst),
            sentence: format!(
                "{} since {}. {}",
                words.headline,
                site.manner.moment(worst.since, now),
                words.steps[0]
            ),
            more: (!more.is_empty()).then(|| more.join(" ")),
        };
    }
    let rooms = &status.settings.rooms;
    let airs: Vec<(&RoomSettings, RoomAir)> = rooms
        .iter()
        .map(|r| (r, room_air(status, &r.name)))
        .collect();
    let mute: Vec<String> = airs
        .iter()
        .filter(|(_, a)| a.temperature.is_none() && a.humidity.is_none())
        .map(|(r, _)| the(&r.name))
        .collect();
    if !mute.is_empty() {
        return Verdict {
            tone: Tone::NoWord,
            sentence: format!("Nothing is heard from {}.", list(&mute)),
            more: Some("Readings appear here as soon as a sensor speaks; the Sensors page says what each source is doing.".to_owned()),
        };
    }
    let names: Vec<String> = rooms.iter().map(|r| the(&r.name)).collect();
    let more = match &airs[..] {
        [(_, air)] => air_sentence(site, air, now),
        _ => None,
    };
    let over = status.alerts.len();
    let more = if 0 < over {
        Some(format!(
            "{} came and went unseen.",
            count(over, "alert", "alerts")
        ))
    } else {
        more
    };
    Verdict {
        tone: Tone::Well,
        sentence: format!("All well in {}.", list(&names)),
        more,
    }
}

fn air_sentence(site: &Site, air: &RoomAir, now: Stamp) -> Option<String> {
    let heard = ago(air.heard_at?, now);
    let margin = air
        .margin()
        .map_or_else(String::new, |m| format!(", {}", margin_text(site, m)));
    Some(format!(
        "{}, {}{margin}. Heard {heard}.",
        site.manner.temperature(air.temperature?),
        percent(air.humidity?),
    ))
}

fn margin_text(site: &Site, margin: f64) -> String {
    if margin <= 0.0 {
        "at or below the dew point: sweating".to_owned()
    } else if margin < CANNOT_TELL_K {
        "too close to the dew point to tell whether it sweats".to_owned()
    } else {
        format!("{} clear of sweating", site.manner.difference(margin))
    }
}

fn list(names: &[String]) -> String {
    match names {
        [] => "no room".to_owned(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
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
    let band = settings.limits.band;
    let worst = status
        .alerts
        .iter()
        .find(|a| a.room == settings.name && a.state != AlertState::ReturnedUnacknowledged);
    let (tone, state) = match worst {
        Some(a) => {
            let words = Message::of(&a.occurrence, &a.room, &a.figures, a.since, now, manner);
            (standing_tone(a), words.state.to_owned())
        }
        None if air.temperature.is_none() && air.humidity.is_none() => {
            (Tone::NoWord, "No word".to_owned())
        }
        None if air.damp_side() => (Tone::Well, "Well, on the damp side".to_owned()),
        None => (Tone::Well, "Well".to_owned()),
    };
    let outside = |value: Option<f64>, low: f64, high: f64| match value {
        Some(v) if v < low => Some("below".to_owned()),
        Some(v) if high < v => Some("above".to_owned()),
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
        stage: "storing".to_owned(),
        tone,
        state,
        temperature: Figure {
            value: air
                .temperature
                .map_or_else(|| "–".to_owned(), |t| manner.degrees_text(t)),
            unit: manner.letter().to_owned(),
            band: format!("{} to {}", whole(band.low_c), whole(band.high_c)),
            outside: outside(air.temperature, band.low_c, band.high_c),
        },
        humidity: Figure {
            value: air
                .humidity
                .map_or_else(|| "–".to_owned(), |rh| format!("{rh:.0}")),
            unit: "%".to_owned(),
            band: format!("{} to {}", band.low_pct, band.high_pct),
            outside: outside(air.humidity, band.low_pct, band.high_pct),
        },
        dew_point: air
            .dew_point()
            .map(|d| format!("Dew point {}", manner.temperature(d))),
        margin: air.margin().map(|m| margin_text(site, m)),
        heard: air.heard_at.map_or_else(
            || "Not heard yet".to_owned(),
            |at| format!("Heard {}", ago(at, now)),
        ),
        sensors: if own.len() < 2 {
            Vec::new()
        } else {
            own.iter()
                .map(|s| RoomSensor {
                    tone: if s.silent || s.heard_at.is_none() {
                        Tone::NoWord
                    } else {
                        Tone::Well
                    },
                    name: s.settings.name.to_string(),
                    figures: last_values(site, s),
                    heard: s
                        .heard_at
                        .map_or_else(|| "not heard yet".to_owned(), |at| ago(at, now)),
                })
                .collect()
        },
        strip: view::strip(status, settings, now, manner),
        crates: view::crates_here(standing),
        crates_href: format!("/crates?by=place&q={}", view::url(&settings.name)),
    }
}

fn last_values(site: &Site, s: &SensorNow) -> String {
    let t = s.temperature.map(|(_, t)| site.manner.temperature(t));
    let rh = s.humidity.map(|(_, rh)| percent(rh));
    let both: Vec<String> = t.into_iter().chain(rh).collect();
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
    let status: Arc<Status> = site.status.borrow().clone();
    let crates = site.store.crates().await.map_err(Failed::store(&site))?;
    let seen = seen_at(&site, &status).await?;
    let past = site
        .store
        .past_alerts(EARLIER)
        .await
        .map_err(Failed::store(&site))?;
    let offs = site.store.offs(20).await.map_err(Failed::store(&site))?;
    let now = site.clock.now();
    let manner = site.manner;
    let earlier = past.into_iter().map(|a| {
        let raised_at = a.occurrence.raised_at;
        let words = Message::of(&a.occurrence, &a.room, &a.figures, raised_at, now, manner);
        Earlier {
            tone: view::tone(a.priority),
            priority: view::tone(a.priority).word().to_owned(),
            when: manner.day_and_clock(raised_at),
            headline: words.headline,
            lasted: a.ended_at.map_or_else(String::new, |end| {
                format!("lasted {}", span_exact(end.since(raised_at)))
            }),
            seen: match (a.acknowledged_by, a.acknowledged_at) {
                (Some(who), Some(at)) => format!("seen by {who} at {}", manner.clock(at)),
                _ => "not seen by anyone".to_owned(),
            },
        }
    });
    let page = AlertsPage {
        frame: view::frame(&site, &status, now, "Alerts", Tab::Alerts, path_of(&uri)),
        alerts: status
            .alerts
            .iter()
            .map(|a| alert(a, &crates, &seen, now, &site))
            .collect(),
        earlier: earlier.collect(),
        off: offs
            .into_iter()
            .filter(|o| 60_000 <= o.to.since(o.from))
            .map(|o| Off {
                from: manner.day_and_clock(o.from),
                to: manner.day_and_clock(o.to),
                lasted: span_exact(o.to.since(o.from)),
            })
            .collect(),
    };
    Ok(render(&page))
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
    form: Result<Form<Acknowledge>, FormRejection>,
) -> Result<Response, Failed> {
    let refuse = |what: String| Failed {
        site: site.clone(),
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
        .any(|a| a.occurrence == occurrence);
    if known {
        let ask = Ask::Acknowledge {
            occurrence,
            who: "the grower".to_owned(),
        };
        site.inbox
            .send(ask)
            .await
            .map_err(|e: Unavailable| Failed {
                site: site.clone(),
                status: StatusCode::SERVICE_UNAVAILABLE,
                headline: "That could not be noted",
                what: e.to_string(),
                todo: "Press the button again in a minute.",
            })?;
    }
    // Only a path of our own: nobody is to be led elsewhere.
    let back = form
        .back
        .filter(|b| b.starts_with('/') && !b.starts_with("//") && !b.contains(['\\', '\r', '\n']));
    Ok(Redirect::to(back.as_deref().unwrap_or("/")).into_response())
}

/// `GET /sensors`: who is heard, how well, and what could not be understood.
pub async fn sensors(
    State(site): State<Site>,
    OriginalUri(uri): OriginalUri,
) -> Result<Response, Failed> {
    let status: Arc<Status> = site.status.borrow().clone();
    let failed = || Failed::store(&site);
    let tallies = site.store.tallies().await.map_err(failed())?;
    let refused = site.store.refused(REFUSED_READ).await.map_err(failed())?;
    let odd = site.store.odd_clocks().await.map_err(failed())?;
    let now = site.clock.now();
    let sensors: Vec<Sensor> = status
        .sensors
        .iter()
        .map(|s| {
            let own: Vec<_> = tallies
                .iter()
                .filter(|t| t.sensor == s.settings.name.as_str())
                .collect();
            let odd = odd.get(&s.settings.id).map(|(at, _)| *at);
            let newest = s.temperature.map(|t| t.0).max(s.humidity.map(|h| h.0));
            let wrong = odd.is_some() && odd >= newest;
            let sum = |f: fn(&crate::store::log::Tally) -> i64| own.iter().map(|t| f(t)).sum();
            sensor(
                &site,
                s,
                wrong,
                now,
                &own.iter().map(|t| t.source.as_str()).collect::<Vec<_>>(),
                [
                    (sum(|t| t.stored), "stored"),
                    (sum(|t| t.duplicate), "known already"),
                    (sum(|t| t.conflict), "contradicting"),
                ],
            )
        })
        .collect();
    let heard = status
        .sensors
        .iter()
        .filter(|s| s.heard_at.is_some() && !s.silent)
        .count();
    let sources = site.board.all().into_iter().map(|(name, now_doing)| {
        let total: i64 = tallies
            .iter()
            .filter(|t| t.source == name.as_str())
            .map(|t| t.refused)
            .sum();
        source(&site, &name, now_doing, total, &refused)
    });
    let page = SensorsPage {
        frame: view::frame(&site, &status, now, "Sensors", Tab::Sensors, path_of(&uri)),
        summary: format!(
            "{heard} of {} heard",
            count(status.sensors.len(), "sensor", "sensors")
        ),
        sources: sources.collect(),
        unknown: unknown(&refused, &status, now),
        sensors,
    };
    Ok(render(&page))
}

fn sensor(
    site: &Site,
    s: &SensorNow,
    clock_wrong: bool,
    now: Stamp,
    sources: &[&str],
    counts: [(i64, &str); 3],
) -> Sensor {
    let live = s.settings.arrives == Arrives::Live;
    let (tone, state, advice) = match s.heard_at {
        None => (
            Tone::NoWord,
            "Not heard yet".to_owned(),
            Some("Look at its name, its source and its power."),
        ),
        Some(at) if s.silent => (
            Tone::NoWord,
            format!("No word for {}", span(now.since(at))),
            Some("Look at its battery, cable, plug and reach."),
        ),
        Some(_) if clock_wrong => (
            Tone::LookSoon,
            "Its clock is wrong".to_owned(),
            Some(
                "Its readings are kept and counted from when they were heard. Set its clock or its battery right.",
            ),
        ),
        Some(_) => (Tone::Well, "Heard".to_owned(), None),
    };
    let role = match s.settings.role {
        Role::Air => "air of the room".to_owned(),
        Role::Crate => match &s.settings.crate_code {
            Some(code) => format!("probe in crate {code}"),
            None => "probe among tubers".to_owned(),
        },
        Role::Surface => "cold surface".to_owned(),
        Role::Outdoor => "outdoors".to_owned(),
        Role::Soil => "soil of the bed".to_owned(),
    };
    Sensor {
        name: s.settings.name.to_string(),
        room: s.settings.room.clone(),
        role,
        tone,
        state,
        advice: advice.map(str::to_owned),
        reading: last_values(site, s),
        heard: s
            .heard_at
            .map_or_else(|| "never".to_owned(), |at| ago(at, now)),
        interval: if live {
            format!("every {}", span(s.settings.interval_ms))
        } else {
            "in batches".to_owned()
        },
        battery: s
            .battery_pct
            .map(|b| format!("battery {}", percent(f64::from(b)))),
        counts: counts
            .into_iter()
            .filter(|(n, word)| 0 < *n || *word == "stored")
            .map(|(n, word)| (thousands(n), word.to_owned()))
            .collect(),
        source: if sources.is_empty() {
            "no source yet".to_owned()
        } else {
            sources.join(", ")
        },
    }
}

fn source(
    site: &Site,
    name: &SensorName,
    doing: crate::inbox::SourceNow,
    total: i64,
    refused: &[RefusedLine],
) -> Source {
    let lines: Vec<Refused> = refused
        .iter()
        .filter(|r| r.source == name.as_str())
        .take(REFUSED_SHOWN)
        .map(|r| Refused {
            at: site.manner.day_and_clock(r.at),
            reason: format!("line {}: {}", r.refused.line, r.refused.reason),
            line: r.refused.text.clone(),
        })
        .collect();
    Source {
        name: name.to_string(),
        kind: match doing.kind {
            "http" => "posted over the network".to_owned(),
            "serial" => "serial port".to_owned(),
            other => other.to_owned(),
        },
        tone: if doing.well { Tone::Well } else { Tone::NoWord },
        state: doing.sentence,
        refused_count: (0 < total).then(|| {
            format!(
                "{} refused, the last {}:",
                count(total as usize, "line", "lines"),
                lines.len()
            )
        }),
        refused: lines,
    }
}

fn unknown(refused: &[RefusedLine], status: &Status, now: Stamp) -> Vec<Unknown> {
    let mut found: BTreeMap<&str, (usize, Stamp)> = BTreeMap::new();
    for line in refused {
        let name = line.refused.unknown_name();
        let known = |n: &&str| {
            status
                .sensors
                .iter()
                .any(|s| s.settings.name.as_str() == *n)
        };
        if let Some(name) = name.filter(|n| !known(n)) {
            let entry = found.entry(name).or_insert((0, line.at));
            entry.0 += 1;
            entry.1 = entry.1.max(line.at);
        }
    }
    found
        .into_iter()
        .map(|(name, (n, last))| Unknown {
            name: name.to_owned(),
            heard: format!(
                "{}, the last {}",
                words::count(n, "reading", "readings"),
                ago(last, now)
            ),
        })
        .collect()
}

/// Every address that is none of ours.
pub async fn nothing_here(State(site): State<Site>, uri: Uri) -> Failed {
    Failed {
        site,
        status: StatusCode::NOT_FOUND,
        headline: "There is no such page",
        what: format!("Nothing is kept under {}.", uri.path()),
        todo: "Use Now, Alerts, Crates or Sensors.",
    }
}
