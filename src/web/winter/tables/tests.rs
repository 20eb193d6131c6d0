//! Over an account made by hand: every cell has its column and is of its kind.

use super::*;
use crate::{
    season::{
        account::{About, Account, Conditions, InForce, Record, RoomWinter},
        body::{DayRow, HourRow},
        calendar::Calendar,
        conditions::{At, Excursion, Gaps, Quantity, SensorWinter},
        lived::apart::Outside,
        period::Period,
        responses::{self, History, OneAlert},
        sheet::Side,
        survival,
        trail::Row,
    },
    watch::{Kind as AlertKind, Priority, Role},
    web::winter::table::Kind,
};
use chrono::{DateTime, NaiveDate, Utc};

fn day(d: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, 12, d).unwrap()
}

fn at(d: u32, h: u32) -> DateTime<Utc> {
    day(d).and_hms_opt(h, 0, 0).unwrap().and_utc()
}

fn sensor() -> SensorWinter {
    let value = |value, h| At {
        value,
        at: at(1, h),
    };
    SensorWinter {
        sensor: "north".into(),
        room: "cellar".into(),
        role: Role::Air,
        near: None,
        interval_s: 300.0,
        hold_s: 900.0,
        error: [0.5, 3.0],
        readings: 288,
        first: Some(at(1, 0)),
        last: Some(at(1, 23)),
        span_h: 24.0,
        out_of_service_h: 0.0,
        covered_h: 18.0,
        gaps: Gaps::default(),
        temperature: Some(Quantity {
            covered_h: 18.0,
            mean: 8.125,
            low: value(-0.5, 5),
            high: value(11.0, 14),
        }),
        humidity: None,
        both_h: 0.0,
        dose_kpa_day: 0.0,
        spread_low_k: None,
        against: None,
    }
}

/// A winter of one day in a room whose name a spreadsheet would take for a formula.
pub(in crate::web::winter) fn data() -> Data {
    let calendar = Calendar::new(chrono_tz::UTC);
    let period = Period {
        from: day(1),
        to: day(2),
    };
    let room = RoomWinter {
        room: "=cellar".into(),
        unwatched_h: 0.0,
        span_h: 24.0,
        covered_h: 18.0,
        judged_h: 18.0,
        in_band_h: 9.0,
        days: vec![DayRow {
            date: day(1),
            span_h: 24.0,
            covered_h: 18.0,
            temperature: Some([8.125, -0.5, 11.0]),
            humidity: None,
            judged_h: 18.0,
            in_band_h: 9.0,
            outside_h: [9.0, 0.0, 0.0, 0.0],
            deficit_kpa: None,
        }],
        hours: vec![HourRow {
            at: at(1, 0),
            date: day(1),
            hour: 0,
            temperature: Some(8.125),
            humidity: None,
        }],
        margins: vec![(at(1, 0), 2.5)],
        apart: Vec::new(),
        outside: Outside::default(),
    };
    let mut responses = responses::responses(&History {
        from: at(1, 0).into(),
        to: at(2, 0).into(),
        calendar: &calendar,
        alerts: &[],
        acts: &[],
        messages: &[],
        entries: &[],
        forecasts: &[],
        forgotten: None,
        heard: &[],
    });
    responses.alerts.push(OneAlert {
        kind: AlertKind::Frost,
        subject: "room =cellar".into(),
        room: "=cellar".into(),
        priority: Priority::High,
        raised: at(1, 5),
        ended: None,
        hours: None,
        seen: Some(at(1, 6)),
        seen_after_min: Some(60.0),
        seen_by: Some("Odile".into()),
        answers: Vec::new(),
        after: Vec::new(),
    });
    let account = Account::of(
        About {
            form: 1,
            program: "overwinter 0.1.0".into(),
            store: "the barn".into(),
            winter: "2026-27".into(),
            altitude_m: 0.0,
            zone: "UTC".into(),
            first_day: day(1),
            end_day: day(2),
            from: at(1, 0),
            to: at(2, 0),
            over: true,
            chosen: false,
        },
        Conditions {
            record: Record {
                sensors: vec![sensor()],
                corrections: vec![InForce {
                    sensor: "north".into(),
                    from: at(1, 0),
                    until: None,
                    temperature_k: -0.5,
                    humidity_pct: 0.0,
                    why: "held in ice, \"twice\"".into(),
                    who: "Wendel".into(),
                    entered_at: at(1, 2),
                }],
                off: Vec::new(),
            },
            rooms: vec![room],
            crates: Vec::new(),
        },
        survival::losses(&[], period, |at| at.date_naive()),
        responses,
    );
    Data {
        account,
        trail: vec![Row {
            at: at(1, 6),
            who: "Odile".into(),
            what: "acknowledge".into(),
            about: "room cellar".into(),
            detail: "line one\nline two, with a comma".into(),
            change: None,
        }],
        trail_cut: false,
    }
}

