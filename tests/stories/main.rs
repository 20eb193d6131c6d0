//! One story to a file: what happens in a store, what its alerts come to, and who is told what.
//!
//! A file has three parts between lines of dashes: a title with the store, what happens, and what comes
//! of it. Times are hours and minutes since the beginning; a sensor goes on saying what it said last.
//! `BLESS=1 cargo test --test stories` writes the third part anew, to be read before it is committed.

use std::{collections::BTreeMap, fmt::Write as _, fs, path::Path};

use chrono::{NaiveDateTime, NaiveTime, TimeZone};
use chrono_tz::Tz;
use overwinter::{
    climate::Unit,
    engine::backtest::Backtest,
    notify::{
        letter::{Around, Letter},
        summary,
        telling::{Contact, Owed, Purpose, Telling},
        words::Manner,
    },
    watch::{
        Arrives, Input, Limits, Priority, Reading, Role, RoomSettings, SensorId, SensorName,
        SensorSettings, Settings, Stamp, Transition, Values,
        reading::{HOUR_MS, MINUTE_MS},
    },
};

/// What a sensor goes on saying.
#[derive(Clone, Copy)]
struct Air {
    t: f64,
    rh: f64,
    shake: (f64, f64),
}

struct Story {
    backtest: Backtest,
    zone: Tz,
    start: Stamp,
    /// How far the computer's clock was set forward.
    stepped: i64,
    sensors: Vec<SensorSettings>,
    says: BTreeMap<usize, Air>,
    off_from: Option<Stamp>,
    seq: u64,
    noise: u64,
    out: String,
    owed: usize,
}

fn number(text: &str) -> f64 {
    text.trim_end_matches(['F', '%']).parse().unwrap()
}

fn celsius(text: &str) -> f64 {
    (number(text) - 32.0) / 1.8
}

/// `12:30` since the beginning, in milliseconds.
fn span(text: &str) -> i64 {
    let (h, m) = text.split_once(':').unwrap_or_else(|| panic!("{text}"));
    h.parse::<i64>().unwrap() * HOUR_MS + m.parse::<i64>().unwrap() * MINUTE_MS
}

fn duration(text: &str) -> i64 {
    humantime::parse_duration(text).unwrap().as_millis() as i64
}

impl Story {
    fn new(head: &str) -> Self {
        let mut settings = Settings::default();
        let mut telling = Telling::default();
        let mut start = Stamp::default();
        for line in head.lines().skip(1) {
            let words: Vec<&str> = line.split_whitespace().collect();
            match words[..] {
                ["room", name] => settings
                    .rooms
                    .push(RoomSettings::storing(name, Limits::default())),
                ["sensor", name, "in", room, "every", every, ..] => {
                    settings.sensors.push(SensorSettings {
                        id: SensorId(1 + settings.sensors.len() as u32),
                        name: SensorName::new(name).unwrap(),
                        room: room.to_owned(),
                        role: Role::Air,
                        crate_code: None,
                        interval_ms: duration(every),
                        arrives: if words.contains(&"batches") {
                            Arrives::Batches
                        } else {
                            Arrives::Live
                        },
                        near: None,
                        accuracy: None,
                        checked: None,
                    });
                }
                ["zone", zone] => telling.zone = zone.parse().unwrap(),
                ["contact", name, ref more @ ..] => {
                    let time = |t: &str| NaiveTime::parse_from_str(t, "%H:%M").unwrap();
                    telling.contacts.push(Contact {
                        name: name.to_owned(),
                        channels: vec![SensorName::new("phone").unwrap()],
                        least: Priority::Low,
                        after_ms: telling.contacts.len() as i64 * 30 * MINUTE_MS,
                        quiet: match more {
                            ["quiet", from, to] => Some((time(from), time(to))),
                            _ => None,
                        },
                        summary: telling.contacts.is_empty(),
                    });
                }
                ["begins", day, time] => {
                    let wall = format!("{day} {time}");
                    let wall = NaiveDateTime::parse_from_str(&wall, "%Y-%m-%d %H:%M").unwrap();
                    start = telling
                        .zone
                        .from_local_datetime(&wall)
                        .earliest()
                        .unwrap()
                        .to_utc()
                        .into();
                }
                [] => {}
                _ => panic!("not understood: {line}"),
            }
        }
        let mut story = Self {
            backtest: Backtest::new(&telling),
            zone: telling.zone,
            start,
            stepped: 0,
            sensors: settings.sensors.clone(),
            says: BTreeMap::new(),
            off_from: None,
            seq: 0,
            noise: 1,
            out: String::new(),
            owed: 0,
        };
        story.feed(&Input::Settings {
            at: start,
            settings,
        });
        story.feed(&Input::Started {
            at: start,
            off_from: start,
            stepped: false,
        });
        story
    }

