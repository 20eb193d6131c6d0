//! Readings posted over HTTP, answered after they are on disk.

use std::{sync::Arc, time::Duration};

use axum::{
    Json, Router,
    body::{self, Body},
    extract::{Request, State},
    http::{StatusCode, header},
    response::{IntoResponse, Response},
    routing::post,
};
use serde_json::{Value, json};
use tokio::time::timeout;

use super::{
    decode::{
        Decoded,
        json::body as json_body,
        senml::body as senml_body,
        table::{TableShape, body as table_body},
    },
    sha256_hex,
};
use crate::{
    clock::Clock,
    inbox::{BATCH_READINGS, Batch, Board, Inbox, Message, Receipt, Unavailable},
    problem::Problem,
    watch::{SensorName, reading::Refused},
};

/// Largest JSON body in bytes.
const JSON_BODY: usize = 1024 * 1024;
/// Largest CSV body in bytes.
const CSV_BODY: usize = 5 * 1024 * 1024;
/// How long a body may take to arrive.
const BODY_TIME: Duration = Duration::from_secs(60);

/// Whoever posts: one gateway or sensor with a token of its own.
#[derive(Debug, Clone, PartialEq)]
pub struct Gateway {
    /// The name of the source.
    pub source: SensorName,
    /// SHA-256 of its token, in hexadecimal; the token itself is nowhere kept.
    pub token_sha256: String,
    /// The sensors it may speak for; all of them when empty.
    pub sensors: Vec<SensorName>,
    /// The sensor of readings that name none.
    pub sensor: Option<SensorName>,
}

struct Shared {
    inbox: Inbox,
    board: Board,
    gateways: Vec<Gateway>,
    clock: Clock,
}

/// `POST /api/readings` for these gateways.
pub fn router(inbox: Inbox, board: Board, gateways: Vec<Gateway>, clock: Clock) -> Router {
    for gateway in &gateways {
        let sentence = "waits for posts".to_owned();
        board.put(&gateway.source, "http", true, sentence);
    }
    let shared = Shared {
        inbox,
        board,
        gateways,
        clock,
    };
    Router::new()
        .route(
            "/api/readings",
            post(readings).fallback(async || {
                Problem::new(
                    StatusCode::METHOD_NOT_ALLOWED,
                    "/problems/method",
                    "Method not allowed",
                    "send readings with POST",
                )
            }),
        )
        .with_state(Arc::new(shared))
}

enum Media {
    Json,
    Senml,
    Csv,
}

async fn readings(
    State(shared): State<Arc<Shared>>,
    request: Request,
) -> Result<Response, Problem> {
    let gateway = shared.gateway(&request)?;
    let media = media(&request)?;
    let text = read(request.into_body(), &media).await?;
    let decoded = match media {
        Media::Json => json_body(&text, gateway.sensor.as_ref()),
        Media::Senml => senml_body(&text, shared.clock.now()),
        Media::Csv => table_body(
            text.as_bytes(),
            &TableShape {
                sensor: gateway.sensor.clone(),
                ..TableShape::default()
            },
        ),
    }
    .map_err(|why| {
        Problem::new(
            StatusCode::BAD_REQUEST,
            "/problems/body",
            "Body not understood",
            format!("the body {why}"),
        )
    })?;
    let mut receipt = Receipt::default();
    let stored = shared.store(gateway, decoded, &mut receipt).await;
    stored.map_err(|error| {
        let before = match receipt.stored {
            0 => String::new(),
            n => format!("; {n} of this post are stored, and sent again they are known"),
        };
        Problem::new(
            StatusCode::SERVICE_UNAVAILABLE,
            "/problems/unavailable",
            "Not all stored",
            format!("{error}; keep the readings and send them again{before}"),
        )
    })?;
    Ok(answer(&receipt))
}

impl Shared {
    fn gateway(&self, request: &Request) -> Result<&Gateway, Problem> {
        let refuse = |why: &str| {
            Problem::new(
                StatusCode::UNAUTHORIZED,
                "/problems/token",
                "Token needed",
                why,
            )
        };
        let token = request
            .headers()
            .get(header::AUTHORIZATION)
            .and_then(|h| h.to_str().ok())
            .and_then(|h| h.split_once(' '))
            .filter(|(scheme, _)| scheme.eq_ignore_ascii_case("bearer"))
            .map(|(_, token)| token.trim())
            .ok_or_else(|| refuse("send `Authorization: Bearer` with the token of this gateway"))?;
        // Comparing digests tells nothing about the token, however long it takes.
        let digest = sha256_hex(token);
        self.gateways
            .iter()
            .find(|g| g.token_sha256.eq_ignore_ascii_case(&digest))
            .ok_or_else(|| {
                refuse("this token belongs to no gateway; make one with `overwinter token`")
            })
    }

