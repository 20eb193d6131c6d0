//! Messages to another program over HTTP: a CloudEvents 1.0 event in structured mode, signed.
//!
//! # Signature
//! With a secret, each request carries
//! - `Webhook-Timestamp`: seconds since 1970 at this try, in decimal digits;
//! - `Webhook-Signature`: `v1=` and 64 hexadecimal digits, the HMAC-SHA-256 (RFC 2104, FIPS 180-4)
//!   of the timestamp, a full stop and the body, byte for byte, keyed with the secret.
//!
//! A receiver computes the same from what arrived, compares without stopping at the first
//! difference, and refuses a timestamp more than five minutes from its own clock, so that a request
//! someone has recorded cannot be sent again later. In Python:
//! ```text
//! import hashlib, hmac, time
//! def genuine(secret: bytes, headers, body: bytes) -> bool:
//!     at = headers["Webhook-Timestamp"]
//!     want = hmac.new(secret, at.encode() + b"." + body, hashlib.sha256).hexdigest()
//!     fresh = abs(time.time() - int(at)) < 300
//!     return fresh and hmac.compare_digest("v1=" + want, headers["Webhook-Signature"])
//! ```
//! With the secret `garden`, the timestamp `1767225600` and the body `{}`, the signature is
//! `v1=819abcf8a00b267580e4a11f94b5e10e65a6b758c313330a716708d992595045`.
//!
//! `Idempotency-Key` and the event's `id` are the same at every try of a message: a receiver that
//! has seen one does nothing the second time.

use std::{
    fmt,
    fmt::Write as _,
    net::IpAddr,
    time::{Duration, UNIX_EPOCH},
};

use hmac::{Hmac, KeyInit, Mac};
use reqwest::{
    Certificate, Client, Response, StatusCode, Url,
    header::{CONTENT_TYPE, RETRY_AFTER},
    redirect::Policy,
};
use serde::Serialize;
use sha2::Sha256;
use tokio::time::timeout;

use super::channel::{ANSWER_BYTES, Facts, Note, Roots, Secret, Undelivered, causes, said};
use crate::watch::Stamp;

/// A refusal's words are waited for so long; its status says what matters.
const WORDS_LIMIT: Duration = Duration::from_secs(2);

/// Where to post; may carry a secret in its path, so only scheme, host and port are ever printed.
#[derive(Clone, PartialEq, Eq)]
pub struct Address(Url);

impl Address {
    /// Takes an `https` or `http` address without a password in it; `Err` has the remedy.
    pub fn parse(text: &str) -> Result<Self, String> {
        let url = Url::parse(text.trim())
            .map_err(|e| format!("is no address such as https://hook.example.org/in: {e}"))?;
        if !matches!(url.scheme(), "https" | "http") {
            return Err(format!(
                "`{}`: an address begins with https://",
                url.scheme()
            ));
        }
        if !url.username().is_empty() || url.password().is_some() {
            return Err("has a password in it; take it out and sign with `secret_file`".to_owned());
        }
        Ok(Self(url))
    }

    /// Whether what is posted could be read on its way: not encrypted, and not to this computer or
    /// its own network (RFC 1918, 3927, 4193, 4291; names under RFC 6762 and 8375).
    pub fn is_open(&self) -> bool {
        if self.0.scheme() == "https" {
            return false;
        }
        let host = self.0.host_str().unwrap_or_default();
        match host.trim_matches(['[', ']']).parse::<IpAddr>() {
            Ok(IpAddr::V4(a)) => !(a.is_loopback() || a.is_private() || a.is_link_local()),
            Ok(IpAddr::V6(a)) => {
                !(a.is_loopback() || a.is_unique_local() || a.is_unicast_link_local())
            }
            Err(_) => !matches!(
                host.rsplit('.').collect::<Vec<_>>()[..],
                [_] | ["local", ..] | ["arpa", "home", ..]
            ),
        }
    }

    fn host(&self) -> String {
        self.0.origin().ascii_serialization()
    }
}

impl fmt::Debug for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.host())
    }
}

/// A receiver.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Settings {
    /// Where to post.
    pub address: Address,
    /// Signs each request; without one nothing is signed.
    pub secret: Option<Secret>,
    /// Authorities beside the system's.
    pub roots: Roots,
}

/// CloudEvents 1.0.2, JSON format.
#[derive(Serialize)]
struct Event<'a> {
    specversion: &'static str,
    id: &'a str,
    source: String,
    r#type: String,
    time: String,
    #[serde(skip_serializing_if = "str::is_empty")]
    subject: &'a str,
    datacontenttype: &'static str,
    data: Facts<'a>,
}

