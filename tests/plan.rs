//! Who is told what, over random days: nobody twice, nobody at night but for what is high, nobody
//! flooded, and what is high at once.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{NaiveTime, Timelike};
use overwinter::{
    engine::backtest::Backtest,
    notify::telling::{Contact, Purpose, Telling, Told, local},
    watch::{
        Arrives, Input, Limits, Occurrence, Priority, Reading, Role, RoomSettings, SensorId,
        SensorName, SensorSettings, Settings, Stamp, State, Values,
        reading::{HOUR_MS, MINUTE_MS},
    },
};
use proptest::prelude::*;

const START: Stamp = Stamp(1_796_083_200_000); // 2026-12-01T00:00:00Z
const ROOMS: u32 = 4;

fn time(h: u32) -> NaiveTime {
    NaiveTime::from_hms_opt(h, 0, 0).unwrap()
}

fn telling() -> Telling {
    let contact = |name: &str, after: i64, least, quiet: Option<(u32, u32)>| Contact {
        name: name.to_owned(),
        channels: vec![SensorName::new(&format!("{name}-phone")).unwrap()],
        least,
        after_ms: after * MINUTE_MS,
        quiet: quiet.map(|(from, to)| (time(from), time(to))),
        summary: after == 0,
    };
    Telling {
        zone: chrono_tz::America::Chicago,
        contacts: vec![
            contact("Odile", 0, Priority::Low, Some((22, 6))),
            contact("Bram", 30, Priority::Medium, None),
            contact("Siren", 45, Priority::High, None),
        ],
        ..Telling::default()
    }
}

fn settings() -> Settings {
    Settings {
        rooms: (1..=ROOMS)
            .map(|n| RoomSettings::storing(&format!("room-{n}"), Limits::default()))
            .collect(),
        sensors: (1..=ROOMS)
            .map(|n| SensorSettings {
                id: SensorId(n),
                name: SensorName::new(&format!("s-{n}")).unwrap(),
                room: format!("room-{n}"),
                role: Role::Air,
                crate_code: None,
                interval_ms: 10 * MINUTE_MS,
                arrives: Arrives::Live,
                near: None,
                accuracy: None,
                checked: None,
            })
            .collect(),
        ..Settings::default()
    }
}

#[derive(Debug, Clone)]
enum Act {
    /// From here on a room's air is so; `None` is silence.
    Air(u32, Option<(i32, i32)>),
    /// Somebody acknowledges the first alert that waits.
    Acknowledge,
}

fn act() -> impl Strategy<Value = (i64, Act)> {
    let air = (
        1..=ROOMS,
        prop::option::weighted(0.9, (-1i32..20, 60i32..96)),
    );
    let act = prop_oneof![
        4 => air.prop_map(|(room, air)| Act::Air(room, air)),
        1 => Just(Act::Acknowledge),
    ];
    (1i64..400, act)
}

struct Days {
    winter: Backtest,
    acknowledged: BTreeMap<Occurrence, Stamp>,
}

fn run(history: &[(i64, Act)]) -> Days {
    let mut winter = Backtest::new(&telling());
    winter.feed(&Input::Settings {
        at: START,
        settings: settings(),
    });
    let mut air: BTreeMap<u32, (i32, i32)> = (1..=ROOMS).map(|n| (n, (9, 80))).collect();
    let (mut minute, mut seq) = (0, 0);
    let mut acknowledged = BTreeMap::new();
    for (pause, act) in history {
        for _ in 0..*pause {
            minute += 1;
            let at = START.plus(minute * MINUTE_MS);
            winter.feed(&Input::Tick { at });
            if minute % 10 != 0 {
                continue;
            }
            for (id, (t, rh)) in &air {
                seq += 1;
                winter.feed(&Input::Reading(Reading {
                    seq,
                    sensor: SensorId(*id),
                    measured_at: at,
                    received_at: at,
                    values: Values {
                        temperature_mc: Some(t * 1000),
                        humidity_mpct: Some(rh * 1000),
                        battery_pct: None,
                    },
                }));
            }
        }
        let at = START.plus(minute * MINUTE_MS);
        match act {
            Act::Air(room, Some(values)) => {
                air.insert(*room, *values);
            }
            Act::Air(room, None) => {
                air.remove(room);
            }
            Act::Acknowledge => {
                let standing = winter.judge().standing();
                let waits = standing
                    .into_iter()
                    .find(|s| s.state.wants_acknowledgement());
                if let Some(s) = waits {
                    acknowledged.insert(s.occurrence.clone(), at);
                    winter.feed(&Input::Acknowledge {
                        at,
                        occurrence: s.occurrence,
                    });
                }
            }
        }
    }
    Days {
        winter,
        acknowledged,
    }
}

