//! Every table of an account, for files: named columns with their units, one fact to a cell.
//!
//! Temperatures are in C, whatever the pages show, and instants in UTC, so that a file means the same
//! everywhere. Local days are those of the farm's zone, which the notes beside every table name.

use serde::Serialize;
use serde_json::{Value, json};

use super::{
    copy::sha256_hex,
    data::Data,
    table::{Cell, Table},
};
use crate::season::{conditions::thousandths, proportion::Interval};

mod air;
mod crates;
mod lost;
mod record;
mod said;
#[cfg(test)]
pub(super) mod tests;

/// Every table, in the order in which a person would look at them.
pub fn tables(data: &Data) -> Vec<Table> {
    let account = &data.account;
    let mut all = vec![
        air::days(account),
        air::hours(account),
        air::sensors(account),
        air::excursions(account),
        record::bands(account),
        air::places(account),
        air::margins(account),
    ];
    all.extend([
        crates::crates(account),
        crates::stays(account),
        crates::crate_days(account),
        crates::weighings(account),
    ]);
    all.extend([
        lost::fates(account),
        lost::losses(account),
        lost::differences(account),
        lost::crate_losses(account),
        lost::patterns(account),
    ]);
    all.extend([
        said::alerts(account),
        said::messages(account),
        said::forecasts(account),
        said::warnings(account),
        said::rounds(account),
        said::checks(account),
        record::recorder_off(account),
        record::corrections(account),
        said::counsel(account),
        said::trail(&data.trail),
    ]);
    all
}

/// The names of all tables, in their order.
pub const NAMES: [&str; 26] = [
    "days",
    "hours",
    "sensors",
    "excursions",
    "bands",
    "places",
    "margins",
    "crates",
    "stays",
    "crate-days",
    "weighings",
    "fates",
    "losses",
    "differences",
    "crate-losses",
    "patterns",
    "alerts",
    "messages",
    "forecasts",
    "warnings",
    "rounds",
    "checks",
    "recorder-off",
    "corrections",
    "counsel",
    "trail",
];

/// What stands beside every table: of what it is and how complete that is. `hash` is that of the data, by
/// which a table and a copy are known to belong together.
pub fn notes(data: &Data, hash: &str) -> Value {
    let account = &data.account;
    let about = &account.about;
    let coverage = account.conditions.rooms.iter().map(|room| {
        json!({
            "room": room.room,
            "sensor_hours": room.span_h,
            "on_record_h": room.covered_h,
            "on_record_pct": percent(room.coverage()),
        })
    });
    let last_day = about.end_day.pred_opt().unwrap_or(about.end_day);
    json!({
        "program": about.program,
        "store": about.store,
        "winter": about.winter,
        "zone": about.zone,
        "first_day": about.first_day,
        "last_day": last_day,
        "from": about.from,
        "to": about.to,
        "over": about.over,
        "days_chosen": about.chosen,
        "altitude_m": about.altitude_m,
        "coverage": coverage.collect::<Vec<_>>(),
        "corrections": account.conditions.record.corrections,
        "trail_cut": data.trail_cut,
        "data_sha256": hash,
    })
}

/// The file of a table.
pub fn file_name(table: &Table) -> String {
    format!("{}.csv", table.name)
}

/// What is added to the name of a CSV file for its description (W3C "Model for Tabular Data and Metadata
/// on the Web", 2015, section 5.3).
pub const DESCRIBED_BY: &str = "-metadata.json";

/// A table as CSV, and its description with the hash of these bytes among the notes.
pub fn with_description(table: &Table, notes: &Value) -> (String, Value) {
    let csv = table.csv();
    let mut notes = notes.clone();
    notes["csv_sha256"] = sha256_hex(&csv).into();
    let described = table.described(&file_name(table), &notes);
    (csv, described)
}

/// A whole table from columns and one row to an item.
fn table<T>(
    (name, title): (&'static str, &'static str),
    columns: &'static [super::table::Column],
    items: impl IntoIterator<Item = T>,
    row: impl Fn(T) -> Vec<Cell>,
) -> Table {
    Table {
        name,
        title,
        columns,
        rows: items.into_iter().map(row).collect(),
    }
}

/// The word that files have for it.
fn word(of: &impl Serialize) -> Cell {
    match serde_json::to_value(of) {
        Ok(Value::String(word)) => word.into(),
        _ => Cell::Empty,
    }
}

/// A share of 0 to 1 in percent, to thousandths of a point.
fn percent(share: f64) -> f64 {
    thousandths(share * 100.0)
}

/// The ends of an interval of shares, in percent.
fn ends(interval: Option<Interval>) -> [Cell; 2] {
    match interval {
        Some(i) => [percent(i.low).into(), percent(i.high).into()],
        None => [Cell::Empty, Cell::Empty],
    }
}

/// Rounded to thousandths; empty where there is none.
fn number(value: Option<f64>) -> Cell {
    value.map(thousandths).into()
}
