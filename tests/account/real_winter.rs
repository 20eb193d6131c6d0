//! A measured winter, summed by the program and by `independent.py`, which was written from the
//! definitions alone; `independent.json` is what the latter printed.

use std::{
    collections::BTreeMap,
    fs,
    path::{Path, PathBuf},
    sync::Arc,
};

use chrono::{DateTime, NaiveDateTime};
use overwinter::{
    climate::{Air, Celsius, RelativeHumidity, drying::deficit_kpa},
    season::{
        body::Body,
        calendar::{Calendar, LocalDay},
        conditions::{Excursion, Gathering, Quantity, SensorWinter},
        folding::{Folding, Vapour},
        sheet::{Sheet, TEN_MS},
        yardstick::{Correction, Yardstick, Yardsticks, in_use},
    },
    watch::{
        Act, Arrives, Band, Limits, Role, RoomSettings, SensorId, SensorName, SensorSettings,
        Settings, Stage, Stamp, Values,
        act::Staged,
        reading::{HOUR_MS, MINUTE_MS},
    },
};
use serde_json::Value;

/// TRH-database and Finnish Meteorological Institute, CC BY 4.0 (see `tests/data/ORIGIN.md`).
const ROOM: &str = "room_indoor_10min_2020-12_2021-05.csv";
const OUTDOOR: &str = "outdoor_10min_2020-12_2021-05.csv";
/// What the program rounds to thousandths may be half of one off.
const ROUNDED: f64 = 0.000_501;
/// What it sums in whole numbers is only rounded where it is printed.
const SUMMED: f64 = 1e-6;

type Readings = Vec<(Stamp, Values)>;

pub(crate) fn file(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests")
        .join(name)
}

pub(crate) fn independent() -> Value {
    serde_json::from_str(&fs::read_to_string(file("account/independent.json")).unwrap()).unwrap()
}

fn calendar() -> Calendar {
    Calendar::new(chrono_tz::Europe::Helsinki)
}

fn at(text: &str) -> Stamp {
    Stamp(
        DateTime::parse_from_rfc3339(text)
            .unwrap()
            .timestamp_millis(),
    )
}

// ---- readings ----

/// "-0.40" and the like, two digits after the point, to thousandths.
fn thousandths(cell: &str) -> i32 {
    let (whole, parts) = cell.split_once('.').unwrap();
    assert_eq!(parts.len(), 2, "{cell}");
    let digits: i32 = format!("{whole}{parts}").parse().unwrap();
    digits * 10
}

/// A measured series; its time is UTC+2 throughout.
fn measured(name: &str) -> Readings {
    let text = fs::read_to_string(file("data").join(name)).unwrap();
    let row = |line: &str| {
        let cells: Vec<&str> = line.split(',').collect();
        let local = NaiveDateTime::parse_from_str(cells[0], "%Y-%m-%d %H:%M:%S").unwrap();
        let values = Values {
            temperature_mc: Some(thousandths(cells[1])),
            humidity_mpct: Some(thousandths(cells[2])),
            battery_pct: None,
        };
        (
            Stamp(local.and_utc().timestamp_millis() - 2 * HOUR_MS),
            values,
        )
    };
    text.lines().skip(1).map(row).collect()
}

/// Made irregular by the rule that `thinned` in `independent.py` states.
fn thinned(readings: &Readings) -> Readings {
    let gaps = [
        ("2021-01-10T03:20:00+02:00", "2021-01-10T10:20:00+02:00"),
        ("2021-02-19T20:00:00+02:00", "2021-02-21T03:00:00+02:00"),
        ("2021-03-27T22:40:00+02:00", "2021-03-28T07:40:00+02:00"),
    ]
    .map(|(from, to)| (at(from), at(to)));
    let mut x: i64 = 2020;
    let mut kept = Vec::new();
    for (measured, values) in readings {
        x = (1_103_515_245 * x + 12_345) % (1 << 31);
        let moved = measured.plus((x >> 4) % 480_001 - 240_000);
        if (x >> 16) % 8 < 3 || gaps.iter().any(|(a, b)| *a <= moved && moved < *b) {
            continue;
        }
        let mut values = *values;
        match (x >> 20) % 16 {
            0 => values.humidity_mpct = None,
            1 => values.temperature_mc = None,
            _ => {}
        }
        kept.push((moved, values));
    }
    kept
}

