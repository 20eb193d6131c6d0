//! Where sensors count, and while: set up later, taken out, put elsewhere, slow, or without humidity.

use std::sync::Arc;

use chrono::NaiveDate;

use super::*;
use crate::{
    season::{
        calendar::LocalDay,
        folding::{Folding, Vapour},
        sheet::Sheet,
        yardstick::Yardstick,
    },
    watch::{
        Act, Arrives, Limits, RoomSettings, SensorId, SensorName, SensorSettings, Settings, Values,
        reading::{HOUR_MS, MINUTE_MS},
    },
};

const DAY_MS: i64 = 24 * HOUR_MS;

fn on(day: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, 11, day).unwrap()
}

fn at(day: u32, hour: i64) -> Stamp {
    let midnight = on(day).and_hms_opt(0, 0, 0).unwrap().and_utc();
    Stamp::from(midnight).plus(hour * HOUR_MS)
}

fn sensor(id: u32, name: &str, room: &str) -> SensorSettings {
    SensorSettings {
        id: SensorId(id),
        name: SensorName::new(name).unwrap(),
        room: room.into(),
        role: Role::Air,
        crate_code: None,
        interval_ms: 10 * MINUTE_MS,
        arrives: Arrives::Live,
        near: None,
        accuracy: None,
        checked: None,
    }
}

fn probe(id: u32, name: &str, code: &str) -> SensorSettings {
    SensorSettings {
        role: Role::Crate,
        crate_code: Some(code.into()),
        ..sensor(id, name, "cellar")
    }
}

fn settings(sensors: Vec<SensorSettings>) -> Act {
    Act::Settings(Settings {
        rooms: ["cellar", "barn"]
            .map(|room| RoomSettings::storing(room, Limits::default()))
            .to_vec(),
        sensors,
        ..Settings::default()
    })
}

/// From one instant to before another, C; at 80 % until the eighth.
type Said = (Stamp, Stamp, i32);

/// A reading every ten minutes.
fn sheets(yardstick: &Arc<Yardstick>, said: &[Said]) -> Vec<Result<(LocalDay, Sheet), ()>> {
    let calendar = Calendar::new(chrono_tz::UTC);
    let mut folding = Folding::new(yardstick.clone(), calendar);
    let (mut vapour, mut all) = (Vapour::default(), Vec::new());
    for (from, to, c) in said {
        let mut now = *from;
        while now < *to {
            let values = Values {
                temperature_mc: Some(c * 1000),
                humidity_mpct: Some(80_000).filter(|_| now < at(8, 0)),
                battery_pct: None,
            };
            let mut done = |day, sheet| all.push(Ok((day, sheet)));
            folding.push(now, values, &mut vapour, &mut done).unwrap();
            now = now.plus(10 * MINUTE_MS);
        }
    }
    folding.finish(&mut vapour, &mut |day, sheet| all.push(Ok((day, sheet))));
    all
}

/// Ten days of November by these acts; what each sensor says comes in order.
fn conditions(acts: Vec<(i64, Act)>, said: &[(u32, Said)], until: Stamp) -> Conditions {
    let calendar = Calendar::new(chrono_tz::UTC);
    let acts = acts.into_iter().map(|(at, act)| (Stamp(at), act));
    let yardsticks = Yardsticks::of(acts, &[]);
    let period = Period {
        from: on(1),
        to: on(11),
    };
    let mut gathered = Gathered::new(&calendar, period, until);
    for (id, yardstick) in &yardsticks.0 {
        let own = said.iter().filter(|(of, _)| *of == id.0);
        let own: Vec<Said> = own.map(|(_, said)| *said).collect();
        gathered.sensor(yardstick, sheets(yardstick, &own)).unwrap();
    }
    gathered.finish(&calendar, &yardsticks, &[], &[])
}

#[test]
fn a_sensor_that_came_later_or_was_taken_out_before_is_not_missed() {
    let north = || sensor(1, "north", "cellar");
    let acts = vec![
        (
            at(1, 0).0 - 9 * DAY_MS,
            settings(vec![north(), sensor(2, "gone", "cellar")]),
        ),
        (at(1, 0).0 - DAY_MS, settings(vec![north()])),
        (
            at(6, 0).0,
            settings(vec![north(), sensor(3, "half", "cellar")]),
        ),
        (
            at(20, 0).0,
            settings(vec![north(), sensor(4, "new", "cellar")]),
        ),
    ];
    let said = [(1, (at(1, 0), at(11, 0), 6)), (3, (at(5, 0), at(11, 0), 6))];
    let of = conditions(acts, &said, at(30, 0));
    let seen: Vec<_> = (of.record.sensors.iter())
        .map(|s| (s.sensor.as_str(), s.span_h, s.covered_h, s.gaps.count))
        .collect();
    // What a sensor said before it was set up counts, and is not asked for.
    assert_eq!(
        seen,
        [("half", 144.0, 144.0, 0), ("north", 240.0, 240.0, 0)]
    );
    let cellar = &of.rooms[0];
    assert_eq!((cellar.span_h, cellar.covered_h), (384.0, 384.0));
}

