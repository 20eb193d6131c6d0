//! What weighings teach of a crate, and of others packed as it is.

use overwinter::{
    climate::Packing,
    watch::{Stamp, models::Known},
};

use super::{DAY_MS, Dice, START, Store, facts, only};

const SEEDS: u64 = 200;
/// Standard deviation of one weighing: what a farm scale and damp packing leave open.
const SCALE: f64 = 0.005;

/// A hundred days at 10 C and 70 %: four crates in shavings, one in peat.
fn hundred_days() -> Store {
    let mut crates: Vec<_> = ["S-1", "S-2", "S-3", "S-4"]
        .map(|code| facts(code, "barn", Packing::Shavings))
        .to_vec();
    crates.push(facts("P-1", "barn", Packing::Peat));
    let mut store = Store::new(only(3), crates);
    store.hold(&[3], 100 * 24, 10.0, 70.0);
    store
}

/// kPa day by then: 30 % lacking of 1226.0 Pa (WMO-No. 8 at 10 C).
fn dose(at: Stamp) -> f64 {
    0.3 * 1.2260 * at.since(START) as f64 / DAY_MS as f64
}

/// Puts a crate on a scale that errs.
fn weigh(store: &mut Store, dice: &mut Dice, code: &str, k: f64, day: f64) {
    let at = START.plus((day * DAY_MS as f64) as i64);
    let grams = 12_000.0 * (-k * dose(at)).exp() * (1.0 + SCALE * dice.normal());
    store.weigh(code, at, grams);
}

#[test]
fn weighings_recover_the_k_of_a_crate() {
    let store = hundred_days();
    let mut held = 0;
    for seed in 0..SEEDS {
        let (mut store, mut dice) = (store.clone(), Dice::new(seed));
        let k = 0.0035 * dice.between(-1.0, 1.0).exp();
        let times = 3 + seed % 4;
        for n in 0..times {
            let day = 1.0 + 97.0 * n as f64 / (times - 1) as f64 + dice.between(0.0, 1.0);
            weigh(&mut store, &mut dice, "S-1", k, day);
        }
        let own = store.stand("S-1").krate;
        assert_eq!(own.known, Known::Weighed(times as usize), "seed {seed}");
        held += u64::from((own.coefficient.low..=own.coefficient.high).contains(&k));
    }
    println!("the interval held k in {held} of {SEEDS}");
    assert!(SEEDS * 85 / 100 <= held, "{held}");
}

#[test]
fn three_crates_teach_a_fourth_packed_alike_and_no_other() {
    let store = hundred_days();
    let mut held = 0;
    for seed in 0..SEEDS {
        let (mut store, mut dice) = (store.clone(), Dice::new(seed));
        let mean = 0.0035 * dice.between(-1.0, 1.0).exp();
        // Crates of one packing differ by a tenth.
        let mut own = || mean * (1.0 + 0.1 * dice.normal());
        let ks = [own(), own(), own(), own()];
        for (code, k) in ["S-1", "S-2", "S-3"].into_iter().zip(ks) {
            for day in [2.0, 50.0, 98.0] {
                weigh(&mut store, &mut dice, code, k, day);
            }
        }
        let fourth = store.stand("S-4").krate;
        assert_eq!(fourth.known, Known::Alike(3), "seed {seed}");
        let other = store.stand("P-1").krate;
        assert_eq!(other.known, Known::Assumed, "seed {seed}");
        assert_eq!(other.coefficient, Packing::Peat.transpiration());
        held += u64::from((fourth.coefficient.low..=fourth.coefficient.high).contains(&ks[3]));
    }
    println!("the interval held the k of the fourth in {held} of {SEEDS}");
    assert!(SEEDS * 85 / 100 <= held, "{held}");
}

/// In a day hardly anything is lost, and the scale's error is all that there is to see: neither the
/// crates themselves nor a fourth may be projected by it.
#[test]
fn crates_weighed_twice_within_a_day_teach_nothing() {
    let store = hundred_days();
    let (mut worst, mut taught): (f64, u64) = (1.0, 0);
    for seed in 0..SEEDS {
        let (mut store, mut dice) = (store.clone(), Dice::new(seed));
        for code in ["S-1", "S-2", "S-3"] {
            for day in [50.0, 51.0] {
                weigh(&mut store, &mut dice, code, 0.0035, day);
            }
        }
        for code in ["S-1", "S-4"] {
            let krate = store.stand(code).krate;
            taught += u64::from(krate.known != Known::Assumed);
            worst = worst.max(krate.coefficient.k / 0.0035);
        }
    }
    println!("taught {taught} times in {SEEDS}, k up to {worst:.1} times too high");
    assert_eq!(taught, 0);
}
