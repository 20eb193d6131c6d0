//! The newest alerts as an Atom feed (RFC 4287), for readers that look by themselves.

use askama::Template;
use axum::{
    extract::State,
    http::{HeaderMap, HeaderValue, StatusCode, header},
    response::{IntoResponse, Response},
};
use sha2::{Digest, Sha256};
use tracing::error;

use super::{
    Site,
    view::{tone, url},
};
use crate::{
    notify::{
        message::{Message, figures_of_past},
        words::Manner,
    },
    problem::Problem,
    store::alerts::AlertRow,
    watch::{Stamp, State as AlertState},
};

/// Alerts in the feed; older ones fall out of it.
const MOST: i64 = 100;
/// Where the feed is.
const PATH: &str = "/feeds/alerts.atom";

/// The feed.
#[derive(Debug, Clone, Template)]
#[template(path = "alerts.xml", config = "src/web/askama.toml")]
pub struct Feed {
    /// `urn:uuid:...`, the same for ever.
    pub id: String,
    /// What the store is called.
    pub site: String,
    /// When anything in it last changed (RFC 3339).
    pub updated: String,
    /// Its own address.
    pub own: String,
    /// The page Alerts.
    pub page: String,
    /// The newest first.
    pub entries: Vec<Entry>,
}

/// One alert.
#[derive(Debug, Clone)]
pub struct Entry {
    /// `urn:uuid:...`, the same for ever.
    pub id: String,
    /// "Too dry in the back room: seen".
    pub title: String,
    /// When it was raised (RFC 3339).
    pub published: String,
    /// When it last changed (RFC 3339).
    pub updated: String,
    /// Since when, and the figures.
    pub summary: String,
    /// The kind, as a word.
    pub kind: &'static str,
    /// Where it can be read and acknowledged.
    pub link: String,
}

/// `GET /feeds/alerts.atom`: the newest hundred alerts; 304 to who has them already.
pub async fn alerts(State(site): State<Site>, headers: HeaderMap) -> Response {
    let newest = match site.store.newest_alerts(MOST).await {
        Ok(newest) => newest,
        Err(fault) => {
            error!(error = ?fault, "the feed could not be made");
            return unmade(fault.to_string());
        }
    };
    let text = |name| {
        headers
            .get(name)
            .and_then(|h: &HeaderValue| h.to_str().ok())
    };
    let names = &site.access.names;
    let base = names.base(text(header::HOST), site.access.served);
    match feed(&site.name, &base, site.manner, &newest).render() {
        Ok(body) => {
            let media = "application/atom+xml; charset=utf-8";
            answer(body, media, text(header::IF_NONE_MATCH))
        }
        Err(fault) => {
            error!(error = ?fault, "a template failed");
            unmade("its template failed".to_owned())
        }
    }
}

/// The answer when a feed could not be made.
pub(super) fn unmade(why: String) -> Response {
    Problem::new(
        StatusCode::SERVICE_UNAVAILABLE,
        "/problems/unavailable",
        "The feed could not be made",
        why,
    )
    .into_response()
}

/// A feed in its media type; 304 to who has it already by the tag in `known`.
pub(super) fn answer(body: String, media: &'static str, known: Option<&str>) -> Response {
    let tag = format!("\"{}\"", &hex(&Sha256::digest(&body))[..32]);
    // RFC 9110, 13.1.2: a list, or anything at all, compared weakly.
    let same = known.is_some_and(|known| {
        let mut each = known.split(',').map(str::trim);
        each.any(|k| k == "*" || k.strip_prefix("W/").unwrap_or(k) == tag)
    });
    let mut response = if same {
        StatusCode::NOT_MODIFIED.into_response()
    } else {
        body.into_response()
    };
    let headers = response.headers_mut();
    if !same {
        headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(media));
    }
    if let Ok(tag) = HeaderValue::from_str(&tag) {
        headers.insert(header::ETAG, tag);
    }
    // It may be kept, but is asked for anew every time.
    headers.insert(
        header::CACHE_CONTROL,
        HeaderValue::from_static("private, no-cache"),
    );
    response
}

