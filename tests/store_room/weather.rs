//! Outdoor weather as measured, between its ten-minute rows by straight lines.

use std::{fs, path::Path};

/// Finnish Meteorological Institute by way of the TRH-database, CC BY 4.0 (see `tests/data/ORIGIN.md`).
const FILE: &str = "tests/data/outdoor_10min_2020-12_2021-05.csv";
/// First row, 2020-12-18 15:15 at UTC+2, in ms since 1970.
const FIRST_MS: i64 = 1_608_297_300_000;
const STEP_S: f64 = 600.0;

/// A winter outdoors: temperature C and humidity % over water every ten minutes.
#[derive(Clone, Debug)]
pub(crate) struct Weather {
    rows: Vec<(f64, f64)>,
}

impl Weather {
    /// Temperature C and humidity % at `s` seconds after the first row; the ends hold.
    pub(crate) fn at(&self, s: f64) -> (f64, f64) {
        let x = (s / STEP_S).clamp(0.0, (self.rows.len() - 1) as f64);
        let n = (x as usize).min(self.rows.len() - 2);
        let ((t0, rh0), (t1, rh1)) = (self.rows[n], self.rows[n + 1]);
        let part = x - n as f64;
        (t0 + (t1 - t0) * part, rh0 + (rh1 - rh0) * part)
    }

    /// The same air for ever.
    pub(crate) fn steady(t: f64, rh: f64) -> Self {
        Self {
            rows: vec![(t, rh); 2],
        }
    }

    /// Milliseconds since 1970 at `s` seconds after the first row.
    pub(crate) fn ms(s: f64) -> i64 {
        FIRST_MS + (s * 1000.0).round() as i64
    }

    /// Hour of the day, 0..24, by the clock of the place (UTC+2) at `s` seconds after the first row.
    pub(crate) fn hour(s: f64) -> f64 {
        (s / 3600.0 + 15.25).rem_euclid(24.0)
    }
}

/// Reads the measured winter.
pub(crate) fn weather() -> Weather {
    let text = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join(FILE)).unwrap();
    let rows: Vec<(f64, f64)> = text
        .lines()
        .skip(1)
        .map(|line| {
            let mut cells = line.split(',').skip(1).map(|cell| cell.parse().unwrap());
            (cells.next().unwrap(), cells.next().unwrap())
        })
        .collect();
    assert!(text.lines().nth(1).unwrap().starts_with("2020-12-18 15:15"));
    // No row is missing between the first and the last, so the row number is the clock.
    assert!(
        text.lines()
            .last()
            .unwrap()
            .starts_with("2021-05-15 23:55:00")
    );
    assert_eq!(rows.len(), 148 * 144 + 52 + 1);
    Weather { rows }
}
