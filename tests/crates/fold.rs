//! Ticks, halves, gaps and the order within one arrival.

use std::collections::BTreeMap;

use overwinter::{
    climate::{Packing, drying::Outlook},
    watch::{CrateFacts, Input, Judge, Limits, Stage, models::CrateNow, reading::MINUTE_MS},
};
use proptest::prelude::*;

use super::{DAY_MS, Dice, HOUR_MS, SLOT_MS, START, Store, facts, only, site};

#[derive(Debug, Clone)]
enum Act {
    Say {
        id: u32,
        lag_min: i64,
        t: i32,
        rh: i32,
    },
    Hold {
        hours: i64,
        t: i32,
        rh: i32,
    },
    Weigh {
        krate: usize,
        ago_h: i64,
        grams: u32,
    },
    Put {
        krate: usize,
        place: usize,
        packing: Packing,
        kg: Option<u32>,
    },
    Limits(bool),
    Probe(bool),
    Near(bool),
    Off(i64),
    Gone(usize),
    Stage(Stage),
}

fn keeping() -> impl Strategy<Value = Act> {
    let packing = prop::sample::select(Packing::ALL.to_vec());
    let air = || (-4i32..22, 40i32..100);
    prop_oneof![
        12 => (1u32..6, prop_oneof![4 => 0i64..3, 1 => 0i64..600], air())
            .prop_map(|(id, lag_min, (t, rh))| Act::Say { id, lag_min, t, rh }),
        10 => (1i64..30, air()).prop_map(|(hours, (t, rh))| Act::Hold { hours, t, rh }),
        4 => (0usize..5, 0i64..100, 4000u32..12_000)
            .prop_map(|(krate, ago_h, grams)| Act::Weigh { krate, ago_h, grams }),
        4 => (0usize..5, 0usize..4, packing, prop::option::of(1u32..40))
            .prop_map(|(krate, place, packing, kg)| Act::Put { krate, place, packing, kg }),
        1 => any::<bool>().prop_map(Act::Limits),
        1 => any::<bool>().prop_map(Act::Probe),
        1 => any::<bool>().prop_map(Act::Near),
        1 => (1i64..900).prop_map(Act::Off),
    ]
}

fn act() -> impl Strategy<Value = Act> {
    prop_oneof![
        20 => keeping(),
        1 => (0usize..5).prop_map(Act::Gone),
        1 => prop::sample::select(Stage::ALL.to_vec()).prop_map(Act::Stage),
    ]
}

const CODES: [&str; 5] = ["C-1", "C-2", "C-3", "C-4", "C-5"];
const PLACES: [(&str, &str); 4] = [
    ("cellar", "rack"),
    ("cellar", "north wall, shelf 2"),
    ("barn", "floor"),
    ("shed that nobody watches", ""),
];

fn stock() -> Vec<CrateFacts> {
    vec![
        facts("C-1", "cellar", Packing::Shavings),
        facts("C-2", "cellar", Packing::Bare),
        facts("C-3", "barn", Packing::Peat),
    ]
}