#[test]
fn a_sensor_that_was_put_elsewhere_counts_where_it_stood() {
    let acts = vec![
        (0, settings(vec![sensor(1, "north", "cellar")])),
        (at(4, 0).0, settings(vec![sensor(1, "north", "barn")])),
    ];
    let said = [(1, (at(1, 0), at(4, 0), 1)), (1, (at(4, 0), at(11, 0), 6))];
    let of = conditions(acts, &said, at(30, 0));
    let cold = |s: &SensorWinter| s.against.as_ref().map(|a| a.sides[0].hours);
    let seen: Vec<_> = (of.record.sensors.iter())
        .map(|s| (s.room.as_str(), s.span_h, s.covered_h, cold(s)))
        .collect();
    assert_eq!(
        seen,
        [
            ("barn", 168.0, 168.0, Some(0.0)),
            ("cellar", 72.0, 72.0, Some(72.0))
        ]
    );
    let excursions = of
        .record
        .air("cellar")
        .flat_map(|s| &s.against.as_ref().unwrap().excursions);
    assert_eq!(
        excursions.map(|e| e.room.as_str()).collect::<Vec<_>>(),
        ["cellar"]
    );
    let rooms: Vec<_> = of
        .rooms
        .iter()
        .map(|r| (r.room.as_str(), r.span_h, r.covered_h))
        .collect();
    assert_eq!(rooms, [("barn", 168.0, 168.0), ("cellar", 72.0, 72.0)]);
}

#[test]
fn a_probe_that_was_put_into_another_crate_speaks_for_that() {
    let acts = vec![
        (0, settings(vec![probe(1, "needle", "A-1")])),
        (at(4, 0).0, settings(vec![probe(1, "needle", "A-2")])),
    ];
    let calendar = Calendar::new(chrono_tz::UTC);
    let yardsticks = Yardsticks::of(acts.into_iter().map(|(at, act)| (Stamp(at), act)), &[]);
    let period = Period {
        from: on(1),
        to: on(11),
    };
    let mut gathered = Gathered::new(&calendar, period, at(30, 0));
    let yardstick = &yardsticks.0[&SensorId(1)];
    gathered
        .sensor(yardstick, sheets(yardstick, &[(at(1, 0), at(11, 0), 5)]))
        .unwrap();
    let known: Vec<_> = (gathered.probes())
        .map(|p| (p.code.as_str(), p.bins.iter().flatten().count()))
        .collect();
    assert_eq!(known, [("A-1", 3 * 144), ("A-2", 7 * 144)]);
}

#[test]
fn what_a_slow_sensor_said_is_not_counted_for_days_that_have_not_begun() {
    let slow = SensorSettings {
        interval_ms: DAY_MS,
        arrives: Arrives::Batches,
        ..sensor(1, "slow", "cellar")
    };
    let of = conditions(
        vec![(0, settings(vec![slow]))],
        &[(1, (at(1, 0), at(2, 0), 6))],
        at(2, 12),
    );
    let s = &of.record.sensors[0];
    assert_eq!((s.span_h, s.covered_h, s.gaps.count), (36.0, 36.0, 0));
    let days = &of.rooms[0].days;
    assert_eq!((days.len(), days[1].covered_h), (2, 12.0));
}

#[test]
fn a_room_is_judged_as_its_sensors_are() {
    // Its humidity failed on the eighth: what is known of the temperature alone is not within the band.
    let acts = vec![(0, settings(vec![sensor(1, "north", "cellar")]))];
    let of = conditions(acts, &[(1, (at(1, 0), at(11, 0), 6))], at(30, 0));
    let against = of.record.sensors[0].against.as_ref().unwrap();
    let room = &of.rooms[0];
    let same = |a: f64, b: f64| assert!((a - b).abs() < 1e-9, "{a} and {b}");
    same(room.judged_h, against.judged_h);
    same(room.in_band_h, against.in_band_h);
}
