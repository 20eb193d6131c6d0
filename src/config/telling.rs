//! Who is told, when, and how alerts are handled.

use std::{collections::BTreeSet, time::Duration};

use chrono::NaiveTime;
use chrono_tz::Tz;

use super::{
    Reader, quantity,
    text::{AlertsText, ContactText, OneOrMore},
};
use crate::{
    notify::{
        heartbeat,
        telling::{Contact, Telling},
        webhook::Address,
    },
    watch::{
        Handling, Priority, SensorName,
        reading::{HOUR_MS, MINUTE_MS},
    },
};

/// Between two contacts, unless said otherwise: after half an hour without an acknowledgement it is
/// somebody else's turn.
const NEXT_AFTER_MS: i64 = 30 * MINUTE_MS;
/// Between two heartbeats, unless said otherwise.
const HEARTBEAT_EVERY: Duration = Duration::from_secs(300);
/// No shelf may be longer, whatever the configuration says: what is out of mind for longer is out of
/// service.
const LONGEST_SHELF_MS: i64 = 7 * 24 * HOUR_MS;

impl Reader<'_> {
    pub(super) fn handling(&mut self, text: Option<&AlertsText>) -> Handling {
        let mut handling = Handling::default();
        let Some(text) = text else { return handling };
        if let Some(longest) = &text.longest_shelf
            && let Some(ms) = self.spanned(longest, quantity::duration_ms)
        {
            handling.longest_shelf_ms = ms;
            if !(MINUTE_MS..=LONGEST_SHELF_MS).contains(&ms) {
                self.fault(
                    &longest.span(),
                    "a shelf lasts from a minute to 7 days; take a sensor out of service for longer",
                );
            }
        }
        if let Some(again) = &text.again_after
            && let Some(ms) = self.spanned(again, quantity::duration_ms)
        {
            handling.again_ms = ms;
            if !(HOUR_MS..=48 * HOUR_MS).contains(&ms) {
                self.fault(
                    &again.span(),
                    "an acknowledged high alert that goes on is raised again after 1 to 48 hours",
                );
            }
        }
        handling
    }

    pub(super) fn telling(
        &mut self,
        text: Option<&AlertsText>,
        contacts: &[ContactText],
        channels: &[SensorName],
        zone: Tz,
    ) -> Telling {
        let mut telling = Telling {
            zone,
            ..Telling::default()
        };
        if let Some(text) = text {
            for (given, at) in [
                (&text.summary_at, &mut telling.summary_at),
                (&text.remind_at, &mut telling.remind_at),
            ] {
                if let Some(given) = given
                    && let Some(time) = self.spanned(given, time_of_day)
                {
                    *at = time;
                }
            }
            if let Some(every) = &text.repeat_every
                && let Some(ms) = self.spanned(every, quantity::duration_ms)
            {
                telling.repeat_ms = ms;
                if !(10 * MINUTE_MS..=24 * HOUR_MS).contains(&ms) {
                    self.fault(
                        &every.span(),
                        "a high alert is repeated every 10 minutes to 24 hours",
                    );
                }
            }
        }
        let mut used = BTreeSet::new();
        for text in contacts {
            let contact = self.contact(text, channels, &telling.contacts);
            used.extend(contact.channels.iter().cloned());
            telling.contacts.push(contact);
        }
        // The plan takes them in the order in which they are told.
        telling.contacts.sort_by_key(|c| c.after_ms);
        let idle: Vec<String> = channels
            .iter()
            .filter(|c| !used.contains(*c))
            .map(|c| format!("`{c}`"))
            .collect();
        if !idle.is_empty() {
            let what = format!(
                "nobody is told by {}: name it in the channels of a [[contact]]",
                idle.join(", ")
            );
            self.warn(&(0..0), what);
        }
        telling
    }

    /// The watcher outside, if there is one.
    pub(super) fn heartbeat(&mut self, text: &AlertsText) -> Option<heartbeat::Settings> {
        let every = text
            .heartbeat_every
            .as_ref()
            .and_then(|every| Some((every.span(), self.spanned(every, quantity::duration)?)));
        if let Some((span, every)) = &every
            && !(Duration::from_secs(60)..=Duration::from_secs(3600)).contains(every)
        {
            self.fault(span, "a heartbeat comes every `1min` to `1h`");
        }
        let address = text.heartbeat.as_ref()?;
        let address = self.spanned(address, Address::parse)?;
        Some(heartbeat::Settings {
            address,
            every: every.map_or(HEARTBEAT_EVERY, |(_, every)| every),
        })
    }

    fn contact(&mut self, text: &ContactText, known: &[SensorName], before: &[Contact]) -> Contact {
        let name = text.name.get_ref().trim().to_owned();
        if name.is_empty() || 60 < name.chars().count() || name.chars().any(char::is_control) {
            self.fault(&text.name.span(), "a contact's name has 1 to 60 characters");
        }
        if before.iter().any(|c| c.name == name) {
            let what = format!("there are two contacts `{name}`; rename one");
            self.fault(&text.name.span(), what);
        }
        let mut channels = Vec::new();
        for channel in text.channels.get_ref() {
            let Some(name) = self.name(channel) else {
                continue;
            };
            if !known.contains(&name) {
                let known: Vec<_> = known.iter().map(|c| format!("`{c}`")).collect();
                let known = if known.is_empty() {
                    "there are none; add an [[email]], [[webhook]] or [[command]]".to_owned()
                } else {
                    format!("there are {}", known.join(", "))
                };
                let what = format!("there is no channel `{name}`: {known}");
                self.fault(&channel.span(), what);
            }
            if !channels.contains(&name) {
                channels.push(name);
            }
        }
        if text.channels.get_ref().is_empty() {
            self.fault(
                &text.channels.span(),
                "a contact without a channel is never told; name one",
            );
        }
        let least = text.hears.as_ref().and_then(|hears| {
            self.spanned(hears, |h| {
                Priority::parse(h).ok_or_else(|| {
                    format!("`{h}`: give the least that is told: low, medium or high")
                })
            })
        });
        let after = text
            .after
            .as_ref()
            .and_then(|after| self.spanned(after, quantity::duration_ms));
        let turn = before.len() as i64;
        let quiet = text.quiet.as_ref().and_then(|quiet| {
            let both = match quiet.get_ref() {
                OneOrMore::More(two) if two.len() == 2 => {
                    time_of_day(&two[0]).and_then(|f| time_of_day(&two[1]).map(|t| (f, t)))
                }
                _ => Err("quiet hours are two times of day, such as [\"22:00\", \"6:00\"]".into()),
            };
            self.take(quiet.span(), both)
        });
        Contact {
            name,
            channels,
            least: least.unwrap_or(Priority::Low),
            after_ms: after.unwrap_or(turn * NEXT_AFTER_MS),
            quiet: quiet.filter(|(from, to)| from != to),
            summary: text.summary.unwrap_or(before.is_empty()),
        }
    }
}

/// `7:00` or `21:30`.
fn time_of_day(text: &str) -> Result<NaiveTime, String> {
    NaiveTime::parse_from_str(text.trim(), "%H:%M")
        .map_err(|_| format!("`{text}` is no time of day, such as 7:00 or 21:30"))
}
