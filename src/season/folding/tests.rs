//! Folding held against sums that are made the long way: one elementary stretch after the other, each
//! looked up in the whole list of readings.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;
use chrono_tz::{
    America::{New_York, Sao_Paulo},
    Asia::Kolkata,
    Atlantic::Azores,
    Australia::Lord_Howe,
    Europe::Berlin,
    Pacific::Apia,
    Tz, UTC,
};
use proptest::prelude::*;

use super::*;

mod plain;

use crate::{
    climate::{drying::deficit_kpa, tuber::SensorError},
    season::{
        excursion::{Excursion, join},
        sheet::{Hour, Sum},
        yardstick::Span,
    },
    watch::{
        Band, Correction, Role, SensorName,
        reading::{HOUR_MS, MINUTE_MS},
    },
};

const BAND: Band = Band {
    low_c: 5.0,
    high_c: 10.0,
    low_pct: 75.0,
    high_pct: 85.0,
};

#[derive(Debug, Clone)]
struct Case {
    calendar: Calendar,
    yardstick: Yardstick,
    readings: Vec<(i64, Values)>,
}

fn span(from: i64) -> Span {
    Span {
        from: Stamp(from),
        room: "cellar".into(),
        near: None,
        role: Role::Air,
        krate: None,
        interval_ms: 10 * MINUTE_MS,
        hold_ms: 30 * MINUTE_MS,
        band: Some(BAND),
        empty: false,
        out: false,
        error: SensorError::default(),
        set_up: true,
    }
}

fn yardstick(spans: Vec<Span>, corrections: Vec<(i64, i32, i32)>) -> Yardstick {
    let sensor = SensorName::new("north").unwrap();
    let corrections = corrections.into_iter().map(|(from, t, rh)| Correction {
        sensor: sensor.clone(),
        from: Stamp(from),
        temperature_mk: t,
        humidity_mpct: rh,
        why: "ice water".into(),
        who: "Odile".into(),
        entered_at: Stamp(from),
    });
    Yardstick {
        name: sensor.clone(),
        spans,
        corrections: corrections.collect(),
    }
}

fn values(t: Option<i32>, rh: Option<i32>) -> Values {
    Values {
        temperature_mc: t,
        humidity_mpct: rh,
        battery_pct: None,
    }
}

fn on(y: i32, m: u32, d: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(y, m, d).unwrap()
}

/// Nights on which a clock was changed, and one on which none was.
fn night() -> impl Strategy<Value = (Tz, NaiveDate)> {
    prop::sample::select(vec![
        (UTC, on(2026, 12, 1)),
        (Berlin, on(2026, 10, 25)),
        (Berlin, on(2026, 3, 29)),
        (New_York, on(2026, 11, 1)),
        (New_York, on(2026, 3, 8)),
        (Lord_Howe, on(2026, 4, 5)),
        (Lord_Howe, on(2026, 10, 4)),
        (Sao_Paulo, on(2018, 11, 4)),
        (Sao_Paulo, on(2018, 2, 17)),
        (Azores, on(2026, 10, 25)),
        (Kolkata, on(2026, 12, 1)),
        (Apia, on(2011, 12, 31)),
    ])
}

/// How far to the next reading: mostly an interval, now and then hardly any time or half a day.
fn step() -> impl Strategy<Value = i64> {
    prop_oneof![
        6 => Just(10 * MINUTE_MS),
        2 => Just(30 * MINUTE_MS),
        2 => 1..40 * MINUTE_MS,
        1 => Just(1),
        1 => 0..14 * HOUR_MS,
        // Snapped to midnight.
        1 => Just(-1i64),
    ]
}

/// Around the limits, and often on them.
fn temperature() -> impl Strategy<Value = Option<i32>> {
    prop_oneof![
        1 => Just(None),
        3 => (4600..5400).prop_map(Some),
        3 => (9500..10_600).prop_map(Some),
        2 => prop::sample::select(vec![5000, 4999, 10_000, 10_001, 7000, -3000]).prop_map(Some),
    ]
}

