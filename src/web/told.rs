//! The page about who is told: contacts, channels, and every message with what came of it.

use std::sync::Arc;

use axum::{
    Extension, Form,
    extract::{OriginalUri, State, rejection::FormRejection},
    http::StatusCode,
    response::{IntoResponse, Redirect, Response},
};
use serde::Deserialize;

use super::{
    Site,
    access::Who,
    acts::{form, refuse},
    forms::{ToldChannel, ToldContact, ToldMessage, ToldPage},
    html::{Tab, Tone},
    pages::{Failed, path_of, render},
    view,
};
use crate::{
    engine::telling::overdue,
    inbox::{Message, Unavailable},
    notify::{
        telling::{Contact, Purpose, Telling},
        words::{count, span},
    },
    store::outbox::MessageRow,
    watch::{Kind, Priority, SensorName, Stamp, Subject},
};

/// Messages shown, the newest.
const SHOWN: usize = 50;
/// Messages looked through for how a channel does.
const READ: i64 = 1000;

/// Who is told, and by which channels, as configured.
#[derive(Debug, Clone, Default)]
pub struct Told {
    /// Contacts and hours.
    pub telling: Telling,
    /// Every channel and what kind it is, in words.
    pub channels: Vec<(SensorName, &'static str)>,
    /// SHA-256 of the key in the address of the feed, in hexadecimal.
    pub feed_sha256: Option<String>,
}

/// `GET /told`.
pub async fn told(
    State(site): State<Site>,
    OriginalUri(uri): OriginalUri,
) -> Result<Response, Failed> {
    let status = site.status.borrow().clone();
    let now = site.clock.now();
    let failed = || Failed::store(&site);
    let messages = site.store.messages(READ).await.map_err(failed())?;
    let tests = site.store.tests().await.map_err(failed())?;
    let told: &Arc<Told> = &site.told;
    let overdue = overdue(&site.store, &told.telling, now)
        .await
        .map_err(failed())?;
    let channels = told.channels.iter().map(|(name, kind)| {
        let own: Vec<&MessageRow> = messages
            .iter()
            .filter(|m| m.channel == name.as_str())
            .collect();
        let failing = status.alerts.iter().find(|a| {
            a.active
                && a.occurrence.kind == Kind::ChannelFailing
                && a.occurrence.subject == Subject::Channel(name.to_string())
        });
        let delivered = own.iter().filter(|m| m.state == "sent");
        let last = delivered.filter_map(|m| m.done_at).max();
        let waits = own.iter().filter(|m| m.state == "waiting" && 0 < m.tries);
        let (tone, state) = match (failing, waits.count(), last) {
            (Some(a), ..) => (
                Tone::ActToday,
                format!(
                    "Delivers nothing since {}",
                    site.manner.moment(a.since, now)
                ),
            ),
            (None, waiting @ 1.., _) => (
                Tone::LookSoon,
                format!(
                    "Not taken at the last try, {}",
                    count(waiting, "message waits", "messages wait")
                ),
            ),
            (None, 0, Some(at)) => (
                Tone::Well,
                format!("Delivered {}", site.manner.moment(at, now)),
            ),
            (None, 0, None) => (Tone::NoWord, "Nothing sent yet".to_owned()),
        };
        let test = match tests.get(name.as_str()) {
            Some((_, Some(at))) => format!(
                "Last test got through {}; the next comes with the new month",
                site.manner.moment(*at, now)
            ),
            Some((owed, None)) => format!(
                "A test is on its way since {}",
                site.manner.moment(*owed, now)
            ),
            None => "No test yet".to_owned(),
        };
        ToldChannel {
            name: name.to_string(),
            kind: (*kind).to_owned(),
            tone,
            state,
            test,
            used: told
                .telling
                .contacts
                .iter()
                .any(|c| c.channels.contains(name)),
        }
    });
    let waiting = messages.iter().filter(|m| m.state == "waiting").count();
    let clock = |t: chrono::NaiveTime| t.format("%-H:%M").to_string();
    let page = ToldPage {
        frame: view::frame(
            &site,
            &status,
            now,
            "Who is told",
            Tab::Alerts,
            path_of(&uri),
        ),
        contacts: told.telling.contacts.iter().map(contact).collect(),
        channels: channels.collect(),
        overdue,
        hours: (
            clock(told.telling.summary_at),
            clock(told.telling.remind_at),
        ),
        waiting: (0 < waiting).then(|| {
            format!(
                "{} to be delivered.",
                count(waiting, "message waits", "messages wait")
            )
        }),
        messages: messages
            .iter()
            .take(SHOWN)
            .map(|m| message(&site, m, now))
            .collect(),
    };
    Ok(render(&page))
}

fn contact(c: &Contact) -> ToldContact {
    let when = match c.after_ms {
        0 => "At once".to_owned(),
        ms => format!("After {} without an acknowledgement", span(ms)),
    };
    let hears = match c.least {
        Priority::Low => "hears everything",
        Priority::Medium => "hears what is to be done today, and at once",
        Priority::High => "hears only what is to be done at once",
    };
    let channels: Vec<&str> = c.channels.iter().map(SensorName::as_str).collect();
    let mut lines = vec![format!("{when}, by {}; {hears}", channels.join(" and "))];
    if let Some((from, to)) = c.quiet {
        lines.push(format!(
            "From {} to {} only what is to be done at once",
            from.format("%-H:%M"),
            to.format("%-H:%M")
        ));
    }
    if c.summary {
        lines.push("Gets the morning summary".to_owned());
    }
    ToldContact {
        name: c.name.clone(),
        lines,
    }
}

fn message(site: &Site, m: &MessageRow, now: Stamp) -> ToldMessage {
    let what = match Purpose::parse(&m.purpose) {
        Some(Purpose::Escalate) => ", handed on",
        Some(Purpose::Again) => ", once more",
        Some(Purpose::Remind) => ", reminder",
        _ => "",
    };
    let last = m.last.as_deref().unwrap_or_default();
    let tries = |n: i64| count(n as usize, "try", "tries");
    let state = match (m.state.as_str(), m.done_at) {
        ("sent", Some(at)) if m.tries == 1 => {
            format!("Delivered {}", site.manner.moment(at, now))
        }
        ("sent", Some(at)) => format!(
            "Delivered {} after {}",
            site.manner.moment(at, now),
            tries(m.tries)
        ),
        ("given-up", _) => format!("Given up after {}: {last}", tries(m.tries)),
        _ if m.tries == 0 => "Waits for its first try".to_owned(),
        _ => format!("Waits after {}: {last}", tries(m.tries)),
    };
    ToldMessage {
        // What is over presses no more.
        tone: match Purpose::parse(&m.purpose) {
            Some(Purpose::Over) => Tone::LookSoon,
            _ => view::tone(m.priority),
        },
        subject: m.subject.clone(),
        to: format!(
            "{}, to {} by {}{what}",
            site.manner.day_and_clock(m.at),
            m.contact,
            m.channel
        ),
        state,
        open: m.state != "sent",
    }
}

/// What the button for a test sends.
#[derive(Debug, Deserialize)]
pub struct TestForm {
    channel: String,
}

/// `POST /told/test`: owes a test message by one channel.
pub async fn test(
    State(site): State<Site>,
    _who: Option<Extension<Who>>,
    sent: Result<Form<TestForm>, FormRejection>,
) -> Result<Response, Failed> {
    let sent = form(&site, sent)?;
    let channel = SensorName::new(&sent.channel)
        .map_err(|e| refuse(&site, StatusCode::BAD_REQUEST, e.to_string()))?;
    match site.inbox.send(Message::Test { channel }).await {
        Ok(_) => Ok(Redirect::to("/told").into_response()),
        Err(Unavailable::Refused(why)) => Err(refuse(&site, StatusCode::UNPROCESSABLE_ENTITY, why)),
        Err(error) => Err(refuse(
            &site,
            StatusCode::SERVICE_UNAVAILABLE,
            error.to_string(),
        )),
    }
}
