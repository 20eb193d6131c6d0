//! Messages as e-mail, handed to a mail server over SMTP (RFC 5321, 8314, 3207).

use std::time::{Duration, UNIX_EPOCH};

pub use lettre::message::Mailbox;
use lettre::{
    Message,
    message::header::{ContentType, HeaderName, HeaderValue, MIME_VERSION_1_0},
    transport::smtp::{
        Error,
        authentication::{Credentials, Mechanism},
        client::{AsyncSmtpConnection, Certificate, TlsParameters},
        commands::{Data, Mail, Rcpt},
        extension::ClientId,
        response::Response,
    },
};
use sha2::{Digest, Sha256};
use tokio::time::timeout;

use super::channel::{Note, Roots, Secret, Undelivered, causes, said};
use crate::watch::Priority;

/// The farewell may take so long after the message was accepted.
const FAREWELL: Duration = Duration::from_secs(2);

/// Whether the way to the mail server is encrypted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Security {
    /// Plain at first, encrypted before anything is said; refused when the server cannot.
    StartTls,
    /// Encrypted from the first byte.
    Tls,
    /// Never encrypted.
    None,
}

impl Security {
    /// The port that goes with it (RFC 8314 sections 3.3 and 7, RFC 5321 section 4.5.4.2).
    pub fn port(self) -> u16 {
        match self {
            Self::StartTls => 587,
            Self::Tls => 465,
            Self::None => 25,
        }
    }
}

/// A name and password at the mail server.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Login {
    /// Often the address itself.
    pub user: String,
    /// Never printed.
    pub password: Secret,
}

/// A mail server and who gets mail through it.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// One or more addresses; one that is refused does not keep the others from their mail.
    pub to: Vec<Mailbox>,
    /// The sender.
    pub from: Mailbox,
    /// Name or address of the mail server.
    pub server: String,
    /// Its port.
    pub port: u16,
    /// How the way there is encrypted.
    pub security: Security,
    /// Absent for servers that take mail from this computer without.
    pub login: Option<Login>,
    /// Authorities beside the system's.
    pub roots: Roots,
}

pub(super) async fn send(
    settings: &Settings,
    note: &Note,
    site: &str,
    limit: Duration,
) -> Result<String, Undelivered> {
    let message = letter(settings, note, site)
        .map_err(|e| Undelivered::never(format!("the message cannot be written as mail: {e}")))?;
    let (answer, mut connection) = timeout(limit, hand_over(settings, &message.formatted()))
        .await
        .map_err(|_| Undelivered::too_slow(limit))??;
    // The server answers for the message now, whatever becomes of the farewell.
    let _ = timeout(FAREWELL, connection.quit()).await;
    Ok(answer)
}

/// The message as it is written; the same at every try.
fn letter(settings: &Settings, note: &Note, site: &str) -> Result<Message, lettre::error::Error> {
    // The space that keeps a figure and its unit together is for pages; here it would only make
    // plain text unreadable on the way.
    let plain = |text: &str| text.replace('\u{a0}', " ");
    let mut text = plain(&note.long);
    if let Some(link) = &note.link {
        text = format!("{}\n\n{link}", text.trim_end());
    }
    text.push('\n');
    let key: String = Sha256::digest(note.key.as_bytes())
        .iter()
        .map(|b| format!("{b:02x}"))
        .collect();
    let id = format!("<{key}@{}>", settings.from.email.domain());
    let at = UNIX_EPOCH + Duration::from_millis(u64::try_from(note.at.0).unwrap_or_default());
    let mut from = settings.from.clone();
    from.name = from.name.or_else(|| Some(one_line(site)));

    let mut letter = Message::builder()
        .from(from)
        .subject(one_line(&plain(&note.subject)))
        .date(at)
        .message_id(Some(id))
        // RFC 3834 section 5: nobody's holiday notice answers this.
        .raw_header(raw("Auto-Submitted", "auto-generated"))
        .header(MIME_VERSION_1_0)
        .header(ContentType::TEXT_PLAIN);
    for to in &settings.to {
        letter = letter.to(to.clone());
    }
    if note.priority == Priority::High {
        // RFC 2156 section 5.3.6; the one with X is common practice.
        letter = letter
            .raw_header(raw("Importance", "high"))
            .raw_header(raw("X-Priority", "1 (Highest)"));
    }
    letter.body(text)
}