#[test]
fn every_cell_has_its_column_and_is_of_its_kind() {
    let all = tables(&data());
    assert_eq!(all.iter().map(|t| t.name).collect::<Vec<_>>(), NAMES);
    for table in &all {
        let mut names: Vec<&str> = table.columns.iter().map(|c| c.name).collect();
        names.sort_unstable();
        names.dedup();
        assert_eq!(
            names.len(),
            table.columns.len(),
            "{}: names twice",
            table.name
        );
        for row in &table.rows {
            assert_eq!(row.len(), table.columns.len(), "{}", table.name);
            for (cell, column) in row.iter().zip(table.columns) {
                let fits = match cell {
                    Cell::Empty => true,
                    Cell::Text(_) => column.kind == Kind::Text,
                    Cell::Number(_) | Cell::Whole(_) => column.kind == Kind::Number,
                    Cell::Instant(_) => column.kind == Kind::Instant,
                    Cell::Day(_) => column.kind == Kind::Day,
                    Cell::YesNo(_) => column.kind == Kind::YesNo,
                };
                assert!(fits, "{}: {} holds {cell:?}", table.name, column.name);
            }
        }
    }
}

/// What a reader of CSV gets back, by the name of its column.
fn read(name: &str, column: &str) -> Vec<String> {
    let all = tables(&data());
    let table = all.iter().find(|t| t.name == name).unwrap();
    let csv = table.csv();
    let mut reader = csv::Reader::from_reader(csv.as_bytes());
    let place = reader.headers().unwrap().iter().position(|h| h == column);
    let place = place.unwrap_or_else(|| panic!("{name} has no {column}"));
    (reader.records())
        .map(|row| row.unwrap()[place].to_owned())
        .collect()
}

#[test]
fn numbers_and_instants_come_back_and_nothing_is_a_formula() {
    assert_eq!(read("days", "temperature_low_c"), ["-0.5"]);
    assert_eq!(read("days", "humidity_mean_pct"), [""]);
    assert_eq!(read("days", "cold_h"), ["9"]);
    assert_eq!(read("days", "room"), ["'=cellar"]);
    assert_eq!(read("hours", "at"), ["2026-12-01T00:00:00Z"]);
    assert_eq!(read("sensors", "covered_pct"), ["75"]);
    assert_eq!(read("sensors", "judged_h"), [""]);
    assert_eq!(read("corrections", "why"), ["held in ice, \"twice\""]);
    assert_eq!(read("corrections", "temperature_k"), ["-0.5"]);
    assert_eq!(read("alerts", "kind"), ["frost"]);
    assert_eq!(read("alerts", "seen_after_min"), ["60"]);
    assert_eq!(read("losses", "lost_pct"), [""], "none at risk");
    assert_eq!(
        read("trail", "detail"),
        ["line one\nline two, with a comma"]
    );
}

#[test]
fn notes_tell_what_the_table_is_of() {
    let data = data();
    let notes = notes(&data, "abc");
    assert_eq!(notes["zone"], "UTC");
    assert_eq!(notes["first_day"], "2026-12-01");
    assert_eq!(notes["last_day"], "2026-12-01");
    assert_eq!(notes["coverage"][0]["on_record_pct"], 75.0);
    assert_eq!(notes["corrections"][0]["sensor"], "north");
    assert_eq!(notes["data_sha256"], "abc");
    let all = tables(&data);
    let (csv, described) = with_description(&all[0], &notes);
    assert_eq!(described["url"], "days.csv");
    assert_eq!(described["notes"][0]["csv_sha256"], sha256_hex(&csv));
    let columns = described["tableSchema"]["columns"].as_array().unwrap();
    assert_eq!(columns.len(), all[0].columns.len());
    assert!(
        columns
            .iter()
            .all(|c| c["dc:description"].as_str() != Some(""))
    );
}

#[test]
fn sides_of_an_excursion_keep_to_their_unit() {
    let mut data = data();
    let mut excursion = Excursion {
        sensor: "north".into(),
        room: "cellar".into(),
        side: Side::Cold,
        from: at(1, 4),
        to: at(1, 6),
        hours: 2.0,
        peak: At {
            value: -0.5,
            at: at(1, 5),
        },
        area: 3.0,
        after_gap: true,
        before_gap: false,
        crates: vec!["A-01".into(), "A-02".into()],
    };
    let row = |data: &Data| {
        let table = air::excursions(&data.account);
        let cells = table.rows[0].iter().map(Cell::text).collect::<Vec<_>>();
        let of = |name: &str| table.columns.iter().position(|c| c.name == name).unwrap();
        ["peak_c", "peak_pct", "area_k_h", "area_pct_h", "crates"].map(|n| cells[of(n)].clone())
    };
    let judged = |excursion: Excursion| {
        let side = |side| crate::season::conditions::SideHours {
            side,
            hours: 0.0,
            sure_h: 0.0,
            area: 0.0,
            excursions: 0,
            longest_h: 0.0,
            worst: None,
        };
        crate::season::conditions::Against {
            bands: Vec::new(),
            judged_h: 0.0,
            in_band_h: 0.0,
            temperature_h: [0.0; 2],
            humidity_h: [0.0; 2],
            sides: Side::ALL.map(side),
            excursions: vec![excursion],
        }
    };
    data.account.conditions.record.sensors[0].against = Some(judged(excursion.clone()));
    assert_eq!(row(&data), ["-0.5", "", "3", "", "A-01 A-02"]);
    excursion.side = Side::Damp;
    excursion.peak.value = 95.0;
    data.account.conditions.record.sensors[0].against = Some(judged(excursion));
    assert_eq!(row(&data), ["", "95", "", "3", "A-01 A-02"]);
}