/// The feed of a store, under an address without a path, from its alerts with the times of their last
/// changes.
pub fn feed(site: &str, base: &str, manner: Manner, newest: &[(AlertRow, Stamp)]) -> Feed {
    // A feed must say when it changed: one without an alert never has.
    let updated = newest.iter().map(|(_, at)| *at).max().unwrap_or_default();
    Feed {
        id: urn(&format!("feed of the alerts of {site}")),
        site: printable(site),
        updated: updated.to_rfc3339(),
        own: format!("{base}{PATH}"),
        page: format!("{base}/alerts"),
        entries: newest
            .iter()
            .map(|(row, updated)| entry(row, *updated, base, manner))
            .collect(),
    }
}

fn entry(a: &AlertRow, updated: Stamp, base: &str, manner: Manner) -> Entry {
    let name = a.occurrence.to_string();
    let raised_at = a.occurrence.raised_at;
    let words = Message::of(
        &a.occurrence,
        &a.room,
        &a.figures,
        raised_at,
        updated,
        manner,
    );
    let since = chrono::DateTime::parse_from_rfc3339(&a.figures.since)
        .map_or(raised_at, |since| since.to_utc().into());
    let figures = if a.ended_at.is_some() {
        figures_of_past(a.occurrence.kind, &a.figures, manner)
    } else {
        words.figures
    };
    let title = format!("{}: {}", words.headline, state(a));
    let summary = format!(
        "{}. Since {}. {figures}",
        tone(a.priority).word(),
        // With its day, whatever day it is read on: a text that changed by itself would be a new one.
        manner.day_and_clock(since)
    );
    Entry {
        id: urn(&name),
        title: printable(&title),
        published: raised_at.to_rfc3339(),
        updated: updated.to_rfc3339(),
        summary: printable(&summary),
        kind: a.occurrence.kind.as_str(),
        link: format!("{base}/alert?occurrence={}", url(&name)),
    }
}

fn state(a: &AlertRow) -> &'static str {
    match a.state {
        AlertState::Normal => "over",
        AlertState::Unacknowledged => "not seen yet",
        AlertState::Acknowledged => "seen",
        AlertState::ReturnedUnacknowledged | AlertState::LatchedUnacknowledged => {
            "over, not seen yet"
        }
        AlertState::LatchedAcknowledged => "over, to be reset",
        AlertState::Shelved => "shelved",
        AlertState::Suppressed => "suppressed, its sensor is in fault",
        AlertState::OutOfService => "its sensor is out of service",
    }
}

/// A permanent name that follows from a text alone: a UUID of version 8 (RFC 9562, 5.8) from its SHA-256.
pub fn urn(text: &str) -> String {
    let digest = Sha256::digest(format!("overwinter {text}"));
    let mut bytes: Vec<u8> = digest.iter().copied().take(16).collect();
    bytes[6] = (bytes[6] & 0x0f) | 0x80;
    bytes[8] = (bytes[8] & 0x3f) | 0x80;
    let hex = hex(&bytes);
    format!(
        "urn:uuid:{}-{}-{}-{}-{}",
        &hex[..8],
        &hex[8..12],
        &hex[12..16],
        &hex[16..20],
        &hex[20..]
    )
}

/// Bytes in hexadecimal digits.
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

