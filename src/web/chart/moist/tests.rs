//! What the moist-air picture must show.

use super::super::seen::{assert_whole, circles, corners, paths, words};
use super::*;

const HOUR: i64 = 3_600_000;
const SLOT: i64 = HOUR / 6;

/// A day in slots of ten minutes in a room with the usual band of 40 to 52 F and 75 to 85 %.
fn day(air: impl Fn(i64) -> Option<(f64, f64)>) -> MoistAir {
    MoistAir {
        trail: (0..144)
            .filter_map(|i| {
                let (temperature_c, humidity_pct) = air(i)?;
                Some(TrailPoint {
                    at_ms: i * SLOT,
                    temperature_c,
                    humidity_pct,
                })
            })
            .collect(),
        join_ms: SLOT + SLOT / 2,
        now_ms: 24 * HOUR,
        band_t_c: ((40.0 - 32.0) / 1.8, (52.0 - 32.0) / 1.8),
        band_rh: (75.0, 85.0),
        coldest: Some(("crate C-07".to_owned(), 7.8)),
        error: crate::climate::tuber::SensorError::default(),
        outdoor: Some((4.0, 90.0)),
        unit: "F",
        pressure_pa: 101_325.0,
        rows: (0..4)
            .map(|i| (i * 6 * HOUR, format!("Tue {:02}:00", i * 6)))
            .collect(),
    }
}

/// What the figures beside the frame say about a height.
fn grams(svg: &str, y: f64) -> f64 {
    let figures: Vec<(f64, f64)> = words(svg)
        .iter()
        .filter(|w| w.right <= LEFT)
        .filter_map(|w| Some((w.base - LETTER * 0.35, w.text.parse().ok()?)))
        .collect();
    let ((y0, w0), (y1, w1)) = (figures[0], figures[figures.len() - 1]);
    w0 + (y - y0) / (y1 - y0) * (w1 - w0)
}

#[test]
fn heights_are_the_published_humidity_ratios() {
    // 10 C, 80 %, 101 325 Pa: 0.006 09 kg/kg with dew point 6.71 C, ASHRAE Fundamentals 2017,
    // chapter 1, equations 20 and 6 (the row 10.00,80.0 of tests/data/psychrometrics.csv).
    let mut room = day(|_| Some((10.0, 80.0)));
    room.coldest = Some(("crate C-07".to_owned(), 6.71));
    let svg = room.svg("a");
    let (_, dot) = circles(&svg, "dot")[0];
    let w = grams(&svg, dot);
    assert!((w / 6.09 - 1.0).abs() < 0.01, "{w}");
    // Air whose dew point is the surface's temperature is just about to wet it.
    let line = corners(&paths(&svg, "dew")[0]);
    assert!((line[0].1 - dot).abs() < 0.5, "{line:?}, dot {dot}");
    assert!((line[1].1 - line[0].1).abs() < 1e-9 && line[1].0 > line[0].0);
    let w = grams(&svg, line[0].1);
    assert!((w / 6.09 - 1.0).abs() < 0.01, "{w}");
    // It begins on the saturation curve.
    let wet = corners(&paths(&svg, "wet")[0]);
    let after = wet.iter().position(|p| line[0].0 < p.0).unwrap();
    let ((x0, y0), (x1, y1)) = (wet[after - 1], wet[after]);
    let y = y0 + (line[0].0 - x0) / (x1 - x0) * (y1 - y0);
    assert!((y - line[0].1).abs() < 0.5, "{y}, {line:?}");
}

#[test]
fn what_is_above_the_line_is_set_off() {
    let svg = day(|_| Some((10.0, 92.0))).svg("a");
    let line = corners(&paths(&svg, "dew")[0])[0].1;
    assert!(circles(&svg, "dot")[0].1 < line);
    assert!(svg.contains("class=\"sweats\""));
    assert!(
        svg.contains(&format!("V{}H0z", tenth(line))),
        "cut at the line"
    );
}

#[test]
fn the_band_is_a_closed_area_between_its_curves() {
    let room = day(|_| Some((10.0, 80.0)));
    let svg = room.svg("a");
    let band = &paths(&svg, "band")[0];
    assert!(band.ends_with('z') && band.matches('M').count() == 1);
    let corners = corners(band);
    let grams_at = |f: f64, rh: f64| room.water((f - 32.0) / 1.8, rh).unwrap();
    let corner = |i: usize| grams(&svg, corners[i].1);
    assert!((corner(0) - grams_at(40.0, 75.0)).abs() < 0.03);
    assert!((corner(14) - grams_at(52.0, 75.0)).abs() < 0.03);
    assert!((corner(15) - grams_at(52.0, 85.0)).abs() < 0.03);
    assert!((corner(29) - grams_at(40.0, 85.0)).abs() < 0.03);
    // Half-way, the edge follows the curve and not the chord.
    let chord = f64::midpoint(grams_at(40.0, 85.0), grams_at(52.0, 85.0));
    assert!((corner(22) - grams_at(46.0, 85.0)).abs() < 0.03);
    assert!(0.08 < chord - corner(22));
}

