//! What a person can do with an alert, a sensor or a room, one button each.

use axum::{
    Extension, Form,
    extract::{State, rejection::FormRejection},
    http::StatusCode,
    response::{IntoResponse, Redirect, Response},
};
use chrono::NaiveTime;
use serde::Deserialize;

use super::{
    Site,
    access::{NOBODY, Who, own_path},
    alert::{self, Typed},
    pages::Failed,
};
use crate::{
    inbox::{Message, Unavailable},
    notify::{
        telling::{local, moment},
        words::span_exact,
    },
    watch::{
        Act, Occurrence, Refusal, SensorName, Stage, Stamp,
        act::{Named, Service, Shelve, Staged},
        reading::{HOUR_MS, MINUTE_MS},
    },
};

/// Longest text that a person may give as a reason, in characters.
const REASON: usize = 200;
/// Until when "tomorrow morning" is.
const MORNING: u32 = 7;

/// How long an alert may lie on the shelf, as the form offers it: value, words, length.
pub(super) fn spans(site: &Site, now: Stamp) -> Vec<(String, String, i64)> {
    let today = local(site.manner.zone, now).date();
    let at = NaiveTime::from_hms_opt(MORNING, 0, 0).unwrap_or_default();
    let morning = [today, today.succ_opt().unwrap_or(today)]
        .map(|day| moment(site.manner.zone, day, at))
        .into_iter()
        .find(|morning| now < *morning);
    let morning = morning.map_or(HOUR_MS, |morning| morning.since(now));
    let cap = site.status.borrow().settings.handling.longest_shelf_ms;
    let mut spans = vec![
        ("30m", "half an hour", 30 * MINUTE_MS),
        ("1h", "an hour", HOUR_MS),
        ("2h", "two hours", 2 * HOUR_MS),
        ("4h", "four hours", 4 * HOUR_MS),
        ("8h", "eight hours", 8 * HOUR_MS),
        ("morning", "until 7 in the morning", morning),
        ("24h", "a day", 24 * HOUR_MS),
    ];
    spans.retain(|(.., ms)| *ms <= cap);
    let mut spans: Vec<(String, String, i64)> = spans
        .into_iter()
        .map(|(value, words, ms)| (value.to_owned(), words.to_owned(), ms))
        .collect();
    if !spans.iter().any(|(.., ms)| *ms == cap) {
        let words = format!("{}, the longest", span_exact(cap));
        spans.push((format!("{}s", cap / 1000), words, cap));
    }
    spans
}

pub(super) fn person(who: Option<Extension<Who>>) -> String {
    who.map_or_else(|| NOBODY.to_owned(), |Extension(Who(name))| name)
}

pub(super) fn refuse(site: &Site, status: StatusCode, what: impl Into<String>) -> Failed {
    Failed::told(
        site,
        status,
        "That could not be done",
        what.into(),
        "Go back, look at what stands there now, and try again.",
    )
}

pub(super) fn form<T>(site: &Site, form: Result<Form<T>, FormRejection>) -> Result<T, Failed> {
    form.map(|Form(form)| form)
        .map_err(|e| refuse(site, StatusCode::BAD_REQUEST, e.to_string()))
}

pub(super) fn occurrence(site: &Site, text: &str) -> Result<Occurrence, Failed> {
    text.parse()
        .map_err(|e: crate::watch::alert::BadOccurrence| {
            refuse(site, StatusCode::BAD_REQUEST, e.to_string())
        })
}

/// Asks the recorder; the words of a refusal, or a page that says that nothing could be noted.
pub(super) async fn ask(
    site: &Site,
    who: Option<Extension<Who>>,
    act: Act,
) -> Result<Option<String>, Failed> {
    let message = Message::Act {
        act,
        who: person(who),
    };
    match site.inbox.send(message).await {
        Ok(_) => Ok(None),
        Err(Unavailable::Refused(why)) => Ok(Some(why)),
        Err(error) => Err(unavailable(site, &error)),
    }
}

/// The page that says that nothing could be noted.
pub(super) fn unavailable(site: &Site, error: &Unavailable) -> Failed {
    Failed::told(
        site,
        StatusCode::SERVICE_UNAVAILABLE,
        "That could not be noted",
        error.to_string(),
        "Press the button again in a minute.",
    )
}

fn done(site: &Site, refusal: Option<String>, back: &str) -> Result<Response, Failed> {
    match refusal {
        None => Ok(Redirect::to(back).into_response()),
        Some(why) => Err(refuse(site, StatusCode::UNPROCESSABLE_ENTITY, why)),
    }
}

