//! What is expected to survive, against published intervals, closed forms and simulated winters.

use proptest::prelude::*;
use statrs::{
    distribution::{Beta, Binomial, ContinuousCDF as _, Discrete as _},
    function::gamma::ln_gamma,
};

use super::*;

const NONE: Counted = Counted { lost: 0, of: 0 };

fn counted(lost: u32, of: u32) -> Counted {
    Counted { lost, of }
}

/// One lot after `passed` of the winter, in which `lost` were lost and `sound` are left.
fn lot(sound: u32, lost: u32, passed: f64) -> Together {
    Together {
        sound,
        plants_each: 1.0,
        seen: Seen {
            counted: counted(lost, sound + lost),
            passed,
        },
    }
}

fn past(own: Counted, farm: Counted) -> Known {
    Known {
        own,
        farm,
        ..Known::default()
    }
}

/// The share that so much of the weight stays below, read between the places of the grid.
fn quantile(weights: &[f64], wanted: f64) -> f64 {
    let mut below = 0.0;
    for (i, weight) in weights.iter().enumerate() {
        if below + weight >= wanted {
            let at = i as f64 + (wanted - below) / weight;
            return (at / PLACES as f64 * FRAC_PI_2).sin().powi(2);
        }
        below += weight;
    }
    1.0
}

/// Even numbers from 0 to below 1.
struct Chance(u64);

impl Chance {
    fn next(&mut self) -> f64 {
        // Knuth's MMIX constants (from memory).
        self.0 = (self.0.wrapping_mul(6_364_136_223_846_793_005))
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn within(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.next()
    }

    /// Survivors of `n` that share their fate so far, drawn from an urn (Pólya's).
    fn survivors(&mut self, n: u32, share: f64, shared: f64) -> u32 {
        let strength = 1.0 / shared - 1.0;
        (0..n).fold(0, |living, drawn| {
            let odds = (share * strength + f64::from(living)) / (strength + f64::from(drawn));
            living + u32::from(self.next() < odds)
        })
    }
}

#[test]
fn a_whole_winter_of_tubers_one_by_one_gives_published_intervals() {
    let model = Model {
        prior: (0.5, 0.5),
        ..Model::new(1.0)
    };
    let file = include_str!(concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/tests/data/vectors/proportion_one.csv"
    ));
    let mut rows = 0;
    for row in csv::Reader::from_reader(file.as_bytes()).deserialize() {
        type Row = (u32, u32, f64, f64, f64, f64, f64, f64, f64, f64);
        let (lived, n, confidence, _, _, _, low, high, _, _): Row = row.unwrap();
        let together = lot(lived, n - lived, 1.0);
        let weights = model.weights(&[together], &Known::default());
        for (tail, want) in [
            (0.5 - confidence / 2.0, low),
            (0.5 + confidence / 2.0, high),
        ] {
            let error = (quantile(&weights, tail) - want).abs();
            assert!(error < 5e-4, "{lived} of {n}, {tail}: {error}");
        }
        rows += 1;
    }
    assert!(rows >= 30, "{rows}");
}

#[test]
fn practice_is_a_weak_prior() {
    let (a, b) = PRIOR;
    assert!((a / (a + b) - 0.9).abs() < 1e-12);
    let exact = Beta::new(a, b).unwrap();
    let weights = Model::new(1.0).weights(&[], &Known::default());
    for q in [0.01, 0.05, 0.25, 0.5, 0.75] {
        let error = quantile(&weights, q) - exact.inverse_cdf(q);
        assert!(error.abs() < 2e-3, "{q}: {error}");
    }
    assert!((0.58..0.62).contains(&quantile(&weights, 0.05)));
}

#[test]
fn a_lot_nobody_looked_at_tells_nothing() {
    let model = Model::new(DESIGN);
    let prior = model.weights(&[], &Known::default());
    for silent in [lot(50, 0, 0.0), lot(50, 20, 0.0), lot(0, 0, 0.5)] {
        assert_eq!(model.weights(&[silent], &Known::default()), prior);
    }
    // One that was looked at on the first day hardly tells more.
    let early = model.weights(&[lot(50, 5, 0.002)], &Known::default());
    let moved = quantile(&early, 0.5) - quantile(&prior, 0.5);
    assert!(moved.abs() < 0.01, "{moved}");
}

#[test]
fn past_winters_count_little() {
    let model = Model::new(DESIGN);
    let middle = |own, farm| quantile(&model.weights(&[], &past(own, farm)), 0.5);
    // A huge record is no surer than a good one, since the next winter is another one.
    let wide = |own, farm| {
        let weights = model.weights(&[], &past(own, farm));
        quantile(&weights, 0.95) - quantile(&weights, 0.05)
    };
    let (good, huge) = (counted(40, 200), counted(4000, 20_000));
    assert!((wide(good, NONE) - wide(huge, NONE)).abs() < 1e-12);
    assert!(wide(huge, NONE) > 0.25 && wide(NONE, huge) > wide(huge, NONE));
    // The farm fills up what the variety's own record lacks.
    assert!((middle(NONE, huge) - 0.84).abs() < 0.02);
    assert!(middle(counted(0, 4), huge) > middle(NONE, huge));
    assert!((middle(good, counted(0, 9999)) - middle(good, NONE)).abs() < 1e-12);
}

