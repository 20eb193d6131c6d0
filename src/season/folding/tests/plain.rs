//! Single days that can be reckoned by hand.

use super::*;

/// One sensor in UTC, with readings as minutes since midnight.
fn plain(spans: Vec<Span>, offs: Vec<(i64, i32, i32)>, said: &[(i64, i32)]) -> Case {
    let midnight = Calendar::new(UTC).day(on(2026, 12, 1)).from.0;
    let moved = |mut s: Span| {
        s.from = Stamp(s.from.0.saturating_add(midnight));
        s
    };
    Case {
        calendar: Calendar::new(UTC),
        yardstick: yardstick(
            [vec![span(i64::MIN)], spans.into_iter().map(moved).collect()].concat(),
            offs.into_iter()
                .map(|(at, t, rh)| (midnight + at, t, rh))
                .collect(),
        ),
        readings: said
            .iter()
            .map(|(minute, t)| (midnight + minute * MINUTE_MS, values(Some(*t), None)))
            .collect(),
    }
}

#[test]
fn a_band_that_changes_while_a_reading_holds_ends_an_excursion() {
    let wider = Span {
        band: Some(Band { low_c: 3.0, ..BAND }),
        ..span(10 * MINUTE_MS)
    };
    let case = plain(vec![wider], Vec::new(), &[(0, 4000)]);
    let sheets = fold(&case, &case.readings);
    let (_, sheet) = sheets.values().next().unwrap();
    let judged = &sheet.judged;
    assert_eq!(judged.temperature_ms, 30 * MINUTE_MS);
    assert_eq!(judged.out_ms, [10 * MINUTE_MS, 0, 0, 0]);
    assert_eq!(judged.area[0], 1000 * 10 * MINUTE_MS);
    assert_eq!(sheet.pieces.len(), 1);
    assert!(sheet.pieces[0].after_gap && !sheet.pieces[0].before_gap);
    assert_eq!(sheet.covered, [(0, 30 * MINUTE_MS as u32)]);
}

#[test]
fn a_correction_holds_from_its_instant_on() {
    let offs = vec![(10 * MINUTE_MS, 500, 0), (20 * MINUTE_MS, 0, 0)];
    let case = plain(Vec::new(), offs, &[(0, 6000), (10, 6000), (20, 6000)]);
    let sheets = fold(&case, &case.readings);
    let (_, sheet) = sheets.values().next().unwrap();
    let sum = sheet.hours[0].temperature;
    assert_eq!(sum.ms, 50 * MINUTE_MS);
    assert_eq!(sum.sum, (6000 * 50 + 500 * 10) * MINUTE_MS);
    assert_eq!(sum.high.map(|e| (e.value, e.at)), Some((6500, 600_000)));
}

#[test]
fn a_hold_goes_on_over_midnight() {
    let case = plain(Vec::new(), Vec::new(), &[(24 * 60 - 10, 4500)]);
    let sheets = fold(&case, &case.readings);
    let days: Vec<_> = sheets.values().collect();
    assert_eq!(days.len(), 2);
    assert_eq!(days[0].1.judged.out_ms[0], 10 * MINUTE_MS);
    assert_eq!(days[1].1.judged.out_ms[0], 20 * MINUTE_MS);
    assert_eq!((days[0].1.readings, days[1].1.readings), (1, 0));
    let all = join(days.iter().map(|(day, sheet)| (day, sheet)));
    assert_eq!(all.len(), 1);
    assert_eq!(
        (all[0].ms(), all[0].area),
        (30 * MINUTE_MS, 500 * 30 * MINUTE_MS)
    );
    assert!(all[0].after_gap && all[0].before_gap);
}

#[test]
fn what_is_earlier_is_told() {
    let case = plain(Vec::new(), Vec::new(), &[]);
    let mut folding = Folding::new(Arc::new(case.yardstick), case.calendar);
    let mut vapour = Vapour::default();
    let v = values(Some(7000), None);
    let mut push = |at| folding.push(Stamp(at), v, &mut vapour, &mut |_, _| ());
    assert_eq!(push(1000), Ok(()));
    assert_eq!(push(1000), Ok(()));
    assert_eq!(push(999), Err(OutOfOrder));
}