// ---- what they are held against ----

fn sensor(id: u32, name: &str) -> SensorSettings {
    SensorSettings {
        id: SensorId(id),
        name: SensorName::new(name).unwrap(),
        room: "store".into(),
        role: Role::Air,
        crate_code: None,
        interval_ms: 10 * MINUTE_MS,
        arrives: Arrives::Live,
        near: None,
        accuracy: Some((0.5, 3.0)),
        checked: None,
    }
}

/// Stages as a person would enter them, with the bands that the case states; a stage is a band here.
fn yardstick(stages: &[(Stamp, Option<Band>)], corrections: &[Correction]) -> Arc<Yardstick> {
    let names = [Stage::Storing, Stage::Curing, Stage::Waking];
    let mut bands: Vec<Band> = Vec::new();
    let mut acts = Vec::new();
    for (since, band) in stages {
        let stage = band.map_or(Stage::Empty, |band| {
            let known = bands.iter().position(|b| *b == band);
            names[known.unwrap_or_else(|| {
                bands.push(band);
                bands.len() - 1
            })]
        });
        acts.push((*since, stage));
    }
    let limits = |band: Band| Limits {
        band,
        ..Limits::default()
    };
    let room = RoomSettings {
        stage: acts[0].1,
        stages: (bands.iter().zip(names))
            .map(|(band, stage)| (stage, limits(*band)))
            .collect(),
        ..RoomSettings::storing("store", limits(bands[0]))
    };
    let settings = Settings {
        rooms: vec![room],
        sensors: vec![sensor(1, "by-the-door")],
        ..Settings::default()
    };
    let first = (acts[0].0, Act::Settings(settings));
    let later = acts.into_iter().skip(1).map(|(since, stage)| {
        let room = "store".into();
        (since, Act::Stage(Staged { room, stage }))
    });
    let mut all = Yardsticks::of(std::iter::once(first).chain(later), corrections);
    all.0.remove(&SensorId(1)).unwrap()
}

fn corrections() -> Vec<Correction> {
    let correction = |from, temperature_mk, humidity_mpct| Correction {
        sensor: SensorName::new("by-the-door").unwrap(),
        from: at(from),
        temperature_mk,
        humidity_mpct,
        why: "beside salt".into(),
        who: "Odile".into(),
        entered_at: at("2021-05-17T00:00:00+03:00"),
    };
    vec![
        correction("2021-02-01T00:00:00+02:00", 400, -3000),
        correction("2021-03-15T00:00:00+02:00", -250, 1500),
    ]
}

/// The stages of a case, as the other side states them.
fn stages(case: &Value) -> Vec<(Stamp, Option<Band>)> {
    let stage = |stage: &Value| {
        let since = stage["since"].as_str().map_or(Stamp(0), at);
        let band = stage["band"].as_array().map(|b| {
            let [low_c, high_c, low_pct, high_pct] = [0, 1, 2, 3].map(|i| b[i].as_f64().unwrap());
            let stated = Band {
                low_c,
                high_c,
                low_pct,
                high_pct,
            };
            let own = Band::default();
            let near = |a: f64, b: f64| (a - b).abs() < 1e-6;
            // The program's own band in full, where it is meant.
            let meant = near(low_c, own.low_c) && near(high_c, own.high_c);
            if meant { own } else { stated }
        });
        (since, band)
    };
    case["stages"]
        .as_array()
        .unwrap()
        .iter()
        .map(stage)
        .collect()
}

// ---- the program's side ----

struct Winter {
    period: (Stamp, Stamp),
    days: Vec<(LocalDay, Sheet)>,
    figures: SensorWinter,
    body: Body,
}

fn sheets(yardstick: &Arc<Yardstick>, readings: &Readings) -> Vec<(LocalDay, Sheet)> {
    let mut days = Vec::new();
    let mut done = |day: LocalDay, sheet: Sheet| {
        // As it is kept and read again.
        days.push((day, Sheet::decode(&sheet.encode()).unwrap()));
    };
    let mut vapour = Vapour::default();
    let mut folding = Folding::new(yardstick.clone(), calendar());
    for (at, values) in readings {
        folding.push(*at, *values, &mut vapour, &mut done).unwrap();
    }
    folding.finish(&mut vapour, &mut done);
    days
}

