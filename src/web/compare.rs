//! A sensor compared with something known: what it is off by, since when, and who says so.

mod ask;

use std::sync::Arc;

use axum::{
    Extension, Form, Json,
    body::Bytes,
    extract::{
        OriginalUri, Path, Query, State,
        rejection::{BytesRejection, FormRejection, QueryRejection},
    },
    http::StatusCode,
    response::{IntoResponse, Redirect, Response},
};
use chrono::{DateTime, Datelike, TimeZone, Utc};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

pub use self::ask::Sent;
use self::ask::{Found, REASON, Way, added, found, from, salt_words};
use super::{
    Site,
    access::Who,
    acts,
    forms::{ComparePage, Entered},
    html::Tab,
    pages::{Failed, path_of, render, sentence},
    view,
};
use crate::{
    climate::salts::Salt,
    engine::Status,
    inbox::{Message, Unavailable},
    notify::words::{Manner, ago, percent},
    problem::Problem,
    store::StoreError,
    watch::{
        Act, Correction, Offset, Offsets, Role, SensorName, SensorNow, Stamp,
        act::Corrected,
        correction::{self, MOST_MK, MOST_MPCT},
    },
};

/// Where a salt's humidity is said for when the sensor has not been heard, in C.
const ROOM_C: f64 = 20.0;

/// Where a sensor is compared.
pub(super) fn href(sensor: &str) -> String {
    format!("/sensors/compare?sensor={}", view::url(sensor))
}

/// What a sensor says by itself and what is made of it, where that differs: "It says 41.2 F itself; −0.7 F
/// is added since 10 Jan."
pub(super) fn in_short(
    s: &SensorNow,
    corrections: &[Correction],
    manner: Manner,
    now: Stamp,
) -> Option<String> {
    let own = corrections.iter().filter(|c| c.sensor == s.settings.name);
    let holds = offsets(own).at(now).filter(|o| !o.is_zero())?;
    let t = s.said.temperature.map(|t| manner.temperature(t));
    let said: Vec<String> = t.into_iter().chain(s.said.humidity.map(percent)).collect();
    let since = day(holds.from, now, manner);
    let added = format!("{} added since {since}", added(holds, manner));
    Some(if said.is_empty() {
        format!("Corrected: {added}.")
    } else {
        format!("Corrected: it says {} itself; {added}.", said.join(" and "))
    })
}

/// "10 Jan", with the year where it is another one.
pub(super) fn day(at: Stamp, now: Stamp, manner: Manner) -> String {
    let local = |s: Stamp| manner.zone.from_utc_datetime(&s.to_utc().naive_utc());
    let (then, today) = (local(at), local(now));
    let year = if then.year() == today.year() {
        ""
    } else {
        " %Y"
    };
    then.format(&format!("%-d %b{year}")).to_string()
}

fn moment(at: Stamp, now: Stamp, manner: Manner) -> String {
    format!("{}, {}", day(at, now, manner), manner.clock(at))
}

/// Which sensor, and how it is compared.
#[derive(Debug, Deserialize)]
pub struct Asked {
    sensor: String,
    #[serde(default)]
    way: String,
}

fn nobody(site: &Site) -> Failed {
    Failed::told(
        site,
        StatusCode::NOT_FOUND,
        "There is no such sensor",
        "No sensor of that name is in the configuration.".to_owned(),
        "Look for it on the page Sensors.",
    )
}

/// `GET /sensors/compare?sensor=..`: what a sensor is off by, and how to find out.
pub async fn compare(
    State(site): State<Site>,
    OriginalUri(uri): OriginalUri,
    asked: Result<Query<Asked>, QueryRejection>,
) -> Result<Response, Failed> {
    let Query(asked) = asked.map_err(|_| nobody(&site))?;
    let sent = Sent {
        sensor: asked.sensor,
        way: asked.way,
        ..Sent::default()
    };
    page(&site, sent, None, path_of(&uri)).await
}