fn moisture() -> impl Strategy<Value = Option<i32>> {
    prop_oneof![
        2 => Just(None),
        3 => (74_000..86_000).prop_map(Some),
        2 => prop::sample::select(vec![75_000, 74_999, 85_000, 85_001, 100_000, 1]).prop_map(Some),
    ]
}

fn case() -> impl Strategy<Value = Case> {
    let reading = (step(), temperature(), moisture());
    let change = (0..80 * HOUR_MS, any::<bool>(), 0..8usize);
    let off = (0..80 * HOUR_MS, -600..600, -9000..9000);
    (
        night(),
        prop::collection::vec(reading, 1..120),
        prop::collection::vec(change, 0..4),
        prop::collection::vec(off, 0..3),
    )
        .prop_map(|((zone, date), steps, mut changes, mut offs)| {
            let calendar = Calendar::new(zone);
            let start = calendar.day(date).from.0 - 24 * HOUR_MS;
            let snapped = |at: i64, snap: bool| {
                if snap {
                    calendar.day_of(Stamp(at)).to.0
                } else {
                    at
                }
            };
            let mut spans = vec![span(i64::MIN)];
            changes.sort_unstable();
            for (at, snap, what) in changes {
                let at = snapped(start + at, snap);
                let mut next = span(at);
                match what {
                    0 => next.out = true,
                    1 => (next.empty, next.band) = (true, None),
                    2 => next.band = None,
                    3 => next.hold_ms = 3 * HOUR_MS,
                    4 => next.hold_ms = 5 * MINUTE_MS,
                    5 => {
                        next.band = Some(Band {
                            low_c: 9.8,
                            high_c: 12.0,
                            ..BAND
                        });
                    }
                    _ => {
                        next.band = Some(Band {
                            low_c: 3.0,
                            high_pct: 76.0,
                            ..BAND
                        });
                    }
                }
                spans.retain(|s| s.from.0 < at);
                spans.push(next);
            }
            offs.sort_unstable();
            for o in &mut offs {
                o.0 += start;
            }
            offs.dedup_by_key(|o| o.0);
            let mut at = start;
            let mut readings = Vec::new();
            for (step, t, rh) in steps {
                at = if step < 0 {
                    snapped(at, true)
                } else {
                    at + step
                };
                readings.push((at, values(t, rh)));
            }
            Case {
                calendar,
                yardstick: yardstick(spans, offs),
                readings,
            }
        })
}

type Sheets = BTreeMap<NaiveDate, (LocalDay, Sheet)>;

fn fold(case: &Case, readings: &[(i64, Values)]) -> Sheets {
    let mut folding = Folding::new(Arc::new(case.yardstick.clone()), case.calendar);
    let (mut vapour, mut sheets) = (Vapour::default(), Sheets::new());
    let mut done = |day: LocalDay, sheet| {
        assert!(sheets.insert(day.date, (day, sheet)).is_none(), "{day:?}");
    };
    for (at, values) in readings {
        folding
            .push(Stamp(*at), *values, &mut vapour, &mut done)
            .unwrap();
    }
    folding.finish(&mut vapour, &mut done);
    sheets
}

/// One quantity as it was said: when, corrected, and until when it holds at most.
fn stream(case: &Case, axis: usize) -> Vec<(i64, i32, i64)> {
    let mut all: BTreeMap<i64, i32> = BTreeMap::new();
    for (at, v) in &case.readings {
        if let Some(v) = [v.temperature_mc, v.humidity_mpct][axis] {
            all.insert(*at, v);
        }
    }
    let each = all.into_iter().map(|(at, v)| {
        let yardstick = &case.yardstick;
        let span = yardstick.spans.iter().rfind(|s| s.from.0 <= at).unwrap();
        let by = yardstick.corrections.iter().rfind(|c| c.from.0 <= at);
        let by = by.map_or([0, 0], |c| [c.temperature_mk, c.humidity_mpct]);
        let v = v + by[axis];
        let v = if axis == 1 { v.clamp(0, 100_000) } else { v };
        (at, v, at + span.hold_ms)
    });
    each.collect()
}