fn summed(yardstick: &Arc<Yardstick>, readings: &Readings) -> Winter {
    let (first, last) = (readings[0].0, readings[readings.len() - 1].0);
    let period = (calendar().day_of(first).from, calendar().day_of(last).to);
    let days = sheets(yardstick, readings);
    let mut gathering = Gathering::new(yardstick, period.0, period.1);
    let mut body = Body::new(all_days(period));
    let says = |sheet: &Sheet| sheet.hours.iter().any(|h| h.humidity.ms != 0);
    let humid = days.iter().any(|(_, sheet)| says(sheet));
    for (day, sheet) in &days {
        gathering.add(day, sheet);
        body.add(day, sheet, humid);
    }
    for day in all_days(period) {
        body.expect(&day, in_use(yardstick, day.from, day.to).0);
    }
    Winter {
        period,
        figures: gathering.finish(),
        days,
        body,
    }
}

fn all_days((from, to): (Stamp, Stamp)) -> Vec<LocalDay> {
    let mut days = Vec::new();
    let mut day = calendar().day_of(from);
    while day.from < to {
        days.push(day);
        day = calendar().day_of(day.to);
    }
    days
}

/// What the air of a crate would have drawn, from means of ten minutes: bins and kPa day.
fn drawn(body: &Body) -> (u64, f64, f64, f64) {
    let (mut bins, mut dose, mut t_sum, mut rh_sum) = (0, 0.0, 0.0, 0.0);
    for (t, rh) in body.tens().into_iter().flatten() {
        let Some(rh) = rh else { continue };
        bins += 1;
        t_sum += t;
        rh_sum += rh;
        let air = Air::new(Celsius::new(t).unwrap(), RelativeHumidity::new(rh).unwrap());
        dose += deficit_kpa(air) * TEN_MS as f64 / (24 * HOUR_MS) as f64;
    }
    let n = bins as f64;
    (bins, t_sum / n, rh_sum / n, dose)
}

// ---- side by side ----

/// Hours for which a quantity is known; none where it was never told.
fn known(quantity: &Value) -> Value {
    if quantity.is_null() {
        return 0.0.into();
    }
    quantity["covered_h"].clone()
}

#[derive(Default)]
struct Comparison {
    compared: usize,
    faults: Vec<String>,
}

impl Comparison {
    fn near(&mut self, what: &str, ours: f64, theirs: &Value, within: f64) {
        self.compared += 1;
        let close = theirs.as_f64().is_some_and(|t| (t - ours).abs() <= within);
        if !close {
            self.faults
                .push(format!("{what}: {ours}, apart from it {theirs}"));
        }
    }

    fn rounded(&mut self, what: &str, ours: f64, theirs: &Value) {
        self.near(what, ours, theirs, ROUNDED);
    }

    fn maybe(&mut self, what: &str, ours: Option<f64>, theirs: &Value) {
        match ours {
            Some(ours) => self.rounded(what, ours, theirs),
            None => self.same(
                what,
                "nothing",
                if theirs.is_null() {
                    "nothing"
                } else {
                    "a value"
                },
            ),
        }
    }

