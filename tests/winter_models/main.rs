//! A measured winter through the models: what they say of six invented crates in it, put down in an
//! account that a person can read, and computed a second time by plain loops.
//!
//! `BLESS=1 cargo test --test winter_models` writes `account.txt` anew, to be read before it is committed.

mod account;
mod own;

use std::{collections::BTreeMap, fs, path::Path};

use chrono::{NaiveDateTime, TimeZone, Utc};
use overwinter::{
    climate::Packing,
    watch::{
        Arrives, CrateFacts, Input, Judge, Limits, Models, Reading, Role, RoomSettings, SensorId,
        SensorName, SensorSettings, Settings, Stamp, Transition, Values,
        models::{Forecast, Target},
        reading::{HOUR_MS, MINUTE_MS},
    },
};

/// One row of a file: when, C, percent.
type Row = (Stamp, f64, f64);

/// Measured in Tampere, Finland, in a room and outside it; TRH-database and Finnish Meteorological
/// Institute, CC BY 4.0 (see `tests/data/ORIGIN.md`). Their time is UTC+2 throughout.
fn rows(file: &str) -> Vec<Row> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data");
    let text = fs::read_to_string(path.join(file)).unwrap();
    let lines = text.lines().skip(1);
    lines
        .map(|line| {
            let cells: Vec<&str> = line.split(',').collect();
            let local = NaiveDateTime::parse_from_str(cells[0], "%Y-%m-%d %H:%M:%S").unwrap();
            let at = Stamp::from(Utc.from_utc_datetime(&local)).plus(-2 * HOUR_MS);
            (at, cells[1].parse().unwrap(), cells[2].parse().unwrap())
        })
        .collect()
}

fn room() -> Vec<Row> {
    rows("room_indoor_10min_2020-12_2021-05.csv")
}

fn outdoor() -> Vec<Row> {
    rows("outdoor_10min_2020-12_2021-05.csv")
}

const ROOM: &str = "store";
const AIR: SensorId = SensorId(1);
const OUTDOOR: SensorId = SensorId(2);

/// Invented crates: code, packing, kilograms of tubers where somebody weighed them, divided.
const CRATES: [(&str, Packing, Option<u32>, bool); 6] = [
    ("W-1", Packing::Shavings, Some(12), false),
    ("W-2", Packing::Peat, None, false),
    ("W-3", Packing::PaperBag, None, false),
    ("W-4", Packing::Vermiculite, None, true),
    ("W-5", Packing::PlasticWrap, None, false),
    ("W-6", Packing::Bare, None, false),
];

fn settings() -> Settings {
    let sensor = |id, name: &str, role| SensorSettings {
        id,
        name: SensorName::new(name).unwrap(),
        room: ROOM.to_owned(),
        role,
        crate_code: None,
        interval_ms: 10 * MINUTE_MS,
        arrives: Arrives::Live,
        near: None,
        accuracy: None,
        checked: None,
    };
    Settings {
        rooms: vec![RoomSettings::storing(ROOM, Limits::default())],
        sensors: vec![
            sensor(AIR, "north", Role::Air),
            sensor(OUTDOOR, "weather", Role::Outdoor),
        ],
        ..Settings::default()
    }
}

/// The temperature in one crate at the last mean of its air.
type Cores = Vec<(Stamp, f64)>;

/// What the judge said of a winter, and what it knew on the way.
struct Winter {
    judge: Judge,
    told: Vec<Transition>,
    /// The models as they were at the first reading from each of these instants on.
    asked: Vec<(Stamp, Models)>,
    /// By code.
    cores: BTreeMap<&'static str, Cores>,
    /// Every forecast that was made, with what came of it.
    forecasts: BTreeMap<(Stamp, Target), Forecast>,
    /// When warmth passed a sum, by code.
    warm: BTreeMap<(&'static str, u32), Stamp>,
}

/// C day at which the notice comes, at which early and at which late varieties show eyes.
const WARMTH: [u32; 3] = [190, 220, 545];

impl Winter {
    /// Every row as a reading that was heard at once, the room's before the weather's.
    fn watch(room: &[Row], outdoor: &[Row], ask: &[Stamp]) -> Self {
        let at = room[0].0;
        let mut winter = Self {
            judge: Judge::new(),
            told: Vec::new(),
            asked: Vec::new(),
            cores: BTreeMap::new(),
            forecasts: BTreeMap::new(),
            warm: BTreeMap::new(),
        };
        let settings = settings();
        winter.step(&Input::Settings { at, settings });
        let changed = CRATES.map(|(code, packing, kg, divided)| CrateFacts {
            code: code.to_owned(),
            room: ROOM.to_owned(),
            place: "rack".to_owned(),
            packing,
            tubers_g: kg.map(|kg| kg * 1000),
            divided,
            washed: false,
            uncured: false,
            since: None,
        });
        winter.step(&Input::Crates {
            at,
            changed: changed.to_vec(),
            gone: Vec::new(),
        });
        let mut all: Vec<(SensorId, Row)> = Vec::new();
        all.extend(room.iter().map(|row| (AIR, *row)));
        all.extend(outdoor.iter().map(|row| (OUTDOOR, *row)));
        all.sort_by_key(|(sensor, (at, ..))| (*at, *sensor));
        let mut ask = ask.iter().peekable();
        for (seq, (sensor, (at, t, rh))) in (1..).zip(all) {
            winter.step(&Input::Reading(Reading {
                seq,
                sensor,
                measured_at: at,
                received_at: at,
                values: Values {
                    temperature_mc: Some((t * 1000.0).round() as i32),
                    humidity_mpct: Some((rh * 1000.0).round() as i32),
                    battery_pct: None,
                },
            }));
            if sensor == AIR {
                winter.note(at);
                while ask.next_if(|due| **due <= at).is_some() {
                    let models = winter.judge.models().clone();
                    winter.asked.push((at, models));
                }
            }
        }
        winter
    }