/// The row of the record that a message by one channel leaves.
fn told_of(owed: &overwinter::notify::telling::Owed, channel: &SensorName) -> Told {
    Told {
        at: owed.at,
        contact: owed.contact.clone(),
        channel: channel.clone(),
        purpose: owed.purpose,
        room: owed.room.clone(),
        occurrences: owed.items.iter().map(|i| i.occurrence.clone()).collect(),
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn everybody_is_told_what_concerns_them_and_no_more(
        history in prop::collection::vec(act(), 1..40),
    ) {
        let Days { winter, acknowledged } = run(&history);
        let telling = telling();
        let mut keys = BTreeSet::new();
        let mut at_by: BTreeMap<&str, Vec<Stamp>> = BTreeMap::new();
        for owed in &winter.owed {
            for channel in &owed.channels {
                prop_assert!(keys.insert(owed.key(channel)), "twice: {}", owed.key(channel));
            }
            let contact = telling.contacts.iter().find(|c| c.name == owed.contact).unwrap();
            // What was told as high may have eased before it is over.
            let of = |i: &overwinter::watch::Standing| match owed.purpose {
                Purpose::Over => i.raised_as,
                _ => i.priority,
            };
            prop_assert!(owed.items.iter().all(|i| contact.least <= of(i)), "{:?}", owed);
            // Quiet hours mute everything but what is high.
            let hour = local(telling.zone, owed.at).hour();
            let night = !(6..22).contains(&hour);
            if contact.quiet.is_some() && night {
                prop_assert_eq!(owed.priority, Priority::High, "{:?}", owed);
            }
            if owed.purpose.interrupts() {
                at_by.entry(&owed.contact).or_default().push(owed.at);
            }
            // Handed on only while nobody has seen it, and not before its time.
            for item in owed.items.iter().filter(|_| owed.purpose == Purpose::Escalate) {
                let seen = acknowledged.get(&item.occurrence);
                prop_assert!(seen.is_none_or(|seen| owed.at <= *seen));
                prop_assert!(contact.after_ms <= owed.at.since(item.occurrence.raised_at));
            }
        }
        for times in at_by.values() {
            for (n, from) in times.iter().enumerate() {
                let within = times[n..].iter().take_while(|to| to.since(*from) < 10 * MINUTE_MS);
                prop_assert!(within.count() <= 10);
            }
        }
        // What is high is told within the minute, but for one that came and went within the hour.
        let told_high = |o: &Occurrence, at: Stamp| winter.owed.iter().any(|m| {
            m.contact == "Odile"
                && (0..=MINUTE_MS).contains(&m.at.since(at))
                && m.items.iter().any(|i| i.occurrence == *o)
        });
        let told_lately = |o: &Occurrence, at: Stamp| winter.owed.iter().any(|m| {
            m.contact == "Odile"
                && m.purpose.interrupts()
                && (0..HOUR_MS).contains(&at.since(m.at))
                && m.items.iter().any(|i| {
                    i.occurrence.kind == o.kind && i.occurrence.subject == o.subject
                })
        });
        let high = |o: &Occurrence| o.kind == overwinter::watch::Kind::Frost;
        for (at, o) in winter.raised.iter().filter(|(_, o)| high(o)) {
            prop_assert!(told_high(o, *at) || told_lately(o, *at), "{o} at {:?}", at);
        }
    }

    /// What a start recalls from the record leads to the same messages as never having stopped.
    #[test]
    fn what_was_told_is_recalled(
        history in prop::collection::vec(act(), 1..25),
        cut in 0usize..25,
    ) {
        use overwinter::notify::plan::Plan;
        let telling = telling();
        let cut = cut.min(history.len());
        let Days { winter, .. } = run(&history[..cut]);
        let mut plan = Plan::default();
        for owed in &winter.owed {
            for channel in &owed.channels {
                let told = told_of(owed, channel);
                plan.recall(&told, telling.zone);
            }
        }
        // Started again in the same minute, it owes nothing that was owed before.
        let standing = winter.judge().standing();
        let owed = plan.step(winter.judge().now(), &standing, &telling);
        let before: BTreeSet<String> = winter.owed.iter().flat_map(|o| o.channels.iter().map(|c| o.key(c))).collect();
        for o in &owed {
            for channel in &o.channels {
                prop_assert!(!before.contains(&o.key(channel)), "{}", o.key(channel));
            }
            prop_assert!(o.purpose == Purpose::Remind || o.items.iter().all(|i| i.state != State::Acknowledged), "{:?}", o);
            let announced = |i: &overwinter::watch::Standing| winter.owed.iter().any(|w| {
                w.contact == o.contact && w.items.iter().any(|j| j.occurrence == i.occurrence)
            });
            if matches!(o.purpose, Purpose::Announce | Purpose::Escalate) {
                prop_assert!(!o.items.iter().any(announced), "{:?}", o);
            }
        }
    }
}

#[test]
fn the_summary_waits_for_the_end_of_quiet_hours_longer_than_its_own() {
    let mut telling = telling();
    telling.contacts.truncate(1);
    telling.contacts[0].quiet = Some((time(21), time(9)));
    let mut winter = Backtest::new(&telling);
    winter.feed(&Input::Settings {
        at: START,
        settings: settings(),
    });
    for hour in 0..72 {
        let at = START.plus(hour * HOUR_MS);
        winter.feed(&Input::Tick { at });
    }
    let hours: Vec<u32> = winter
        .owed
        .iter()
        .filter(|o| o.purpose == Purpose::Summary)
        .map(|o| local(telling.zone, o.at).hour())
        .collect();
    assert_eq!(hours, [9, 9, 9]);
}

/// Every room's air is so for some hours; readings every ten minutes.
fn hours(winter: &mut Backtest, from: i64, to: i64, t: i32) {
    for n in from * 6..to * 6 {
        let at = START.plus(n * 10 * MINUTE_MS);
        for id in 1..=ROOMS {
            let temperature = if id == 1 { t } else { 9000 };
            winter.feed(&Input::Reading(Reading {
                seq: (n * i64::from(ROOMS) + i64::from(id)) as u64,
                sensor: SensorId(id),
                measured_at: at,
                received_at: at,
                values: Values {
                    temperature_mc: Some(temperature),
                    humidity_mpct: Some(80_000),
                    battery_pct: None,
                },
            }));
        }
    }
}

/// Air that was hot enough to be high eases by way of the lower rungs before it is over.
fn hot_that_eased() -> Backtest {
    let mut winter = Backtest::new(&telling());
    winter.feed(&Input::Settings {
        at: START,
        settings: settings(),
    });
    hours(&mut winter, 0, 8, 18_000);
    hours(&mut winter, 8, 10, 12_000);
    winter
}

fn told_over(owed: &[overwinter::notify::telling::Owed]) -> Vec<&str> {
    let over = owed.iter().filter(|o| o.purpose == Purpose::Over);
    over.map(|o| o.contact.as_str()).collect()
}

#[test]
fn whoever_was_told_of_what_is_high_hears_that_it_is_over() {
    let mut winter = hot_that_eased();
    hours(&mut winter, 10, 14, 9_000);
    // By day; it is night for the first of them when it ends.
    assert_eq!(told_over(&winter.owed), ["Bram", "Siren", "Odile"]);
}

#[test]
fn a_start_recalls_that_what_was_told_was_high() {
    use overwinter::notify::plan::Plan;
    let mut winter = hot_that_eased();
    let telling = telling();
    let mut plan = Plan::default();
    for owed in &winter.owed {
        for channel in &owed.channels {
            plan.recall(&told_of(owed, channel), telling.zone);
        }
    }
    hours(&mut winter, 10, 14, 9_000);
    let owed = plan.step(winter.judge().now(), &winter.judge().standing(), &telling);
    assert_eq!(told_over(&owed), ["Odile", "Bram", "Siren"]);
}

#[test]
fn a_summary_and_a_reminder_that_are_late_wake_nobody() {
    use overwinter::notify::plan::Plan;
    let mut telling = telling();
    telling.contacts.truncate(1);
    let channel = telling.contacts[0].channels[0].clone();
    // Seven in the morning of Chicago is one in the afternoon; the power is back at half past ten.
    let day = 24 * HOUR_MS;
    let mut plan = Plan::default();
    for purpose in [Purpose::Summary, Purpose::Test] {
        plan.recall(
            &Told {
                at: START.plus(13 * HOUR_MS),
                contact: "Odile".to_owned(),
                channel: channel.clone(),
                purpose,
                room: String::new(),
                occurrences: Vec::new(),
            },
            telling.zone,
        );
    }
    let night = START.plus(day + 28 * HOUR_MS + 30 * MINUTE_MS);
    assert_eq!(plan.clone().step(night, &[], &telling), []);
    // Nor is anybody reminded, though what they are reminded of became due an evening ago.
    telling.remind_at = time(20);
    let mut standing = hot_that_eased().judge().standing();
    standing.truncate(1);
    standing[0].state = State::Acknowledged;
    standing[0].priority = Priority::Medium;
    assert_eq!(plan.step(night, &standing, &telling), []);
    // The next morning's comes when it is due.
    let morning = START.plus(2 * day + 13 * HOUR_MS);
    assert_eq!(plan.due().map(|due| due <= morning), Some(true));
    let owed = plan.step(morning, &[], &telling);
    assert_eq!(owed.len(), 1, "{owed:?}");
    assert_eq!(owed[0].purpose, Purpose::Summary);
}
