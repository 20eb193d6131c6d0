//! The models of `climate` held against numbers made elsewhere and against the laws they rest on.
//!
//! Where the numbers come from is told in `tests/data/ORIGIN.md`.

mod core;
mod drying;
mod laws;
mod mould;
mod published;
mod trend;
mod venting;

use overwinter::climate::{Air, Celsius, RelativeHumidity};
use serde::de::DeserializeOwned;

fn air(degrees: f64, percent: f64) -> Air {
    Air::new(
        Celsius::new(degrees).unwrap(),
        RelativeHumidity::new(percent).unwrap(),
    )
}

/// All rows of a file; their number is asserted, so that a file that shrank is noticed.
fn rows<T: DeserializeOwned>(text: &str, count: usize) -> Vec<T> {
    let rows: Vec<T> = csv::Reader::from_reader(text.as_bytes())
        .deserialize()
        .collect::<Result<_, _>>()
        .unwrap();
    assert_eq!(rows.len(), count);
    rows
}

#[track_caller]
fn near(what: &str, found: f64, said: f64, by: f64) {
    // Written so that NaN fails.
    let off = (found - said).abs();
    assert!(off <= by, "{what}: {found}, expected {said} within {by}");
}
