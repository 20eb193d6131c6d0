//! What it costs to work out what 500 crates lived through in a winter of 26,000 means: on twelve ways that
//! they share, with probes, and each on a way of its own. Run with `cargo bench --bench lived`.

use std::time::{Duration, Instant};

use chrono::{DateTime, Utc};
use overwinter::{
    climate::tuber::SensorError,
    season::lived::{Bands, Body, Given, Probe, account},
    stock::{
        Form, Prepared,
        ledger::{Deed, Entry, EntryId, Stock},
        list,
    },
    watch::{
        Limits, Stamp,
        models::SLOT_MS,
        reading::{HOUR_MS, MINUTE_MS},
    },
};

const START: Stamp = Stamp(1_793_491_200_000); // 2026-11-01T00:00:00Z
const BINS: usize = 26_000;
const CRATES: i64 = 500;
const RUNS: usize = 7;

fn main() {
    let bodies: Vec<Body> = (0..4).map(body).collect();
    let probes: Vec<Probe> = (0..4)
        .map(|n| Probe {
            code: format!("K-{n}"),
            start: START,
            bins: (bodies[n].bins.iter())
                .map(|bin| bin.map(|(t, _)| 7.0 + 0.3 * (t - 7.0)))
                .collect(),
        })
        .collect();
    let limits = Limits::default();
    let bands = [Bands {
        room: "cellar".into(),
        from: vec![(START, Some(limits.band))],
    }];
    let period = (START, START.plus(BINS as i64 * SLOT_MS));
    let days: Vec<Stamp> = (1..=180).map(|n| START.plus(n * 24 * HOUR_MS)).collect();
    for (name, apart_ms, probed) in [
        ("shared ways", 0, 0),
        ("shared ways, one probe", 0, 1),
        ("shared ways, four probes", 0, 4),
        ("each on its own way", 10 * MINUTE_MS, 0),
    ] {
        let entries = ledger(apart_ms);
        let given = Given {
            bodies: &bodies,
            entries: &entries,
            probes: &probes[..probed],
            bands: &bands,
            period,
            days: &days,
        };
        let mut times: Vec<Duration> = Vec::new();
        let mut ways = 0;
        for _ in 0..RUNS {
            let before = Instant::now();
            let account = account(&given);
            times.push(before.elapsed());
            assert_eq!(account.crates.len() as i64, CRATES);
            ways = account.ways;
        }
        times.sort_unstable();
        println!(
            "{name}: {ways} ways, median {:?}, slowest {:?}",
            times[RUNS / 2],
            times[RUNS - 1]
        );
    }
}

/// Air that moves as air does, with a day of its own in each place.
fn body(n: usize) -> Body {
    let mut seed = (7_919 * (n as u64 + 1)) | 1;
    let mut share = || {
        seed ^= seed >> 12;
        seed ^= seed << 25;
        seed ^= seed >> 27;
        (seed.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 11) as f64 / (1u64 << 53) as f64 - 0.5
    };
    let (mut t, mut rh) = (0.0, 0.0);
    let bins = (0..BINS).map(|bin| {
        t = 0.999 * t + 0.3 * share();
        rh = 0.998 * rh + 1.5 * share();
        let day = (bin as f64 / 144.0 * std::f64::consts::TAU).sin();
        Some((8.0 + t + day, Some((86.0 + rh).clamp(40.0, 100.0))))
    });
    Body {
        room: "cellar".into(),
        near: (n < 3).then(|| format!("rack {n}")),
        start: START,
        bins: bins.collect(),
        error: SensorError::default(),
    }
}

/// Crates in three packings at four places, brought in one after the other so far apart.
fn ledger(apart_ms: i64) -> Vec<Entry> {
    let mut stock = Stock::default();
    let entries = (0..CRATES).map(|n| {
        let at: DateTime<Utc> = START.plus(n * apart_ms).to_utc();
        let deed = Deed::Listed {
            krate: list::Crate {
                code: format!("K-{n}").parse().expect("a code"),
                room: "cellar".into(),
                place: format!("rack {}", n / 3 % 4),
                packing: ["peat", "bare", "vermiculite"][n as usize % 3].into(),
                lots: vec![list::Lot {
                    variety: "Brindolet".into(),
                    form: Form::Clump,
                    count: 12,
                    dug: None,
                    weight_g: None,
                    note: String::new(),
                    prepared: Prepared::default(),
                }],
            },
        };
        Entry {
            id: EntryId(n + 1),
            at,
            noted_at: None,
            who: "Wendel".into(),
            key: None,
            note: String::new(),
            changes: stock.enter(&deed, at).expect("a crate"),
            deed,
        }
    });
    entries.collect()
}