fn raw(name: &'static str, value: &str) -> HeaderValue {
    HeaderValue::new(HeaderName::new_from_ascii_str(name), value.to_owned())
}

fn one_line(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect()
}

async fn hand_over(
    settings: &Settings,
    letter: &[u8],
) -> Result<(String, AsyncSmtpConnection), Undelivered> {
    let mut connection = connect(settings).await?;

    let mail = Mail::new(Some(settings.from.email.clone()), Vec::new());
    if let Err(e) = connection.command(mail).await {
        // The sender can be mended in the configuration.
        let what = format!("the sender {} was refused", settings.from.email);
        return Err(Undelivered::later(words(&what, &e)));
    }

    let mut refused = Vec::new();
    let mut hopeless = true;
    for Mailbox { email, .. } in &settings.to {
        if let Err(e) = connection
            .command(Rcpt::new(email.clone(), Vec::new()))
            .await
        {
            if e.status().is_none() {
                return Err(Undelivered::later(words("the mail server broke off", &e)));
            }
            hopeless &= no_such_address(&e);
            refused.push(words(&format!("{email} was refused"), &e));
        }
    }
    if refused.len() == settings.to.len() {
        let why = refused.join("; ");
        return Err(if hopeless {
            Undelivered::never(why)
        } else {
            Undelivered::later(why)
        });
    }

    let answer = match connection.command(Data).await {
        Ok(_) => connection.message(letter).await,
        Err(e) => Err(e),
    };
    match answer {
        Ok(answer) => Ok((accepted(&answer, &refused), connection)),
        Err(e) if e.is_permanent() && !about_login(&e) => {
            Err(Undelivered::never(words("the message was refused", &e)))
        }
        Err(e) => Err(Undelivered::later(words("the message was not taken", &e))),
    }
}

/// Ready for the first message. Whatever goes wrong here can be mended, so it is never final.
async fn connect(settings: &Settings) -> Result<AsyncSmtpConnection, Undelivered> {
    let failed = |what: &str| {
        let what = format!("{what} {}:{}", settings.server, settings.port);
        move |e: Error| Undelivered::later(words(&what, &e))
    };
    let tls = || tls(settings).map_err(failed("cannot encrypt the way to"));
    let wrapped = match settings.security {
        Security::Tls => Some(tls()?),
        Security::StartTls | Security::None => None,
    };
    let hello = ClientId::default();
    let server = (settings.server.as_str(), settings.port);
    let mut connection = AsyncSmtpConnection::connect_tokio1(server, None, &hello, wrapped, None)
        .await
        .map_err(failed("cannot connect to"))?;
    if settings.security == Security::StartTls {
        connection
            .starttls(tls()?, &hello)
            .await
            .map_err(failed("cannot encrypt the way to"))?;
    }
    if let Some(Login { user, password }) = &settings.login {
        let credentials = Credentials::new(user.clone(), password.reveal().to_owned());
        connection
            .auth(&[Mechanism::Plain, Mechanism::Login], &credentials)
            .await
            .map_err(failed("the user name or password was not accepted by"))?;
    }
    Ok(connection)
}

fn tls(settings: &Settings) -> Result<TlsParameters, Error> {
    let mut tls = TlsParameters::builder(settings.server.clone());
    for root in &settings.roots.0 {
        tls = tls.add_root_certificate(Certificate::from_der(root.to_vec())?);
    }
    tls.build()
}

/// What the server said with the code it gave.
fn words(what: &str, error: &Error) -> String {
    match error.status() {
        Some(code) => {
            let text = std::error::Error::source(error).map(ToString::to_string);
            let text = said(text.unwrap_or_default().as_bytes());
            format!("{what}: {code} {text}").trim_end().to_owned()
        }
        None => format!("{what}: {}", causes(error)),
    }
}