    fn step(&mut self, input: &Input) {
        self.told.extend(self.judge.step(input));
    }

    fn note(&mut self, now: Stamp) {
        let models = self.judge.models();
        for (code, ..) in CRATES {
            let stand = models.stand(models.krate(code).unwrap(), now).unwrap();
            let (Some((at, ..)), Some(core)) = (stand.air.air(), stand.cohort.core_c) else {
                continue;
            };
            let cores = self.cores.entry(code).or_default();
            if cores.last().is_none_or(|(last, _)| *last < at) {
                cores.push((at, core));
            }
            for sum in WARMTH {
                if f64::from(sum) < stand.cohort.heat {
                    self.warm.entry((code, sum)).or_insert(at);
                }
            }
        }
        // The room keeps the last two hundred; a day brings a few.
        if now.0 % (24 * HOUR_MS) < 10 * MINUTE_MS {
            self.keep_forecasts();
        }
    }

    fn keep_forecasts(&mut self) {
        let room = self.judge.models().room(ROOM).unwrap();
        for forecast in room.forecasts.iter() {
            self.forecasts
                .insert((forecast.made_at, forecast.target), forecast.clone());
        }
    }
}

/// The beginning of a day in UTC.
fn day(year: i32, month: u32, day: u32) -> Stamp {
    Stamp::from(Utc.with_ymd_and_hms(year, month, day, 0, 0, 0).unwrap())
}

/// Noon of planting day.
fn planting() -> Stamp {
    day(2021, 5, 15).plus(12 * HOUR_MS)
}

/// When it is asked what planting will come to, and planting itself.
fn asked() -> [Stamp; 4] {
    [
        day(2021, 1, 1),
        day(2021, 2, 1),
        day(2021, 3, 1),
        planting(),
    ]
}

fn winter() -> Winter {
    let mut winter = Winter::watch(&room(), &outdoor(), &asked());
    winter.keep_forecasts();
    winter
}

#[test]
fn the_account_is_as_it_was_read_and_agrees_with_plain_loops() {
    let winter = winter();
    own::agrees(&winter, &room());
    let came = account::write(&winter, &room());
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/winter_models/account.txt");
    if std::env::var_os("BLESS").is_some() {
        fs::write(&path, &came).unwrap();
        return;
    }
    let expected = fs::read_to_string(&path).unwrap();
    assert!(came == expected, "it came to\n{came}");
    assert!(came.lines().all(|line| line.chars().count() <= 80));
}

/// The logger is away for a night in January (9 h, too long to bridge), for two days in March, and for
/// five hours in April, which are bridged.
#[test]
fn a_winter_with_holes_in_it_agrees_with_plain_loops() {
    let away = [
        (day(2021, 1, 20).plus(20 * HOUR_MS), 9),
        (day(2021, 3, 8), 48),
        (day(2021, 4, 3).plus(7 * HOUR_MS), 5),
    ];
    let there = |row: &Row| {
        let mut away = away.iter();
        !away.any(|(from, hours)| (0..hours * HOUR_MS).contains(&row.0.since(*from)))
    };
    let rows: Vec<Row> = room().into_iter().filter(there).collect();
    let mut winter = Winter::watch(&rows, &outdoor(), &[]);
    winter.keep_forecasts();
    own::agrees(&winter, &rows);
    let air = winter.judge.models().room(ROOM).unwrap();
    let gap_h = air.exposures[0].gap_h;
    // From the last row before to the first after, ten minutes more than was taken out.
    assert!((gap_h - (9.0 + 48.0 + 2.0 / 6.0)).abs() < 1e-6, "{gap_h}");
}
