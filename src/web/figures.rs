//! How well the alerts themselves did, as a short list on the page Alerts and for programs.

use std::collections::BTreeMap;

use axum::{
    Json,
    extract::{Query, State, rejection::QueryRejection},
    http::StatusCode,
    response::{IntoResponse, Response},
};
use serde_json::{Value, json};
use tracing::error;

use super::{Site, html::Tone, pages::Failed};
use crate::{
    engine::Status,
    notify::{
        kinds::reason,
        message::the,
        words::{count, span, thousands},
    },
    problem::Problem,
    season::alerting::{self, BEFORE_MS, FLOOD, Figures, Frequent, Raised, Sort, Told},
    store::{StoreError, alerts::AlertRow, outbox::MessageRow},
    watch::{Kind, Stamp, State as AlertState, Subject, reading::HOUR_MS},
};

const DAY_MS: i64 = 24 * HOUR_MS;
/// Days on the page, and for programs that do not say (ANSI/ISA-18.2 clause 16: at least 30).
const DAYS: i64 = 30;
/// The longest period that is answered: a year and a month.
const MOST_DAYS: i64 = 400;

/// The figures as a page shows them.
#[derive(Debug, Clone)]
pub struct Section {
    /// "30 days".
    pub days: String,
    /// Every figure.
    pub lines: Vec<Line>,
}

/// One figure beside its mark.
#[derive(Debug, Clone)]
pub struct Line {
    /// "Messages to one person, per room and day".
    pub name: String,
    /// "0.4".
    pub value: String,
    /// "Should be at most 1."; empty where there is no mark.
    pub target: String,
    /// The mark is missed.
    pub missed: bool,
}

/// The section of the page Alerts: the last 30 days.
pub async fn section(site: &Site, status: &Status, now: Stamp) -> Result<Section, Failed> {
    let figures = read(site, status, now.plus(-DAYS * DAY_MS), now)
        .await
        .map_err(Failed::store(site))?;
    Ok(Section {
        days: count(DAYS as usize, "day", "days"),
        lines: lines(&figures, site),
    })
}

/// `GET /api/alerts/figures?days=30`: the figures of the last 1 to 400 days.
pub async fn api(
    State(site): State<Site>,
    asked: Result<Query<BTreeMap<String, String>>, QueryRejection>,
) -> Response {
    let days = match asked {
        Ok(Query(asked)) => asked
            .get("days")
            .map_or(Some(DAYS), |days| days.parse().ok()),
        Err(_) => None,
    };
    let Some(days) = days.filter(|days| (1..=MOST_DAYS).contains(days)) else {
        return Problem::new(
            StatusCode::BAD_REQUEST,
            "/problems/days",
            "No such period",
            format!("`days` is a whole number from 1 to {MOST_DAYS}"),
        )
        .into_response();
    };
    let status = site.status.borrow().clone();
    let now = site.clock.now();
    match read(&site, &status, now.plus(-days * DAY_MS), now).await {
        Ok(figures) => Json(for_programs(&figures, days)).into_response(),
        Err(fault) => {
            error!(error = ?fault, "the figures could not be made");
            Problem::new(
                StatusCode::SERVICE_UNAVAILABLE,
                "/problems/unavailable",
                "The figures could not be made",
                fault.to_string(),
            )
            .into_response()
        }
    }
}

async fn read(site: &Site, status: &Status, from: Stamp, to: Stamp) -> Result<Figures, StoreError> {
    let alerts = site.store.alerts_between(from.plus(-BEFORE_MS), to).await?;
    let messages = site.store.messages_between(from, to).await?;
    let alerts: Vec<Raised> = alerts.into_iter().map(raised).collect();
    let messages: Vec<Told> = messages.into_iter().map(told).collect();
    let rooms = status.settings.rooms.len();
    Ok(alerting::figures(&alerts, &messages, rooms, from, to))
}

