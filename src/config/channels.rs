//! The ways out for messages: addresses, secrets and certificates, read and checked.

use std::{
    fs,
    io::Read as _,
    os::unix::fs::PermissionsExt,
    path::{Path, PathBuf},
    time::Duration,
};

use toml::Spanned;

use super::{
    Reader, quantity,
    text::{CommandText, EmailText, OneOrMore, WebhookText},
};
use crate::{
    notify::{
        channel::{COMMAND_LIMIT, Channel, EMAIL_LIMIT, Roots, Secret, WEBHOOK_LIMIT, Way},
        command,
        email::{self, Login, Security},
        webhook::{self, Address},
    },
    watch::SensorName,
};

/// More than any password or key has.
const SECRET_BYTES: u64 = 4096;
/// More than the authorities of any farm have.
const ROOTS_BYTES: u64 = 1 << 20;
/// One message to a helper's whole family is enough.
const MOST_ADDRESSES: usize = 20;

/// What was named cannot be used; the fault is written down.
struct Faulty;

impl Reader<'_> {
    pub(super) fn channels(
        &mut self,
        emails: Vec<EmailText>,
        webhooks: Vec<WebhookText>,
        commands: Vec<CommandText>,
    ) -> Vec<Channel> {
        let mut channels = Vec::new();
        for text in emails {
            let name = self.channel(&channels, &text.name);
            let way = self.email(&text).map(Way::Email);
            channels.extend(whole(name, way, EMAIL_LIMIT));
        }
        for text in webhooks {
            let name = self.channel(&channels, &text.name);
            let way = self.webhook(&text).map(Way::Webhook);
            channels.extend(whole(name, way, WEBHOOK_LIMIT));
        }
        for text in commands {
            let name = self.channel(&channels, &text.name);
            let limit = match &text.time_limit {
                Some(limit) => self.spanned(limit, command_limit),
                None => Some(COMMAND_LIMIT),
            };
            let way = self.command(&text).map(Way::Command);
            channels.extend(limit.and_then(|limit| whole(name, way, limit)));
        }
        channels
    }

    fn channel(&mut self, before: &[Channel], text: &Spanned<String>) -> Option<SensorName> {
        let name = self.name(text)?;
        if before.iter().any(|c| c.name == name) {
            let what = format!("there are two ways out `{name}`; rename one");
            self.fault(&text.span(), what);
        }
        Some(name)
    }

    // ---- e-mail ----

    fn email(&mut self, text: &EmailText) -> Option<email::Settings> {
        let to = self.addresses(&text.to);
        let from = self.spanned(&text.from, email::mailbox);
        let server = self.spanned(&text.server, |s| {
            let plain = |c: char| c.is_ascii_alphanumeric() || ".-:".contains(c);
            if !s.is_empty() && s.chars().all(plain) {
                Ok(s.to_owned())
            } else {
                Err(format!(
                    "`{s}` is no mail server; write its name alone, such as mail.example.org"
                ))
            }
        });
        let security = match &text.security {
            None => Some(Security::StartTls),
            Some(security) => self.spanned(security, |s| match s {
                "starttls" => Ok(Security::StartTls),
                "tls" => Ok(Security::Tls),
                "none" => Ok(Security::None),
                _ => Err(format!("`{s}`: security is starttls, tls or none")),
            }),
        };
        if security == Some(Security::None) && !is_loopback(text.server.get_ref()) {
            let span = text.security.as_ref().map_or(0..0, Spanned::span);
            if text.unencrypted == Some(true) {
                self.warn(&span, "mail and password are not encrypted on their way");
            } else {
                self.fault(&span, "mail and password could be read on their way; use `starttls` or `tls`, or allow it with `unencrypted = true`");
            }
        }
        let port = match &text.port {
            Some(port) if *port.get_ref() == 0 => {
                self.fault(
                    &port.span(),
                    "a port is 1 to 65535; mail servers take 587 or 465",
                );
                None
            }
            Some(port) => Some(*port.get_ref()),
            None => security.map(Security::port),
        };
        let login = self.login(text);
        let roots = self.roots(text.ca_file.as_ref());
        Some(email::Settings {
            to: to?,
            from: from?,
            server: server?,
            port: port?,
            security: security?,
            login: login.ok()?,
            roots: roots?,
        })
    }

    fn addresses(&mut self, text: &Spanned<OneOrMore>) -> Option<Vec<email::Mailbox>> {
        let list = match text.get_ref() {
            OneOrMore::One(one) => std::slice::from_ref(one),
            OneOrMore::More(more) => more,
        };
        if !(1..=MOST_ADDRESSES).contains(&list.len()) {
            let what =
                format!("needs 1 to {MOST_ADDRESSES} addresses, such as [\"me@example.org\"]");
            self.fault(&text.span(), what);
            return None;
        }
        let parsed: Result<Vec<_>, String> = list.iter().map(|a| email::mailbox(a)).collect();
        self.take(text.span(), parsed)
    }

    fn login(&mut self, text: &EmailText) -> Result<Option<Login>, Faulty> {
        let password = self.secret(
            "password",
            text.password_file.as_ref(),
            text.password_env.as_ref(),
        )?;
        match (&text.user, password) {
            (None, None) => Ok(None),
            (Some(user), Some(password)) => Ok(Some(Login {
                user: user.get_ref().clone(),
                password,
            })),
            (Some(user), None) => {
                self.fault(
                    &user.span(),
                    "has no password; name the file that holds it with `password_file`",
                );
                Err(Faulty)
            }
            (None, Some(_)) => {
                self.fault(
                    &text.name.span(),
                    "has a password but no `user`; add it, often the address itself",
                );
                Err(Faulty)
            }
        }
    }

    // ---- webhook ----

    fn webhook(&mut self, text: &WebhookText) -> Option<webhook::Settings> {
        let secret = self.secret(
            "secret",
            text.secret_file.as_ref(),
            text.secret_env.as_ref(),
        );
        let roots = self.roots(text.ca_file.as_ref());
        let address = self.spanned(&text.url, Address::parse)?;
        if address.is_open() {
            self.warn(
                &text.url.span(),
                "messages to this address are not encrypted on their way; use https",
            );
        }
        Some(webhook::Settings {
            address,
            secret: secret.ok()?,
            roots: roots?,
        })
    }

    // ---- command ----

    fn command(&mut self, text: &CommandText) -> Option<command::Settings> {
        let span = text.run.span();
        let Some((program, arguments)) = text.run.get_ref().split_first() else {
            self.fault(
                &span,
                "names no program, such as [\"/usr/local/bin/siren\", \"--on\"]",
            );
            return None;
        };
        if program.is_empty() || text.run.get_ref().iter().any(|a| a.contains('\0')) {
            self.fault(
                &span,
                "the first word is a program, such as \"/usr/local/bin/siren\"",
            );
            return None;
        }
        let program = if program.contains('/') {
            let path = self.folder.join(program);
            if !path.is_file() {
                let what = format!(
                    "there is no program {}; messages wait until there is",
                    path.display()
                );
                self.warn(&span, what);
            }
            path.into_os_string()
        } else {
            program.into()
        };
        Some(command::Settings {
            program,
            arguments: arguments.to_vec(),
        })
    }

    // ---- secrets and certificates ----

    fn secret(
        &mut self,
        what: &str,
        file: Option<&Spanned<PathBuf>>,
        variable: Option<&Spanned<String>>,
    ) -> Result<Option<Secret>, Faulty> {
        let (span, read) = match (file, variable) {
            (None, None) => return Ok(None),
            (Some(_), Some(variable)) => (
                variable.span(),
                Err(format!(
                    "the {what} is in a file already; keep `{what}_file` or `{what}_env`"
                )),
            ),
            (Some(file), None) => {
                let path = self.folder.join(file.get_ref());
                if fs::metadata(&path).is_ok_and(|m| m.permissions().mode() & 0o077 != 0) {
                    let path = path.display();
                    let others =
                        format!("others on this computer can read {path}; chmod 600 {path}");
                    self.warn(&file.span(), others);
                }
                (file.span(), file_secret(what, &path))
            }
            (None, Some(variable)) => (variable.span(), variable_secret(what, variable.get_ref())),
        };
        self.take(span, read).map(Some).ok_or(Faulty)
    }

    fn roots(&mut self, file: Option<&Spanned<PathBuf>>) -> Option<Roots> {
        let Some(file) = file else {
            return Some(Roots::default());
        };
        let path = self.folder.join(file.get_ref());
        let read = beginning(&path, ROOTS_BYTES)
            .and_then(|pem| Roots::parse(&pem))
            .map_err(|e| format!("{} {e}; it is the PEM file of the authority that signed the server's certificate", path.display()));
        self.take(file.span(), read)
    }
}