#[test]
fn mixtures_are_those_of_the_closed_form() {
    let ln_beta = |a: f64, b: f64| ln_gamma(a) + ln_gamma(b) - ln_gamma(a + b);
    let choose = |n: f64, k: f64| -ln_beta(n - k + 1.0, k + 1.0) - (n + 1.0).ln();
    for n in [1_u32, 2, 7, 60, 700] {
        for lost in [1e-5, 0.01, 0.1, 0.5, 0.97] {
            for shared in [1e-9, 0.01, 0.1, 0.5, 0.9] {
                let mut mix = Mix::new(n as usize, shared);
                mix.add(lost, 1.0);
                let strength = 1.0 / shared - 1.0;
                let (a, b) = ((1.0 - lost) * strength, lost * strength);
                let alone = Binomial::new(1.0 - lost, u64::from(n)).unwrap();
                for (k, got) in (0_u32..).zip(&mix.mixture) {
                    let (n, x) = (f64::from(n), f64::from(k));
                    let want = if shared < 1e-6 {
                        alone.pmf(u64::from(k))
                    } else {
                        (choose(n, x) + ln_beta(x + a, n - x + b) - ln_beta(a, b)).exp()
                    };
                    let error = (got - want).abs();
                    assert!(error < 1e-6, "{k} of {n}, {lost} {shared}: {got} {want}");
                }
            }
        }
    }
}

#[test]
fn quantiles_are_those_of_a_table() {
    // Binomial(20, 1/2): 0.0207 up to 5, 0.0577 up to 6; 0.4119 up to 9, 0.5881 up to 10; 0.9423 up to 13.
    let mut mix = Mix::new(20, 1e-9);
    mix.add(0.5, 0.3);
    assert_eq!(QUANTILES.map(|q| mix.quantile(q)), [6, 10, 14]);
    assert!((mix.mean() - 10.0).abs() < 1e-6);
    mix.add(0.0, 0.3);
    assert!((mix.mean() - 15.0).abs() < 1e-6);
}

#[test]
fn a_full_crate_tells_as_much_as_a_fourth_of_it() {
    let weights = |design, lot| Model::new(design).weights(&[lot], &Known::default());
    let quarter = weights(1.0, lot(24, 6, 0.5));
    for (a, b) in weights(4.0, lot(96, 24, 0.5)).iter().zip(&quarter) {
        assert!((a - b).abs() < 1e-9);
    }
    assert_eq!(weights(4.0, lot(1, 0, 0.5)), weights(1.0, lot(1, 0, 0.5)));
}

#[test]
fn nine_of_ten_winters_fall_within() {
    let mut chance = Chance(7);
    // Single tubers, then many: with few of them both ends of an interval in whole numbers hold more than they need.
    for (design, low_n, high_n) in [(1.0, 5.0, 80.0), (DESIGN, 5.0, 80.0), (1.0, 200.0, 600.0)] {
        let model = Model::new(design);
        let prior = model.weights(&[], &Known::default());
        let shared = |n: u32| {
            let n = f64::from(n);
            ((model.effect(n) - 1.0) / (n - 1.0).max(1.0)).max(1e-9)
        };
        let (mut within, mut inner, mut runs) = (0, 0, 0);
        while runs < 2000 {
            let share = quantile(&prior, chance.next());
            let (n, passed) = (chance.within(low_n, high_n) as u32, chance.within(0.1, 0.9));
            let here = chance.survivors(n, share.powf(passed), shared(n));
            if here == 0 {
                continue;
            }
            let left = chance.survivors(here, share.powf(1.0 - passed), shared(here));
            let lots = [lot(here, n - here, passed)];
            let [low, _, high] = model.survivors(&lots, &Known::default()).quantiles;
            within += u32::from((low..=high).contains(&u64::from(left)));
            // The same with the ends counted only as far as 90 % needs them.
            let mix = model
                .mixture(u64::from(here), &lots, &Known::default())
                .unwrap();
            let below: f64 = mix.mixture[..left as usize].iter().sum();
            let rank = below + chance.next() * mix.mixture[left as usize];
            inner += u32::from((0.05..=0.95).contains(&rank));
            runs += 1;
        }
        let [within, inner] = [within, inner].map(|k| f64::from(k) / f64::from(runs));
        assert!((0.86..=0.94).contains(&inner), "{design}: {inner}");
        assert!(inner < within && within < 0.99, "{design}: {within}");
        assert!(low_n < 100.0 || within < 0.94, "{design}: {within}");
    }
}