fn raised(a: AlertRow) -> Raised {
    Raised {
        raised_at: a.occurrence.raised_at,
        acknowledged_at: a.acknowledged_at,
        ended_at: a.ended_at,
        open: a.state != AlertState::Normal,
        priority: a.priority,
        kind: a.occurrence.kind,
        subject: a.occurrence.subject,
        room: a.room,
    }
}

fn told(m: MessageRow) -> Told {
    Told {
        at: m.at,
        contact: m.contact,
        room: m.room,
        sort: Sort::of(&m.purpose),
        about: format!("{} {}", m.purpose, m.occurrences.join("\n")),
    }
}

/// `Damp in the cellar`.
fn alert_name(kind: Kind, subject: &Subject, room: &str) -> String {
    let name = reason(kind).name;
    match subject {
        Subject::Room(room) => format!("{name} in {}", the(room)),
        Subject::Crate(code) if room.is_empty() => format!("{name} in crate {code}"),
        Subject::Crate(code) => format!("{name} in crate {code}, {}", the(room)),
        Subject::Sensor(sensor) => format!("{name}: {sensor}"),
        Subject::Recorder => name.to_owned(),
        Subject::Channel(channel) => format!("{name}: {channel}"),
    }
}

fn share(n: usize, of: usize) -> f64 {
    if of == 0 { 0.0 } else { n as f64 / of as f64 }
}

fn percent(n: usize, of: usize) -> String {
    format!("{:.0}\u{a0}%", share(n, of) * 100.0)
}

fn most_on(day: Option<(Stamp, usize)>, site: &Site) -> String {
    match day {
        None => "none on any day".to_owned(),
        Some((begin, n)) => format!(
            "most on one day {n}, from {} on",
            site.manner.day_and_clock(begin)
        ),
    }
}

fn lines(f: &Figures, site: &Site) -> Vec<Line> {
    let line = |name: &str, value: String, target: &str, missed: bool| Line {
        name: name.to_owned(),
        value,
        target: target.to_owned(),
        missed,
    };
    let mut all = Vec::new();
    let per_day = f.per_room_day.unwrap_or_default();
    all.push(line(
        "Messages to the person told most, per room and day",
        format!("{per_day:.1}; {}", most_on(f.worst_day, site)),
        "Should be at most 1 on average (a figure of this project).",
        1.0 < per_day,
    ));
    all.push(line(
        "Beside these, not counted",
        format!(
            "{}, {}, {}",
            count(f.reminders, "reminder", "reminders"),
            count(f.summaries, "summary", "summaries"),
            count(f.tests, "test", "tests")
        ),
        "",
        false,
    ));
    all.push(line(
        "Most messages to one person in any ten minutes",
        f.most_in_window.to_string(),
        "Should be at most 10 (ISA-18.2, EEMUA 191).",
        FLOOD < f.most_in_window,
    ));
    let flooded = share(f.windows_above, f.windows);
    all.push(line(
        "Stretches of ten minutes with more than ten",
        format!("{} of {}", f.windows_above, thousands(f.windows as i64)),
        "Should be less than 1 % (ISA-18.2).",
        0.01 <= flooded,
    ));
    let [low, medium, high] = f.by_priority;
    let tones = [
        (Tone::LookSoon, low),
        (Tone::ActToday, medium),
        (Tone::ActNow, high),
    ];
    let shares: Vec<String> = tones
        .into_iter()
        .map(|(tone, n)| {
            format!(
                "{} {n} ({})",
                tone.word().to_lowercase(),
                percent(n, f.raised)
            )
        })
        .collect();
    all.push(line(
        "Alerts raised",
        if f.raised == 0 {
            "none".to_owned()
        } else {
            format!("{}: {}", thousands(f.raised as i64), shares.join(", "))
        },
        "Should be about 80, 15 and 5 % (ISA-18.2); of a few alerts that says little.",
        false,
    ));
    let none_or = |names: Vec<String>| {
        if names.is_empty() {
            "none".to_owned()
        } else {
            names.join("; ")
        }
    };
    let chattering: Vec<String> = f
        .chattering
        .iter()
        .map(|(kind, subject)| alert_name(*kind, subject, ""))
        .collect();
    all.push(line(
        "Raised three times within an hour",
        none_or(chattering),
        "Should be none (ISA-18.2; the hour is this project's).",
        !f.chattering.is_empty(),
    ));
    all.push(line(
        "Over within ten minutes",
        if f.fleeting == 0 {
            "none".to_owned()
        } else {
            thousands(f.fleeting as i64)
        },
        "Should be none (ISA-18.2; the ten minutes are this project's).",
        0 < f.fleeting,
    ));
    all.push(line(
        "Active for more than a day",
        format!("{} now; {}", f.stale_now, most_on(f.stale_worst, site)),
        "Should be fewer than 5 on any day (ISA-18.2).",
        f.stale_worst.is_some_and(|(_, n)| 5 <= n),
    ));
    let longest = f.longest_unacknowledged_ms.map(span);
    all.push(line(
        "Time until somebody acknowledged",
        match (f.median_to_acknowledge_ms.map(span), longest) {
            (_, None) => "no alert was raised".to_owned(),
            (None, Some(longest)) => format!("nobody did; the longest wait was {longest}"),
            (Some(median), Some(longest)) => {
                format!("half of them within {median}; the longest wait was {longest}")
            }
        },
        "There is no published mark.",
        false,
    ));
    let (most, missed) = match &f.most_frequent {
        None => ("none".to_owned(), false),
        Some(m) => (
            format!(
                "{}: {} of {} ({})",
                alert_name(m.kind, &m.subject, &m.room),
                m.times,
                f.raised,
                percent(m.times, f.raised)
            ),
            // Of three alerts one is always more than a quarter.
            4 < f.raised && f.raised < 4 * m.times,
        ),
    };
    all.push(line(
        "Raised most often",
        most,
        "Should be at most a quarter of all (a figure of this project).",
        missed,
    ));
    all
}

