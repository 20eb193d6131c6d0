//! What went wrong, told to programs as RFC 9457 problem details.

use axum::{
    http::{HeaderValue, StatusCode, header},
    response::{IntoResponse, Response},
};
use serde::Serialize;

/// A problem document; `extra` adds members of its own beside the standard ones.
#[derive(Debug, Clone, Serialize)]
pub struct Problem {
    /// Where the kind of problem is described, relative to this server.
    #[serde(rename = "type")]
    pub kind: &'static str,
    /// The kind in words.
    pub title: &'static str,
    /// The HTTP status.
    pub status: u16,
    /// This occurrence in words, with the remedy.
    pub detail: String,
    /// Further members.
    #[serde(flatten)]
    pub extra: serde_json::Map<String, serde_json::Value>,
}

impl Problem {
    /// A problem without further members.
    pub fn new(
        status: StatusCode,
        kind: &'static str,
        title: &'static str,
        detail: impl Into<String>,
    ) -> Self {
        Self {
            kind,
            title,
            status: status.as_u16(),
            detail: detail.into(),
            extra: serde_json::Map::new(),
        }
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        let body = serde_json::to_vec(&self).expect("plain data always encodes");
        let mut response = (status, body).into_response();
        let headers = response.headers_mut();
        headers.insert(
            header::CONTENT_TYPE,
            HeaderValue::from_static("application/problem+json"),
        );
        match status {
            StatusCode::UNAUTHORIZED => {
                headers.insert(
                    header::WWW_AUTHENTICATE,
                    HeaderValue::from_static("Bearer realm=\"readings\""),
                );
            }
            StatusCode::SERVICE_UNAVAILABLE => {
                headers.insert(header::RETRY_AFTER, HeaderValue::from_static("30"));
            }
            _ => {}
        }
        response
    }
}
