//! The ways a message leaves the program: what is sent, what came of it, how long it may take.

use std::{fmt, time::Duration};

use rustls::{
    RootCertStore,
    pki_types::{CertificateDer, pem::PemObject},
};
use serde::Serialize;
use thiserror::Error;

use super::{command, email, webhook};
use crate::watch::{Priority, SensorName, Stamp};

/// An e-mail is given up for this try after so long.
pub const EMAIL_LIMIT: Duration = Duration::from_secs(60);
/// A webhook is given up for this try after so long.
pub const WEBHOOK_LIMIT: Duration = Duration::from_secs(15);
/// A command is killed after so long unless its section says otherwise.
pub const COMMAND_LIMIT: Duration = Duration::from_secs(30);

/// What a server or program answers is read up to here.
pub(super) const ANSWER_BYTES: usize = 4096;
/// No server may put us off for longer than this.
const LONGEST_WAIT: Duration = Duration::from_secs(3600);
/// What was said is kept up to here, in characters.
const SAID_CHARS: usize = 300;

/// One message as a channel sends it.
#[derive(Debug, Clone, PartialEq)]
pub struct Note {
    /// Same at every try; receivers tell a repeat by it.
    pub key: String,
    /// When it was owed.
    pub at: Stamp,
    /// Who it is for.
    pub contact: String,
    /// One word: `announce`, `again`, `summary`, `test` and the like.
    pub purpose: &'static str,
    /// How soon the receiver must act.
    pub priority: Priority,
    /// One line.
    pub subject: String,
    /// At most 160 characters.
    pub short: String,
    /// Plain text in lines.
    pub long: String,
    /// The page about it, when pages can be reached.
    pub link: Option<String>,
    /// The figures, for programs.
    pub data: serde_json::Value,
}

/// Why a message was not delivered.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum Undelivered {
    /// Another try may succeed, perhaps after something is mended.
    #[error("{why}")]
    Later {
        /// In words, without credentials.
        why: String,
        /// How long the receiver asked us to wait, at most an hour.
        retry_after: Option<Duration>,
    },
    /// This message will not be taken however often it is tried.
    #[error("{why}")]
    Never {
        /// In words, without credentials.
        why: String,
    },
}

impl Undelivered {
    pub(super) fn later(why: impl Into<String>) -> Self {
        Self::Later {
            why: why.into(),
            retry_after: None,
        }
    }

    pub(super) fn after(why: impl Into<String>, wait: Option<Duration>) -> Self {
        Self::Later {
            why: why.into(),
            retry_after: wait.map(|w| w.min(LONGEST_WAIT)),
        }
    }

    pub(super) fn never(why: impl Into<String>) -> Self {
        Self::Never { why: why.into() }
    }

    pub(super) fn too_slow(limit: Duration) -> Self {
        Self::later(format!(
            "was not done within {}",
            humantime::format_duration(limit)
        ))
    }
}

/// How a channel delivers.
#[derive(Debug, Clone, PartialEq)]
pub enum Way {
    /// Through a mail server.
    Email(email::Settings),
    /// By an HTTP request.
    Webhook(webhook::Settings),
    /// By starting a program.
    Command(command::Settings),
}

/// One way out, as configured.
#[derive(Debug, Clone, PartialEq)]
pub struct Channel {
    /// What contacts and the record call it.
    pub name: SensorName,
    /// How it delivers.
    pub way: Way,
    /// One try takes no longer than this, save up to two seconds of farewell.
    pub time_limit: Duration,
}

/// Sends; each try stands alone and keeps no connection.
#[derive(Debug)]
pub struct Post(());

impl Post {
    /// Makes ready to send; installs the TLS primitives of the process unless some are there.
    pub fn new() -> Self {
        // The only error is that a provider is installed already, which serves as well.
        let _ = rustls::crypto::ring::default_provider().install_default();
        Self(())
    }

    /// Tries once to deliver a note, at the time `now`. `Ok` holds what the receiver said, for the
    /// record. `site` is what the store is called.
    pub async fn send(
        &self,
        channel: &Channel,
        note: &Note,
        site: &str,
        now: Stamp,
    ) -> Result<String, Undelivered> {
        let limit = channel.time_limit;
        match &channel.way {
            Way::Email(settings) => email::send(settings, note, site, limit).await,
            Way::Webhook(settings) => webhook::send(settings, note, site, now, limit).await,
            Way::Command(settings) => command::send(settings, note, site, limit).await,
        }
    }
}