pub(super) async fn send(
    settings: &Settings,
    note: &Note,
    site: &str,
    now: Stamp,
    limit: Duration,
) -> Result<String, Undelivered> {
    let host = settings.address.host();
    let failed = |what: &str, e: reqwest::Error| {
        // The address may carry a secret.
        Undelivered::later(format!("{what} {host}: {}", causes(&e.without_url())))
    };
    let body = serde_json::to_vec(&event(note, site))
        .map_err(|e| Undelivered::never(format!("the message cannot be written as JSON: {e}")))?;
    let client = client(settings).map_err(|e| failed("cannot make ready for", e))?;
    let mut request = client
        .post(settings.address.0.clone())
        .header(CONTENT_TYPE, "application/cloudevents+json; charset=utf-8")
        .header(
            "Idempotency-Key",
            segment(&note.key, b"!#$&'()*+,-./:;=?@[]_~"),
        );
    if let Some(secret) = &settings.secret {
        let seconds = now.0.div_euclid(1000).to_string();
        let signature = signature(secret.reveal().as_bytes(), &seconds, &body);
        request = request
            .header("Webhook-Timestamp", seconds)
            .header("Webhook-Signature", format!("v1={signature}"));
    }
    let answer = timeout(limit, request.body(body).send())
        .await
        .map_err(|_| Undelivered::too_slow(limit))?
        .map_err(|e| failed("cannot reach", e))?;
    judge(answer, &host, now).await
}

/// One client to a try: messages are rare, and a connection kept for the next is a dead one by then.
fn client(settings: &Settings) -> reqwest::Result<Client> {
    let roots = settings.roots.0.iter();
    let roots = roots
        .map(|root| Certificate::from_der(root))
        .collect::<reqwest::Result<Vec<_>>>()?;
    let client = Client::builder()
        .user_agent(concat!("overwinter/", env!("CARGO_PKG_VERSION")))
        // The address is the grower's choice; nobody else changes it.
        .redirect(Policy::none())
        .no_proxy()
        .referer(false);
    match settings.address.0.scheme() {
        // Works on a system without any authorities too.
        "http" => client.tls_certs_only([]),
        _ => client.tls_certs_merge(roots),
    }
    .build()
}

/// Asks for an address once; anything but a 2xx answer is told in words.
pub async fn knock(address: &Address, limit: Duration) -> Result<(), String> {
    let settings = Settings {
        address: address.clone(),
        secret: None,
        roots: Roots::default(),
    };
    let asked = async {
        let answer = client(&settings)?.get(address.0.clone()).send().await?;
        answer.error_for_status().map(|_| ())
    };
    match timeout(limit, asked).await {
        Ok(Ok(())) => Ok(()),
        Ok(Err(e)) => Err(causes(&e.without_url())),
        Err(_) => Err(format!(
            "no answer within {}",
            humantime::format_duration(limit)
        )),
    }
}

/// What an answer means; RFC 9110 section 15, RFC 6585 section 4.
async fn judge(answer: Response, host: &str, now: Stamp) -> Result<String, Undelivered> {
    let status = answer.status();
    if status.is_success() {
        return Ok(status.to_string());
    }
    let wait = answer
        .headers()
        .get(RETRY_AFTER)
        .and_then(|value| value.to_str().ok())
        .and_then(|value| retry_after(value, now));
    let mut why = format!("{host} answered {status}");
    if status.is_redirection() {
        why += ": it has moved, and a redirection is not followed; write the new address in the configuration";
        return Err(Undelivered::never(why));
    }
    let words = beginning(answer).await;
    if !words.is_empty() {
        let _ = write!(why, ": {words}");
    }
    let mendable = matches!(
        status,
        StatusCode::UNAUTHORIZED
            | StatusCode::FORBIDDEN
            | StatusCode::NOT_FOUND
            | StatusCode::REQUEST_TIMEOUT
            | StatusCode::TOO_EARLY
            | StatusCode::TOO_MANY_REQUESTS
    );
    Err(if status.is_server_error() || mendable {
        Undelivered::after(why, wait)
    } else {
        Undelivered::never(why)
    })
}

/// The first 4 KiB of an answer, as far as they arrive in time.
async fn beginning(mut answer: Response) -> String {
    let mut text = Vec::new();
    let read = async {
        while text.len() < ANSWER_BYTES {
            let Ok(Some(part)) = answer.chunk().await else {
                break;
            };
            let room = ANSWER_BYTES - text.len();
            text.extend_from_slice(&part[..part.len().min(room)]);
        }
    };
    let _ = timeout(WORDS_LIMIT, read).await;
    said(&text)
}

