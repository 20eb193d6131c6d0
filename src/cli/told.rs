//! Who is told, on the command line: how every channel stands, and a test by each.

use crate::{
    clock::Clock,
    config::Config,
    engine::Teller,
    notify::{
        channel::{Channel, Note, Post, Undelivered, Way},
        letter::{Around, Letter},
        telling::{Owed, Purpose},
        words::Manner,
    },
    watch::{Priority, SensorName},
    web::told::Told,
};

/// To whom messages go, and in which words.
pub fn teller(config: &Config) -> Teller {
    Teller {
        telling: config.telling.clone(),
        site: config.site.clone(),
        manner: Manner {
            zone: config.zone,
            unit: config.unit,
        },
        address: config.address.clone(),
    }
}

/// The same for the pages.
pub fn page(config: &Config) -> Told {
    Told {
        telling: config.telling.clone(),
        feed_sha256: config.feed_sha256.clone(),
        channels: config
            .channels
            .iter()
            .map(|c| {
                let kind = match c.way {
                    Way::Email(_) => "e-mail",
                    Way::Webhook(_) => "another program",
                    Way::Command(_) => "a program on this computer",
                };
                (c.name.clone(), kind)
            })
            .collect(),
    }
}

/// Everybody who is told, in one line; an error when nobody is.
pub fn look_at_contacts(config: &Config) -> Result<String, String> {
    let contacts = &config.telling.contacts;
    if contacts.is_empty() {
        // Allowed, for whoever only looks at the pages; but it must be said.
        return Ok("nobody is told anything; add a [[contact]] to be woken by frost".to_owned());
    }
    let each: Vec<String> = contacts
        .iter()
        .map(|c| {
            let after = match c.after_ms / 60_000 {
                0 => "at once".to_owned(),
                minutes => format!("after {minutes} min"),
            };
            let channels: Vec<&str> = c.channels.iter().map(SensorName::as_str).collect();
            format!("{} {after} by {}", c.name, channels.join(" and "))
        })
        .collect();
    Ok(each.join(", then "))
}

/// Sends a test by one channel, now and past the outbox; what the receiver said.
pub async fn send_test(config: &Config, channel: &Channel) -> Result<String, String> {
    let now = Clock::machine().now();
    let owed = Owed {
        at: now,
        contact: "check".to_owned(),
        purpose: Purpose::Test,
        priority: Priority::Low,
        room: String::new(),
        about: format!("by hand at {}", now.to_rfc3339()),
        items: Vec::new(),
        channels: vec![channel.name.clone()],
    };
    let teller = teller(config);
    let letter = Letter::of(
        &owed,
        &Around {
            site: &teller.site,
            manner: teller.manner,
            address: teller.address.as_deref(),
            crates: &|_| Vec::new(),
            tips: &|_| Vec::new(),
            day: None,
            standing: &[],
        },
    );
    let note = Note {
        key: owed.key(&channel.name),
        at: now,
        contact: owed.contact,
        purpose: Purpose::Test.as_str(),
        priority: Priority::Low,
        subject: letter.subject,
        short: letter.short,
        long: letter.long,
        link: letter.link,
        data: letter.data,
    };
    match Post::new().send(channel, &note, &config.site, now).await {
        Ok(said) if said.is_empty() => Ok("a test was sent".to_owned()),
        Ok(said) => Ok(format!("a test was sent: {said}")),
        Err(Undelivered::Later { why, .. } | Undelivered::Never { why }) => Err(why),
    }
}

/// What a channel would do, without doing it.
pub fn describe(channel: &Channel) -> &'static str {
    match channel.way {
        Way::Email(_) => "e-mail; `check --send` sends a test",
        Way::Webhook(_) => "posts to another program; `check --send` sends a test",
        Way::Command(_) => "starts a program; `check --send` sends a test",
    }
}
