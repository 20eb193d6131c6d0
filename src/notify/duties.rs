//! What is due, in words.

use std::collections::BTreeMap;

use chrono::NaiveDate;

use super::{message::the, words::count};
use crate::stock::{
    CrateCode,
    due::{Due, Duty},
};

/// Days of the spring are told so many days before.
const AHEAD_DAYS: i64 = 7;
/// Codes named before "and 12 more".
const NAMED: usize = 12;

/// `Sunday 10 January`.
pub fn day(day: NaiveDate) -> String {
    day.format("%A %-d %B").to_string()
}

/// `today`, `tomorrow`, `in 12 days`, `passed`.
pub fn off(days_left: i64) -> String {
    match days_left {
        ..0 => "passed".to_owned(),
        0 => "today".to_owned(),
        1 => "tomorrow".to_owned(),
        n => format!("in {}", count(n as usize, "day", "days")),
    }
}

/// `C-01, C-02 and 3 more`.
pub fn named(crates: &[CrateCode]) -> String {
    let more = crates.len().saturating_sub(NAMED);
    let named: Vec<&str> = crates.iter().take(NAMED).map(CrateCode::as_str).collect();
    match more {
        0 => named.join(", "),
        n => format!("{} and {n} more", named.join(", ")),
    }
}

/// `12 crates are due for a look`, with the rooms where there is more than one; none while none is.
pub fn looks(due: &[Due], today: NaiveDate) -> Option<String> {
    let mut rooms: BTreeMap<&str, usize> = BTreeMap::new();
    for due in due.iter().filter(|due| due.day <= today) {
        if let Duty::Look { room, crates } = &due.what {
            *rooms.entry(room.as_str()).or_default() += crates.len();
        }
    }
    let all: usize = rooms.values().sum();
    let are = if all == 1 { "is" } else { "are" };
    let told = format!("{} {are} due for a look", count(all, "crate", "crates"));
    match rooms.len() {
        0 => None,
        1 => Some(told),
        _ => {
            let each: Vec<String> = rooms
                .iter()
                .map(|(room, n)| format!("{n} in {}", the(room)))
                .collect();
            Some(format!("{told}: {}", each.join(", ")))
        }
    }
}

/// What a day brings, a sentence each, for the summary in the morning.
pub fn morning(due: &[Due], today: NaiveDate) -> Vec<String> {
    let mut told: Vec<String> = looks(due, today)
        .map(|looks| format!("{looks}."))
        .into_iter()
        .collect();
    for Due { day: on, what } in due {
        let left = (*on - today).num_days();
        let soon = (0..=AHEAD_DAYS).contains(&left);
        let when = || format!("{}, {}", day(*on), off(left));
        told.extend(match what {
            Duty::Pack { crates } if left <= 0 => Some(format!(
                "Bare for three days: {}. They dry out: pack them today.",
                named(crates)
            )),
            Duty::Weigh { krate, packing } if left <= 0 => {
                Some(format!("Weigh crate {krate}, for all in {packing}."))
            }
            Duty::Order { varieties } if soon => Some(format!(
                "{} will be short. Order before {}.",
                count(*varieties, "variety", "varieties"),
                when()
            )),
            Duty::Divide { clumps } if soon => Some(format!(
                "{} to divide: {}.",
                count(*clumps as usize, "clump", "clumps"),
                when()
            )),
            Duty::Wake if soon => Some(format!("Bring tubers into the warmth: {}.", when())),
            Duty::Check { sensors } if left <= 0 => Some(format!(
                "Compare again what was last compared a year ago: {}.",
                sensors.join(", ")
            )),
            Duty::Plant if soon => Some(format!("Planting begins: {}.", when())),
            _ => None,
        });
    }
    told
}

