//! How far places lie apart, and when that tells.

use super::*;
use crate::season::lived::apart::between;

/// Two places with days that hang together, one so much warmer.
fn places(seed: u64, by_k: f64, days: usize) -> (Body, Body, Vec<Stamp>) {
    let mut dice = Dice::new(seed);
    let mut drift = 0.0;
    let (mut a, mut b) = (Vec::new(), Vec::new());
    for _ in 0..days {
        drift = 0.6 * drift + 0.3 * dice.normal();
        for n in 0..144 {
            let t = 8.0 + (f64::from(n) / 144.0 * std::f64::consts::TAU).sin();
            a.push(Some((t + by_k + drift, Some(85.0))));
            b.push(Some((t, Some(85.0))));
        }
    }
    let of = |near: &str, bins: Vec<Bin>| Body {
        near: Some(near.into()),
        ..body("cellar", &bins)
    };
    let ends = (0..=days as i64).map(|n| START.plus(n * DAY_MS)).collect();
    (of("north", a), of("south", b), ends)
}

#[test]
fn days_that_hang_together_are_not_taken_for_many() {
    let (mut missed, runs) = (0, 300);
    for seed in 1..=runs {
        let (a, b, days) = places(seed, 0.0, 70);
        let d = between(&a, &b, &days).temperature_k.unwrap();
        assert_eq!((d.days, d.weeks), (70, 10));
        let (low, high) = d.interval.unwrap();
        missed += i32::from(0.0 < low || high < 0.0);
        assert!(!d.tells);
    }
    let share = f64::from(missed) / runs as f64;
    assert!(
        (0.01..0.12).contains(&share),
        "{share} of the intervals leave out the truth"
    );
}

#[test]
fn a_difference_tells_beyond_what_sensors_may_be_off() {
    let of = |by, days| {
        let (a, b, ends) = places(3, by, days);
        between(&a, &b, &ends).temperature_k.unwrap()
    };
    assert!(of(2.0, 70).tells && of(-2.0, 70).tells);
    // Two sensors of 0.3 K, and less than a kelvin in any case.
    assert!(!of(0.7, 70).tells && !of(0.9, 200).tells);
    // One week is no interval.
    let short = of(3.0, 7);
    assert!(short.interval.is_none() && !short.tells);
    let (mut a, b, ends) = places(3, 2.0, 70);
    // A place that was covered by night alone is not compared.
    for day in a.bins.chunks_mut(144) {
        day[60..].fill(None);
    }
    assert_eq!(between(&a, &b, &ends).temperature_k, None);
    let all = apart::apart(&[a, b, body("cellar", &[])], &ends);
    assert_eq!(all.len(), 1);
}