fn holds(stream: &[(i64, i32, i64)], at: i64) -> Option<i32> {
    let (_, value, until) = stream.iter().rfind(|(from, _, _)| *from <= at)?;
    (at < *until).then_some(*value)
}

fn side_of(axis: usize, value: i32, band: Band) -> Option<(Side, i64)> {
    let value = i64::from(value);
    let (low, high, sides) = if axis == 0 {
        (band.low_c, band.high_c, [Side::Cold, Side::Warm])
    } else {
        (band.low_pct, band.high_pct, [Side::Dry, Side::Damp])
    };
    let (low, high) = (
        (low * 1000.0).round() as i64,
        (high * 1000.0).round() as i64,
    );
    if value < low {
        Some((sides[0], low - value))
    } else if high < value {
        Some((sides[1], value - high))
    } else {
        None
    }
}

/// The same days and excursions, the long way.
fn naive(case: &Case) -> (Sheets, Vec<Excursion>) {
    let streams = [stream(case, 0), stream(case, 1)];
    let first = case.calendar.day_of(Stamp(case.readings[0].0));
    let mut days = vec![first];
    let end = (streams.iter().flatten().map(|r| r.2))
        .chain(case.readings.iter().map(|r| r.0))
        .max()
        .unwrap();
    while days.last().unwrap().to.0 <= end {
        days.push(case.calendar.day_of(days.last().unwrap().to));
    }
    let last = days.last().unwrap().to.0;
    let mut cuts: BTreeSet<i64> = BTreeSet::from([first.from.0, last]);
    cuts.extend(streams.iter().flatten().flat_map(|r| [r.0, r.2]));
    cuts.extend(case.yardstick.spans.iter().map(|s| s.from.0));
    for day in &days {
        let tens = (day.from.0..day.to.0).step_by(TEN_MS as usize);
        cuts.extend(tens);
    }
    let cuts: Vec<i64> = cuts.range(first.from.0..=last).copied().collect();
    let mut sheets: Vec<(LocalDay, Sheet)> = days.iter().map(|d| (*d, Sheet::blank(d))).collect();
    let instants: BTreeSet<i64> = (case.readings.iter())
        .filter(|r| r.1.temperature_mc.is_some() || r.1.humidity_mpct.is_some())
        .map(|r| r.0)
        .collect();
    for (day, sheet) in &mut sheets {
        for at in instants.range(day.from.0..day.to.0) {
            let since = (at - day.from.0) as u32;
            sheet.readings += 1;
            sheet.heard = Some((sheet.heard.map_or(since, |h| h.0), since));
        }
    }
    let mut tens: BTreeMap<(usize, usize, usize), (i64, i64)> = BTreeMap::new();
    let mut open: [Option<Excursion>; 2] = [None; 2];
    let mut excursions = Vec::new();
    let before = case.yardstick.spans.iter().rfind(|s| s.from < first.from);
    let mut unknown = [!before.unwrap().empty; 2];
    for pair in cuts.windows(2) {
        let (a, b) = (pair[0], pair[1]);
        let ms = b - a;
        let span = case
            .yardstick
            .spans
            .iter()
            .rfind(|s| s.from.0 <= a)
            .unwrap();
        let counts = !span.empty && !span.out;
        let n = days
            .iter()
            .position(|d| d.from.0 <= a && a < d.to.0)
            .unwrap();
        let (day, sheet) = &mut sheets[n];
        let at = (a - day.from.0) as u32;
        let ten = (i64::from(at) / TEN_MS) as usize;
        let hour = &mut sheet.hours[ten / 6];
        let held = [0, 1].map(|axis| holds(&streams[axis], a).filter(|_| counts));
        let mut inside = true;
        for axis in AXES {
            let outside = held[axis]
                .zip(span.band)
                .and_then(|(v, band)| side_of(axis, v, band));
            let now_unknown = held[axis].is_none() && !span.empty;
            let error = [span.error.temperature_k, span.error.humidity_pct][axis] * 1000.0;
            if open[axis].is_some_and(|e| Some(e.side) != outside.map(|o| o.0)) {
                let mut over = open[axis].take().unwrap();
                (over.to, over.before_gap) = (Stamp(a).to_utc(), now_unknown);
                excursions.push(over);
            }
            if let (Some((side, by)), Some(value)) = (outside, held[axis]) {
                let begun = Excursion {
                    side,
                    from: Stamp(a).to_utc(),
                    to: Stamp(b).to_utc(),
                    peak: value,
                    peak_at: Stamp(a).to_utc(),
                    area: 0,
                    after_gap: unknown[axis],
                    before_gap: false,
                };
                let e = open[axis].get_or_insert(begun);
                e.area += by * ms;
                if side.is_further(value, e.peak) {
                    (e.peak, e.peak_at) = (value, Stamp(a).to_utc());
                }
                sheet.judged.out_ms[side as usize] += ms;
                sheet.judged.area[side as usize] += by * ms;
                if error < by as f64 {
                    sheet.judged.sure_ms[side as usize] += ms;
                }
            }
            unknown[axis] = now_unknown;
            let Some(value) = held[axis] else { continue };
            let sum: &mut Sum = if axis == 0 {
                &mut hour.temperature
            } else {
                &mut hour.humidity
            };
            sum.ms += ms;
            sum.sum += i64::from(value) * ms;
            sum.reach(value, at);
            let own = tens.entry((n, ten, axis)).or_default();
            *own = (own.0 + i64::from(value) * ms, own.1 + ms);
            inside &= outside.is_none();
            if span.band.is_some() {
                let j = &mut sheet.judged;
                let (all, within) = if axis == 0 {
                    (&mut j.temperature_ms, &mut j.temperature_in_ms)
                } else {
                    (&mut j.humidity_ms, &mut j.humidity_in_ms)
                };
                *all += ms;
                *within += if outside.is_none() { ms } else { 0 };
            }
        }
        if held != [None, None] {
            match sheet.covered.last_mut() {
                Some((_, last)) if *last == at => *last += ms as u32,
                _ => sheet.covered.push((at, at + ms as u32)),
            }
        }
        if let [Some(t), Some(rh)] = held {
            note_both(hour, t, rh, at, ms);
            if span.band.is_some() {
                sheet.judged.both_ms += ms;
                sheet.judged.both_in_ms += if inside { ms } else { 0 };
            }
        }
    }
    for axis in AXES {
        if let Some(e) = open[axis].take() {
            excursions.push(e);
        }
    }
    for ((n, ten, axis), (sum, ms)) in tens {
        let mean = Some((sum as f64 / ms as f64).round() as i32);
        let ten = &mut sheets[n].1.tens[ten];
        *(if axis == 0 {
            &mut ten.temperature
        } else {
            &mut ten.humidity
        }) = mean;
    }
    let kept = sheets.into_iter().filter(|(_, sheet)| !sheet.is_blank());
    (
        kept.map(|(day, sheet)| (day.date, (day, sheet))).collect(),
        excursions,
    )
}