/// Runs a history; `ticks` are extra looks at the clock, as offsets into each pause; `each` sees the
/// store after every act.
fn run(history: &[(i64, Act)], ticks: &[i64], mut each: impl FnMut(&Store)) -> Store {
    let mut store = Store::new(site(), stock());
    let mut settings = site();
    let mut extra = ticks.iter().cycle();
    for (pause, act) in history {
        let before = store.at;
        for _ in 0..2 {
            if let Some(offset) = extra.next() {
                let at = before.plus(offset % (pause * MINUTE_MS + 1));
                store.step(Input::Tick { at });
            }
        }
        store.at = before.plus(pause * MINUTE_MS);
        let at = store.at;
        match act {
            Act::Say { id, lag_min, t, rh } => {
                store.say(*id, *lag_min, f64::from(*t), f64::from(*rh));
            }
            Act::Hold { hours, t, rh } => {
                let (t, rh) = (f64::from(*t), f64::from(*rh));
                if ticks.is_empty() {
                    store.hold(&[1, 2, 3, 4, 5], *hours, t, rh);
                } else {
                    for hour in 0..*hours {
                        store.hold(&[1, 2, 3, 4, 5], 1, t, rh);
                        let late = ticks[hour as usize % ticks.len()] % SLOT_MS;
                        let at = store.at.plus(late);
                        store.step(Input::Tick { at });
                    }
                }
            }
            Act::Weigh {
                krate,
                ago_h,
                grams,
            } => store.weigh(CODES[*krate], at.plus(-ago_h * HOUR_MS), f64::from(*grams)),
            Act::Put {
                krate,
                place,
                packing,
                kg,
            } => {
                let (room, place) = PLACES[*place];
                let mut put = facts(CODES[*krate], room, *packing);
                place.clone_into(&mut put.place);
                put.tubers_g = kg.map(|kg| kg * 1000);
                store.crates(vec![put]);
            }
            Act::Limits(tight) => {
                for room in &mut settings.rooms {
                    room.limits = Limits::default();
                    if *tight {
                        room.limits.shrink.steps[0].limit = 0.1;
                        room.limits.sweating.steps[0].limit = 4.0;
                    }
                }
                store.settings(settings.clone());
            }
            Act::Probe(other) => {
                let code = if *other { "C-2" } else { "C-1" };
                settings.sensors[3].crate_code = Some(code.to_owned());
                store.settings(settings.clone());
            }
            Act::Near(own) => {
                settings.sensors[1].near = own.then(|| "rack".to_owned());
                store.settings(settings.clone());
            }
            Act::Off(minutes) => {
                store.at = at.plus(minutes * MINUTE_MS);
                store.step(Input::Started {
                    at: store.at,
                    off_from: at,
                    stepped: false,
                });
            }
            Act::Gone(krate) => store.step(Input::Crates {
                at,
                changed: Vec::new(),
                gone: vec![CODES[*krate].to_owned()],
            }),
            Act::Stage(stage) => store.step(Input::Stage {
                at,
                room: "cellar".to_owned(),
                stage: *stage,
            }),
        }
        each(&store);
    }
    store.at = store.at.plus(10_000 * MINUTE_MS);
    store.tick();
    store
}

/// Dose, gap, wet and unsure hours of every crate that stands somewhere.
fn tolls(store: &Store) -> BTreeMap<String, [f64; 4]> {
    let models = store.judge.models();
    let stands = models.crates().filter_map(|k| models.stand(k, store.at));
    stands
        .map(|s| {
            let toll = [s.dose, s.gap_h, s.wet_h, s.unsure_h];
            (s.krate.facts.code.clone(), toll)
        })
        .collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn extra_ticks_change_nothing_that_is_computed_or_told(
        history in prop::collection::vec((0i64..90, act()), 1..50),
        ticks in prop::collection::vec(0i64..6_000_000, 1..9),
    ) {
        let plain = run(&history, &[], |_| {});
        let ticked = run(&history, &ticks, |_| {});
        prop_assert_eq!(plain.models(), ticked.models());
        prop_assert_eq!(&plain.told, &ticked.told);
        prop_assert_eq!(plain.judge.standing(), ticked.judge.standing());
        prop_assert_eq!(plain.judge.next_due(), ticked.judge.next_due());
    }

    #[test]
    fn two_halves_come_to_the_same_as_the_whole(
        history in prop::collection::vec((0i64..90, act()), 1..50),
        cut in any::<prop::sample::Index>(),
    ) {
        let whole = run(&history, &[], |_| {});
        let cut = cut.index(whole.inputs.len());
        let mut first = Judge::new();
        let mut told = Vec::new();
        for input in &whole.inputs[..cut] {
            told.extend(first.step(input));
        }
        let mut second = first.clone();
        // What the first goes on to see is no concern of the second.
        first.step(&Input::Tick { at: first.now().plus(DAY_MS) });
        drop(first);
        for input in &whole.inputs[cut..] {
            told.extend(second.step(input));
        }
        prop_assert_eq!(whole.models(), format!("{:?}", second.models()));
        prop_assert_eq!(whole.told, told);
        prop_assert_eq!(whole.judge.standing(), second.standing());
    }

    /// Through moves, weighings, new sensors, probes and limits, gaps and late words.
    #[test]
    fn what_a_crate_has_taken_never_falls(
        history in prop::collection::vec((0i64..90, keeping()), 1..50),
    ) {
        let mut before: BTreeMap<String, [f64; 4]> = BTreeMap::new();
        let mut fell = None;
        run(&history, &[], |store| {
            for (code, now) in tolls(store) {
                let was = before.insert(code.clone(), now).unwrap_or_default();
                if was.iter().zip(now).any(|(was, now)| now < was - 1e-9) {
                    fell.get_or_insert((code, was, now));
                }
            }
        });
        prop_assert_eq!(fell, None);
    }
}