/// Without what XML 1.0 cannot hold, escaped or not (production 2, Char).
fn printable(text: &str) -> String {
    let holds = |c: char| matches!(c, '\t' | '\n' | '\r' | '\u{20}'..='\u{d7ff}' | '\u{e000}'..='\u{fffd}' | '\u{10000}'..);
    text.chars().filter(|&c| holds(c)).collect()
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;
    use crate::{
        climate::Unit,
        watch::{Figures, Kind, Occurrence, Priority, Subject},
    };

    const HOSTILE: &str = "]]><script>alert('1')</script>&\"\u{1b}\u{fffe}";
    const ATOM: &str = "http://www.w3.org/2005/Atom";

    fn row(n: i64, state: AlertState) -> (AlertRow, Stamp) {
        let raised_at = Stamp(1_796_092_200_000 + n);
        let row = AlertRow {
            occurrence: Occurrence {
                raised_at,
                kind: Kind::DryOut,
                level: 2,
                subject: Subject::Room(HOSTILE.to_owned()),
            },
            room: HOSTILE.to_owned(),
            priority: Priority::Medium,
            state,
            ended_at: None,
            acknowledged_at: None,
            acknowledged_by: None,
            figures: Figures {
                value: Some(68.0),
                limit: Some(70.0),
                ..Figures::default()
            },
        };
        (row, raised_at.plus(n * 60_000))
    }

    fn text(rows: &[(AlertRow, Stamp)]) -> String {
        let manner = Manner {
            zone: chrono_tz::UTC,
            unit: Unit::F,
        };
        let base = "http://store.example:8480";
        feed(HOSTILE, base, manner, rows).render().unwrap()
    }

    /// RFC 4287, 4.1.1 and 4.1.2: what must be there once, and what a reader follows.
    #[test]
    fn the_feed_is_whole_and_hostile_text_is_text() {
        let rows: Vec<_> = AlertState::ALL
            .into_iter()
            .zip(0..)
            .map(|(state, n)| row(n, state))
            .collect();
        let text = text(&rows);
        let document = roxmltree::Document::parse(&text).unwrap();
        let root = document.root_element();
        assert!(root.has_tag_name((ATOM, "feed")));
        let all = |node: roxmltree::Node<'_, '_>, name: &str| -> Vec<String> {
            node.children()
                .filter(|c| c.has_tag_name((ATOM, name)))
                .map(|c| c.text().unwrap_or_default().to_owned())
                .collect()
        };
        for name in ["id", "title", "updated", "author"] {
            assert_eq!(all(root, name).len(), 1, "{name}");
        }
        let author = root.children().find(|c| c.has_tag_name((ATOM, "author")));
        assert_eq!(all(author.unwrap(), "name").len(), 1);
        let own = root
            .children()
            .find(|c| c.attribute("rel") == Some("self"))
            .unwrap();
        assert_eq!(
            own.attribute("href"),
            Some("http://store.example:8480/feeds/alerts.atom")
        );
        let entries: Vec<_> = root
            .children()
            .filter(|c| c.has_tag_name((ATOM, "entry")))
            .collect();
        assert_eq!(entries.len(), rows.len());
        let mut newest = String::new();
        for entry in &entries {
            for name in ["id", "title", "updated", "published", "summary"] {
                let found = all(*entry, name);
                assert_eq!(found.len(), 1, "{name}");
                assert!(!found[0].is_empty(), "{name}");
            }
            let title = &all(*entry, "title")[0];
            assert!(title.contains("<script>alert('1')</script>&\""), "{title}");
            let updated = all(*entry, "updated").remove(0);
            assert!(chrono::DateTime::parse_from_rfc3339(&updated).is_ok());
            newest = newest.max(updated);
            let link = entry
                .children()
                .find(|c| c.has_tag_name((ATOM, "link")))
                .and_then(|l| l.attribute("href"));
            assert!(
                link.unwrap()
                    .starts_with("http://store.example:8480/alert?occurrence=20261201T")
            );
        }
        assert_eq!(all(root, "updated")[0], newest);
        assert!(!text.contains("<script"), "{text}");
    }

    #[test]
    fn an_id_stays_whatever_becomes_of_the_alert() {
        let ids = |rows: &[(AlertRow, Stamp)]| -> Vec<String> {
            let text = text(rows);
            let document = roxmltree::Document::parse(&text).unwrap();
            document
                .descendants()
                .filter(|n| n.has_tag_name((ATOM, "id")))
                .filter_map(|n| n.text().map(str::to_owned))
                .collect()
        };
        let fresh: Vec<_> = (0..100)
            .map(|n| row(n, AlertState::Unacknowledged))
            .collect();
        let later: Vec<_> = (0..100)
            .map(|n| {
                let (row, at) = row(n, AlertState::Normal);
                let ended_at = Some(at.plus(3_600_000));
                (AlertRow { ended_at, ..row }, at.plus(3_600_000))
            })
            .collect();
        assert_eq!(ids(&fresh), ids(&later));
        assert_ne!(text(&fresh), text(&later));
        let unique: BTreeSet<String> = ids(&fresh).into_iter().collect();
        assert_eq!(unique.len(), 101);
        // Never to change: readers know alerts by it. Made with sha256sum and the version bits by hand.
        assert_eq!(urn("x"), "urn:uuid:228e5b07-8240-8e8c-8b05-7c6bb5526111");
        for id in unique {
            assert_eq!(&id[23..24], "8", "{id}");
            assert!("89ab".contains(&id[28..29]), "{id}");
        }
    }

    #[test]
    fn a_store_without_alerts_has_a_feed() {
        let text = text(&[]);
        assert!(roxmltree::Document::parse(&text).is_ok());
        assert!(text.contains("<updated>1970-01-01T00:00:00Z</updated>"));
    }
}