    #[allow(
        clippy::needless_pass_by_value,
        reason = "both are made for the comparison"
    )]
    fn same<T: PartialEq + std::fmt::Debug>(&mut self, what: &str, ours: T, theirs: T) {
        self.compared += 1;
        if ours != theirs {
            self.faults
                .push(format!("{what}: {ours:?}, apart from it {theirs:?}"));
        }
    }

    fn instant(&mut self, what: &str, ours: Option<Stamp>, theirs: &Value) {
        self.same(what, ours, theirs.as_str().map(at));
    }

    fn quantity(&mut self, what: &str, ours: Option<&Quantity>, theirs: &Value) {
        let Some(ours) = ours else {
            return self.same(what, true, theirs.is_null());
        };
        self.rounded(
            &format!("{what} covered"),
            ours.covered_h,
            &theirs["covered_h"],
        );
        self.rounded(&format!("{what} mean"), ours.mean, &theirs["mean"]);
        self.near(&format!("{what} low"), ours.low.value, &theirs["low"], 1e-9);
        self.near(
            &format!("{what} high"),
            ours.high.value,
            &theirs["high"],
            1e-9,
        );
        self.instant(
            &format!("{what} low at"),
            Some(ours.low.at.into()),
            &theirs["low_at"],
        );
        self.instant(
            &format!("{what} high at"),
            Some(ours.high.at.into()),
            &theirs["high_at"],
        );
    }

    fn excursion(&mut self, what: &str, ours: &Excursion, theirs: &Value) {
        self.instant(
            &format!("{what} from"),
            Some(ours.from.into()),
            &theirs["from"],
        );
        self.instant(&format!("{what} to"), Some(ours.to.into()), &theirs["to"]);
        self.rounded(&format!("{what} hours"), ours.hours, &theirs["hours"]);
        self.rounded(&format!("{what} area"), ours.area, &theirs["area"]);
        self.near(
            &format!("{what} peak"),
            ours.peak.value,
            &theirs["peak"],
            1e-9,
        );
        self.instant(
            &format!("{what} peak at"),
            Some(ours.peak.at.into()),
            &theirs["peak_at"],
        );
        let edges = |v: &Value| (v["after_gap"].as_bool(), v["before_gap"].as_bool());
        let own = (Some(ours.after_gap), Some(ours.before_gap));
        self.same(
            &format!("{what} after and before a gap"),
            own,
            edges(theirs),
        );
    }

    fn winter(&mut self, case: &str, ours: &Winter, theirs: &Value) {
        let f = &ours.figures;
        let of = |what: &str| format!("{case}: {what}");
        self.instant(
            &of("period from"),
            Some(ours.period.0),
            &theirs["period"][0],
        );
        self.instant(&of("period to"), Some(ours.period.1), &theirs["period"][1]);
        self.rounded(&of("span"), f.span_h, &theirs["span_h"]);
        self.rounded(&of("covered"), f.covered_h, &theirs["either_covered_h"]);
        self.rounded(&of("both covered"), f.both_h, &theirs["both_covered_h"]);
        self.quantity(&of("temperature"), f.temperature.as_ref(), &theirs["t"]);
        self.quantity(&of("humidity"), f.humidity.as_ref(), &theirs["rh"]);
        self.rounded(&of("dose"), f.dose_kpa_day, &theirs["deficit_dose_kpa_day"]);
        if let Some(spread) = f.spread_low_k {
            self.near(
                &of("spread"),
                spread.value,
                &theirs["least_spread_k"],
                0.001_1,
            );
        }
        let spread_at = f.spread_low_k.map(|s| s.at.into());
        self.instant(&of("spread at"), spread_at, &theirs["least_spread_at"]);
        let gaps = &theirs["gaps"]["neither"]["in_period"];
        self.same(
            &of("gaps"),
            Some(f.gaps.count.into()),
            gaps["count"].as_u64(),
        );
        self.rounded(&of("gaps in all"), f.gaps.hours, &gaps["total_h"]);
        self.rounded(&of("longest gap"), f.gaps.longest_h, &gaps["longest_h"]);
        let longest = f.gaps.longest_from.map(Stamp::from);
        self.instant(&of("longest gap from"), longest, &gaps["longest_from"]);
        let against = f.against.as_ref().unwrap();
        // Every reading has a band here, but for empty time, which counts for nothing.
        let (t, rh) = (known(&theirs["t"]), known(&theirs["rh"]));
        let humid = theirs["rh"].is_object();
        let judged = if humid { &theirs["both_covered_h"] } else { &t };
        self.rounded(&of("judged"), against.judged_h, judged);
        self.rounded(&of("temperature judged"), against.temperature_h[0], &t);
        self.rounded(&of("humidity judged"), against.humidity_h[0], &rh);
        self.rounded(&of("in band"), against.in_band_h, &theirs["in_band_h"]);
        for side in &against.sides {
            let word = format!("{:?}", side.side).to_lowercase();
            let of = |what: &str| format!("{case}: {word} {what}");
            let theirs = &theirs["sides"][&word];
            self.same(
                &of("count"),
                Some(side.excursions.into()),
                theirs["count"].as_u64(),
            );
            self.rounded(&of("hours"), side.hours, &theirs["hours"]);
            self.rounded(&of("sure hours"), side.sure_h, &theirs["sure_hours"]);
            self.rounded(&of("area"), side.area, &theirs["area"]);
            let own = against.excursions.iter().filter(|e| e.side == side.side);
            let own: Vec<&Excursion> = own.collect();
            let none = Vec::new();
            let largest = theirs["largest"].as_array().unwrap_or(&none);
            self.same(&of("told one by one"), own.len(), largest.len());
            for (i, (own, theirs)) in own.iter().zip(largest).enumerate() {
                self.excursion(&of(&format!("no. {i}")), own, theirs);
            }
            if let Some(worst) = side.worst {
                self.near(&of("worst"), worst.value, &theirs["peak"], 1e-9);
                self.instant(&of("worst at"), Some(worst.at.into()), &theirs["peak_at"]);
                self.rounded(&of("longest"), side.longest_h, &theirs["longest"]["hours"]);
            }
        }
        self.sums(case, &ours.days, theirs);
        self.days(case, &ours.body, theirs);
        self.carpet(case, &ours.body, &theirs["carpet_thousandths"]);
        self.drawn(case, &ours.body, &theirs["air_of_a_crate"]);
    }

    /// Whole numbers as the sheets keep them, before anything is rounded.
    fn sums(&mut self, case: &str, days: &[(LocalDay, Sheet)], theirs: &Value) {
        let hours = |of: &dyn Fn(&Sheet) -> i64| {
            days.iter().map(|(_, s)| of(s)).sum::<i64>() as f64 / HOUR_MS as f64
        };
        let of = |what: &str| format!("{case}: sum of {what}");
        let t = |s: &Sheet| s.hours.iter().map(|h| h.temperature.ms).sum();
        let rh = |s: &Sheet| s.hours.iter().map(|h| h.humidity.ms).sum();
        self.near(
            &of("temperature"),
            hours(&t),
            &theirs["t"]["covered_h"],
            SUMMED,
        );
        self.near(&of("humidity"), hours(&rh), &known(&theirs["rh"]), SUMMED);
        let humid = theirs["rh"].is_object();
        let inside = |s: &Sheet| {
            let alone = s.judged.temperature_in_ms;
            if humid { s.judged.both_in_ms } else { alone }
        };
        self.near(&of("in band"), hours(&inside), &theirs["in_band_h"], SUMMED);
        let deficit = |s: &Sheet| s.hours.iter().map(|h| h.deficit).sum();
        let dose = hours(&deficit) / 24.0 / 1e6;
        self.near(
            &of("deficit"),
            dose,
            &theirs["deficit_dose_kpa_day"],
            SUMMED,
        );
        for (i, word) in ["cold", "warm", "dry", "damp"].into_iter().enumerate() {
            let theirs = &theirs["sides"][word];
            self.near(
                &of(word),
                hours(&|s| s.judged.out_ms[i]),
                &theirs["hours"],
                SUMMED,
            );
            let area = hours(&|s| s.judged.area[i]) / 1000.0;
            self.near(&of(&format!("{word} area")), area, &theirs["area"], SUMMED);
        }
    }

    fn days(&mut self, case: &str, ours: &Body, theirs: &Value) {
        let (own, rows) = (ours.days(), theirs["days"].as_array().unwrap());
        self.same(&format!("{case}: days"), own.len(), rows.len());
        for (own, row) in own.iter().zip(rows) {
            let of = |what: &str| format!("{case}: {} {what}", own.date);
            let date = own.date.to_string();
            self.same(&of("date"), Some(date.as_str()), row["date"].as_str());
            let axes = [(own.temperature, "t"), (own.humidity, "rh")];
            for (three, axis) in axes {
                for (i, word) in ["mean", "low", "high"].into_iter().enumerate() {
                    self.maybe(
                        &of(&format!("{axis} {word}")),
                        three.map(|v| v[i]),
                        &row[axis][word],
                    );
                }
            }
            self.rounded(&of("in band"), own.in_band_h, &row["in_band_h"]);
        }
    }

    fn carpet(&mut self, case: &str, ours: &Body, theirs: &Value) {
        if theirs.is_null() {
            return;
        }
        let mut places: BTreeMap<String, usize> = BTreeMap::new();
        for hour in ours.hours(&calendar()) {
            let date = hour.date.to_string();
            let place = places.entry(date.clone()).or_default();
            for (own, axis) in [(hour.temperature, "t"), (hour.humidity, "rh")] {
                let theirs = &theirs[axis][&date][*place];
                let theirs = theirs.as_f64().map_or(Value::Null, |v| (v / 1000.0).into());
                let what = format!("{case}: {date} {axis} in hour {place}");
                match own {
                    // Both are rounded.
                    Some(own) => self.near(&what, own, &theirs, 0.000_6),
                    None => self.same(&what, true, theirs.is_null()),
                }
            }
            *place += 1;
        }
        for (date, row) in theirs["t"].as_object().unwrap() {
            let (own, other) = (places.get(date).copied(), row.as_array().unwrap().len());
            self.same(&format!("{case}: hours of {date}"), own, Some(other));
        }
    }

    fn drawn(&mut self, case: &str, ours: &Body, theirs: &Value) {
        let (bins, t, rh, dose) = drawn(ours);
        let of = |what: &str| format!("{case}: air of a crate, {what}");
        self.same(&of("bins"), bins, theirs["bins"].as_u64().unwrap_or(0));
        if bins == 0 {
            return;
        }
        self.rounded(&of("temperature"), t, &theirs["mean_t"]);
        self.rounded(&of("humidity"), rh, &theirs["mean_rh"]);
        self.rounded(&of("dose"), dose, &theirs["dose_of_whole_bins_kpa_day"]);
    }

    fn end(self, at_least: usize) {
        let n = self.faults.len();
        let shown = self.faults[..n.min(60)].join("\n");
        assert_eq!(n, 0, "of {} figures {n} differ:\n{shown}", self.compared);
        assert!(at_least <= self.compared, "only {} compared", self.compared);
    }
}

