//! How often people are told: the numbers to hold over whole winters, invented and measured.
//!
//! ANSI/ISA-18.2 and EEMUA 191 hold at most one annunciation in ten minutes to be acceptable; a grower
//! who is alone gets at most one message a room and day on average, and none from a room in its band.

use std::{collections::BTreeMap, fs, path::Path};

use overwinter::{
    config::Config,
    engine::{backtest::Backtest, replay::Replay},
    intake::{decode::table::Rows, file_tail::Format},
    notify::telling::{Purpose, Telling, local},
    watch::{
        Arrives, Heard, Input, Kind, Limits, Occurrence, Reading, Role, RoomSettings, SensorId,
        SensorName, SensorSettings, Settings, Stamp, State, Values,
        reading::{HOUR_MS, MINUTE_MS},
    },
};

const START: Stamp = Stamp(1_793_491_200_000); // 2026-11-01T00:00:00Z
const DAYS: i64 = 180;

/// xorshift64: the same spread every time, from -1 to 1.
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 as f64 / u64::MAX as f64 - 0.5) * 2.0
    }
}

#[test]
fn a_winter_in_band_with_noise_and_doors_raises_nothing() {
    let sensor = |id: u32, name: &str, room: &str| SensorSettings {
        id: SensorId(id),
        name: SensorName::new(name).unwrap(),
        room: room.to_owned(),
        role: Role::Air,
        crate_code: None,
        interval_ms: 5 * MINUTE_MS,
        arrives: Arrives::Live,
        near: None,
        accuracy: None,
        checked: None,
    };
    let settings = Settings {
        rooms: vec![
            RoomSettings::storing("cellar", Limits::default()),
            RoomSettings::storing("attic", Limits::default()),
        ],
        sensors: vec![
            sensor(1, "north", "cellar"),
            sensor(2, "south", "cellar"),
            sensor(3, "east", "attic"),
        ],
        ..Settings::default()
    };
    let mut winter = Backtest::new(&Telling::default());
    winter.feed(&Input::Settings {
        at: START,
        settings,
    });
    let mut noise = Noise(0x2026_1101_0000_0007);
    let mut doors = 0;
    for step in 0..DAYS * 24 * 12 {
        let at = START.plus(step * 5 * MINUTE_MS);
        let hour = step as f64 / 12.0;
        // Six times a day a door stands open for five to ten minutes.
        let open = step % 48 == 7 || (step % 48 == 8 && step % 96 == 8);
        doors += i64::from(open);
        for id in 1..=3 {
            let day = (hour * std::f64::consts::TAU / 24.0).sin();
            let week = (hour * std::f64::consts::TAU / 160.0).sin();
            // Sensors err by half a degree and two points, and lose a word now and then.
            let (mut t, mut rh) = (
                8.2 + 0.8 * day + 0.6 * week + 0.3 * noise.next(),
                80.0 + 1.0 * week + 1.5 * noise.next(),
            );
            if open {
                (t, rh) = (t - 7.0, rh - 18.0);
            }
            if noise.next() > 0.97 {
                continue;
            }
            winter.feed(&Input::Reading(Reading {
                seq: step as u64 * 3 + u64::from(id),
                sensor: SensorId(id),
                measured_at: at,
                received_at: at,
                values: Values {
                    temperature_mc: Some((t * 1000.0) as i32),
                    humidity_mpct: Some((rh * 1000.0) as i32),
                    battery_pct: Some(80),
                },
            }));
        }
    }
    assert!(1000 < doors);
    // A store that is held at 47 F from autumn to April wakes its first eyes in spring; that is all.
    let (waking, others): (Vec<_>, Vec<_>) = winter
        .raised
        .iter()
        .partition(|(_, o)| o.kind == Kind::Waking);
    assert_eq!(others, Vec::<&(Stamp, Occurrence)>::new());
    assert_eq!(waking.len(), 2, "once for each room");
    let mut purposes: BTreeMap<Purpose, usize> = BTreeMap::new();
    for owed in &winter.owed {
        *purposes.entry(owed.purpose).or_default() += 1;
    }
    // Beside it nothing but the morning summary and the monthly test (November to April, and the first one).
    assert_eq!(purposes.get(&Purpose::Summary), Some(&(DAYS as usize)));
    assert_eq!(purposes.get(&Purpose::Test), Some(&6));
    assert_eq!(purposes.get(&Purpose::Announce), Some(&2), "waking");
    assert_eq!(purposes.len(), 3, "{purposes:?}");
}

/// Half-heated, unused room, Tampere, Finland; TRH-database, CC BY 4.0 (see `tests/data/ORIGIN.md`).
const MEASURED: &str = "room_indoor_10min_2020-12_2021-05.csv";

fn measured(room: &str) -> (Config, Vec<Heard>) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data");
    let text = format!(
        r#"
[site]
time_zone = "Europe/Helsinki"
[[room]]
name = "room"
{room}
[[sensor]]
name = "north"
room = "room"
role = "air"
interval = "10min"
[[file]]
name = "logger"
path = "{MEASURED}"
sensor = "north"
utc_offset = "+02:00"
time_format = "%Y-%m-%d %H:%M:%S"
columns = {{ measured_at = "t_UTC+2", temperature_c = "T", humidity_pct = "RH" }}
"#
    );
    let config = Config::parse(&text, &folder).unwrap();
    let Format::Csv(shape) = &config.files[0].format else {
        unreachable!()
    };
    let file = fs::read(folder.join(MEASURED)).unwrap();
    let mut rows = Rows::new(shape, file.as_slice()).unwrap();
    let mut heard = Vec::new();
    while let Some((_, _, row)) = rows.next_row().unwrap() {
        heard.push(row.unwrap());
    }
    (config, heard)
}