    /// Hands over what was decoded, in parts where it is long; `total` grows with each part on disk.
    async fn store(
        &self,
        gateway: &Gateway,
        decoded: Decoded,
        total: &mut Receipt,
    ) -> Result<(), Unavailable> {
        let Decoded {
            mut heard,
            mut refused,
        } = decoded;
        if !gateway.sensors.is_empty() {
            let (mine, others): (Vec<_>, Vec<_>) = heard
                .into_iter()
                .partition(|h| gateway.sensors.contains(&h.sensor));
            heard = mine;
            for h in others {
                let why = format!(
                    "the token of `{}` may not speak for sensor `{}`; add it to its `sensors`",
                    gateway.source, h.sensor
                );
                refused.push(Refused::new(h.line, h.sensor.as_str(), why));
            }
        }
        // Whoever posts is heard now, whatever a column says.
        for h in &mut heard {
            h.received_at = None;
        }
        let mut refused = Some(refused);
        while !heard.is_empty() || refused.is_some() {
            let rest = heard.split_off(heard.len().min(BATCH_READINGS));
            let batch = Batch {
                source: gateway.source.clone(),
                heard: std::mem::replace(&mut heard, rest),
                refused: refused.take().unwrap_or_default(),
                position: None,
            };
            let receipt = self.inbox.send(Message::Readings(batch)).await?;
            total.add(receipt);
        }
        let sentence = format!(
            "last post: {} stored, {} known already, {} refused",
            total.stored,
            total.duplicate + total.conflict,
            total.refused.len()
        );
        self.board.put(&gateway.source, "http", true, sentence);
        Ok(())
    }
}

fn media(request: &Request) -> Result<Media, Problem> {
    let said = request
        .headers()
        .get(header::CONTENT_TYPE)
        .and_then(|h| h.to_str().ok())
        .unwrap_or_default();
    let essence = said.split(';').next().unwrap_or_default().trim();
    match essence.to_ascii_lowercase().as_str() {
        "application/json" => Ok(Media::Json),
        "application/senml+json" => Ok(Media::Senml),
        "text/csv" => Ok(Media::Csv),
        _ => Err(Problem::new(
            StatusCode::UNSUPPORTED_MEDIA_TYPE,
            "/problems/media-type",
            "Media type not understood",
            format!("`{essence}`: send application/json, application/senml+json or text/csv"),
        )),
    }
}

async fn read(body: Body, media: &Media) -> Result<String, Problem> {
    let limit = match media {
        Media::Json | Media::Senml => JSON_BODY,
        Media::Csv => CSV_BODY,
    };
    let read = timeout(BODY_TIME, body::to_bytes(body, limit)).await;
    let bytes = read
        .map_err(|_| {
            Problem::new(
                StatusCode::REQUEST_TIMEOUT,
                "/problems/too-slow",
                "Body too slow",
                format!(
                    "the whole body must arrive within {} s",
                    BODY_TIME.as_secs()
                ),
            )
        })?
        .map_err(|_| {
            Problem::new(
                StatusCode::PAYLOAD_TOO_LARGE,
                "/problems/too-large",
                "Body too large",
                format!("at most {limit} bytes at a time, or the connection broke; send less"),
            )
        })?;
    String::from_utf8(bytes.into()).map_err(|_| {
        Problem::new(
            StatusCode::BAD_REQUEST,
            "/problems/body",
            "Body not understood",
            "the body is not UTF-8",
        )
    })
}

fn problem_of(refused: &Refused, (kind, title, status): (&str, &str, u16)) -> Value {
    json!({
        "type": kind,
        "title": title,
        "status": status,
        "detail": refused.reason,
        "line": refused.line,
        "text": refused.text,
    })
}

/// Counts and reasons; 422 only when nothing could be understood.
fn answer(receipt: &Receipt) -> Response {
    let refused = ("/problems/reading", "Reading refused", 422);
    let conflict = (
        "/problems/contradiction",
        "Reading contradicts an earlier one",
        409,
    );
    let each = receipt.refused.iter().map(|r| problem_of(r, refused));
    let errors: Vec<Value> = each
        .chain(receipt.conflicts.iter().map(|r| problem_of(r, conflict)))
        .collect();
    let understood = receipt.stored + receipt.duplicate + receipt.conflict;
    if understood == 0 && !receipt.refused.is_empty() {
        let mut problem = Problem::new(
            StatusCode::UNPROCESSABLE_ENTITY,
            "/problems/nothing-understood",
            "Nothing stored",
            format!("none of {} readings could be used", errors.len()),
        );
        for (name, value) in [("stored", 0), ("duplicate", 0), ("conflict", 0)] {
            problem.extra.insert(name.to_owned(), value.into());
        }
        problem
            .extra
            .insert("refused".to_owned(), errors.len().into());
        problem.extra.insert("errors".to_owned(), errors.into());
        return problem.into_response();
    }
    Json(json!({
        "stored": receipt.stored,
        "duplicate": receipt.duplicate,
        "conflict": receipt.conflict,
        "refused": receipt.refused.len(),
        "errors": errors,
    }))
    .into_response()
}