fn whole(name: Option<SensorName>, way: Option<Way>, time_limit: Duration) -> Option<Channel> {
    Some(Channel {
        name: name?,
        way: way?,
        time_limit,
    })
}

fn command_limit(text: &str) -> Result<Duration, String> {
    let limit = quantity::duration(text)?;
    if (Duration::from_secs(1)..=Duration::from_secs(600)).contains(&limit) {
        Ok(limit)
    } else {
        Err(format!("`{text}`: a time limit is `1s` to `10min`"))
    }
}

fn is_loopback(server: &str) -> bool {
    let address = server.parse::<std::net::IpAddr>();
    server.eq_ignore_ascii_case("localhost") || address.is_ok_and(|a| a.is_loopback())
}

fn file_secret(what: &str, path: &Path) -> Result<Secret, String> {
    let shown = path.display();
    let bytes = beginning(path, SECRET_BYTES).map_err(|e| {
        format!("{shown} {e}; write the {what} alone into it and chmod 600 {shown}")
    })?;
    let text = String::from_utf8(bytes)
        .map_err(|_| format!("{shown} is no text; write the {what} alone into it"))?;
    // An editor ends the last line.
    kept(
        what,
        &format!("{shown}"),
        text.trim_end_matches(['\r', '\n']),
    )
}

fn variable_secret(what: &str, variable: &str) -> Result<Secret, String> {
    let named = !variable.is_empty() && !variable.contains(['=', '\0']);
    let value = named.then(|| std::env::var(variable).ok()).flatten();
    let value = value.ok_or_else(|| {
        format!("there is no environment variable `{variable}`; set it where the program is started, or use `{what}_file`")
    })?;
    kept(
        what,
        &format!("the environment variable `{variable}`"),
        &value,
    )
}

fn kept(what: &str, place: &str, text: &str) -> Result<Secret, String> {
    if text.is_empty() {
        Err(format!("{place} is empty; write the {what} into it"))
    } else if text.chars().any(char::is_control) {
        Err(format!(
            "{place} holds more than one line; write the {what} alone into it"
        ))
    } else {
        Ok(Secret::new(text))
    }
}

/// A whole small file; `Err` goes on after its name.
fn beginning(path: &Path, most: u64) -> Result<Vec<u8>, String> {
    let file = fs::File::open(path).map_err(|e| format!("cannot be read: {e}"))?;
    let mut bytes = Vec::new();
    file.take(most + 1)
        .read_to_end(&mut bytes)
        .map_err(|e| format!("cannot be read: {e}"))?;
    if bytes.len() as u64 <= most {
        Ok(bytes)
    } else {
        Err(format!("is longer than {most} bytes"))
    }
}
