//! A small invented winter that is over: seventeen days of two sensors in one cellar, and twelve crates.

use std::{fs, path::Path};

use overwinter::{
    cli::run::Running,
    climate::{Celsius, RelativeHumidity},
    clock::Clock,
    config::Config,
    engine::{Engine, Opening},
    inbox::{Batch, Message},
    stock::{
        Finding, Form,
        ledger::{Asked, Deed, LotId, Outcome, Stock, To},
    },
    watch::{
        Act, Heard, SensorName, Stage, Stamp, State, Values,
        act::{Corrected, Named, Staged},
        reading::{HOUR_MS, MINUTE_MS},
    },
};

use crate::farm::client;

/// The winter that it is.
pub(crate) const WINTER: &str = "2026-27";
/// 24 October 2026, midnight in New York; the clocks are put back eight days later.
const START: Stamp = Stamp(1_792_814_400_000);
const DAYS: i64 = 17;
/// Long after it.
const NOW: Stamp = Stamp(1_796_126_400_000);
const SITE: &str = r#"
[site]
name = "Invented cellar"
time_zone = "America/New_York"
units = "F"
database = "overwinter.db"
listen = "127.0.0.1:0"

[[room]]
name = "cellar"

[[sensor]]
name = "north"
room = "cellar"
role = "air"
near = "north wall"
interval = "20min"

[[sensor]]
name = "south"
room = "cellar"
role = "air"
interval = "20min"
"#;
const VARIETIES: [&str; 4] = ["Brindolet", "Ossamurle", "Quenbrisk", "Nacrewhistle"];

/// The folder of a store that lived through it, and the recorder over it long after.
pub(crate) struct Cellar {
    pub(crate) folder: tempfile::TempDir,
    pub(crate) base: String,
    running: Running,
}

impl Cellar {
    pub(crate) async fn open() -> Self {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join("overwinter.toml"), SITE).unwrap();
        let config = Config::parse(SITE, folder.path()).unwrap();
        live_through(&config).await;
        let clock = Clock::hand(NOW);
        let running = Running::start(&config, clock, None).await;
        let running = running.unwrap_or_else(|e| panic!("{e:?}"));
        Self {
            base: format!("http://{}", running.address),
            folder,
            running,
        }
    }

    /// The address of its page.
    pub(crate) fn page(&self) -> String {
        format!("{}/winter/{WINTER}", self.base)
    }

    /// What is given out of it in one form.
    pub(crate) async fn given(&self, form: &str) -> String {
        let answer = client().get(format!("{}/{form}", self.page())).send().await;
        let answer = answer.unwrap();
        assert_eq!(answer.status(), 200, "{form}");
        answer.text().await.unwrap()
    }

    /// The account as one file, and where it lies.
    pub(crate) async fn file(&self) -> (String, String) {
        let text = self.given("account.html").await;
        let path = self.path().join("winter.html");
        fs::write(&path, &text).unwrap();
        (text, format!("file://{}", path.display()))
    }

    pub(crate) fn path(&self) -> &Path {
        self.folder.path()
    }

    pub(crate) async fn close(self) {
        self.running.finish().await;
    }
}

/// So many hours after the beginning.
fn hour(n: i64) -> Stamp {
    START.plus(n * HOUR_MS)
}

/// What a sensor says at an hour; nothing in a gap. Sums alone, so that it is the same on every machine.
fn air(sensor: &str, hours: f64) -> Option<(f64, f64)> {
    // From 0 at noon to 1 at midnight.
    let night = (hours.rem_euclid(24.0) / 12.0 - 1.0).abs();
    let within = |from: f64, to: f64| (from..to).contains(&hours);
    let (mut t, mut rh) = (7.6 - 1.2 * night, 78.0 + 4.0 * night);
    if within(120.0, 135.0) {
        rh = 91.0;
    }
    if within(230.0, 262.0) {
        rh = 66.0;
    }
    if sensor == "south" {
        if within(152.0, 158.0) {
            return None;
        }
        (t, rh) = (t + 0.4, rh + 1.0);
    } else if within(290.0, 294.5) {
        t = 0.6;
    }
    Some((t, rh))
}

fn heard(at: Stamp) -> Vec<Heard> {
    let hours = at.since(START) as f64 / HOUR_MS as f64;
    let said = ["north", "south"].into_iter().filter_map(|sensor| {
        let (t, rh) = air(sensor, hours)?;
        Some(Heard {
            sensor: SensorName::new(sensor).unwrap(),
            device_at: Some(at),
            received_at: Some(at),
            values: Values::of(
                Some(Celsius::new(t).unwrap()),
                Some(RelativeHumidity::new(rh).unwrap()),
            ),
            line: 0,
        })
    });
    said.collect()
}