fn accepted(answer: &Response, refused: &[String]) -> String {
    let lines: Vec<&str> = answer.message().collect();
    let words = said(format!("{} {}", answer.code(), lines.join(" ")).as_bytes());
    match refused {
        [] => words,
        refused => format!("{words}; but {}", refused.join("; ")),
    }
}

/// 550, 551 and 553 say that an address does not exist here (RFC 5321 section 4.2.3), unless the
/// enhanced code says that it is a matter of policy (RFC 3463 section 3.8), which can be mended.
fn no_such_address(error: &Error) -> bool {
    let policy = std::error::Error::source(error)
        .is_some_and(|text| text.to_string().trim_start().starts_with("5.7."));
    matches!(code(error), Some(550 | 551 | 553)) && !policy
}

/// 530, 534, 535 and 538 are about the login (RFC 4954 section 6, RFC 3207 section 4).
fn about_login(error: &Error) -> bool {
    matches!(code(error), Some(530 | 534 | 535 | 538))
}

fn code(error: &Error) -> Option<u16> {
    error.status().map(u16::from)
}

/// Takes `someone@example.org` or `Some One <someone@example.org>`; `Err` says what is wrong.
pub fn mailbox(text: &str) -> Result<Mailbox, String> {
    let mailbox: Mailbox = text
        .parse()
        .map_err(|e| format!("`{text}` is no e-mail address: {e}"))?;
    if AsRef::<str>::as_ref(&mailbox.email).is_ascii() {
        Ok(mailbox)
    } else {
        Err(format!(
            "`{text}`: an address with letters beyond a-z reaches few servers; use a plain one"
        ))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::watch::Stamp;

    #[test]
    fn a_letter_is_the_same_at_every_try_and_stays_in_its_lines() {
        let settings = Settings {
            to: vec![
                mailbox("Ann <ann@farm.example>").unwrap(),
                mailbox("b@farm.example").unwrap(),
            ],
            from: mailbox("store@farm.example").unwrap(),
            server: "localhost".to_owned(),
            port: 25,
            security: Security::None,
            login: None,
            roots: Roots::default(),
        };
        let note = Note {
            key: "k-1".to_owned(),
            at: Stamp(1_767_225_600_000),
            contact: "Ann".to_owned(),
            purpose: "announce",
            priority: Priority::High,
            subject: "Frost\r\nBcc: thief@example.org".to_owned(),
            short: String::new(),
            long: "34\u{a0}F now.\n.\nGo.".to_owned(),
            link: Some("http://192.0.2.1/alerts".to_owned()),
            data: serde_json::Value::Null,
        };
        let text =
            || String::from_utf8(letter(&settings, &note, "Cellar").unwrap().formatted()).unwrap();
        assert_eq!(text(), text());
        let text = text();
        let (head, body) = text.split_once("\r\n\r\n").unwrap();
        let lines: Vec<&str> = head.split("\r\n").collect();
        assert!(
            lines.contains(&"From: Cellar <store@farm.example>"),
            "{head}"
        );
        assert!(
            lines.contains(&"To: Ann <ann@farm.example>, b@farm.example"),
            "{head}"
        );
        assert!(
            lines.contains(&"Subject: Frost  Bcc: thief@example.org"),
            "{head}"
        );
        assert!(
            lines.contains(&"Date: Thu, 01 Jan 2026 00:00:00 +0000"),
            "{head}"
        );
        assert!(lines.contains(&"Auto-Submitted: auto-generated"), "{head}");
        assert!(lines.contains(&"Importance: high"), "{head}");
        let id = lines
            .iter()
            .find(|l| l.starts_with("Message-ID: <"))
            .unwrap();
        assert!(
            id.ends_with("@farm.example>") && id.len() == 13 + 64 + 14,
            "{id}"
        );
        assert_eq!(
            body,
            "34 F now.\r\n.\r\nGo.\r\n\r\nhttp://192.0.2.1/alerts\r\n"
        );
        assert!(mailbox("nobody").is_err() && mailbox("jörg@farm.example").is_err());
    }
}