/// `POST /sensors/compare`: enters what was found, or takes back what was entered.
pub async fn enter(
    State(site): State<Site>,
    who: Option<Extension<Who>>,
    sent: Result<Form<Sent>, FormRejection>,
) -> Result<Response, Failed> {
    let sent = acts::form(&site, sent)?;
    let Ok(sensor) = SensorName::new(&sent.sensor) else {
        return Err(nobody(&site));
    };
    let status = site.status.borrow().clone();
    let now = status.sensors.iter().find(|s| s.settings.name == sensor);
    let air_c = now.and_then(|s| s.temperature).map(|(_, t)| t);
    let own = own(&site, &sensor).await.map_err(Failed::store(&site))?;
    let corrected = match corrected(&site, sensor.clone(), &sent, air_c, &offsets(&own)) {
        Ok(corrected) => corrected,
        Err(why) => return page(&site, sent, Some(why), href(sensor.as_str())).await,
    };
    match acts::ask(&site, who, Act::Corrected(corrected)).await? {
        None => Ok(Redirect::to(&href(sensor.as_str())).into_response()),
        Some(why) => page(&site, sent, Some(sentence(&why)), href(sensor.as_str())).await,
    }
}

fn corrected(
    site: &Site,
    sensor: SensorName,
    sent: &Sent,
    air_c: Option<f64>,
    offsets: &Offsets,
) -> Result<Corrected, String> {
    let (offset, why) = if sent.begins.is_empty() {
        let found = found(sent, site.manner, air_c)?;
        let from = from(&sent.from, site.manner, site.clock.now())?;
        let offset = found.complete(from, offsets).map_err(|later| {
            format!(
                "Another correction begins later, on {}, and says nothing of this. Take the way \u{201c}{}\u{201d} and fill in both temperature and humidity; then enter this one once more from that day on.",
                moment(later, site.clock.now(), site.manner),
                Way::Difference.words()
            )
        })?;
        (offset, found.why)
    } else {
        let begins = DateTime::parse_from_rfc3339(&sent.begins);
        let begins = begins.map(|at| Stamp::from(at.to_utc())).ok();
        let begins = begins.filter(|at| offsets.begins_at(*at));
        let begins =
            begins.ok_or("There is no such correction; look at the list again.".to_owned())?;
        let why: String = sent.why.trim().chars().take(REASON).collect();
        if why.is_empty() {
            return Err("Write why it is taken back, so that the next person knows.".to_owned());
        }
        (offsets.before(begins), format!("taken back: {why}"))
    };
    Ok(Corrected {
        sensor,
        from: offset.from,
        temperature_mk: offset.temperature_mk,
        humidity_mpct: offset.humidity_mpct,
        why,
    })
}

/// Corrections of one sensor as they were entered.
async fn own(site: &Site, sensor: &SensorName) -> Result<Vec<Correction>, StoreError> {
    let mut all = site.store.corrections().await?;
    all.retain(|c| c.sensor == *sensor);
    Ok(all)
}

fn offsets<'a>(own: impl IntoIterator<Item = &'a Correction>) -> Offsets {
    let mut offsets = Offsets::default();
    for correction in own {
        offsets.enter(correction.offset());
    }
    offsets
}

async fn page(
    site: &Site,
    sent: Sent,
    fault: Option<String>,
    path: String,
) -> Result<Response, Failed> {
    let status: Arc<Status> = site.status.borrow().clone();
    let found = status.sensors.iter();
    let mut found = found.filter(|s| s.settings.name.as_str() == sent.sensor);
    let Some(s) = found.next() else {
        return Err(nobody(site));
    };
    let own = own(site, &s.settings.name)
        .await
        .map_err(Failed::store(site))?;
    let (now, manner) = (site.clock.now(), site.manner);
    let offsets = offsets(&own);
    let holds = offsets.at(now).filter(|o| !o.is_zero());
    let air_c = s.temperature.map_or(ROOM_C, |(_, t)| t).clamp(0.0, 30.0);
    let humid = s.humidity.is_some() || (s.temperature.is_none() && s.settings.role != Role::Soil);
    let ways = Way::ALL.into_iter().filter(|w| humid || *w != Way::Salt);
    let entered = entered(&own, &offsets, manner, now);
    // A fault stands with the form that was sent, where that is still on the page.
    let begins = entered.iter().filter_map(|e| e.begins.as_deref());
    let taking_back = begins.into_iter().any(|begins| begins == sent.begins);
    let status_code = match fault {
        Some(_) => StatusCode::UNPROCESSABLE_ENTITY,
        None => StatusCode::OK,
    };
    let page = ComparePage {
        frame: view::frame(site, &status, now, "Compare a sensor", Tab::Sensors, path),
        name: s.settings.name.to_string(),
        room: s.settings.room.clone(),
        says: says(s, manner, now),
        holds: match holds {
            Some(holds) => format!(
                "Added since {}: {}.",
                moment(holds.from, now, manner),
                added(holds, manner)
            ),
            None => "Nothing is added to what it says.".to_owned(),
        },
        checked: last_compared(s, &own, manner, now),
        ways: ways
            .map(|w| {
                let to = format!("{}&way={}#form", href(&sent.sensor), w.key());
                (w.words(), to, w.key() == sent.way)
            })
            .collect(),
        way: Way::parse(&sent.way).map_or("", Way::key),
        salts: Salt::ALL
            .into_iter()
            .map(|salt| {
                let chosen = match sent.salt.as_str() {
                    "" => salt == Salt::TableSalt,
                    word => word == salt.as_str(),
                };
                (salt.as_str(), salt_words(salt, air_c, manner), chosen)
            })
            .collect(),
        letter: manner.letter(),
        humid,
        most: format!(
            "{} or {} points of humidity",
            manner.difference(f64::from(MOST_MK) / 1000.0),
            MOST_MPCT / 1000
        ),
        fault_back: fault
            .clone()
            .filter(|_| taking_back)
            .map(|why| (sent.begins.clone(), why)),
        fault: fault.filter(|_| !taking_back),
        entered,
        sent,
    };
    let mut response = render(&page);
    if response.status() == StatusCode::OK {
        *response.status_mut() = status_code;
    }
    Ok(response)
}

