//! Which crate is looked at first: worse air never ranks lower.

use overwinter::{
    climate::Packing,
    watch::{
        Limits, Priority,
        models::{
            Cohort, CrateNow, Krate,
            threat::{Peril, threats},
        },
    },
};
use proptest::prelude::*;

use super::{Store, facts, only};

fn store() -> Store {
    let mut store = Store::new(only(3), vec![facts("C-3", "barn", Packing::Peat)]);
    store.hold(&[3], 10 * 24, 10.0, 75.0);
    store
}

/// What is held against the limits of one crate.
#[derive(Debug, Clone)]
struct State {
    core_c: f64,
    margin_k: f64,
    wet_h: f64,
    mould: f64,
    mould_days: Option<f64>,
    /// Lost by planting, a share.
    shrink: f64,
    weighed: bool,
    heat: f64,
    wounds: [bool; 3],
}

fn state() -> impl Strategy<Value = State> {
    (
        (-5.0..20.0f64, -3.0..8.0f64, 0.0..100.0f64),
        (
            0.0..6.0f64,
            prop::option::of(0.0..400.0f64),
            0.0..0.6f64,
            any::<bool>(),
        ),
        (0.0..800.0f64, any::<[bool; 3]>()),
    )
        .prop_map(
            |((core_c, margin_k, wet_h), (mould, mould_days, shrink, weighed), (heat, wounds))| {
                State {
                    core_c,
                    margin_k,
                    wet_h,
                    mould,
                    mould_days,
                    shrink,
                    weighed,
                    heat,
                    wounds,
                }
            },
        )
}

/// Score by peril, and the highest of all.
fn scores(base: &CrateNow<'_>, state: &State) -> ([(Peril, f64); 5], f64) {
    let mut cohort: Cohort = base.cohort.clone();
    cohort.core_c = Some(state.core_c);
    cohort.margin_k = cohort.margin_k.map(|(at, _)| (at, state.margin_k));
    cohort.heat = state.heat;
    let mut krate: Krate = base.krate.clone();
    let facts = &mut krate.facts;
    [facts.divided, facts.washed, facts.uncured] = state.wounds;
    let mut loss = base.loss.unwrap();
    loss.planting.shrink = state.shrink;
    loss.weighed = state.weighed;
    let now = CrateNow {
        krate: &krate,
        cohort: &cohort,
        wet_h: state.wet_h,
        wet_week_h: state.wet_h,
        mould: state.mould,
        mould_days: state.mould_days,
        loss: Some(loss),
        ..*base
    };
    let threats = threats(&now, &Limits::default());
    for pair in threats.windows(2) {
        assert!(pair[1].score <= pair[0].score, "the worst comes first");
    }
    let first = threats[0].score;
    let mut by: Vec<(Peril, f64)> = threats.iter().map(|t| (t.peril, t.score)).collect();
    by.sort_by_key(|(peril, _)| *peril);
    (by.try_into().unwrap(), first)
}

/// The same with one thing worse.
fn worse(state: &State, which: usize, by: f64) -> State {
    let mut worse = state.clone();
    match which {
        0 => worse.core_c -= by,
        1 => worse.margin_k -= by,
        2 => worse.wet_h += 10.0 * by,
        3 => worse.mould = (state.mould + by).min(6.0),
        // None is never.
        4 => worse.mould_days = Some(state.mould_days.map_or(400.0, |d| (d - 20.0 * by).max(0.0))),
        5 => worse.shrink = (state.shrink + by / 20.0).min(1.0),
        6 => worse.heat += 50.0 * by,
        7 => worse.wounds[0] = true,
        8 => worse.wounds[1] = true,
        _ => worse.wounds[2] = true,
    }
    worse
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 1, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn what_is_worse_never_ranks_lower(
        all in prop::collection::vec((state(), 0usize..10, 0.0..6.0f64), 3000),
    ) {
        let store = store();
        let base = store.stand("C-3");
        for (state, which, by) in all {
            let (before, first) = scores(&base, &state);
            let (after, worst) = scores(&base, &worse(&state, which, by));
            for (b, a) in before.iter().zip(after) {
                prop_assert!(b.1 <= a.1 + 1e-12, "{:?} {:?} {which} {by} {:?}", b, a, state);
                prop_assert!(0.0 <= a.1 && a.1.is_finite());
                // What it does not concern does not move.
                let rot = matches!(a.0, Peril::Sweating | Peril::Mould);
                if 7 <= which && !rot {
                    prop_assert!((a.1 - b.1).abs() < 1e-12);
                }
            }
            prop_assert!(first <= worst + 1e-12);
        }
    }
}

/// Water that stood on skins long ago has done what it does: a crate that is dry since is not to be seen to
/// now.
#[test]
fn what_dried_long_ago_no_longer_presses() {
    let mut store = Store::new(only(3), vec![facts("C-3", "barn", Packing::Peat)]);
    let sweating = |store: &Store| {
        let threats = threats(&store.stand("C-3"), &Limits::default());
        let own = threats.into_iter().find(|t| t.peril == Peril::Sweating);
        own.unwrap().priority()
    };
    store.hold(&[3], 24, 4.0, 80.0);
    for hour in 0..60 {
        store.hold(&[3], 1, 4.0 + 0.3 * f64::from(hour), 97.0);
    }
    assert!(48.0 < store.stand("C-3").wet_h);
    assert_eq!(sweating(&store), Some(Priority::High));
    store.hold(&[3], 4 * 24, 10.0, 60.0);
    assert_eq!(sweating(&store), Some(Priority::High));
    store.hold(&[3], 6 * 24, 10.0, 60.0);
    assert!(48.0 < store.stand("C-3").wet_h);
    assert_eq!(sweating(&store), None);
}

/// The same through the fold: drier air is a higher dose, and a higher rank of drying.
#[test]
fn drier_air_ranks_higher() {
    let mut last = (0.0, -1.0);
    for rh in [95.0, 85.0, 80.0, 70.0, 60.0, 50.0, 40.0] {
        let mut store = Store::new(only(3), vec![facts("C-3", "barn", Packing::Peat)]);
        store.hold(&[3], 10 * 24, 10.0, rh);
        let now = store.stand("C-3");
        let threats = threats(&now, &Limits::default());
        let drying = threats.iter().find(|t| t.peril == Peril::Drying).unwrap();
        assert!(last.0 < now.dose && last.1 <= drying.score, "{rh} %");
        last = (now.dose, drying.score);
    }
    assert!(1.0 < last.1);
}
