//! The cookie of a session: its name, its attributes, and the digest of what is in it.

use axum::http::{HeaderMap, HeaderValue, header};

use super::{host, passphrase};
use crate::{
    store::access::{ABSOLUTE_MS, Digest},
    web::names::Names,
};

/// Browsers refuse a `Secure` cookie over plain HTTP, so the name and the attribute follow the scheme
/// (OWASP ASVS 5.0, 3.3.1 to 3.3.4).
fn cookie_name(encrypted: bool) -> &'static str {
    if encrypted {
        "__Host-overwinter"
    } else {
        "overwinter"
    }
}

pub(super) fn is_encrypted(headers: &HeaderMap, names: &Names) -> bool {
    host(headers).is_some_and(|host| names.encrypted(host))
}

/// The digest of the token in the request's cookie.
pub(super) fn cookie(headers: &HeaderMap, names: &Names) -> Option<Digest> {
    let wanted = cookie_name(is_encrypted(headers, names));
    let all = headers.get_all(header::COOKIE).into_iter();
    all.filter_map(|value| value.to_str().ok())
        .flat_map(|value| value.split(';'))
        .filter_map(|pair| pair.trim().split_once('='))
        .find(|(name, _)| *name == wanted)
        .map(|(_, token)| passphrase::digest(token))
}

/// `Set-Cookie` for a token; an empty one takes the cookie away.
pub(super) fn set_cookie(token: &str, encrypted: bool) -> HeaderValue {
    let name = cookie_name(encrypted);
    let secure = if encrypted { "; Secure" } else { "" };
    let age = if token.is_empty() {
        0
    } else {
        ABSOLUTE_MS / 1000
    };
    let text = format!("{name}={token}; Path=/; Max-Age={age}; HttpOnly; SameSite=Lax{secure}");
    let mut value = HeaderValue::from_str(&text).expect("letters and digits");
    value.set_sensitive(true);
    value
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_cookie_follows_the_scheme() {
        let text = |value: HeaderValue| value.to_str().unwrap().to_owned();
        assert_eq!(
            text(set_cookie("t", true)),
            "__Host-overwinter=t; Path=/; Max-Age=15552000; HttpOnly; SameSite=Lax; Secure"
        );
        assert_eq!(
            text(set_cookie("", false)),
            "overwinter=; Path=/; Max-Age=0; HttpOnly; SameSite=Lax"
        );
    }
}
