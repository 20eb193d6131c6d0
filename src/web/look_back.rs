//! The page that tells what another limit would have told, before it is put into force.

use std::collections::BTreeSet;

use axum::{
    extract::{OriginalUri, Query, State},
    http::StatusCode,
    response::Response,
};
use chrono::{NaiveDate, NaiveTime};
use serde::Deserialize;

use super::{
    Site,
    forms::{LookBackAnswer, LookBackPage},
    html::Tab,
    pages::{Failed, path_of, render, sentence, small},
    view,
};
use crate::{
    climate::{Celsius, Unit},
    engine::backtest::{self, Backtest},
    notify::{
        kinds::reason,
        message::the,
        telling::{local, moment},
        words::{count, percent, span},
    },
    watch::{
        Kind, Settings,
        reading::{HOUR_MS, Stamp},
    },
};

/// Looked at unless another day is given.
const DAYS: i64 = 60;
const KINDS: [Kind; 5] = [
    Kind::DryOut,
    Kind::RotRisk,
    Kind::Warm,
    Kind::Cold,
    Kind::Frost,
];

/// What the form sends.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct Asked {
    room: String,
    kind: String,
    limit: String,
    hours: String,
    since: String,
}

fn humidity(kind: Kind) -> bool {
    matches!(kind, Kind::DryOut | Kind::RotRisk)
}

/// A limit as a person says it.
fn limit_text(site: &Site, kind: Kind, value: f64) -> String {
    if humidity(kind) {
        percent(value)
    } else {
        site.manner.limit(value)
    }
}

/// `72`, `72 %`, `41F`, `5,5 C`; without a letter in the site's unit.
fn typed_limit(site: &Site, kind: Kind, text: &str) -> Result<f64, String> {
    let text = text.trim().replace(',', ".");
    let digits: String = text
        .chars()
        .filter(|c| c.is_ascii_digit() || matches!(c, '.' | '-'))
        .collect();
    let number: f64 = digits
        .parse()
        .map_err(|_| "give the limit as a number, such as 72 or 41".to_owned())?;
    if humidity(kind) {
        return if (0.0..=100.0).contains(&number) {
            Ok(number)
        } else {
            Err("a humidity lies between 0 and 100 %".to_owned())
        };
    }
    let fahrenheit = match text.chars().last() {
        Some('F' | 'f') => true,
        Some('C' | 'c') => false,
        _ => site.manner.unit == Unit::F,
    };
    let t = if fahrenheit {
        Celsius::from_sensor_fahrenheit(number)
    } else {
        Celsius::from_sensor(number)
    };
    t.map(Celsius::degrees).map_err(|e| e.to_string())
}

/// `GET /alerts/look-back`: the form, and the answer once something is asked.
pub async fn look_back(
    State(site): State<Site>,
    OriginalUri(uri): OriginalUri,
    Query(asked): Query<Asked>,
) -> Result<Response, Failed> {
    let status = site.status.borrow().clone();
    let now = site.clock.now();
    let settings = status.settings.clone();
    let room = settings
        .rooms
        .iter()
        .find(|r| r.name == asked.room)
        .or(settings.rooms.first());
    let kind = Kind::parse(&asked.kind)
        .filter(|k| KINDS.contains(k))
        .unwrap_or(Kind::DryOut);
    let day_of = |at: Stamp| local(site.manner.zone, at).date();
    let since = asked
        .since
        .parse::<NaiveDate>()
        .unwrap_or_else(|_| day_of(now.plus(-DAYS * 24 * HOUR_MS)));
    let mut fault = None;
    let mut answer = None;
    let name = room.map(|r| r.name.clone()).unwrap_or_default();
    let in_force = room.map_or_else(String::new, |r| {
        let mut limits = r.in_force();
        let steps = limits.rungs_mut(kind).map_or(&[][..], |r| &r.steps[..]);
        let steps: Vec<String> = steps
            .iter()
            .map(|s| {
                format!(
                    "{} for {}",
                    limit_text(&site, kind, s.limit),
                    span(s.delay_ms)
                )
            })
            .collect();
        let named = small(reason(kind).name);
        format!("for {named} in {}: {}", the(&r.name), steps.join(", then "))
    });
    if !asked.limit.is_empty() {
        match changed(&site, &settings, &name, kind, &asked) {
            Ok(change) => answer = Some(compare(&site, &settings, &change, kind, since).await?),
            Err(why) => fault = Some(sentence(&why)),
        }
    }
    let page = LookBackPage {
        frame: view::frame(&site, &status, now, "Look back", Tab::Alerts, path_of(&uri)),
        rooms: settings
            .rooms
            .iter()
            .map(|r| (r.name.clone(), r.name == name))
            .collect(),
        kinds: KINDS
            .iter()
            .map(|k| (k.to_string(), reason(*k).name.to_owned(), *k == kind))
            .collect(),
        limit: asked.limit,
        hours: asked.hours,
        since: since.to_string(),
        in_force,
        fault,
        answer,
    };
    Ok(render(&page))
}

struct Change {
    settings: Settings,
    room: String,
    /// The limit now and then.
    limits: (f64, f64),
    delay_ms: i64,
    /// The same as a section of the configuration.
    lines: String,
}