/// What stands in a calendar: one line, and a longer text that may be empty.
pub fn event(what: &Duty) -> (String, String) {
    match what {
        Duty::Pack { crates } => (
            format!(
                "Pack {} before they dry out",
                count(crates.len(), "crate", "crates")
            ),
            named(crates),
        ),
        Duty::Look { room, crates } => (
            format!(
                "Look at {} in {}",
                count(crates.len(), "crate", "crates"),
                the(room)
            ),
            named(crates),
        ),
        Duty::Weigh { krate, packing } => (
            format!("Weigh crate {krate}"),
            format!("It speaks for all crates in {packing}."),
        ),
        Duty::Order { varieties } => (
            format!(
                "Order what is short: {}",
                count(*varieties, "variety", "varieties")
            ),
            "Popular ones sell out in January. The page Planting has the list.".to_owned(),
        ),
        Duty::Divide { clumps } => (
            format!("Divide {}", count(*clumps as usize, "clump", "clumps")),
            "Two weeks of warmth show the eyes, and the cuts dry before planting.".to_owned(),
        ),
        Duty::Wake => ("Bring tubers into the warmth".to_owned(), String::new()),
        Duty::Check { sensors } => (
            format!("Compare {}: {}", if sensors.len() == 1 { "a sensor" } else { "sensors" }, sensors.join(", ")),
            "In melting ice for temperature, over a saturated salt for humidity; then enter on the page Sensors what it is off by, also if that is nothing.".to_owned(),
        ),
        Duty::Plant => (
            "Planting begins".to_owned(),
            "When the soil is warm enough: the page Planting tells where a sensor is in the bed."
                .to_owned(),
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn on(d: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(2027, 1, d).unwrap()
    }

    fn look(d: u32, room: &str, codes: &[&str]) -> Due {
        Due {
            day: on(d),
            what: Duty::Look {
                room: room.into(),
                crates: codes.iter().map(|c| c.parse().unwrap()).collect(),
            },
        }
    }

    fn plain(text: &str) -> String {
        text.replace('\u{a0}', " ")
    }

    #[test]
    fn looks_are_counted_by_room() {
        for (due, want) in [
            (vec![], None),
            (vec![look(6, "cellar", &["C-1"])], None),
            (
                vec![look(5, "cellar", &["C-1"])],
                Some("1 crate is due for a look"),
            ),
            (
                vec![
                    look(2, "cellar", &["C-1", "C-2"]),
                    look(5, "cellar", &["C-3"]),
                ],
                Some("3 crates are due for a look"),
            ),
            (
                vec![
                    look(2, "cellar", &["C-1"]),
                    look(5, "barn", &["B-3", "B-4"]),
                ],
                Some("3 crates are due for a look: 2 in the barn, 1 in the cellar"),
            ),
        ] {
            assert_eq!(looks(&due, on(5)).as_deref().map(plain).as_deref(), want);
        }
    }

    #[test]
    fn a_morning_tells_what_the_day_and_the_week_bring() {
        let of = |d, what| Due { day: on(d), what };
        let crates = vec!["C-1".parse().unwrap()];
        let due = [
            of(4, Duty::Pack { crates }),
            of(
                5,
                Duty::Weigh {
                    krate: "C-2".parse().unwrap(),
                    packing: "peat".into(),
                },
            ),
            of(
                6,
                Duty::Weigh {
                    krate: "C-3".parse().unwrap(),
                    packing: "sand".into(),
                },
            ),
            of(10, Duty::Order { varieties: 3 }),
            of(20, Duty::Plant),
        ];
        let told: Vec<String> = morning(&due, on(5)).iter().map(|t| plain(t)).collect();
        assert_eq!(
            told,
            [
                "Bare for three days: C-1. They dry out: pack them today.",
                "Weigh crate C-2, for all in peat.",
                "3 varieties will be short. Order before Sunday 10 January, in 5 days.",
            ]
        );
    }

    #[test]
    fn days_are_told_the_way_people_tell_them() {
        let told = [-1, 0, 1, 12].map(|days| plain(&off(days)));
        assert_eq!(told, ["passed", "today", "tomorrow", "in 12 days"]);
        let codes: Vec<CrateCode> = (0..14).map(|n| format!("C-{n}").parse().unwrap()).collect();
        assert!(named(&codes).ends_with("C-11 and 2 more"));
    }
}
