//! The same told to a judge as it happened and to the account afterwards.

use super::*;
use crate::watch::{
    Arrives, CrateFacts, Input, Judge, Reading, Role, RoomSettings, SensorId, SensorName,
    SensorSettings, Settings, Values, models::CrateNow, reading::MINUTE_MS,
};

fn site(rooms: &[&str]) -> Settings {
    let sensor = |n: usize, room: &str, role| SensorSettings {
        id: SensorId(n as u32 + 1),
        name: SensorName::new(&format!("s{n}")).unwrap(),
        room: room.to_owned(),
        role,
        crate_code: (role == Role::Crate).then(|| "P-1".to_owned()),
        interval_ms: SLOT_MS,
        arrives: Arrives::Live,
        near: None,
        accuracy: None,
        checked: None,
    };
    let mut sensors: Vec<_> = (rooms.iter().enumerate())
        .map(|(n, room)| sensor(n, room, Role::Air))
        .collect();
    sensors.push(sensor(9, rooms[0], Role::Crate));
    Settings {
        rooms: (rooms.iter())
            .map(|room| RoomSettings::storing(room, Limits::default()))
            .collect(),
        sensors,
        ..Settings::default()
    }
}

fn facts(code: &str, room: &str, packing: &str) -> CrateFacts {
    CrateFacts {
        code: code.into(),
        room: room.into(),
        place: String::new(),
        packing: Packing::read(packing),
        tubers_g: Some(9000),
        divided: false,
        washed: false,
        uncured: false,
        since: None,
    }
}

/// A judge that is told what a book is told, and what it kept on the way.
struct Told {
    judge: Judge,
    seq: u64,
    at: Stamp,
    cores: BTreeMap<String, Vec<f64>>,
    least: BTreeMap<String, f64>,
    mould: BTreeMap<String, f64>,
}

impl Told {
    fn new(rooms: &[&str], crates: Vec<CrateFacts>) -> Self {
        let mut told = Self {
            judge: Judge::new(),
            seq: 0,
            at: START,
            cores: BTreeMap::new(),
            least: BTreeMap::new(),
            mould: BTreeMap::new(),
        };
        let (at, settings) = (START, site(rooms));
        told.judge.step(&Input::Settings { at, settings });
        told.crates(crates);
        told
    }

    fn crates(&mut self, changed: Vec<CrateFacts>) {
        let (at, gone) = (self.at, Vec::new());
        self.judge.step(&Input::Crates { at, changed, gone });
    }

    fn say(&mut self, sensor: usize, measured_at: Stamp, bin: Bin) {
        let Some((t, rh)) = bin else { return };
        self.at = self.at.max(measured_at);
        self.seq += 1;
        let thousandth = |v: f64| (v * 1000.0).round() as i32;
        self.judge.step(&Input::Reading(Reading {
            seq: self.seq,
            sensor: SensorId(sensor as u32 + 1),
            measured_at,
            received_at: self.at,
            values: Values {
                temperature_mc: Some(thousandth(t)),
                humidity_mpct: rh.map(thousandth),
                battery_pct: None,
            },
        }));
    }

    /// Keeps what is to be seen of the crates now.
    fn look(&mut self) {
        let models = self.judge.models();
        for krate in models.crates() {
            let Some(now) = models.stand(krate, self.at) else {
                continue;
            };
            let code = krate.facts.code.clone();
            if let Some(core) = now.cohort.core_c {
                self.cores.entry(code.clone()).or_default().push(core);
            }
            if let Some((_, margin)) = now.cohort.margin_k {
                let least = self.least.entry(code.clone()).or_insert(margin);
                *least = least.min(margin);
            }
            let most = self.mould.entry(code).or_insert(now.mould);
            *most = most.max(now.mould);
        }
    }

    fn stand(&self, code: &str) -> CrateNow<'_> {
        let models = self.judge.models();
        models.stand(models.krate(code).unwrap(), self.at).unwrap()
    }
}

fn near(what: &str, seed: u64, a: f64, b: f64) {
    let within = 1e-9 * a.abs().max(b.abs()).max(1.0);
    assert!(
        (a - b).abs() <= within,
        "seed {seed}, {what}: {a}, judge {b}"
    );
}