    fn when(&self, at: Stamp) -> String {
        let minutes = at.since(self.start) / MINUTE_MS;
        let local = self.zone.from_utc_datetime(&at.to_utc().naive_utc());
        format!(
            "{:>3}:{:02} ({})",
            minutes / 60,
            minutes % 60,
            local.format("%H:%M")
        )
    }

    fn feed(&mut self, input: &Input) {
        let told = self.backtest.feed(input);
        let mut lines: Vec<(Stamp, String)> = told
            .iter()
            .map(|t| (t.at, self.change(t)))
            .chain(
                self.backtest.owed[self.owed..]
                    .iter()
                    .filter(|o| o.purpose != Purpose::Test)
                    .map(|o| (o.at, self.message(o))),
            )
            .collect();
        self.owed = self.backtest.owed.len();
        lines.sort_by_key(|(at, _)| *at);
        for (_, line) in lines {
            self.out.push_str(&line);
        }
    }

    fn change(&self, t: &Transition) -> String {
        format!(
            "{} {} {} {}, {}: {} > {}\n",
            self.when(t.at),
            t.kind,
            t.occurrence.level,
            t.subject,
            t.priority.as_str(),
            t.from.as_str(),
            t.to.as_str()
        )
    }

    fn message(&self, owed: &Owed) -> String {
        let standing = self.backtest.judge().standing();
        let day = summary::day(
            self.backtest.judge(),
            |_| None,
            owed.at,
            Vec::new(),
            Vec::new(),
        );
        let letter = Letter::of(
            owed,
            &Around {
                site: "Invented store",
                manner: Manner {
                    zone: self.zone,
                    unit: Unit::F,
                },
                address: None,
                crates: &|_| Vec::new(),
                tips: &|_| Vec::new(),
                day: Some(&day),
                standing: &standing,
            },
        );
        let when = self.when(owed.at);
        let purpose = owed.purpose.as_str();
        format!(
            "{when} --> {}, {purpose}: {}\n",
            owed.contact, letter.subject
        )
    }

    fn say(&mut self, sensor: usize, measured_at: Stamp, received_at: Stamp, air: Air) {
        // A spread that is the same every time (a linear congruence, Numerical Recipes' constants).
        let mut shake = |by: f64| {
            self.noise = self
                .noise
                .wrapping_mul(1_664_525)
                .wrapping_add(1_013_904_223)
                % (1 << 32);
            (self.noise as f64 / f64::from(u32::MAX) - 0.5) * 2.0 * by
        };
        let (t, rh) = (air.t + shake(air.shake.0), air.rh + shake(air.shake.1));
        self.seq += 1;
        self.feed(&Input::Reading(Reading {
            seq: self.seq,
            sensor: self.sensors[sensor].id,
            measured_at,
            received_at,
            values: Values {
                temperature_mc: Some((t * 1000.0).round() as i32),
                humidity_mpct: Some((rh * 1000.0).round() as i32),
                battery_pct: None,
            },
        }));
    }

    /// Time passes up to an instant; who speaks, speaks.
    fn pass(&mut self, from: i64, to: i64) {
        for minute in from / MINUTE_MS..to / MINUTE_MS {
            let at = self.start.plus(minute * MINUTE_MS + self.stepped);
            if self.off_from.is_some() {
                continue;
            }
            for (sensor, air) in self.says.clone() {
                let every = self.sensors[sensor].interval_ms / MINUTE_MS;
                if minute % every == 0 {
                    self.say(sensor, at, at, air);
                }
            }
            self.feed(&Input::Tick { at });
        }
    }

    fn sensor(&self, name: &str) -> usize {
        let found = self.sensors.iter().position(|s| s.name.as_str() == name);
        found.unwrap_or_else(|| panic!("no sensor {name}"))
    }

