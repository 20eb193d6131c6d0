//! What people and the program did, act by act: who, when, what, about what.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

use crate::{
    stock::ledger::Entry,
    watch::{Act, Settings, Stamp},
};

/// One line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Row {
    /// When it was entered.
    pub at: DateTime<Utc>,
    /// By whom; empty where nobody signed in.
    pub who: String,
    /// Of what kind, as a word.
    pub what: String,
    /// What it is about: a room, a sensor, an alert, crates; may be empty.
    pub about: String,
    /// More about it, in words or as JSON; may be empty.
    pub detail: String,
    /// What a change of settings changed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub change: Option<Changed>,
}

/// One thing that differs between two settings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Changed {
    /// `room NAME` or `sensor NAME`; empty for what holds everywhere.
    pub about: String,
    /// Which field, from the outside in, with a dot between two; a number is a place in a list. Empty
    /// where all of it came or went.
    pub field: String,
    /// As it was, in the units of the settings (C, percent, milliseconds); none where it came.
    pub old: Option<Value>,
    /// As it is; none where it went.
    pub new: Option<Value>,
}

/// The word of a change of settings.
const SETTINGS: &str = "settings";

/// What differs between two settings, what holds everywhere first, then rooms and sensors by name.
pub fn changes(old: &Settings, new: &Settings) -> Vec<Changed> {
    let [old, new] = [old, new].map(|s| match serde_json::to_value(s) {
        Ok(Value::Object(fields)) => fields,
        _ => Map::new(),
    });
    let mut all = Vec::new();
    for (name, [old, new]) in both(&old, &new) {
        match name {
            "rooms" => named("room", old, new, &mut all),
            "sensors" => named("sensor", old, new, &mut all),
            _ => differ("", name, old, new, &mut all),
        }
    }
    // Stable: the fields of one room stay together and in their order.
    all.sort_by(|a, b| a.about.cmp(&b.about));
    all
}

type Pair<'a> = [Option<&'a Value>; 2];

/// The fields of both, each once.
fn both<'a>(
    old: &'a Map<String, Value>,
    new: &'a Map<String, Value>,
) -> impl Iterator<Item = (&'a str, Pair<'a>)> {
    let gone = old.keys().filter(|name| !new.contains_key(*name));
    new.keys()
        .chain(gone)
        .map(|name| (name.as_str(), [old.get(name), new.get(name)]))
}

/// Lists whose items have names: what moved within the list is no change.
fn named(what: &str, old: Option<&Value>, new: Option<&Value>, all: &mut Vec<Changed>) {
    let by_name = |list: Option<&Value>| -> Map<String, Value> {
        let items = list.and_then(Value::as_array).into_iter().flatten();
        items
            .filter_map(|item| Some((item.get("name")?.as_str()?.to_owned(), item.clone())))
            .collect()
    };
    let (old, new) = (by_name(old), by_name(new));
    for (name, [old, new]) in both(&old, &new) {
        differ(&format!("{what} {name}"), "", old, new, all);
    }
}

fn differ(
    about: &str,
    field: &str,
    old: Option<&Value>,
    new: Option<&Value>,
    all: &mut Vec<Changed>,
) {
    if old == new {
        return;
    }
    let within = |name: &str| match field {
        "" => name.to_owned(),
        outer => format!("{outer}.{name}"),
    };
    match (old, new) {
        (Some(Value::Object(old)), Some(Value::Object(new))) => {
            for (name, [old, new]) in both(old, new) {
                differ(about, &within(name), old, new, all);
            }
        }
        // A list of another length is told as a whole: nobody knows which of its items is which.
        (Some(Value::Array(old)), Some(Value::Array(new))) if old.len() == new.len() => {
            for (place, (old, new)) in old.iter().zip(new).enumerate() {
                differ(
                    about,
                    &within(&place.to_string()),
                    Some(old),
                    Some(new),
                    all,
                );
            }
        }
        _ => all.push(Changed {
            about: about.to_owned(),
            field: field.to_owned(),
            old: old.cloned(),
            new: new.cloned(),
        }),
    }
}

fn row(at: Stamp, who: &str, what: &str, about: String, detail: String) -> Row {
    Row {
        at: at.to_utc(),
        who: who.to_owned(),
        what: what.to_owned(),
        about,
        detail,
        change: None,
    }
}