fn same(seed: u64, lived: &Lived, told: &Told) {
    let now = told.stand(&lived.code);
    near("dose", seed, lived.dose, now.dose);
    near("wet", seed, lived.wet_h, now.wet_h);
    near("unsure", seed, lived.unsure_h, now.unsure_h);
    near("heat", seed, lived.heat, now.cohort.heat);
    near("mould", seed, lived.mould_end, now.mould);
    let most = lived.mould_high.unwrap().value;
    near("highest mould", seed, most, told.mould[&lived.code]);
    let cores = &told.cores[&lived.code];
    let core = lived.core.unwrap();
    near(
        "lowest",
        seed,
        core.low.value,
        cores.iter().copied().fold(f64::MAX, f64::min),
    );
    near(
        "highest",
        seed,
        core.high.value,
        cores.iter().copied().fold(f64::MIN, f64::max),
    );
    near(
        "margin",
        seed,
        lived.margin_k.unwrap().value,
        told.least[&lived.code],
    );
    for (mine, his) in lived.weighings.iter().zip(&now.krate.weighings) {
        assert_eq!((mine.at, mine.grams), (his.at, his.grams));
        near("dose as weighed", seed, mine.dose, his.dose);
    }
    let shrink = lived.shrink.unwrap();
    assert_eq!(shrink.known, now.krate.known, "seed {seed}");
    near("coefficient", seed, shrink.by.k, now.krate.coefficient.k);
    near("its end", seed, shrink.by.high, now.krate.coefficient.high);
}

const CRATES: [(&str, &str); 4] = [
    ("A-1", "bare"),
    ("B-1", "damp wood shavings"),
    ("C-1", "vermiculite"),
    ("P-1", "peat"),
];

fn listed() -> (Book, Vec<CrateFacts>) {
    let mut book = Book::default();
    for (code, packing) in CRATES {
        book.list(START, code, "cellar", packing);
    }
    let told = CRATES.map(|(code, packing)| facts(code, "cellar", packing));
    (book, told.into())
}

/// A stretch without readings.
fn hole(bins: &mut [Bin], from: usize, len: usize) {
    bins[from..from + len].fill(None);
}

#[test]
fn crates_that_stay_lived_through_what_the_judge_said() {
    for seed in 1..=4 {
        let mut air = weather(seed, 25 * 144, 8.0);
        let mut dice = Dice::new(seed + 100);
        // Every second history has gaps: short ones that are bridged, long ones, and humidity alone.
        if seed % 2 == 0 {
            for len in [3, 20, 35, 36, 37, 60, 400] {
                hole(&mut air, 500 + (dice.share() * 2600.0) as usize, len);
            }
            air[1000..1050]
                .iter_mut()
                .flatten()
                .for_each(|b| b.1 = None);
        }
        let probe: Vec<Option<f64>> = (air.iter().enumerate())
            .map(|(n, bin)| {
                bin.filter(|_| n % 1500 < 1300)
                    .map(|(t, _)| ((7.0 + 0.3 * (t - 7.0)) * 1000.0).round() / 1000.0)
            })
            .collect();
        let (mut book, crates) = listed();
        let mut told = Told::new(&["cellar"], crates);
        for (n, bin) in air.iter().enumerate() {
            let at = START.plus(n as i64 * SLOT_MS);
            // The mean of ten minutes is complete with the next reading: what the probe said by then counts.
            told.say(0, at, *bin);
            told.look();
            told.say(9, at, probe[n].map(|t| (t, None)));
            if bin.is_some() && n % 1100 == 1099 {
                let weighed_at = at.plus(MINUTE_MS);
                let grams = 9000 - n as u32 / 12;
                told.at = weighed_at;
                told.judge.step(&Input::Weighed {
                    at: weighed_at,
                    krate: "A-1".into(),
                    weighed_at,
                    grams,
                    anew: false,
                });
                let krate = code("A-1");
                book.enter(weighed_at, Deed::Weighed { krate, grams });
            }
        }
        let end = START.plus(air.len() as i64 * SLOT_MS);
        told.say(0, end, Some((8.0, Some(80.0))));
        told.look();
        let probes = [Probe {
            code: "p-1".into(),
            start: START,
            bins: probe,
        }];
        let account = book.account(&[body("cellar", &air)], &probes, end);
        assert_eq!(account.crates.len(), 4);
        for lived in &account.crates {
            same(seed, lived, &told);
            let Cover {
                of_h,
                humid_h,
                bridged_h,
                gap_h,
                ..
            } = lived.cover;
            near("cover", seed, of_h, humid_h + bridged_h + gap_h);
            if seed % 2 == 1 {
                let his = told.stand(&lived.code).loss.unwrap().now;
                let mine = lived.shrink.unwrap().lost;
                // The ten minutes before the first mean are known here and nobody's there.
                for (mine, his) in [(mine.shrink, his.shrink), (mine.high, his.high)] {
                    assert!(
                        (mine / his - 1.0).abs() < 1e-3,
                        "seed {seed}: {mine}, {his}"
                    );
                }
                assert!(gap_h < 0.2, "{gap_h}");
            }
        }
    }
}