fn for_programs(f: &Figures, days: i64) -> Value {
    let day = |d: Option<(Stamp, usize)>| {
        d.map(|(from, n)| json!({ "from": from.to_rfc3339(), "count": n }))
    };
    let seconds = |ms: Option<i64>| ms.map(|ms| ms / 1000);
    let [low, medium, high] = f.by_priority;
    let shares = f.by_priority.map(|n| share(n, f.raised));
    let frequent = |m: &Frequent| {
        json!({
            "kind": m.kind, "subject": m.subject, "room": m.room, "count": m.times,
            "share": share(m.times, f.raised),
        })
    };
    let chattering: Vec<Value> = f
        .chattering
        .iter()
        .map(|(kind, subject)| json!({ "kind": kind, "subject": subject }))
        .collect();
    json!({
        "from": f.from.to_rfc3339(),
        "to": f.to.to_rfc3339(),
        "days": days,
        "messages": {
            "count": f.messages,
            "per_room_day": f.per_room_day,
            "worst_day": day(f.worst_day),
            "most_in_ten_minutes": f.most_in_window,
            "windows": f.windows,
            "windows_above_ten": f.windows_above,
            "windows_above_ten_share": share(f.windows_above, f.windows),
            "not_counted": { "reminders": f.reminders, "summaries": f.summaries, "tests": f.tests },
        },
        "alerts": {
            "count": f.raised,
            "by_priority": { "low": low, "medium": medium, "high": high },
            "shares": { "low": shares[0], "medium": shares[1], "high": shares[2] },
            "chattering": chattering,
            "fleeting": f.fleeting,
            "stale_now": f.stale_now,
            "stale_worst_day": day(f.stale_worst),
            "longest_unacknowledged_s": seconds(f.longest_unacknowledged_ms),
            "median_to_acknowledge_s": seconds(f.median_to_acknowledge_ms),
            "most_frequent": f.most_frequent.as_ref().map(frequent),
        },
    })
}