/// An act as lines; `before` are the settings in force until then. A change of settings is a line for
/// each thing that changed, and one that changed nothing is none; the first settings are one line.
pub fn of_act(at: Stamp, who: &str, act: &Act, before: Option<&Settings>) -> Vec<Row> {
    let one = |about: String, detail: String| vec![row(at, who, act.kind(), about, detail)];
    match act {
        Act::Settings(new) => match before {
            None => one(
                String::new(),
                format!("{} rooms, {} sensors", new.rooms.len(), new.sensors.len()),
            ),
            Some(old) => changes(old, new)
                .into_iter()
                .map(|change| {
                    let words = |value: &Option<Value>| match value {
                        Some(value) => value.to_string(),
                        None => "none".to_owned(),
                    };
                    let detail = match change.field.as_str() {
                        "" if change.old.is_none() => "came".to_owned(),
                        "" => "went".to_owned(),
                        field => {
                            format!("{field}: {} -> {}", words(&change.old), words(&change.new))
                        }
                    };
                    Row {
                        change: Some(change.clone()),
                        ..row(at, who, SETTINGS, change.about, detail)
                    }
                })
                .collect(),
        },
        Act::Started(started) => {
            let off = started.off_from.to_rfc3339();
            let detail = if started.stepped {
                format!("the computer's clock was set forward from {off}")
            } else {
                format!("off from {off}")
            };
            one("recorder".to_owned(), detail)
        }
        Act::Acknowledge(named) | Act::Unshelve(named) | Act::Reset(named) => {
            one(named.occurrence.to_string(), String::new())
        }
        Act::Shelve(shelve) => {
            let until = shelve.until.to_rfc3339();
            let over = if shelve.one_shot {
                " or until it is over"
            } else {
                ""
            };
            let detail = format!("until {until}{over}: {}", shelve.reason);
            one(shelve.occurrence.to_string(), detail)
        }
        Act::Service(service) => {
            let detail = match &service.out {
                Some(reason) => format!("out of service: {reason}"),
                None => "back in service".to_owned(),
            };
            one(format!("sensor {}", service.sensor), detail)
        }
        Act::Stage(staged) => one(
            format!("room {}", staged.room),
            staged.stage.as_str().to_owned(),
        ),
        Act::Channel(delivery) => {
            let detail = match delivery.failing_since {
                Some(since) => format!("delivers nothing since {}", since.to_rfc3339()),
                None => "delivers again".to_owned(),
            };
            one(format!("channel {}", delivery.channel), detail)
        }
        // Told as it is kept.
        other => one(String::new(), other.body()),
    }
}

/// An entry of the ledger as a line; `about` are the codes of the crates it touched. The detail is the
/// deed as it was asked for, with the remark and the time it was done where that was earlier.
pub fn of_entry(entry: &Entry, about: String) -> Row {
    let mut detail = match serde_json::to_value(&entry.deed) {
        Ok(Value::Object(fields)) => fields,
        _ => Map::new(),
    };
    detail.remove("kind");
    if !entry.note.is_empty() {
        detail.insert("remark".to_owned(), Value::String(entry.note.clone()));
    }
    if let Some(noted) = entry.noted_at {
        let noted = Stamp::from(noted).to_rfc3339();
        detail.insert("done_at".to_owned(), Value::String(noted));
    }
    Row {
        at: entry.at,
        who: entry.who.clone(),
        what: entry.deed.kind().to_owned(),
        about,
        detail: Value::Object(detail).to_string(),
        change: None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::watch::{
        Band, Limits, Occurrence, RoomSettings,
        act::{Named, Shelve},
    };

    const AT: Stamp = Stamp(1_793_000_000_000);

    fn site(low_c: f64, rooms: &[&str]) -> Settings {
        let limits = Limits::storing(Band {
            low_c,
            high_c: 10.0,
            low_pct: 75.0,
            high_pct: 90.0,
        });
        Settings {
            rooms: rooms
                .iter()
                .map(|name| RoomSettings::storing(name, limits.clone()))
                .collect(),
            ..Settings::default()
        }
    }

    #[test]
    fn settings_tell_what_changed_and_nothing_else() {
        let old = site(4.0, &["barn", "cellar"]);
        assert_eq!(changes(&old, &old), []);
        // Another order is no change.
        assert_eq!(changes(&old, &site(4.0, &["cellar", "barn"])), []);
        let mut new = site(4.0, &["cellar", "loft"]);
        new.rooms[0].limits.band.low_c = 5.5;
        new.altitude_m = 300.0;
        let told: Vec<_> = changes(&old, &new)
            .into_iter()
            .map(|c| (c.about, c.field, c.old.is_some(), c.new))
            .collect();
        assert_eq!(told[0].1, "altitude_m");
        assert_eq!(told[0].3, Some(300.0.into()));
        assert_eq!(
            (told[1].0.as_str(), told[1].2, &told[1].3),
            ("room barn", true, &None)
        );
        let band = (
            "room cellar".to_owned(),
            "limits.band.low_c".to_owned(),
            true,
            Some(5.5.into()),
        );
        assert_eq!(told[2], band);
        assert_eq!(
            (told[3].0.as_str(), told[3].1.as_str(), told[3].2),
            ("room loft", "", false)
        );
        assert_eq!(told.len(), 4);
        let lines = of_act(AT, "configuration", &Act::Settings(new), Some(&old));
        assert_eq!(lines[2].detail, "limits.band.low_c: 4.0 -> 5.5");
        assert_eq!(lines[1].detail, "went");
        let json = serde_json::to_string(&lines).unwrap();
        assert_eq!(serde_json::from_str::<Vec<Row>>(&json).unwrap(), lines);
    }

    #[test]
    fn acts_say_what_they_are_about() {
        let occurrence: Occurrence = "20261201T021000000Z dry-out 1 room cellar".parse().unwrap();
        let shelve = Act::Shelve(Shelve {
            occurrence: occurrence.clone(),
            until: AT,
            one_shot: true,
            reason: "the humidifier is on its way".into(),
        });
        let [line] = &of_act(AT, "Odile", &shelve, None)[..] else {
            panic!("one act is one line");
        };
        assert_eq!(line.about, "20261201T021000000Z dry-out 1 room cellar");
        assert!(line.detail.ends_with("the humidifier is on its way"));
        let seen = Act::Acknowledge(Named { occurrence });
        assert_eq!(of_act(AT, "Wendel", &seen, None)[0].what, "acknowledge");
        let first = Act::Settings(site(4.0, &["cellar"]));
        let lines = of_act(AT, "configuration", &first, None);
        assert_eq!(lines[0].detail, "1 rooms, 0 sensors");
    }
}