/// Random air by the ten minutes, the same for the same seed: a day's swing, a wander and some noise.
fn weather(seed: u64, slots: usize) -> Vec<(f64, f64)> {
    let mut dice = Dice::new(seed);
    let (mean, swing) = (dice.between(2.0, 16.0), dice.between(0.0, 3.0));
    let damp = dice.between(45.0, 97.0);
    let (mut t, mut rh) = (0.0, 0.0);
    (0..slots)
        .map(|slot| {
            let day = (slot as f64 / 144.0 * std::f64::consts::TAU).sin();
            t = 0.99 * t + dice.between(-0.2, 0.2);
            rh = 0.99 * rh + dice.between(-0.8, 0.8);
            let humidity = damp + rh - 2.0 * swing * day;
            (mean + swing * day + t, humidity.clamp(20.0, 99.5))
        })
        .collect()
}

/// Two sensors of one room whose words come together: which is named first hardly matters.
///
/// What does: a mean of the first closes the slot while the second still stands for the one before, so
/// the air of the room is for no time at all half new and half old. The dose then differs by what the two
/// sensors drifted apart in ten minutes, which cancels over a winter; hours of sweating by a slot
/// each time that the margin crosses a limit; warmth by where the first word of all let the core begin.
#[test]
fn the_order_within_one_arrival_hardly_matters() {
    let mut differed = 0;
    for seed in 0..40 {
        let (north, south) = (weather(seed, 144 * 20), weather(seed + 1000, 144 * 20));
        let mut settings = site();
        settings.sensors.truncate(2);
        // Both hang in the same room, a kelvin and some points apart.
        let apart = |slot: usize| {
            let ((t, rh), (u, sh)) = (north[slot], south[slot]);
            let mean = (t + 0.1 * (u - t), (rh + 0.1 * (sh - rh)).clamp(20.0, 99.5));
            [(1, (t, rh)), (2, mean)]
        };
        let fold = |turned: bool| {
            let mut store = Store::new(settings.clone(), stock());
            for slot in 0..north.len() {
                // In January, when warmth counts.
                store.at = START.plus(40 * DAY_MS + slot as i64 * SLOT_MS);
                let mut words = apart(slot);
                if turned {
                    words.reverse();
                }
                for (id, (t, rh)) in words {
                    store.say(id, 0, t, rh);
                }
            }
            store
        };
        let (one, other) = (fold(false), fold(true));
        let (a, b) = (one.stand("C-1"), other.stand("C-1"));
        let core = |s: &CrateNow<'_>| s.cohort.core_c.unwrap();
        let near = |a: f64, b: f64, within: f64| (a - b).abs() <= within;
        assert!(near(a.dose, b.dose, 1e-4), "seed {seed}");
        assert!(near(core(&a), core(&b), 2e-3), "seed {seed}");
        // What the core lacks at first halves in eight hours: half a day of it in all.
        let [(_, first), (_, second)] = apart(0);
        let begun = 0.5 * (first.0 - second.0).abs();
        assert!(
            near(a.cohort.heat, b.cohort.heat, 0.02 + begun),
            "seed {seed}"
        );
        assert!(near(a.mould, b.mould, 0.02), "seed {seed}");
        // Of 480 hours.
        assert!(near(a.wet_h, b.wet_h, 1.0), "seed {seed}");
        assert!(near(a.unsure_h, b.unsure_h, 6.0), "seed {seed}");
        differed += i32::from(a.unsure_h.to_bits() != b.unsure_h.to_bits());
        let tally = |s: &Store| s.judge.models().room("cellar").unwrap().tally.clone();
        assert_eq!(tally(&one), tally(&other), "seed {seed}");
    }
    assert!(0 < differed, "the order made no difference at all");
}

