//! The account against the judge's own models, told the same; and what only looking back can do.

use chrono::{DateTime, NaiveDate, Utc};

use super::{course::courses, *};
use crate::{
    stock::{
        CrateCode, Form, Prepared,
        ledger::{Deed, EntryId, Stock},
        list,
    },
    watch::Limits,
};

mod judge;
mod places;

const START: Stamp = Stamp(1_797_292_800_000); // 2026-12-15T00:00:00Z
const DAY_MS: i64 = 24 * HOUR_MS;

/// xorshift64*: the same figures for the same seed.
struct Dice(u64);

impl Dice {
    fn new(seed: u64) -> Self {
        let mut dice = Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
        (0..8).for_each(|_| {
            dice.share();
        });
        dice
    }

    fn share(&mut self) -> f64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 11) as f64 / (1u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        let radius = (-2.0 * self.share().max(1e-300).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.share()).cos()
    }
}

type Bin = Option<(f64, Option<f64>)>;

/// Air of a cellar with weather, days and damp spells, in thousandths as sensors speak.
fn weather(seed: u64, bins: usize, around_c: f64) -> Vec<Bin> {
    let mut dice = Dice::new(seed);
    let (mut t, mut rh) = (0.0, 0.0);
    let thousandth = |v: f64| (v * 1000.0).round() / 1000.0;
    let each = (0..bins).map(|n| {
        t = 0.999 * t + 0.08 * dice.normal();
        rh = 0.998 * rh + 0.5 * dice.normal();
        let day = (n as f64 / 144.0 * std::f64::consts::TAU).sin();
        let of = (
            thousandth(around_c + t + day),
            thousandth((88.0 + rh).clamp(40.0, 100.0)),
        );
        Some((of.0, Some(of.1)))
    });
    each.collect()
}

fn body(room: &str, bins: &[Bin]) -> Body {
    Body {
        room: room.to_owned(),
        near: None,
        start: START,
        bins: bins.to_vec(),
        error: SensorError::default(),
    }
}

fn bands(room: &str) -> Bands {
    Bands {
        room: room.to_owned(),
        from: vec![(Stamp(0), Some(Limits::default().band))],
    }
}

fn code(text: &str) -> CrateCode {
    text.parse().unwrap()
}

fn utc(at: Stamp) -> DateTime<Utc> {
    at.to_utc()
}

/// A ledger as the store keeps it.
#[derive(Default)]
struct Book {
    stock: Stock,
    entries: Vec<Entry>,
}

impl Book {
    /// Enters a deed that was done at `done`, some time later.
    fn enter_late(&mut self, done: Stamp, at: Stamp, deed: Deed) -> EntryId {
        let changes = match &deed {
            Deed::Undone { entry } => {
                let earlier = self.entries[entry.0 as usize - 1].clone();
                self.stock.take_back(&earlier).unwrap()
            }
            _ => self.stock.enter(&deed, utc(done)).unwrap(),
        };
        let id = EntryId(self.entries.len() as i64 + 1);
        self.entries.push(Entry {
            id,
            at: utc(at),
            noted_at: (done != at).then(|| utc(done)),
            who: "Odile".into(),
            key: None,
            note: String::new(),
            deed,
            changes,
        });
        id
    }

    fn enter(&mut self, at: Stamp, deed: Deed) -> EntryId {
        self.enter_late(at, at, deed)
    }

    fn list(&mut self, at: Stamp, text: &str, room: &str, packing: &str) -> EntryId {
        let lot = list::Lot {
            variety: "Brindolet".into(),
            form: Form::Clump,
            count: 20,
            dug: None,
            weight_g: Some(9000),
            note: String::new(),
            prepared: Prepared::default(),
        };
        let krate = list::Crate {
            code: code(text),
            room: room.into(),
            place: String::new(),
            packing: packing.into(),
            lots: vec![lot],
        };
        self.enter(at, Deed::Listed { krate })
    }

    fn account(&self, bodies: &[Body], probes: &[Probe], until: Stamp) -> Account {
        let days: Vec<Stamp> = (1..=400).map(|n| START.plus(n * DAY_MS)).collect();
        account(&Given {
            bodies,
            entries: &self.entries,
            probes,
            bands: &[bands("cellar"), bands("barn")],
            period: (START, until),
            days: &days[..days.partition_point(|d| *d <= until)],
        })
    }
}

