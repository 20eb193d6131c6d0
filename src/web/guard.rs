//! Checks around every answer: who is asked for, who asks, and what a browser may do with it.

use axum::{
    extract::Request,
    http::{HeaderName, HeaderValue, Method, StatusCode, Uri, header},
    middleware::Next,
    response::{IntoResponse, Response},
};

use crate::problem::Problem;

const POLICY: &str = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self' data:; \
connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'";

/// Refuses what another site or a false name brought here, and sets the headers of every answer.
pub async fn check(request: Request, next: Next) -> Response {
    let mut response = match refusal(&request) {
        Some(problem) => problem.into_response(),
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
    set(header::REFERRER_POLICY, "same-origin");
    set(header::CACHE_CONTROL, "no-store");
    response
}

fn refusal(request: &Request) -> Option<Problem> {
    let text = |name: HeaderName| request.headers().get(name).and_then(|h| h.to_str().ok());
    let refuse = |why: &str| {
        Some(Problem::new(
            StatusCode::FORBIDDEN,
            "/problems/origin",
            "Refused",
            why,
        ))
    };
    // A page elsewhere may give its own name our address; such a name is none of ours.
    let host = text(header::HOST).unwrap_or_default();
    if !is_local(host) {
        return refuse("open the pages under localhost or 127.0.0.1");
    }
    if matches!(*request.method(), Method::GET | Method::HEAD) {
        return None;
    }
    let fetch_site = HeaderName::from_static("sec-fetch-site");
    if text(fetch_site).is_some_and(|site| site == "cross-site" || site == "same-site") {
        return refuse("another site may not send this");
    }
    match text(header::ORIGIN) {
        Some(origin) if origin.split_once("://").is_none_or(|(_, o)| o != host) => {
            refuse("another site may not send this")
        }
        _ => None,
    }
}

/// `localhost` or a loopback address, with or without a port.
fn is_local(host: &str) -> bool {
    let Some(name) = format!("http://{host}/")
        .parse::<Uri>()
        .ok()
        .and_then(|u| u.host().map(str::to_owned))
    else {
        return false;
    };
    let bare = name.trim_start_matches('[').trim_end_matches(']');
    bare.eq_ignore_ascii_case("localhost")
        || bare
            .parse::<std::net::IpAddr>()
            .is_ok_and(|ip| ip.is_loopback())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_names_of_this_computer_are_answered() {
        for good in ["localhost", "localhost:8480", "127.0.0.1:1", "[::1]:8480"] {
            assert!(is_local(good), "{good}");
        }
        for bad in [
            "",
            "example.org",
            "127.0.0.1.example.org",
            "localhost.evil:80",
            "a b",
        ] {
            assert!(!is_local(bad), "{bad}");
        }
    }
}