/// Hour by hour: what the sensors said, then what people did.
async fn live_through(config: &Config) {
    let clock = Clock::hand(START);
    let (path, settings) = (&config.database, config.watch.clone());
    let engine = Engine::open(path, settings, clock.clone(), Opening::Daemon).await;
    let mut engine = engine.unwrap();
    for n in 1..=24 * DAYS {
        let heard = (0..3).flat_map(|third| heard(hour(n - 1).plus(third * 20 * MINUTE_MS)));
        let readings = Message::Readings(Batch {
            source: SensorName::new("import").unwrap(),
            heard: heard.collect(),
            refused: Vec::new(),
            position: None,
        });
        clock.set(hour(n));
        let mut messages = vec![readings];
        if n % 24 == 8 || n % 24 == 18 {
            messages.extend(seen(&engine));
        }
        if n == 240 {
            messages.push(corrected());
        }
        let stock = engine.store().stock().await.unwrap();
        let asked = deeds(n, &stock);
        if !asked.is_empty() {
            messages.push(Message::Stock {
                asked: asked.into_iter().map(Asked::from).collect(),
                together: true,
                who: if n % 24 == 12 { "Odile" } else { "Wendel" }.into(),
            });
        }
        if n == 24 * DAYS {
            let (room, stage) = ("cellar".into(), Stage::Empty);
            messages.push(act(Act::Stage(Staged { room, stage })));
        }
        for answer in engine.commit(messages).await.unwrap() {
            for outcome in answer.unwrap().entered {
                assert!(matches!(outcome, Outcome::Entered(_)), "{n}: {outcome:?}");
            }
        }
    }
    engine.close().await;
}

fn act(act: Act) -> Message {
    let who = "Odile".into();
    Message::Act { act, who }
}

/// Whoever looks acknowledges what stands, and resets what latched.
fn seen(engine: &Engine) -> Vec<Message> {
    let mut acts = Vec::new();
    for standing in engine.judge().standing() {
        let occurrence = standing.occurrence;
        let named = || Named {
            occurrence: occurrence.clone(),
        };
        let latched = standing.state == State::LatchedUnacknowledged;
        if latched || standing.state.wants_acknowledgement() {
            acts.push(act(Act::Acknowledge(named())));
        }
        if latched || standing.state == State::LatchedAcknowledged {
            acts.push(act(Act::Reset(named())));
        }
    }
    acts
}

fn corrected() -> Message {
    act(Act::Corrected(Corrected {
        sensor: SensorName::new("south").unwrap(),
        from: hour(72),
        temperature_mk: 0,
        humidity_mpct: -1500,
        why: "over table salt it said 77 % where 75.5 % is right".into(),
    }))
}

fn lot(stock: &Stock, code: &str) -> (LotId, u32) {
    let (id, _) = stock.find(&code.parse().unwrap()).unwrap();
    let (lot, _, count) = stock.content(id).next().unwrap();
    (lot, count)
}

/// Dug on the first day, packed on the fourth, looked through on the ninth and the fifteenth, planted on the
/// last but one. Paper bags lose more.
fn deeds(n: i64, stock: &Stock) -> Vec<Deed> {
    let mut all = Vec::new();
    for k in 0..12u32 {
        let code = format!("T-{:02}", k + 1);
        let krate = code.parse().unwrap();
        let bags = k % 2 == 1;
        let wall = if k < 6 { "north wall" } else { "south wall" };
        let cull = |finding, count| Deed::Culled {
            lot: lot(stock, &code).0,
            finding,
            count,
        };
        match n {
            12 => all.push(Deed::Lifted {
                into: To {
                    code: krate,
                    room: "cellar".into(),
                    place: format!("{wall} / shelf {} / {}", 1 + k % 3, 1 + k),
                    packing: String::new(),
                },
                variety: VARIETIES[k as usize % 4].into(),
                form: Form::Division,
                count: 24 + k,
                dug: None,
            }),
            90 => all.push(Deed::Packed {
                krate,
                packing: if bags { "paper bags" } else { "peat" }.into(),
                skins_dry: Some(true),
            }),
            91 | 350 if k == 0 => all.push(Deed::Weighed {
                krate,
                grams: if n == 91 { 5200 } else { 5080 },
            }),
            204 => all.push(Deed::Looked {
                krate,
                lot: None,
                finding: Finding::Sound,
                count: None,
            }),
            348 if bags => all.push(cull(Finding::Shrivelled, 5 + k % 3)),
            348 if k % 4 == 0 => all.push(cull(Finding::Soft, 1)),
            372 => all.push(Deed::Planted {
                lot: lot(stock, &code).0,
                count: lot(stock, &code).1,
                bed: format!("bed {}", 1 + k % 2),
            }),
            _ => {}
        }
    }
    all
}