    fn happen(&mut self, at: Stamp, words: &[&str]) {
        let occurrence = |kind: &str| {
            let standing = self.backtest.judge().standing();
            let found = standing
                .into_iter()
                .find(|s| s.occurrence.kind.as_str() == kind);
            found
                .unwrap_or_else(|| panic!("no {kind} stands"))
                .occurrence
        };
        match *words {
            ["off"] => self.off_from = Some(at),
            ["on"] => {
                let off_from = self.off_from.take().unwrap();
                self.feed(&Input::Started {
                    at,
                    off_from,
                    stepped: false,
                });
            }
            ["clock", "forward", by] => {
                self.stepped += duration(by);
                self.feed(&Input::Started {
                    at: at.plus(duration(by)),
                    off_from: at,
                    stepped: true,
                });
            }
            ["acknowledge", kind] => {
                let occurrence = occurrence(kind);
                self.feed(&Input::Acknowledge { at, occurrence });
            }
            ["reset", kind] => {
                let occurrence = occurrence(kind);
                self.feed(&Input::Reset { at, occurrence });
            }
            ["shelve", kind, hours, ref reason @ ..] => {
                let input = Input::Shelve {
                    at,
                    occurrence: occurrence(kind),
                    until: at.plus(duration(hours)),
                    one_shot: false,
                    reason: reason.join(" "),
                    by: "Odile".to_owned(),
                };
                assert_eq!(self.backtest.judge().refuses(&input), None);
                self.feed(&input);
            }
            ["batch", name, from, to, t, rh] => {
                let sensor = self.sensor(name);
                let air = Air {
                    t: celsius(t),
                    rh: number(rh),
                    shake: (0.0, 0.0),
                };
                let every = self.sensors[sensor].interval_ms;
                let mut measured = span(from);
                while measured < span(to) {
                    self.say(sensor, self.start.plus(measured), at, air);
                    measured += every;
                }
            }
            [name, "silent"] => {
                let sensor = self.sensor(name);
                self.says.remove(&sensor);
            }
            [name, t, rh, ref shake @ ..] => {
                let sensor = self.sensor(name);
                let shake = match shake {
                    ["shake", t, rh] => (number(t) / 1.8, number(rh)),
                    _ => (0.0, 0.0),
                };
                let air = Air {
                    t: celsius(t),
                    rh: number(rh),
                    shake,
                };
                self.says.insert(sensor, air);
            }
            _ => panic!("not understood: {words:?}"),
        }
    }
}

/// Plays one file and tells what came of it.
fn play(head: &str, events: &str) -> String {
    let mut story = Story::new(head);
    let mut now = 0;
    for line in events.lines().map(|l| l.split('#').next().unwrap()) {
        let words: Vec<&str> = line.split_whitespace().collect();
        let [when, ref what @ ..] = words[..] else {
            continue;
        };
        story.pass(now, span(when));
        now = span(when);
        if what != ["end"] {
            let at = story.start.plus(now + story.stepped);
            story.happen(at, what);
        }
    }
    let mut out = String::new();
    for line in story.out.lines() {
        // Which night the summary is of makes no story.
        if !line.contains("summary: Invented store: all well") {
            let _ = writeln!(out, "{line}");
        }
    }
    out
}

#[track_caller]
fn check(name: &str) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/stories")
        .join(format!("{name}.story"));
    let text = fs::read_to_string(&path).unwrap();
    let parts: Vec<&str> = text.split("\n---\n").collect();
    let [head, events, expected] = parts[..] else {
        panic!("{name}: three parts between lines of dashes");
    };
    let came = play(head, events);
    if std::env::var_os("BLESS").is_some() {
        fs::write(&path, format!("{head}\n---\n{events}\n---\n{came}")).unwrap();
        return;
    }
    assert!(came == expected, "{name}: it came to\n{came}");
}

macro_rules! stories {
    ($($name:ident),* $(,)?) => {
        $(#[test] fn $name() { check(stringify!($name)); })*

        #[test]
        fn no_story_is_left_untold() {
            let told = [$(stringify!($name)),*];
            let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/stories");
            for entry in fs::read_dir(folder).unwrap() {
                let path = entry.unwrap().path();
                if path.extension().is_some_and(|e| e == "story") {
                    let name = path.file_stem().unwrap().to_str().unwrap();
                    assert!(told.contains(&name), "{name} is not told");
                }
            }
        }
    };
}

stories!(
    door_left_open,
    noise_at_the_limit,
    ten_excursions,
    dead_sensor,
    clock_two_hours_forward,
    late_logger_batch,
    nine_hours_without_power,
    shelf_ends_while_true,
    night_the_clocks_go_back,
    frost_with_nobody_awake,
    many_at_once,
);