impl Default for Post {
    fn default() -> Self {
        Self::new()
    }
}

/// A password or key; never printed.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

impl Secret {
    /// Keeps a secret.
    pub fn new(secret: impl Into<String>) -> Self {
        Self(secret.into())
    }

    pub(super) fn reveal(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secret")
    }
}

/// Certificates of authorities to trust beside the operating system's.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Roots(pub(super) Vec<CertificateDer<'static>>);

impl Roots {
    /// Takes every certificate of a PEM file; `Err` says what is wrong with it.
    pub fn parse(pem: &[u8]) -> Result<Self, String> {
        let certificates = CertificateDer::pem_slice_iter(pem)
            .collect::<Result<Vec<_>, _>>()
            .map_err(|e| format!("is no PEM file: {e}"))?;
        if certificates.is_empty() {
            return Err("holds no certificate".to_owned());
        }
        let mut store = RootCertStore::empty();
        for certificate in &certificates {
            store
                .add(certificate.clone())
                .map_err(|e| format!("holds a certificate that cannot be used: {e}"))?;
        }
        Ok(Self(certificates))
    }
}

/// A note as programs get it: in a webhook's `data` and on a command's standard input.
#[derive(Serialize)]
pub(super) struct Facts<'a> {
    pub(super) contact: &'a str,
    pub(super) priority: Priority,
    pub(super) subject: &'a str,
    pub(super) short: &'a str,
    pub(super) long: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) link: Option<&'a str>,
    pub(super) figures: &'a serde_json::Value,
}

impl<'a> Facts<'a> {
    pub(super) fn of(note: &'a Note) -> Self {
        Self {
            contact: &note.contact,
            priority: note.priority,
            subject: &note.subject,
            short: &note.short,
            long: &note.long,
            link: note.link.as_deref(),
            figures: &note.data,
        }
    }
}

/// Words of a stranger for the record: one line, no control characters, at most 300 characters.
pub(super) fn said(text: &[u8]) -> String {
    let text = String::from_utf8_lossy(text);
    let mut line = String::new();
    for (i, word) in text
        .split(|c: char| c.is_whitespace() || c.is_control())
        .filter(|w| !w.is_empty())
        .enumerate()
    {
        if 0 < i {
            line.push(' ');
        }
        line.push_str(word);
    }
    match line.char_indices().nth(SAID_CHARS) {
        Some((end, _)) => format!("{}...", &line[..end]),
        None => line,
    }
}

/// An error with its causes, for the record; causes that repeat what stands there are left out.
pub(super) fn causes(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut next = error.source();
    while let Some(cause) = next {
        let cause_text = cause.to_string();
        if !text.contains(&cause_text) {
            text = format!("{text}: {cause_text}");
        }
        next = cause.source();
    }
    said(text.as_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_strangers_words_are_one_bounded_line() {
        assert_eq!(
            said(b"250 OK\r\n\x1b[31mFAKE\0 line\n"),
            "250 OK [31mFAKE line"
        );
        assert_eq!(said(b""), "");
        assert_eq!(said(&b"\xc3\xa9".repeat(400)).chars().count(), 303);
        assert!(said(&[0xff; 9000]).chars().count() <= 303);
    }

    #[test]
    fn secrets_do_not_print() {
        assert_eq!(format!("{:?}", Secret::new("hunter")), "Secret");
    }

    #[test]
    fn nobody_puts_us_off_for_longer_than_an_hour() {
        let wait = |s| match Undelivered::after("busy", Some(Duration::from_secs(s))) {
            Undelivered::Later { retry_after, .. } => retry_after.unwrap().as_secs(),
            Undelivered::Never { .. } => unreachable!(),
        };
        assert_eq!((wait(30), wait(86_400)), (30, 3600));
    }

    #[test]
    fn certificates_are_looked_at_when_they_are_read() {
        assert!(Roots::parse(b"").unwrap_err().contains("no certificate"));
        let broken = b"-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n";
        assert!(Roots::parse(broken).is_err());
    }
}