/// Seconds or an HTTP date (RFC 9110 section 10.2.3); a date that is past asks for no wait.
fn retry_after(value: &str, now: Stamp) -> Option<Duration> {
    let value = value.trim();
    if value.bytes().all(|b| b.is_ascii_digit()) {
        return value.parse().ok().map(Duration::from_secs);
    }
    let until = httpdate::parse_http_date(value).ok()?;
    let now = Duration::from_millis(u64::try_from(now.0).ok()?);
    Some(until.duration_since(UNIX_EPOCH + now).unwrap_or_default())
}

fn event<'a>(note: &'a Note, site: &str) -> Event<'a> {
    Event {
        specversion: "1.0",
        id: &note.key,
        source: format!("/overwinter/{}", segment(site, b"-._~")),
        r#type: format!("overwinter.message.{}", note.purpose),
        time: note.at.to_rfc3339(),
        subject: &note.subject,
        datacontenttype: "application/json",
        data: Facts::of(note),
    }
}

/// Percent-encodes all but letters, digits and what is named; RFC 3986's unreserved `-._~` make one
/// segment of a path.
fn segment(text: &str, plain: &[u8]) -> String {
    let mut segment = String::new();
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || plain.contains(&byte) {
            segment.push(byte as char);
        } else {
            let _ = write!(segment, "%{byte:02X}");
        }
    }
    segment
}

/// What stands after `v1=` in `Webhook-Signature`.
pub fn signature(secret: &[u8], timestamp: &str, body: &[u8]) -> String {
    let mut mac = Hmac::<Sha256>::new_from_slice(secret).expect("HMAC takes a key of any length");
    mac.update(timestamp.as_bytes());
    mac.update(b".");
    mac.update(body);
    let sum = mac.finalize().into_bytes();
    sum.iter().map(|b| format!("{b:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_signature_is_the_documented_one() {
        assert_eq!(
            signature(b"garden", "1767225600", b"{}"),
            "819abcf8a00b267580e4a11f94b5e10e65a6b758c313330a716708d992595045"
        );
    }

    #[test]
    fn a_wait_is_given_in_seconds_or_as_a_date() {
        // 1994-11-06T08:49:37Z, the example of RFC 9110 section 5.6.7 in its three forms.
        let now = Stamp(784_111_777_000 - 90_000);
        for value in [
            "90",
            "Sun, 06 Nov 1994 08:49:37 GMT",
            "Sunday, 06-Nov-94 08:49:37 GMT",
            "Sun Nov  6 08:49:37 1994",
        ] {
            assert_eq!(
                retry_after(value, now),
                Some(Duration::from_secs(90)),
                "{value}"
            );
        }
        let past = retry_after("Sun, 06 Nov 1994 08:00:00 GMT", now);
        assert_eq!(past, Some(Duration::ZERO));
        for value in ["soon", "-1", "1e3"] {
            assert_eq!(retry_after(value, now), None, "{value}");
        }
    }

    #[test]
    fn an_address_prints_without_its_secrets() {
        let settings = Settings {
            address: Address::parse("https://hook.farm.example:8443/in/s3cret?key=s3cret").unwrap(),
            secret: Some(Secret::new("s3cret")),
            roots: Roots::default(),
        };
        let text = format!("{settings:?}");
        assert!(
            text.contains("hook.farm.example:8443") && !text.contains("s3cret"),
            "{text}"
        );
        assert_eq!(
            segment("Our tuber store/é", b"-._~"),
            "Our%20tuber%20store%2F%C3%A9"
        );
    }

    #[test]
    fn only_what_leaves_the_farm_needs_encryption() {
        let open = |text| Address::parse(text).unwrap().is_open();
        for near in [
            "http://localhost/",
            "http://127.0.0.1:9/",
            "http://192.168.1.4/",
            "http://[fd00::1]/",
            "http://shed.local/",
            "http://shed/",
            "https://hook.example.org/",
        ] {
            assert!(!open(near), "{near}");
        }
        for far in [
            "http://hook.example.org/",
            "http://203.0.113.9/",
            "http://[2001:db8::1]/",
        ] {
            assert!(open(far), "{far}");
        }
        for bad in [
            "hook",
            "ftp://a.example/",
            "https://u:pw@a.example/",
            "https://",
        ] {
            let fault = Address::parse(bad).unwrap_err();
            assert!(!fault.contains("pw"), "{fault}");
        }
    }
}
