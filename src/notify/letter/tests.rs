//! Letters, word by word.

use super::*;
use crate::{
    climate::Unit,
    watch::{Figures, Occurrence, Stamp, reading::HOUR_MS},
};

const AT: Stamp = Stamp(1_796_092_200_000); // 2026-12-01T02:30:00Z

fn standing(kind: Kind, level: u8, subject: Subject) -> Standing {
    Standing {
        occurrence: Occurrence {
            raised_at: AT,
            kind,
            level,
            subject,
        },
        room: "cellar".to_owned(),
        state: State::Unacknowledged,
        priority: Priority::High,
        raised_as: Priority::High,
        since: AT.plus(-HOUR_MS / 2),
        active: true,
        shelf: None,
        figures: Figures {
            sensor: "north".to_owned(),
            value: Some(1.2),
            limit: Some(5.0 / 3.0),
            worst: Some(1.2),
            hours_beyond: Some(0.5),
            temperature_c: Some(1.2),
            humidity_pct: Some(80.0),
            ..Figures::default()
        },
    }
}

fn letter(purpose: Purpose, items: Vec<Standing>) -> Letter {
    let owed = Owed {
        at: AT,
        contact: "Odile".to_owned(),
        purpose,
        priority: Priority::High,
        room: "cellar".to_owned(),
        about: String::new(),
        items,
        channels: Vec::new(),
    };
    let around = Around {
        site: "Invented store",
        manner: Manner {
            zone: chrono_tz::UTC,
            unit: Unit::F,
        },
        address: Some("http://store.example:8480"),
        crates: &|_| vec!["C-01".to_owned(), "C-02".to_owned()],
        tips: &|_| Vec::new(),
        day: None,
        standing: &[],
    };
    Letter::of(&owed, &around)
}

#[test]
fn someone_woken_at_three_reads_what_and_what_to_do() {
    let room = Subject::Room("cellar".to_owned());
    let l = letter(Purpose::Announce, vec![standing(Kind::Frost, 1, room)]);
    assert_eq!(l.subject, "Act now: Frost near in the cellar");
    assert_eq!(
        l.short,
        "Act now: Frost near in the cellar since 2:00 in the night. 34.2 F now, should be above 35 F. Go and look: is a door or vent open, is the heat on, has the…"
    );
    assert_eq!(
        l.link.as_deref(),
        Some(
            "http://store.example:8480/alert?occurrence=20261201T023000000Z%20frost%201%20room%20cellar"
        )
    );
    // In this order: what, since, figures, consequence, action, crates.
    let order = [
        "Frost near in the cellar",
        "Since 2:00 in the night",
        "34.2 F now",
        "If nothing is done",
        "What to do now",
        "1. Go and look",
        "Take care. Heaters that burn fuel",
        "Crates: C-01, C-02",
    ];
    let mut at = 0;
    for part in order {
        let found = l.long[at..].find(part);
        at += found.unwrap_or_else(|| panic!("no `{part}` in order: {}", l.long));
    }
}

#[test]
fn several_at_once_say_the_first_thing_to_do_and_each_caution_once() {
    let cold = standing(Kind::Cold, 1, Subject::Room("cellar".to_owned()));
    let frost = standing(Kind::Frost, 1, Subject::Crate("C-07".to_owned()));
    let l = letter(Purpose::Digest, vec![frost, cold]);
    assert_eq!(
        l.subject,
        "Act now, 2 alerts: Frost near in crate C-07 in the cellar; Cold in the cellar"
    );
    assert!(
        l.short.starts_with(
            "Act now, 2 alerts: Frost near in crate C-07 in the cellar. Go and look: is a door"
        ),
        "{}",
        l.short
    );
    assert_eq!(l.long.matches("Take care.").count(), 1, "{}", l.long);
}

#[test]
fn what_is_over_sends_nobody_for_a_heater() {
    let mut frost = standing(Kind::Frost, 1, Subject::Room("cellar".to_owned()));
    frost.active = false;
    frost.state = State::LatchedAcknowledged;
    let l = letter(Purpose::Over, vec![frost]);
    assert!(
        l.short
            .starts_with("Over: Frost near in the cellar; began 2:00"),
        "{}",
        l.short
    );
    assert!(l.long.contains("reset it on its page"), "{}", l.long);
    assert!(!l.long.contains("eater"), "{}", l.long);
}

#[test]
fn every_kind_fits_a_text_message() {
    let long_name = "the long low room under the old packing shed by the lane".to_owned();
    for kind in Kind::ALL {
        for purpose in [
            Purpose::Announce,
            Purpose::Escalate,
            Purpose::Again,
            Purpose::Over,
            Purpose::Remind,
            Purpose::Digest,
        ] {
            let mut item = standing(kind, 1, Subject::Room(long_name.clone()));
            item.room.clone_from(&long_name);
            let l = letter(purpose, vec![item.clone(), item.clone()]);
            let one = letter(purpose, vec![item]);
            for l in [l, one] {
                assert!(l.short.chars().count() <= SHORT, "{}", l.short);
                assert!(!l.subject.contains('\n') && !l.short.contains('\n'));
                assert!(l.long.len() < 20_000);
            }
        }
    }
}
