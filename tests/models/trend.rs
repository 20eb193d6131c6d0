//! Slopes and arrivals against the widespread Python implementation of Theil and Sen's line.

use overwinter::climate::trend::{DAMPING_H, Side, arrival, theil_sen};
use serde::Deserialize;

use super::{near, rows};

#[derive(Deserialize)]
struct Sample {
    case: u32,
    hours_relative_to_now: f64,
    value: f64,
}

#[derive(Deserialize)]
struct Said {
    case: u32,
    n: usize,
    limit: f64,
    side: String,
    slope_per_h: f64,
    slope_lo90_scipy: f64,
    slope_hi90_scipy: f64,
    level_now_median_residual: f64,
    eta_linear_h: f64,
    eta_damped_td2_h: f64,
    eta_fast_linear_h: f64,
    eta_slow_damped_td2_h: f64,
    significant: u8,
}

#[test]
fn slopes_and_arrivals_are_those_of_the_reference() {
    let samples: Vec<Sample> = rows(include_str!("../data/vectors/trend_windows.csv"), 184);
    let all: Vec<Said> = rows(include_str!("../data/vectors/trend_expected.csv"), 16);
    for said in &all {
        let window: Vec<(f64, f64)> = samples
            .iter()
            .filter(|s| s.case == said.case)
            .map(|s| (s.hours_relative_to_now, s.value))
            .collect();
        let line = theil_sen(&window).unwrap();
        let what = format!("case {}", said.case);
        assert_eq!(line.n, said.n);
        near(&what, line.slope, said.slope_per_h, 1e-6);
        near(&what, line.low90, said.slope_lo90_scipy, 1e-6);
        near(&what, line.high90, said.slope_hi90_scipy, 1e-6);
        near(&what, line.level_now, said.level_now_median_residual, 1e-6);

        let side = if said.side == "lower" {
            Side::Lower
        } else {
            Side::Upper
        };
        let found = arrival(line, said.limit, side, DAMPING_H);
        for (found, said) in [
            (found.linear_h, said.eta_linear_h),
            (found.damped_h, said.eta_damped_td2_h),
            (found.fast_h, said.eta_fast_linear_h),
            (found.slow_h, said.eta_slow_damped_td2_h),
        ] {
            match found {
                Some(hours) => near(&what, hours, said, 1e-6 * said.max(1.0)),
                None => assert!(said.is_infinite(), "{what}: never, expected {said}"),
            }
        }
        assert_eq!(found.significant, said.significant == 1, "{what}");
    }
}