/// What the shelf's form sends.
#[derive(Debug, Deserialize)]
pub struct ShelveForm {
    occurrence: String,
    #[serde(default)]
    reason: String,
    #[serde(default)]
    span: String,
    one_shot: Option<String>,
}

/// `POST /alerts/shelve`.
pub async fn shelve(
    State(site): State<Site>,
    who: Option<Extension<Who>>,
    sent: Result<Form<ShelveForm>, FormRejection>,
) -> Result<Response, Failed> {
    let sent = form(&site, sent)?;
    let named = occurrence(&site, &sent.occurrence)?;
    let now = site.clock.now();
    let typed = Typed {
        reason: sent.reason.chars().take(REASON).collect(),
        span: sent.span.clone(),
        one_shot: sent.one_shot.is_some(),
    };
    // Whoever sends a length of their own is measured by the recorder like everybody else.
    let length = spans(&site, now)
        .into_iter()
        .find(|(value, ..)| *value == sent.span)
        .map(|(.., ms)| ms)
        .or_else(|| {
            let length = humantime::parse_duration(&sent.span).ok()?;
            i64::try_from(length.as_millis()).ok()
        });
    let Some(length) = length else {
        let why = "choose for how long".to_owned();
        return alert::page(&site, &named, Some((why, typed)), "/alerts".to_owned()).await;
    };
    let act = Act::Shelve(Shelve {
        occurrence: named.clone(),
        until: now.plus(length),
        one_shot: typed.one_shot,
        reason: typed.reason.trim().to_owned(),
    });
    match ask(&site, who, act).await? {
        None => Ok(Redirect::to(&alert::href(&named)).into_response()),
        Some(why) => {
            let cap = site.status.borrow().settings.handling.longest_shelf_ms;
            let why = if why == Refusal::TooLong.to_string() {
                format!(
                    "{why}: at most {}; take the sensor out of service for longer",
                    span_exact(cap)
                )
            } else {
                why
            };
            alert::page(&site, &named, Some((why, typed)), "/alerts".to_owned()).await
        }
    }
}

/// What a button about one occurrence sends.
#[derive(Debug, Deserialize)]
pub struct NamedForm {
    occurrence: String,
}

/// `POST /alerts/unshelve`.
pub async fn unshelve(
    State(site): State<Site>,
    who: Option<Extension<Who>>,
    sent: Result<Form<NamedForm>, FormRejection>,
) -> Result<Response, Failed> {
    let named = occurrence(&site, &form(&site, sent)?.occurrence)?;
    let refusal = ask(&site, who, Act::Unshelve(Named { occurrence: named })).await?;
    done(&site, refusal, "/alerts")
}

/// `POST /alerts/reset`.
pub async fn reset(
    State(site): State<Site>,
    who: Option<Extension<Who>>,
    sent: Result<Form<NamedForm>, FormRejection>,
) -> Result<Response, Failed> {
    let named = occurrence(&site, &form(&site, sent)?.occurrence)?;
    let refusal = ask(&site, who, Act::Reset(Named { occurrence: named })).await?;
    done(&site, refusal, "/alerts")
}

/// What the forms about a sensor send; without a reason it is returned to service.
#[derive(Debug, Deserialize)]
pub struct ServiceForm {
    sensor: String,
    reason: Option<String>,
    back: Option<String>,
}

/// `POST /sensors/service`.
pub async fn service(
    State(site): State<Site>,
    who: Option<Extension<Who>>,
    sent: Result<Form<ServiceForm>, FormRejection>,
) -> Result<Response, Failed> {
    let sent = form(&site, sent)?;
    let sensor = SensorName::new(&sent.sensor)
        .map_err(|e| refuse(&site, StatusCode::BAD_REQUEST, e.to_string()))?;
    let out = sent.reason.map(|r| r.trim().chars().take(REASON).collect());
    let refusal = ask(&site, who, Act::Service(Service { sensor, out })).await?;
    let back = sent.back.as_deref().and_then(own_path);
    done(&site, refusal, back.unwrap_or("/sensors"))
}

/// What the buttons for a room's stage send.
#[derive(Debug, Deserialize)]
pub struct StageForm {
    room: String,
    stage: String,
}

/// `POST /rooms/stage`.
pub async fn stage(
    State(site): State<Site>,
    who: Option<Extension<Who>>,
    sent: Result<Form<StageForm>, FormRejection>,
) -> Result<Response, Failed> {
    let sent = form(&site, sent)?;
    let stage = Stage::parse(&sent.stage)
        .ok_or_else(|| refuse(&site, StatusCode::BAD_REQUEST, "there is no such stage"))?;
    let act = Act::Stage(Staged {
        room: sent.room,
        stage,
    });
    let refusal = ask(&site, who, act).await?;
    done(&site, refusal, "/")
}