#[test]
fn entries_taken_back_never_were_and_a_crate_filled_anew_is_another() {
    let day = |n: i64| START.plus(n * DAY_MS);
    let mut book = Book::default();
    let first = book.list(day(0), "A-1", "cellar", "peat");
    let moved = |room: &str| Deed::Moved {
        krate: code("A-1"),
        room: room.into(),
        place: "rack".into(),
    };
    let wrong = book.enter(day(2), moved("barn"));
    book.enter(day(3), Deed::Undone { entry: wrong });
    // Told late, in the wrong order.
    book.enter_late(day(6), day(9), moved("barn"));
    book.enter_late(
        day(4),
        day(10),
        Deed::Packed {
            krate: code("A-1"),
            packing: "sand".into(),
            skins_dry: Some(false),
        },
    );
    let weigh = |grams| Deed::Weighed {
        krate: code("A-1"),
        grams,
    };
    book.enter(day(11), weigh(9000));
    book.enter(day(12), weigh(8910));
    let (lot, ..) = book.stock.lots().next().unwrap();
    book.enter(day(13), Deed::Sold { lot, count: 5 });
    book.enter(day(14), weigh(6700));
    book.enter(day(15), weigh(6633));
    book.enter(
        day(20),
        Deed::Planted {
            lot,
            count: 15,
            bed: String::new(),
        },
    );
    book.enter(
        day(30),
        Deed::Lifted {
            into: crate::stock::ledger::To {
                code: code("A-1"),
                room: String::new(),
                place: String::new(),
                packing: String::new(),
            },
            variety: "Ossamurle".into(),
            form: Form::Clump,
            count: 3,
            dug: NaiveDate::from_ymd_opt(2027, 1, 12),
        },
    );
    let all = courses(&book.entries, (day(-10), day(40)));
    assert_eq!(all.len(), 2, "{all:#?}");
    let plain = course::plain(&all[0].stays);
    let seen: Vec<_> = (plain.iter())
        .map(|s| {
            (
                (s.from.0 - START.0) / DAY_MS,
                s.room.as_str(),
                s.packing,
                s.uncured,
            )
        })
        .collect();
    assert_eq!(
        seen,
        [
            (0, "cellar", Packing::Peat, false),
            (4, "cellar", Packing::Sand, true),
            (6, "barn", Packing::Sand, true),
        ]
    );
    assert_eq!(plain[2].to, day(20));
    let anew: Vec<bool> = all[0].weighings.iter().map(|w| w.anew).collect();
    assert_eq!(anew, [true, false, true, false]);
    assert_eq!(
        (all[1].filling, all[1].stays[0].from),
        (2, Stamp(day(28).0 + DAY_MS / 2))
    );
    assert_eq!(all[1].stays[0].to, day(40));

    let air = vec![Some((8.0, Some(80.0))); 40 * 144];
    let account = book.account(&[body("cellar", &air)], &[], day(40));
    let lived = &account.crates[0];
    // In the barn nobody measured.
    assert!((lived.cover.covered_h - 6.0 * 24.0).abs() < 1e-6);
    assert!((lived.cover.gap_h - 14.0 * 24.0).abs() < 0.2);
    let lost: Vec<_> = lived.weighings.iter().map(|w| w.lost_pct).collect();
    assert!((lost[1].unwrap() - 1.0).abs() < 1e-9 && lost[2].is_none());
    assert!((lost[3].unwrap() - 1.0).abs() < 1e-9);
    assert!((lived.core.unwrap().mean_c - 8.0).abs() < 1e-9);
    let text = serde_json::to_string(&account).unwrap();
    assert_eq!(serde_json::from_str::<Account>(&text).unwrap(), account);

    // The dig itself taken back: nothing was ever there.
    let mut book = Book::default();
    let entry = book.list(day(0), "A-1", "cellar", "peat");
    book.enter(day(1), Deed::Undone { entry });
    assert_eq!(courses(&book.entries, (day(-10), day(40))), []);
    assert_eq!(first, entry);
}

#[test]
fn hours_outside_are_those_of_covered_bins() {
    let band = Limits::default().band;
    let mut air = vec![Some((band.low_c, Some(band.high_pct))); 4 * 144];
    air[144..150].fill(Some((band.low_c - 6.0, Some(band.high_pct + 1.0))));
    air[150..156].fill(None);
    air[156..162].fill(Some((band.high_c + 1.0, Some(band.low_pct - 4.0))));
    let mut book = Book::default();
    book.list(START, "A-1", "cellar", "bare");
    let end = START.plus(4 * DAY_MS);
    let cellar = body("cellar", &air);
    let lived = &book.account(std::slice::from_ref(&cellar), &[], end).crates[0];
    assert!((lived.damp_h - 1.0).abs() < 1e-9, "{}", lived.damp_h);
    assert!((lived.dry_h - 1.0).abs() < 1e-9, "{}", lived.dry_h);
    assert!((lived.cover.covered_h - 95.0).abs() < 1e-9);
    assert!((lived.cover.bridged_h - 1.0).abs() < 0.2);
    // The core follows with a lag of four hours and is below the limit for longer than the air.
    assert!(
        1.0 < lived.cold_h && lived.cold_h < 20.0,
        "{}",
        lived.cold_h
    );
    let out = apart::outside(&cellar, &[bands("cellar")], (START, end));
    let hours = |s: apart::Sides| [s.cold_h, s.warm_h, s.dry_h, s.damp_h].map(|h| h.round() as i64);
    assert_eq!(hours(out.out), [1, 1, 1, 1]);
    assert_eq!(hours(out.sure), [1, 1, 1, 0]);
    assert!((out.cold() - 1.0 / 95.0).abs() < 1e-9);
    let none = apart::outside(&cellar, &[], (START, end));
    assert!(none.judged_h.abs() < 1e-9 && none.cold().abs() < 1e-9);
}

#[test]
fn the_longest_place_that_fits_decides() {
    let at = |near: &str| Body {
        near: Some(near.into()),
        ..body("Cellar", &[])
    };
    let bodies = [
        at("north"),
        at("north wall"),
        body("Cellar", &[]),
        body("barn", &[]),
    ];
    assert_eq!(body_of(&bodies, "cellar ", "North wall, low"), Some(1));
    assert_eq!(body_of(&bodies, "cellar", "north rack"), Some(0));
    assert_eq!(body_of(&bodies, "cellar", "south"), Some(2));
    assert_eq!(body_of(&bodies, "loft", ""), None);
}