#[test]
fn crates_that_fare_alike_count_one_by_one() {
    type Case<'a> = (&'a [(u32, u32)], Option<f64>);
    let cases: &[Case<'_>] = &[
        (&[(1, 10); 4], None),
        (&[(0, 10); 9], None),
        (&[(10, 10); 9], None),
        (&[(0, 0); 9], None),
        (&[(2, 10); 6], Some(1.0)),
        // All or nothing: (10 * 6) / 5 and, with more in a crate, the bound.
        (
            &[(10, 10), (0, 10), (10, 10), (0, 10), (10, 10), (0, 10)],
            Some(12.0),
        ),
        (
            &[(90, 90), (0, 90), (90, 90), (0, 90), (90, 90), (0, 90)],
            Some(20.0),
        ),
        // By hand: share 1/4, squares (9 + 1 + 9 + 1 + 0) / 3.75 by 4 degrees of freedom.
        (
            &[(8, 20), (4, 20), (2, 20), (6, 20), (5, 20)],
            Some(1.333_333),
        ),
        (
            &[(20, 10), (0, 10), (20, 10), (0, 10), (20, 10), (0, 10)],
            Some(12.0),
        ),
    ];
    for (crates, want) in cases {
        let crates: Vec<Counted> = crates.iter().map(|&(l, n)| counted(l, n)).collect();
        match (design(&crates), want) {
            (Some(got), Some(want)) => assert!((got - want).abs() < 1e-5, "{crates:?}: {got}"),
            (got, want) => assert_eq!(got, *want, "{crates:?}"),
        }
    }
}

#[test]
fn any_number_is_answered() {
    let model = Model::new(DESIGN);
    let survivors = |lots: &[Together]| {
        model
            .survivors(lots, &past(NONE, counted(200, 2000)))
            .quantiles
    };
    assert_eq!(survivors(&[]), [0; 3]);
    assert_eq!(survivors(&[lot(0, 30, 0.5)]), [0; 3]);
    let many = u64::from(u32::MAX) + 9;
    assert_eq!(
        survivors(&[lot(u32::MAX, 0, 1.0), lot(9, 0, 1.0)]),
        [many; 3]
    );
    let share = |n: u32| survivors(&[lot(n, n / 10, 0.5)]).map(|x| x as f64 / f64::from(n));
    // Heaps of two tell what tubers one by one tell; of a great many the places of the grid are left.
    for (heaped, single) in share(20_001).into_iter().zip(share(20_000)) {
        assert!((heaped - single).abs() < 2e-4, "{heaped} {single}");
    }
    for got in [100_000, 3_000_000_000].into_iter().flat_map(share) {
        assert!((got - 10.0 / 11.0).abs() < 6e-3, "{got}");
    }
    // Clumps that give nothing.
    let barren = Together {
        plants_each: 0.0,
        ..lot(10, 0, 0.5)
    };
    assert_eq!(survivors(&[barren]), [10; 3]);
}

#[test]
fn unequal_plants_scatter_more() {
    let model = Model::new(1.0);
    let of = |each: [f64; 2]| {
        let lots = each.map(|plants_each| Together {
            plants_each,
            ..lot(100, 12, 0.5)
        });
        let [low, _, high] = model.survivors(&lots, &Known::default()).quantiles;
        high - low
    };
    assert_eq!(of([1.0, 1.0]), of([4.0, 4.0]));
    assert!(of([4.0, 1.0]) > of([1.0, 1.0]));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(128))]

    #[test]
    fn more_lost_is_less_and_more_here_is_more(
        sound in 0_u32..150,
        lost in 0_u32..60,
        passed in 0.0..=1.0_f64,
        design in 1.0..8.0_f64,
        own_lost in 0_u32..20,
        own in 0_u32..80,
    ) {
        let model = Model::new(design);
        let own = counted(own_lost.min(own), own);
        let after = |passed, sound, lost, own| {
            model.survivors(&[lot(sound, lost, passed)], &past(own, counted(30, 300))).quantiles
        };
        let of = |sound, lost| after(passed, sound, lost, own);
        let [low, median, high] = of(sound, lost);
        prop_assert!(low <= median && median <= high && high <= u64::from(sound));
        let worse = of(sound, lost + 1);
        let more = of(sound + 1, lost);
        for ((now, worse), more) in [low, median, high].into_iter().zip(worse).zip(more) {
            prop_assert!(worse <= now, "{worse} {now}");
            prop_assert!(more >= now, "{more} {now}");
        }
        let own_worse = counted(own.lost.saturating_add(1).min(own.of), own.of);
        let worse = after(passed, sound, lost, own_worse);
        prop_assert!([low, median, high].into_iter().zip(worse).all(|(now, worse)| worse <= now));
        prop_assert_eq!(after(1.0, sound, lost, own), [u64::from(sound); 3]);
    }
}