#[test]
fn a_gap_stays_open() {
    let swing = |i: i64| Some((9.0 + (i as f64 / 20.0).sin(), 80.0));
    let whole = day(swing).svg("a");
    assert_eq!(paths(&whole, "a-t")[0].matches('M').count(), 1);
    let broken = day(|i| swing(i).filter(|_| !(60..72).contains(&i)));
    let svg = broken.svg("a");
    assert_eq!(paths(&svg, "a-t")[0].matches('M').count(), 2);
    assert!(
        broken
            .sentence()
            .replace(NB, " ")
            .ends_with("No readings for 2 h.")
    );
}

#[test]
fn an_old_reading_is_not_now() {
    let mut room = day(|_| Some((10.0, 80.0)));
    room.now_ms += 6 * HOUR;
    let svg = room.svg("a");
    assert!(circles(&svg, "dot").is_empty() && !svg.contains(">now<"));
    assert!(room.sentence().contains(" No reading now. At "));
    assert!(!room.sentence().contains("clear of"));
}

#[test]
fn the_sentence_says_what_the_picture_shows() {
    let said = |room: MoistAir| room.sentence().replace(NB, " ");
    assert_eq!(
        said(day(|i| Some((9.5 + 0.5 * (i % 2) as f64, 80.0)))),
        "In the last day: 49.1 to 50.0 F, 5.9 to 6.1 g of water per kg of dry air. Now 50.0 F, 80 %, \
         6.1 g/kg: in the band. At 46.0 F, crate C-07 sweats above 6.6 g/kg: too close to tell \
         whether it sweats. Outdoor air holds 4.5 g/kg."
    );
    let mut metric = day(|_| Some((10.0, 66.0)));
    metric.unit = "C";
    metric.outdoor = None;
    assert_eq!(
        said(metric),
        "In the last day: 10.0 C, 5.0 g of water per kg of dry air. Now 10.0 C, 66 %, 5.0 g/kg: \
         humidity below its band of 75 to 85 %. At 7.8 C, crate C-07 sweats above 6.6 g/kg: 3.9 C \
         clear of sweating."
    );
    assert!(said(day(|_| Some((10.0, 92.0)))).contains("6.6 g/kg: it is sweating."));
    assert!(said(day(|_| Some((10.0, 85.0)))).contains("too close to tell whether it sweats."));
    let mut none = day(|_| None);
    (none.coldest, none.outdoor) = (None, None);
    assert_eq!(said(none), "In the last day there were no readings.");
}

#[test]
fn everything_is_inside_and_apart() {
    for unit in ["F", "C"] {
        for (t, rh, spread) in [
            (9.0, 80.0, 0.5),
            (9.0, 60.0, 3.0),
            (8.0, 92.0, 1.0),
            (16.0, 97.0, 4.0),
            (2.0, 99.0, 6.0),
            (-8.0, 40.0, 5.0),
            (30.0, 20.0, 15.0),
        ] {
            for cold in [
                Some(-12.0),
                Some(2.0),
                Some(7.5),
                Some(11.0),
                Some(40.0),
                None,
            ] {
                let mut room = day(|i| {
                    let swing = (i as f64 / 17.0).sin();
                    Some((t + spread * swing, (rh - 5.0 * swing).clamp(1.0, 100.0)))
                });
                room.unit = unit;
                room.coldest = cold.map(|c| ("the crate by the north wall".to_owned(), c));
                for outdoor in [(t + 2.0, rh), (t - 4.0, 90.0), (9.0, 79.0)] {
                    room.outdoor = Some(outdoor);
                    assert_whole(&room.svg("a"), HEIGHT);
                }
            }
        }
    }
}

#[test]
fn what_is_no_air_neither_fails_nor_stretches_the_picture() {
    let mut room = day(|i| match i {
        40 => Some((85.0, 50.0)),
        50 => Some((f64::NAN, 80.0)),
        60 => Some((10.0, f64::INFINITY)),
        _ => Some((10.0, 80.0)),
    });
    room.coldest = Some(("crate C-07".to_owned(), f64::NAN));
    room.outdoor = Some((10.0, -3.0));
    let svg = room.svg("a");
    assert_whole(&svg, HEIGHT);
    let mut calm = day(|_| Some((10.0, 80.0)));
    (calm.coldest, calm.outdoor) = (None, None);
    assert_eq!(paths(&svg, "band"), paths(&calm.svg("a"), "band"));
    assert!(room.sentence().contains("beyond the edge"));
    room.pressure_pa = 0.0;
    assert_whole(&room.svg("a"), HEIGHT);
}

#[test]
fn the_table_and_the_markup_are_safe_and_light() {
    let mut room = day(|i| {
        let swing = (i as f64 * 1.7).sin();
        (i < 100).then_some((9.0 + swing * 3.0, 80.0 - swing * 9.0))
    });
    room.coldest = Some(("<b>\"&'".to_owned(), 7.0));
    room.rows[1].1 = "<i>".to_owned();
    let figure = room.figure("<script>");
    assert!(!figure.contains("<b>") && !figure.contains("<i>") && !figure.contains("<script>"));
    assert_eq!(figure.matches("<tr><th scope=\"row\">").count(), 4);
    assert!(figure.contains("<th scope=\"row\">Tue 18:00<td colspan=\"3\">no readings"));
    assert!(figure.len() < 15_000, "{} bytes", figure.len());
}