fn case(name: &str, readings: &Readings, corrections: &[Correction], at_least: usize) {
    let all = independent();
    let theirs = &all["cases"][name];
    let winter = summed(&yardstick(&stages(theirs), corrections), readings);
    let mut comparison = Comparison::default();
    comparison.winter(name, &winter, theirs);
    comparison.end(at_least);
}

#[test]
fn as_measured() {
    case("a_as_measured", &measured(ROOM), &[], 8_500);
}

#[test]
fn irregular_with_gaps() {
    case("b_thinned", &thinned(&measured(ROOM)), &[], 8_500);
}

#[test]
fn irregular_and_corrected() {
    case(
        "c_thinned_corrected",
        &thinned(&measured(ROOM)),
        &corrections(),
        1_200,
    );
}

#[test]
fn three_bands() {
    case(
        "d_thinned_three_bands",
        &thinned(&measured(ROOM)),
        &[],
        1_200,
    );
}

#[test]
fn frost_and_fog() {
    case("e_outdoor", &measured(OUTDOOR), &[], 1_200);
}

#[test]
fn three_bands_and_days_without_tubers() {
    case("f_three_bands_and_empty", &measured(ROOM), &[], 8_500);
}

#[test]
fn temperature_alone() {
    let mut room = measured(ROOM);
    for (_, values) in &mut room {
        values.humidity_mpct = None;
    }
    case("g_temperature_alone", &room, &[], 1_200);
}

#[test]
fn two_sensors_in_one_air() {
    let all = independent();
    let stages = stages(&all["cases"]["a_as_measured"]);
    let room = measured(ROOM);
    let (one, other) = (yardstick(&stages, &[]), yardstick(&stages, &corrections()));
    let first = summed(&one, &room);
    let mut body = Body::new(all_days(first.period));
    for (day, sheet) in first.days.iter().chain(&sheets(&other, &thinned(&room))) {
        body.add(day, sheet, true);
    }
    let mut comparison = Comparison::default();
    comparison.drawn("two sensors", &body, &all["two_sensors_in_one_air"]);
    comparison.end(4);
}
