//! Dose, temperature in the crates and outcomes of forecasts by plain loops over the raw rows.

use overwinter::watch::{
    models::{Forecast, Outcome, Tally, Target},
    reading::{HOUR_MS, MINUTE_MS},
};

use super::{ROOM, Row, Winter};

/// kPa; WMO-No. 8, annex 4.B: 6.112 hPa exp(17.62 t / (243.12 + t)) over water.
fn deficit(t: f64, rh: f64) -> f64 {
    0.6112 * (17.62 * t / (243.12 + t)).exp() * (1.0 - rh / 100.0)
}

/// Trapezoid over the rows; what lies more than six hours apart is skipped. kPa day, and hours skipped.
fn dose(rows: &[Row]) -> (f64, f64) {
    let (mut sum, mut skipped) = (0.0, 0.0);
    for pair in rows.windows(2) {
        let ((from, t0, rh0), (to, t1, rh1)) = (pair[0], pair[1]);
        let hours = to.since(from) as f64 / HOUR_MS as f64;
        if 6.0 < hours {
            skipped += hours;
        } else {
            sum += hours / 24.0 * (deficit(t0, rh0) + deficit(t1, rh1)) / 2.0;
        }
    }
    (sum, skipped)
}

/// Euler's steps of a minute through air that goes in straight lines; one figure to a row.
fn cores(rows: &[Row], lag_h: f64) -> Vec<f64> {
    let mut core = rows[0].1;
    let mut all = vec![core];
    for pair in rows.windows(2) {
        let minutes = pair[1].0.since(pair[0].0) / MINUTE_MS;
        for minute in 0..minutes {
            let share = (minute as f64 + 0.5) / minutes as f64;
            let air = pair[0].1 + (pair[1].1 - pair[0].1) * share;
            core += (air - core) / lag_h / 60.0;
        }
        all.push(core);
    }
    all
}

/// Time constants by the documentation of the models: 5.5 + 0.4 kg hours in a medium, by the half hour
/// (10.3 for 12 kg), 12 where nobody weighed, 4 in the open.
const LAGS: [(&str, f64); 6] = [
    ("W-1", 10.5),
    ("W-2", 12.0),
    ("W-3", 4.0),
    ("W-4", 12.0),
    ("W-5", 4.0),
    ("W-6", 4.0),
];

/// Came: beyond the limit for half an hour without a break, from within nine hours of the making.
/// Unseen: two hours without a word before that was settled.
fn outcome(rows: &[Row], forecast: &Forecast) -> (Outcome, Option<f64>) {
    let until = forecast.made_at.plus(9 * HOUR_MS);
    let beyond = |(_, t, rh): &Row| match forecast.target {
        Target::Frost | Target::Cold => *t < forecast.limit,
        Target::Warm => forecast.limit < *t,
        Target::Dry => *rh < forecast.limit,
        Target::Damp => forecast.limit < *rh,
    };
    let mut since = None;
    let mut last = forecast.made_at;
    for row in rows.iter().filter(|row| forecast.made_at < row.0) {
        let silent = 2 * HOUR_MS < row.0.since(last);
        last = row.0;
        if silent {
            return (Outcome::Unseen, None);
        }
        if !beyond(row) {
            since = None;
        }
        if since.is_none() && until < row.0 {
            return (Outcome::Not, None);
        }
        if beyond(row) {
            let begun = *since.get_or_insert(row.0);
            if 30 * MINUTE_MS <= row.0.since(begun) {
                let after = begun.since(forecast.made_at) as f64 / HOUR_MS as f64;
                return (Outcome::Came, Some(after));
            }
        }
    }
    (Outcome::Open, None)
}

/// Holds what the models say of a winter against all that.
pub(crate) fn agrees(winter: &Winter, rows: &[Row]) {
    let models = winter.judge.models();
    let room = models.room(ROOM).unwrap();
    // The last row is in a slot of ten minutes that nothing has closed.
    let closed = &rows[..rows.len() - 1];

    let (dose, skipped) = dose(closed);
    let theirs = &room.exposures[0];
    assert!(
        (theirs.dose / dose - 1.0).abs() < 0.005,
        "{dose} {}",
        theirs.dose
    );
    // With a row to a slot there is hardly anything to differ by.
    assert!((theirs.dose / dose - 1.0).abs() < 1e-6);
    assert!((theirs.gap_h - skipped).abs() < 1e-6);
    let hours = closed.last().unwrap().0.since(closed[0].0) as f64 / HOUR_MS as f64;
    assert!((theirs.covered_h + theirs.gap_h - hours).abs() < 1e-6);

    for (code, lag_h) in LAGS {
        let plain = cores(closed, lag_h);
        let theirs = &winter.cores[code];
        assert_eq!(plain.len(), theirs.len());
        let mut worst: f64 = 0.0;
        for ((row, own), (at, core)) in closed.iter().zip(&plain).zip(theirs) {
            assert_eq!(row.0, *at);
            worst = worst.max((own - core).abs());
        }
        println!("{code}: core within {worst:.4} K of Euler's");
        assert!(worst < 0.05, "{code}: {worst}");
    }

    let mut tally: Vec<(Target, Tally)> = Target::ALL.map(|t| (t, Tally::default())).to_vec();
    for forecast in winter.forecasts.values() {
        let (outcome, after) = outcome(closed, forecast);
        assert_eq!((forecast.outcome, forecast.came_after_h), (outcome, after));
        let (_, tally) = tally
            .iter_mut()
            .find(|(t, _)| *t == forecast.target)
            .unwrap();
        match outcome {
            Outcome::Open => {}
            Outcome::Came => tally.came += 1,
            Outcome::Not => tally.not += 1,
            Outcome::Unseen => tally.unseen += 1,
        }
    }
    for (target, tally) in tally {
        let theirs = room.tally.get(&target).copied().unwrap_or_default();
        assert_eq!(theirs, tally, "{target:?}");
    }
}