/// A winter of `days`, a silence of `gap_h` hours, and thirty hours more.
fn with_gap(seed: u64, days: i64, gap_h: i64) -> (Store, Store) {
    let mut store = Store::new(only(3), stock());
    let air = weather(seed, (days as usize + 8) * 144);
    let feed = |store: &mut Store, hours: i64| {
        for _ in 0..hours * 6 {
            store.at = store.at.plus(SLOT_MS);
            let slot = (store.at.since(START) / SLOT_MS) as usize;
            let (t, rh) = air[slot.min(air.len() - 1)];
            store.say(3, 0, t, rh);
        }
    };
    feed(&mut store, days * 24);
    let mut whole = store.clone();
    feed(&mut whole, gap_h + 30);
    // Whatever was about to end by what was heard has ended by then.
    store.at = store.at.plus(3 * HOUR_MS);
    store.tick();
    let active = |store: &Store| -> Vec<_> {
        let standing = store.judge.standing();
        let active = standing.into_iter().filter(|s| s.active);
        active.map(|s| s.occurrence).collect()
    };
    let before = active(&store);
    for _ in 3..gap_h {
        store.at = store.at.plus(HOUR_MS);
        store.tick();
        let now = active(&store);
        for occurrence in &before {
            assert!(now.contains(occurrence), "seed {seed}: {occurrence} ended");
        }
    }
    feed(&mut store, 30);
    (whole, store)
}

#[test]
fn a_gap_widens_the_range_of_the_loss_and_ends_no_alert() {
    let (mut wider, mut stood) = (0, 0);
    for seed in 0..60 {
        let mut dice = Dice::new(seed);
        let gap_h = dice.between(7.0, 72.0) as i64;
        let (whole, gap) = with_gap(seed, 8 + seed as i64 % 9, gap_h);
        let (a, b) = (whole.stand("C-3"), gap.stand("C-3"));
        assert!(a.gap_h < 1e-9, "seed {seed}");
        assert!(
            (b.gap_h - gap_h as f64).abs() < 0.5,
            "seed {seed}: {}",
            b.gap_h
        );
        assert!(b.dose <= a.dose + 1e-9, "seed {seed}");
        // The range of what was lost by now, as a factor.
        let width = |loss: f64| -(-loss).ln_1p();
        let factor = |now: Outlook| width(now.high) / width(now.low);
        let (a, b) = (a.loss.unwrap().now, b.loss.unwrap().now);
        assert!(factor(a) < factor(b), "seed {seed}: {a:?} {b:?}");
        wider += 1;
        stood += i32::from(gap.told.iter().any(|t| t.active));
    }
    println!("{wider} gaps widened the range; alerts were seen in {stood}");
    assert!(30 < stood, "hardly anything was put to the test");
}

/// Five hours are bridged.
#[test]
fn a_short_gap_is_bridged() {
    let mut store = Store::new(only(3), stock());
    store.hold(&[3], 48, 8.0, 75.0);
    store.at = store.at.plus(5 * HOUR_MS);
    store.hold(&[3], 48, 8.0, 75.0);
    let stand = store.stand("C-3");
    assert!(stand.gap_h < 1e-9);
    // 1071.4 Pa (WMO-No. 8) at 8 C, a quarter of it lacking; two slots short at the ends.
    let hours = 101.0 - 2.0 / 6.0;
    let dose = 1.0714 * 0.25 * hours / 24.0;
    assert!(
        (stand.dose / dose - 1.0).abs() < 1e-3,
        "{} {dose}",
        stand.dose
    );
}