/// What the sensor says now, and what is made of it.
fn says(s: &SensorNow, manner: Manner, now: Stamp) -> Vec<String> {
    let each = |what: &str, at: Stamp, value: String, itself: Option<String>| match itself {
        Some(itself) => format!(
            "{what}: the sensor says {itself}, corrected {value}, {}.",
            ago(at, now)
        ),
        None => format!("{what}: the sensor says {value}, {}.", ago(at, now)),
    };
    let t = s.temperature.map(|(at, t)| {
        let itself = s.said.temperature.map(|t| manner.temperature(t));
        each("Temperature", at, manner.temperature(t), itself)
    });
    let rh = s.humidity.map(|(at, rh)| {
        let one = |rh: f64| format!("{rh:.1}\u{a0}%");
        each("Humidity", at, one(rh), s.said.humidity.map(one))
    });
    t.into_iter().chain(rh).collect()
}

/// The later of what the configuration says and what was entered.
pub(super) fn last_compared(
    s: &SensorNow,
    own: &[Correction],
    manner: Manner,
    now: Stamp,
) -> Option<String> {
    let zone = manner.zone;
    let entered = correction::compared(own).remove(&s.settings.name);
    let entered = entered.map(|at| {
        zone.from_utc_datetime(&at.to_utc().naive_utc())
            .date_naive()
    });
    let last = s.settings.checked.max(entered)?;
    let noon = last.and_hms_opt(12, 0, 0)?;
    let noon = zone.from_local_datetime(&noon).earliest()?;
    Some(day(noon.to_utc().into(), now, manner))
}

/// Every correction, the newest first.
fn entered(own: &[Correction], offsets: &Offsets, manner: Manner, now: Stamp) -> Vec<Entered> {
    let counts = correction::stand(own)
        .into_iter()
        .zip(correction::take_back(own));
    let each = own.iter().zip(counts).map(|(c, (stands, takes_back))| {
        let next = offsets.all().iter().find(|o| c.from < o.from);
        let fate = match (stands, next) {
            (false, _) => "replaced by a later entry".to_owned(),
            (true, None) => "holds now".to_owned(),
            (true, Some(next)) => format!("until {}", moment(next.from, now, manner)),
        };
        Entered {
            what: added(c.offset(), manner),
            from: moment(c.from, now, manner),
            fate,
            stands,
            who_when: format!("{}, {}", c.who, moment(c.entered_at, now, manner)),
            why: sentence(c.why.trim_end_matches('.')),
            begins: (stands && !takes_back).then(|| c.from.to_rfc3339()),
        }
    });
    each.rev().collect()
}

/// One correction as programs enter it.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Asking {
    temperature_k: Option<f64>,
    humidity_points: Option<f64>,
    from: Option<DateTime<Utc>>,
    why: String,
}

/// The same as it was entered.
#[derive(Debug, Serialize)]
struct Told<'a> {
    from: String,
    temperature_k: f64,
    humidity_points: f64,
    why: &'a str,
    who: &'a str,
    entered_at: String,
    /// No later entry has the same beginning.
    stands: bool,
}

fn told(own: &[Correction]) -> Value {
    let each = own.iter().zip(correction::stand(own));
    let each = each.map(|(c, stands)| Told {
        from: c.from.to_rfc3339(),
        temperature_k: f64::from(c.temperature_mk) / 1000.0,
        humidity_points: f64::from(c.humidity_mpct) / 1000.0,
        why: &c.why,
        who: &c.who,
        entered_at: c.entered_at.to_rfc3339(),
        stands,
    });
    json!({ "corrections": each.collect::<Vec<_>>() })
}