fn changed(
    site: &Site,
    settings: &Settings,
    name: &str,
    kind: Kind,
    asked: &Asked,
) -> Result<Change, String> {
    let limit = typed_limit(site, kind, &asked.limit)?;
    let hours: Option<f64> = match asked.hours.trim() {
        "" => None,
        text => Some(
            text.replace(',', ".")
                .parse()
                .ok()
                .filter(|h| (0.0..=240.0).contains(h))
                .ok_or_else(|| "give the hours as a number up to 240".to_owned())?,
        ),
    };
    let mut settings = settings.clone();
    let room = settings
        .rooms
        .iter_mut()
        .find(|r| r.name == name)
        .ok_or_else(|| "there is no such room".to_owned())?;
    let mut limits = room.in_force();
    let Some(own) = limits.rungs_mut(kind) else {
        return Err("this kind has no limit of its own".to_owned());
    };
    let falling = matches!(kind, Kind::Frost | Kind::Cold | Kind::DryOut);
    let Some(first) = own.steps.first_mut() else {
        return Err("nothing is judged in this stage of the room".to_owned());
    };
    let before = first.limit;
    first.limit = limit;
    if let Some(hours) = hours {
        first.delay_ms = (hours * HOUR_MS as f64) as i64;
    }
    let delay_ms = first.delay_ms;
    let milder = own.steps.get(1).is_some_and(|s| {
        if falling {
            limit < s.limit
        } else {
            s.limit < limit
        }
    });
    if milder {
        return Err(format!(
            "the second step is at {}; the first must be milder",
            limit_text(site, kind, own.steps[1].limit)
        ));
    }
    let quoted = |value: f64| {
        if humidity(kind) {
            format!("{value}%")
        } else {
            site.manner.limit(value).replace('\u{a0}', "")
        }
    };
    let steps: Vec<String> = own
        .steps
        .iter()
        .map(|s| {
            format!(
                "  {{ beyond = \"{}\", for = \"{}\", priority = \"{}\" }},",
                quoted(s.limit),
                humantime::format_duration(std::time::Duration::from_millis(
                    s.delay_ms.unsigned_abs()
                )),
                s.priority.as_str()
            )
        })
        .collect();
    let lines = format!("[room.{kind}]\nsteps = [\n{}\n]", steps.join("\n"));
    if room.stage == crate::watch::Stage::Storing {
        room.limits = limits;
    } else {
        let stage = room.stage;
        room.stages.retain(|(s, _)| *s != stage);
        room.stages.push((stage, limits));
    }
    Ok(Change {
        room: room.name.clone(),
        settings,
        limits: (before, limit),
        delay_ms,
        lines,
    })
}

async fn compare(
    site: &Site,
    settings: &Settings,
    change: &Change,
    kind: Kind,
    since: NaiveDate,
) -> Result<LookBackAnswer, Failed> {
    // One at a time: each looks through the whole record.
    let Ok(_turn) = site.looking.try_acquire() else {
        return Err(Failed::told(
            site,
            StatusCode::SERVICE_UNAVAILABLE,
            "Somebody is looking back just now",
            "Each look goes through everything that is stored.".to_owned(),
            "Try again in a few seconds.",
        ));
    };
    let from = moment(site.manner.zone, since, NaiveTime::MIN);
    let telling = &site.told.telling;
    let failed = || Failed::store(site);
    let look = |settings: Settings| backtest::recorded(&site.store, settings, telling);
    let now: Backtest = look(settings.clone()).await.map_err(failed())?;
    let then: Backtest = look(change.settings.clone()).await.map_err(failed())?;
    let sent = backtest::sent(&site.store, telling, from)
        .await
        .map_err(failed())?;
    let (before, after) = (now.messages(from), then.messages(from));
    let (days_now, days_then) = (now.days(from), then.days(from));
    let all: BTreeSet<NaiveDate> = days_now.keys().chain(days_then.keys()).copied().collect();
    let days = all.into_iter().filter_map(|day| {
        let of = |days: &std::collections::BTreeMap<NaiveDate, backtest::DayCount>| {
            days.get(&day).map_or(0, |c| c.messages)
        };
        let (a, b) = (of(&days_now), of(&days_then));
        (0 < a + b).then(|| {
            let difference = format!("{:+}", i64::from(b) - i64::from(a));
            (day.format("%a %-d %b").to_string(), a, b, difference)
        })
    });
    let days = days.collect();
    let (old, new) = change.limits;
    let instead = if (old - new).abs() < 1e-9 {
        format!(
            "With {} for {}",
            limit_text(site, kind, new),
            span(change.delay_ms)
        )
    } else {
        format!(
            "With {} instead of {}",
            limit_text(site, kind, new),
            limit_text(site, kind, old)
        )
    };
    let sent: u32 = sent.values().map(|c| c.messages).sum();
    Ok(LookBackAnswer {
        sentence: format!(
            "{instead} in {} you would have had {} instead of {before} since {}.",
            crate::notify::message::the(&change.room),
            count(after, "message", "messages"),
            since.format("%-d %B"),
        ),
        sent: (0 < sent).then(|| {
            format!(
                "{} really owed in that time; limits, contacts and acknowledgements of the day may have differed.",
                count(sent as usize, "message was", "messages were")
            )
        }),
        days,
        lines: change.lines.clone(),
    })
}
