//! The page about one alert: where the link in a message leads.

use axum::{
    extract::{OriginalUri, Query, State, rejection::QueryRejection},
    http::StatusCode,
    response::{IntoResponse, Response},
};
use serde::Deserialize;

use super::{
    Site, acts,
    forms::{AlertPage, Shelving},
    html::{Alert, Seen, Tab, Tone},
    pages::{Failed, path_of, render, sentence},
    view,
};
use crate::{
    notify::message::{Message, figures_of_past, until},
    store::alerts::AlertRow,
    watch::{Act, Occurrence, Stamp, Standing, State as AlertState},
};

/// Deeds looked through for those about one alert, the newest.
const DEEDS: i64 = 500;

/// What was typed into the form for the shelf.
#[derive(Debug, Clone, Default)]
pub(super) struct Typed {
    pub(super) reason: String,
    pub(super) span: String,
    pub(super) one_shot: bool,
}

/// Which alert.
#[derive(Debug, Deserialize)]
pub struct Asked {
    #[serde(default)]
    occurrence: String,
}

/// Where one occurrence is shown.
pub(super) fn href(occurrence: &Occurrence) -> String {
    format!("/alert?occurrence={}", view::url(&occurrence.to_string()))
}

/// `GET /alert?occurrence=..`: one alert and everything that can be done about it.
pub async fn alert(
    State(site): State<Site>,
    OriginalUri(uri): OriginalUri,
    asked: Result<Query<Asked>, QueryRejection>,
) -> Result<Response, Failed> {
    let Query(asked) = asked.map_err(|_| nothing(&site))?;
    let named: Occurrence = asked.occurrence.parse().map_err(|_| nothing(&site))?;
    page(&site, &named, None, path_of(&uri)).await
}

fn nothing(site: &Site) -> Failed {
    Failed::told(
        site,
        StatusCode::NOT_FOUND,
        "There is no such alert",
        "The address names no alert that was ever raised here.".to_owned(),
        "Look at the page Alerts.",
    )
}

/// The page, with the words of a refusal and what was typed when it was refused.
pub(super) async fn page(
    site: &Site,
    named: &Occurrence,
    refused: Option<(String, Typed)>,
    path: String,
) -> Result<Response, Failed> {
    let status = site.status.borrow().clone();
    let now = site.clock.now();
    let crates = site.store.crates().await.map_err(Failed::store(site))?;
    let same =
        |s: &&Standing| s.occurrence.kind == named.kind && s.occurrence.subject == named.subject;
    let standing = status.alerts.iter().find(|s| s.occurrence == *named);
    let row = site.store.alert(named).await.map_err(Failed::store(site))?;
    let mut shown = match (standing, &row) {
        (Some(standing), _) => view::alert(standing, &crates, now, site.manner),
        (None, Some(row)) => past(site, row, now),
        (None, None) => return Err(nothing(site)),
    };
    if let (Seen::By { name, at }, Some(row)) = (&mut shown.seen, &row) {
        if let Some(who) = &row.acknowledged_by {
            name.clone_from(who);
        }
        if let Some(when) = row.acknowledged_at {
            *at = site.manner.moment(when, now);
        }
    }
    let later = match standing {
        Some(_) => None,
        None => status.alerts.iter().find(same).map(|s| href(&s.occurrence)),
    };
    let (fault, typed) = match refused {
        Some((why, typed)) => (Some(sentence(&why)), typed),
        None => (None, Typed::default()),
    };
    let code = if fault.is_some() {
        StatusCode::UNPROCESSABLE_ENTITY
    } else {
        StatusCode::OK
    };
    let can_shelve = standing.is_some_and(|s| {
        !matches!(
            s.state,
            AlertState::Shelved | AlertState::OutOfService | AlertState::Normal
        )
    });
    let shelving = can_shelve.then(|| Shelving {
        reason: typed.reason,
        spans: acts::spans(site, now)
            .into_iter()
            .map(|(value, words, _)| {
                let chosen = typed.span == value || (typed.span.is_empty() && value == "2h");
                (value, words, chosen)
            })
            .collect(),
        one_shot: typed.one_shot,
        can_end: standing.is_some_and(|s| s.active),
    });
    let page = AlertPage {
        frame: view::frame(site, &status, now, &shown.headline, Tab::Alerts, path),
        state: state(site, standing, row.as_ref(), later.is_some(), now),
        later,
        fault,
        shelving,
        shelved: standing.is_some_and(|s| s.shelf.is_some()),
        reset: standing.and_then(|s| match s.state {
            AlertState::LatchedAcknowledged => Some(true),
            AlertState::LatchedUnacknowledged => Some(false),
            _ => None,
        }),
        out: standing.is_some_and(|s| s.state == AlertState::OutOfService),
        kind: named.kind.as_str(),
        record: record(site, named).await?,
        alert: shown,
    };
    Ok((code, render(&page)).into_response())
}

