//! Checks around every answer: who is asked for, who asks, and what a browser may do with it.

use std::sync::Arc;

use axum::{
    extract::{Request, State},
    http::{HeaderName, HeaderValue, Method, StatusCode, header},
    middleware::Next,
    response::{IntoResponse, Response},
};

use super::{
    access::{
        Access,
        html::{Door, WordsPage},
    },
    pages::render,
};
use crate::problem::Problem;

// OWASP ASVS 5.0, 3.4: what a browser may do with a page. No HSTS: with a certificate of one's own it
// would lock every phone out on the day the certificate or the authority behind it is replaced.
const POLICY: &str = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self' data:; \
connect-src 'self'; manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; \
frame-ancestors 'none'";
const PERMISSIONS: &str = "camera=(), geolocation=(), microphone=(), payment=(), usb=()";

/// Refuses what another site or a false name brought here, and sets the headers of every answer.
pub async fn check(State(access): State<Arc<Access>>, request: Request, next: Next) -> Response {
    let mut response = match refusal(&access, &request) {
        Some(why) => refused(&access, &request, &why),
        None => next.run(request).await,
    };
    let headers = response.headers_mut();
    let mut set = |name: HeaderName, value: &'static str| {
        headers
            .entry(name)
            .or_insert(HeaderValue::from_static(value));
    };
    set(header::CONTENT_SECURITY_POLICY, POLICY);
    set(header::X_CONTENT_TYPE_OPTIONS, "nosniff");
    // Not `no-referrer`: browsers would then send forms of our own without an origin.
    set(header::REFERRER_POLICY, "same-origin");
    set(HeaderName::from_static("permissions-policy"), PERMISSIONS);
    set(header::CACHE_CONTROL, "no-store");
    response
}

fn refused(access: &Access, request: &Request, why: &str) -> Response {
    let accept = request.headers().get(header::ACCEPT);
    let person = accept
        .and_then(|a| a.to_str().ok())
        .is_some_and(|a| a.contains("text/html"));
    if !person {
        let kind = "/problems/origin";
        return Problem::new(StatusCode::FORBIDDEN, kind, "Refused", why).into_response();
    }
    let page = WordsPage {
        door: Door::new("Refused", access.unencrypted()),
        what: format!("{why}."),
        todo: "Open the pages under the address that was given to you.".to_owned(),
        on: None,
    };
    (StatusCode::FORBIDDEN, render(&page)).into_response()
}

const ELSEWHERE: &str = "another site may not send this";

fn refusal(access: &Access, request: &Request) -> Option<String> {
    let text = |name: HeaderName| request.headers().get(name).and_then(|h| h.to_str().ok());
    let host = text(header::HOST).unwrap_or_default();
    // A whole address in the first line goes before the field (RFC 9112, 3.2.2); none is needed here.
    let whole = request.uri().authority();
    let once = request.headers().get_all(header::HOST).iter().count() == 1
        && whole.is_none_or(|whole| whole.as_str() == host);
    if !once || !access.names.answer(host) {
        return Some(if access.names.beyond {
            "this name is none of ours: use `address` or a name in `names` of the configuration, or the computer's address in numbers".to_owned()
        } else {
            "open the pages under localhost or 127.0.0.1".to_owned()
        });
    }
    if matches!(*request.method(), Method::GET | Method::HEAD) {
        return None;
    }
    let fetch_site = HeaderName::from_static("sec-fetch-site");
    if text(fetch_site).is_some_and(|site| site == "cross-site" || site == "same-site") {
        return Some(ELSEWHERE.to_owned());
    }
    let origin = request.headers().get(header::ORIGIN)?;
    let own = access.names.origin(host);
    (origin.as_bytes() != own.as_bytes()).then(|| ELSEWHERE.to_owned())
}
