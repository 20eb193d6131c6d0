//! Entries asked for by scripts and programs.

use axum::{
    Extension, Json,
    body::Bytes,
    extract::{State, rejection::BytesRejection},
    http::StatusCode,
    response::{IntoResponse, Response},
};
use serde::{Deserialize, Serialize};

use super::{
    super::{Site, access::Who, acts},
    history,
};
use crate::{
    inbox::{Message, Unavailable},
    problem::Problem,
    stock::ledger::{Asked, EntryId, Outcome, Stock},
    watch::Stamp,
};

/// Deeds that may be asked for at once.
pub(super) const AT_ONCE: usize = 200;
/// Longest remark, in characters.
const NOTE: usize = 500;

/// What is asked for.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Request {
    entries: Vec<Asked>,
    /// All or nothing.
    #[serde(default)]
    together: bool,
}

/// What came of one.
#[derive(Debug, Serialize)]
struct Answer {
    #[serde(skip_serializing_if = "Option::is_none")]
    key: Option<String>,
    outcome: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    id: Option<EntryId>,
    #[serde(skip_serializing_if = "Option::is_none")]
    why: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    remedy: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    seen: Option<EntryId>,
}

/// `POST /api/stock/entries`: up to 200 deeds, answered one by one when they are on disk.
pub(super) async fn entries(
    State(site): State<Site>,
    who: Option<Extension<Who>>,
    body: Result<Bytes, BytesRejection>,
) -> Response {
    let body = match body {
        Ok(body) => body,
        Err(error) => return bad(error.status(), error.body_text()),
    };
    let request: Request = match serde_json::from_slice(&body) {
        Ok(request) => request,
        Err(error) => return bad(StatusCode::BAD_REQUEST, error.to_string()),
    };
    if AT_ONCE < request.entries.len() {
        return bad(
            StatusCode::PAYLOAD_TOO_LARGE,
            format!("send at most {AT_ONCE} at once"),
        );
    }
    for (nth, asked) in (1..).zip(&request.entries) {
        if let Some(why) = asked.bad_key() {
            return bad(StatusCode::BAD_REQUEST, format!("entry {nth}: {why}"));
        }
        if NOTE < asked.note.chars().count() {
            let why = format!("entry {nth}: the note is longer than {NOTE} characters; shorten it");
            return bad(StatusCode::BAD_REQUEST, why);
        }
    }
    let keys: Vec<Option<String>> = request.entries.iter().map(|a| a.key.clone()).collect();
    let outcomes = match enter(&site, who, request.entries, request.together).await {
        Ok(outcomes) => outcomes,
        Err(error) => {
            return Problem::new(
                StatusCode::SERVICE_UNAVAILABLE,
                "/problems/unavailable",
                "Nothing could be noted",
                format!("{error}; send it again in a minute"),
            )
            .into_response();
        }
    };
    // What was entered is on disk; where this fails, only the words for what was not are poorer.
    let stock = site.store.stock().await.unwrap_or_default();
    let now = site.clock.now();
    let answers: Vec<Answer> = keys
        .into_iter()
        .zip(&outcomes)
        .map(|(key, outcome)| answer(key, outcome, &stock, &site, now))
        .collect();
    Json(serde_json::json!({ "entries": answers })).into_response()
}

fn answer(
    key: Option<String>,
    outcome: &Outcome,
    stock: &Stock,
    site: &Site,
    now: Stamp,
) -> Answer {
    let (word, id, seen) = match outcome {
        Outcome::Entered(id) => ("entered", Some(*id), None),
        Outcome::Known(id) => ("known", Some(*id), None),
        Outcome::Refused(_) | Outcome::NotAlone => ("refused", None, None),
        Outcome::Changed { newest, .. } => ("changed", None, Some(*newest)),
        Outcome::Doubted(_) => ("doubted", None, None),
    };
    let (why, remedy) = history::told(outcome, stock, now, site.manner).unzip();
    Answer {
        key,
        outcome: word,
        id,
        why,
        remedy,
        seen,
    }
}

fn bad(status: StatusCode, why: String) -> Response {
    Problem::new(
        status,
        "/problems/not-understood",
        "That is not understood",
        why,
    )
    .into_response()
}

/// Asks the recorder to enter deeds.
pub(super) async fn enter(
    site: &Site,
    who: Option<Extension<Who>>,
    asked: Vec<Asked>,
    together: bool,
) -> Result<Vec<Outcome>, Unavailable> {
    let message = Message::Stock {
        asked,
        together,
        who: acts::person(who),
    };
    Ok(site.inbox.send(message).await?.entered)
}