struct Told {
    days: i64,
    /// By purpose.
    counts: BTreeMap<Purpose, i64>,
    /// Most messages of any kind but the summary on one local day.
    worst_day: usize,
    /// Most messages in any ten minutes.
    flood: usize,
    standing: Vec<State>,
}

impl Told {
    fn of(backtest: &Backtest, days: i64) -> Self {
        let mut counts: BTreeMap<Purpose, i64> = BTreeMap::new();
        let mut by_day: BTreeMap<_, usize> = BTreeMap::new();
        let mut at = Vec::new();
        for owed in &backtest.owed {
            *counts.entry(owed.purpose).or_default() += 1;
            if !matches!(owed.purpose, Purpose::Summary | Purpose::Test) {
                let day = local(chrono_tz::Europe::Helsinki, owed.at).date();
                *by_day.entry(day).or_default() += 1;
                at.push(owed.at);
            }
        }
        let flood = |from: &Stamp| {
            let within = |to: &&Stamp| (0..10 * MINUTE_MS).contains(&to.since(*from));
            at.iter().filter(within).count()
        };
        Self {
            days,
            counts,
            worst_day: by_day.values().copied().max().unwrap_or(0),
            flood: at.iter().map(flood).max().unwrap_or(0),
            standing: backtest
                .judge()
                .standing()
                .iter()
                .map(|s| s.state)
                .collect(),
        }
    }

    fn count(&self, purposes: &[Purpose]) -> i64 {
        let of = |p: &Purpose| self.counts.get(p).copied().unwrap_or(0);
        purposes.iter().map(of).sum()
    }

    /// Everything but the summary and the test.
    fn all(&self) -> i64 {
        let all = self.counts.values().sum::<i64>();
        all - self.count(&[Purpose::Summary, Purpose::Test])
    }
}

/// A measured winter in a room that is no store: dry nearly all the time (75 % is reached for a few
/// hours), and warmer than a store should be. `seen_after`: how long until a person acknowledges.
fn measured_winter(room: &str, seen_after: Option<i64>) -> Told {
    let (config, heard) = measured(room);
    let mut replay = Replay::new(config.watch, &config.telling);
    let mut seen_by: BTreeMap<Stamp, _> = BTreeMap::new();
    let (mut first, mut last) = (None, Stamp::default());
    for reading in &heard {
        let at = reading.device_at.unwrap();
        first.get_or_insert(at);
        last = at;
        while let Some((seen_at, _)) = seen_by.first_key_value().filter(|(due, _)| **due <= at) {
            let seen_at = *seen_at;
            let occurrence = seen_by.remove(&seen_at).unwrap();
            replay.act(&Input::Acknowledge {
                at: seen_at,
                occurrence,
            });
        }
        for told in replay.feed(reading).unwrap() {
            if told.raises()
                && let Some(after) = seen_after
            {
                seen_by.insert(told.at.plus(after), told.occurrence);
            }
        }
    }
    // Calendar days, the first and the last included.
    let days = last.since(first.unwrap()) / (24 * HOUR_MS) + 1;
    let told = Told::of(replay.backtest(), days);
    let mut kinds: BTreeMap<(Kind, u8), usize> = BTreeMap::new();
    for (_, o) in &replay.backtest().raised {
        *kinds.entry((o.kind, o.level)).or_default() += 1;
    }
    println!("raised: {kinds:?}");
    println!(
        "{room:?}, seen after {seen_after:?}: {:?} in {days} days",
        told.counts
    );
    told
}

#[test]
fn a_dry_winter_is_told_once_a_day_at_most_though_nobody_acknowledges() {
    // The room's own temperatures, as somebody would set them who keeps something else there.
    let told = measured_winter("temperature = [\"40F\", \"80F\"]", None);
    assert!(
        told.standing.contains(&State::Unacknowledged),
        "dry to the end"
    );
    assert!(100 < told.count(&[Purpose::Remind]), "{:?}", told.counts);
    assert!(
        told.all() <= told.days,
        "{:?} in {}",
        told.counts,
        told.days
    );
    assert!((told.count(&[Purpose::Summary]) - told.days).abs() <= 1);
    assert!(told.worst_day <= 2 && told.flood <= 2);
}

#[test]
fn a_dry_and_warm_winter_is_told_once_a_day_at_most() {
    use Purpose::{Again, Announce, Digest, Escalate, Over, Remind};
    // Store limits all over: warm comes and goes thirty times on top. Somebody acknowledges after two
    // hours.
    let told = measured_winter("", Some(2 * HOUR_MS));
    assert!(
        told.all() <= told.days,
        "{:?} in {}",
        told.counts,
        told.days
    );
    assert!(told.flood <= 10);
    // Though nobody ever acknowledges: all but the four-hourly repeats of what is high, which go on
    // until somebody does.
    let told = measured_winter("", None);
    let once = told.count(&[Announce, Digest, Escalate, Over, Remind]);
    assert!(once <= told.days, "{:?} in {}", told.counts, told.days);
    assert!(told.count(&[Again]) <= 6 * told.days);
    assert!(told.worst_day <= 8 && told.flood <= 10);
}