fn problem(status: StatusCode, what: impl Into<String>) -> Response {
    let title = "Nothing was corrected";
    let kind = match status {
        StatusCode::SERVICE_UNAVAILABLE => "/problems/unavailable",
        StatusCode::UNPROCESSABLE_ENTITY => "/problems/correction",
        _ => "about:blank",
    };
    Problem::new(status, kind, title, what).into_response()
}

fn known(site: &Site, name: &str) -> Option<SensorName> {
    let status = site.status.borrow();
    let mut sensors = status.settings.sensors.iter();
    let found = sensors.find(|s| s.name.as_str() == name)?;
    Some(found.name.clone())
}

const NO_SENSOR: &str = "no sensor of that name is in the configuration";

/// `GET /api/sensors/NAME/corrections`: all that were ever entered, in that order.
pub async fn list(State(site): State<Site>, Path(name): Path<String>) -> Response {
    let Some(sensor) = known(&site, &name) else {
        return problem(StatusCode::NOT_FOUND, NO_SENSOR);
    };
    match own(&site, &sensor).await {
        Ok(own) => Json(told(&own)).into_response(),
        Err(error) => problem(StatusCode::SERVICE_UNAVAILABLE, error.to_string()),
    }
}

/// `POST /api/sensors/NAME/corrections`: what is to be added, in kelvin and in points of humidity; what is
/// left out stays as it is. Answered with all of them when it is on disk.
pub async fn post(
    State(site): State<Site>,
    who: Option<Extension<Who>>,
    Path(name): Path<String>,
    body: Result<Bytes, BytesRejection>,
) -> Response {
    let body = match body {
        Ok(body) => body,
        Err(error) => return problem(error.status(), error.body_text()),
    };
    let asking: Asking = match serde_json::from_slice(&body) {
        Ok(asking) => asking,
        Err(error) => return problem(StatusCode::BAD_REQUEST, error.to_string()),
    };
    let Some(sensor) = known(&site, &name) else {
        return problem(StatusCode::NOT_FOUND, NO_SENSOR);
    };
    if 2 * REASON < asking.why.chars().count() {
        let why = format!("`why` is longer than {} characters; shorten it", 2 * REASON);
        return problem(StatusCode::BAD_REQUEST, why);
    }
    let before = match own(&site, &sensor).await {
        Ok(own) => offsets(&own),
        Err(error) => return problem(StatusCode::SERVICE_UNAVAILABLE, error.to_string()),
    };
    let thousandths = |value: Option<f64>| value.map(|v| (v * 1000.0).round() as i32);
    let found = Found {
        temperature_mk: thousandths(asking.temperature_k),
        humidity_mpct: thousandths(asking.humidity_points),
        why: asking.why.trim().to_owned(),
    };
    let from = asking.from.map_or_else(|| site.clock.now(), Stamp::from);
    if found.temperature_mk.is_none() && found.humidity_mpct.is_none() {
        let why = "say `temperature_k`, `humidity_points` or both; 0 where it was found right";
        return problem(StatusCode::UNPROCESSABLE_ENTITY, why);
    }
    let Offset {
        from,
        temperature_mk,
        humidity_mpct,
    } = match found.complete(from, &before) {
        Ok(offset) => offset,
        Err(later) => {
            let why = format!(
                "another correction begins at {}; say both `temperature_k` and `humidity_points`, and enter this one once more from then on",
                later.to_rfc3339()
            );
            return problem(StatusCode::UNPROCESSABLE_ENTITY, why);
        }
    };
    let message = Message::Act {
        act: Act::Corrected(Corrected {
            sensor: sensor.clone(),
            from,
            temperature_mk,
            humidity_mpct,
            why: found.why,
        }),
        who: acts::person(who),
    };
    match site.inbox.send(message).await {
        Ok(_) => {}
        Err(Unavailable::Refused(why)) => return problem(StatusCode::UNPROCESSABLE_ENTITY, why),
        Err(error) => {
            let why = format!("{error}; send it again in a minute");
            return problem(StatusCode::SERVICE_UNAVAILABLE, why);
        }
    }
    match own(&site, &sensor).await {
        Ok(own) => (StatusCode::CREATED, Json(told(&own))).into_response(),
        Err(error) => problem(StatusCode::SERVICE_UNAVAILABLE, error.to_string()),
    }
}