#[test]
fn a_crate_that_is_moved_goes_on_as_the_judge_has_it() {
    for seed in 1..=4 {
        let airs = [
            weather(seed, 30 * 144, 12.0),
            weather(seed + 50, 30 * 144, 6.0),
        ];
        let mut book = Book::default();
        book.list(START, "B-1", "cellar", "peat");
        let mut told = Told::new(&["cellar", "barn"], vec![facts("B-1", "cellar", "peat")]);
        for n in 0..30 * 144 {
            let at = START.plus(n as i64 * SLOT_MS);
            told.say(0, at, airs[0][n]);
            told.say(1, at, airs[1][n]);
            told.look();
            if n % 1300 == 1299 {
                told.at = at.plus(MINUTE_MS);
                let room = ["barn", "cellar"][n / 1300 % 2];
                told.crates(vec![facts("B-1", room, "peat")]);
                let moved = Deed::Moved {
                    krate: code("b-1"),
                    room: room.into(),
                    place: String::new(),
                };
                // Entered days later, and done when it was done.
                book.enter_late(told.at, told.at.plus(2 * DAY_MS), moved);
            }
        }
        let end = START.plus(30 * DAY_MS);
        told.say(0, end, airs[0][0]);
        told.say(1, end, airs[1][0]);
        told.look();
        let bodies = [body("cellar", &airs[0]), body("barn", &airs[1])];
        let account = book.account(&bodies, &[], end);
        let lived = &account.crates[0];
        assert_eq!(lived.stays.len(), 4);
        let now = told.stand("B-1");
        near("dose", seed, lived.dose, now.dose);
        near("wet", seed, lived.wet_h, now.wet_h);
        near("heat", seed, lived.heat, now.cohort.heat);
        near("mould", seed, lived.mould_end, now.mould);
        near(
            "least",
            seed,
            lived.margin_k.unwrap().value,
            told.least["B-1"],
        );
        near("of", seed, lived.cover.of_h, 720.0);
        near("covered", seed, lived.cover.covered_h, 720.0);
    }
}

#[test]
fn what_a_logger_brings_late_counts_as_if_it_had_come_in_time() {
    let air = weather(7, 20 * 144, 7.0);
    let (from, len) = (900, 288);
    let readings: Vec<(usize, Bin)> = air.iter().copied().enumerate().collect();
    let missing = |n: usize| (from..from + len).contains(&n);
    let (late, live): (Vec<_>, Vec<_>) = readings.into_iter().partition(|(n, _)| missing(*n));
    let as_measured = |arrived: &[(usize, Bin)]| {
        let mut bins = vec![None; air.len()];
        for (n, bin) in arrived {
            bins[*n] = *bin;
        }
        bins
    };
    let (book, crates) = listed();
    let end = START.plus(20 * DAY_MS);
    let of = |bins: &[Bin]| book.account(&[body("cellar", bins)], &[], end);
    let without = of(&as_measured(&live));
    let with = of(&as_measured(&[live.clone(), late.clone()].concat()));
    assert_eq!(with, of(&air));
    assert!((without.crates[0].cover.gap_h - 48.0).abs() < 0.5);
    assert!(with.crates[0].cover.gap_h < 0.2);
    assert!(without.crates[0].dose < with.crates[0].dose);
    // The judge leaves it to the record.
    let mut told = Told::new(&["cellar"], crates);
    for (n, bin) in [live, late].concat() {
        told.say(0, START.plus(n as i64 * SLOT_MS), bin);
    }
    told.say(0, end, Some((7.0, Some(80.0))));
    near("dose", 7, without.crates[0].dose, told.stand("A-1").dose);
}