/// What people did about one occurrence, oldest first.
async fn record(site: &Site, named: &Occurrence) -> Result<Vec<String>, Failed> {
    let deeds = site.store.deeds(DEEDS).await.map_err(Failed::store(site))?;
    let manner = site.manner;
    let each = deeds.into_iter().rev().filter_map(|(at, who, act)| {
        let (occurrence, what) = match act {
            Act::Acknowledge(n) => (n.occurrence, "acknowledged".to_owned()),
            Act::Unshelve(n) => (n.occurrence, "taken off the shelf".to_owned()),
            Act::Reset(n) => (n.occurrence, "reset".to_owned()),
            Act::Shelve(s) => (
                s.occurrence,
                format!(
                    "put on the shelf until {}: {}",
                    manner.day_and_clock(s.until),
                    s.reason
                ),
            ),
            _ => return None,
        };
        (occurrence == *named).then(|| format!("{}, {who}: {what}", manner.day_and_clock(at)))
    });
    Ok(each.collect())
}

/// How an alert stands, in a sentence.
pub(super) fn state(
    site: &Site,
    standing: Option<&Standing>,
    row: Option<&AlertRow>,
    followed: bool,
    now: Stamp,
) -> String {
    let Some(s) = standing else {
        let seen = match row.and_then(|r| Some((r.acknowledged_by.as_ref()?, r.acknowledged_at?))) {
            Some((who, at)) => format!("Seen by {who}, {}.", site.manner.moment(at, now)),
            None => "Nobody acknowledged it.".to_owned(),
        };
        let what = if followed {
            "A later one has followed it."
        } else {
            "It is over."
        };
        return format!("{what} {seen}");
    };
    match s.state {
        AlertState::Unacknowledged => "Nobody has acknowledged it yet.".to_owned(),
        AlertState::Acknowledged => "Somebody has seen it; it still holds.".to_owned(),
        AlertState::ReturnedUnacknowledged => {
            "It came and went, and nobody has acknowledged it.".to_owned()
        }
        AlertState::LatchedUnacknowledged => {
            "It is over, and nobody has acknowledged it.".to_owned()
        }
        AlertState::LatchedAcknowledged => {
            "It is over and seen, and stands until somebody has looked.".to_owned()
        }
        AlertState::Shelved => aside(site, s, now),
        AlertState::Suppressed => {
            "Nobody is told of it: its only sensor says nothing, and that is told instead."
                .to_owned()
        }
        AlertState::OutOfService => {
            "Nobody is told of it: its sensor is out of service.".to_owned()
        }
        AlertState::Normal => "It is over.".to_owned(),
    }
}

/// Until when, why and by whom it lies on the shelf.
pub(super) fn aside(site: &Site, s: &Standing, now: Stamp) -> String {
    let Some(shelf) = &s.shelf else {
        return String::new();
    };
    let early = if shelf.one_shot {
        ", or until it is over"
    } else {
        ""
    };
    let over = if s.active { "" } else { " It is over by now." };
    format!(
        "On the shelf until {}{early}, by {}: {}.{over}",
        site.manner.moment(shelf.until, now),
        shelf.by,
        shelf.reason
    )
}

/// An occurrence that is over, from the record.
fn past(site: &Site, row: &AlertRow, now: Stamp) -> Alert {
    let since: Stamp = chrono::DateTime::parse_from_rfc3339(&row.figures.since)
        .map_or(row.occurrence.raised_at, |s| s.to_utc().into());
    let words = Message::of(
        &row.occurrence,
        &row.room,
        &row.figures,
        since,
        now,
        site.manner,
    );
    let end = until(&row.figures).or(row.ended_at);
    let lasted = end.map_or_else(String::new, |end| {
        format!(
            ", lasted {}",
            crate::notify::words::span_exact(end.since(since))
        )
    });
    Alert {
        occurrence: row.occurrence.to_string(),
        tone: Tone::LookSoon,
        priority: "Over".to_owned(),
        headline: words.headline,
        since: format!("Began {}{lasted}", site.manner.moment(since, now)),
        figures: figures_of_past(row.occurrence.kind, &row.figures, site.manner),
        consequence: words.consequence.to_owned(),
        steps: words.steps.iter().map(|&s| s.to_owned()).collect(),
        crates: Vec::new(),
        crates_more: None,
        crates_href: "/crates".to_owned(),
        caution: words.caution.map(str::to_owned),
        seen: Seen::Nothing,
        href: href(&row.occurrence),
        reset: false,
    }
}