fn note_both(hour: &mut Hour, t: i32, rh: i32, at: u32, ms: i64) {
    let air = Air::new(
        Celsius::new(f64::from(t) / 1000.0).unwrap(),
        RelativeHumidity::new((f64::from(rh) / 1000.0).max(f64::MIN_POSITIVE)).unwrap(),
    );
    let spread = ((air.temperature.degrees() - air.dew_point().degrees()) * 1000.0).round() as i32;
    hour.both_ms += ms;
    hour.deficit += (deficit_kpa(air) * 1e6).round() as i64 * ms;
    if hour.spread.is_none_or(|s| spread < s.value) {
        hour.spread = Some(Extreme { value: spread, at });
    }
}

fn ordered(mut all: Vec<Excursion>) -> Vec<Excursion> {
    all.sort_by_key(|e| (e.from, e.side));
    all
}

/// A day's pieces are compared by what they join to.
fn without_pieces(sheets: &Sheets) -> Sheets {
    let mut sheets = sheets.clone();
    for (_, s) in sheets.values_mut() {
        s.pieces.clear();
    }
    sheets
}

proptest! {
    #[test]
    fn sums_are_those_made_the_long_way(case in case()) {
        let sheets = fold(&case, &case.readings);
        let (days, excursions) = naive(&case);
        prop_assert_eq!(&without_pieces(&sheets), &days);
        let joined = join(sheets.values().map(|(day, sheet)| (day, sheet)));
        prop_assert_eq!(ordered(joined), ordered(excursions));
    }

    /// What makes a day again reads what may still hold at its beginning and what is said at its end.
    #[test]
    fn a_day_by_itself_is_the_day_among_the_others(case in case()) {
        let sheets = fold(&case, &case.readings);
        let hold = case.yardstick.longest_hold_ms();
        let mut day = case.calendar.day_of(Stamp(case.readings[0].0));
        let last = case.readings.last().unwrap().0 + 48 * HOUR_MS;
        while day.from.0 < last {
            let near = |at: i64| day.from.0 - 1 - hold <= at && at <= day.to.0;
            let own: Vec<_> = case.readings.iter().filter(|r| near(r.0)).copied().collect();
            let alone = fold(&case, &own);
            prop_assert_eq!(alone.get(&day.date), sheets.get(&day.date), "{:?}", day);
            day = case.calendar.day_of(day.to);
        }
    }

    #[test]
    fn parts_of_one_instant_are_one_reading(case in case(), flips in any::<u64>()) {
        let mut parts = Vec::new();
        let mut whole: BTreeMap<i64, Values> = BTreeMap::new();
        for (at, v) in &case.readings {
            let known = whole.entry(*at).or_default();
            known.temperature_mc = v.temperature_mc.or(known.temperature_mc);
            known.humidity_mpct = v.humidity_mpct.or(known.humidity_mpct);
        }
        for (n, (at, v)) in whole.iter().enumerate() {
            let mut pair = [values(v.temperature_mc, None), values(None, v.humidity_mpct)];
            if flips >> (n % 64) & 1 == 1 {
                pair.reverse();
            }
            parts.extend(pair.map(|v| (*at, v)));
        }
        let whole: Vec<_> = whole.into_iter().collect();
        let sheets = fold(&case, &whole);
        prop_assert_eq!(&sheets, &fold(&case, &parts));
        prop_assert_eq!(&sheets, &fold(&case, &case.readings));
    }

    #[test]
    fn what_is_kept_comes_out_again(case in case()) {
        for (_, sheet) in fold(&case, &case.readings).values() {
            prop_assert_eq!(&Sheet::decode(&sheet.encode()).unwrap(), sheet);
        }
    }

    #[test]
    fn any_bytes_end_in_an_error_or_in_a_sheet(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        if let Ok(sheet) = Sheet::decode(&bytes) {
            prop_assert_eq!(Sheet::decode(&sheet.encode()).unwrap(), sheet);
        }
    }

    /// A day of a changed limit has another version, a day before it has not.
    #[test]
    fn versions_change_with_what_matters(case in case(), at in 0..72 * HOUR_MS) {
        let day = case.calendar.day_of(Stamp(case.readings[0].0));
        let version = |y: &Yardstick| y.version(&case.calendar, day.from, day.to);
        let at = day.from.0 + at;
        let mut later = case.yardstick.clone();
        later.corrections.retain(|c| c.from.0 != at);
        let before = version(&later);
        let sums = fold(&Case { yardstick: later.clone(), ..case.clone() }, &case.readings);
        let (dt, drh) = later.correction(Stamp(at));
        later.corrections.push(yardstick(Vec::new(), vec![(at, dt + 300, drh)]).corrections.remove(0));
        later.corrections.sort_by_key(|c| c.from);
        prop_assert_eq!(version(&later) == before, day.to.0 < at);
        if day.to.0 < at {
            let again = fold(&Case { yardstick: later, ..case.clone() }, &case.readings);
            prop_assert_eq!(again.get(&day.date), sums.get(&day.date));
        }
    }
}
