//! What the course of a quantity must show.

use super::super::seen::{assert_whole, circles, corners, paths, words};
use super::*;

const DAY: i64 = 86_400_000;

/// A winter of 200 days, 80 of them past.
fn winter() -> Course {
    Course {
        name: "Shrink".to_owned(),
        unit: "%".to_owned(),
        decimals: 1,
        from_ms: 0,
        to_ms: 200 * DAY,
        now_ms: 80 * DAY,
        join_ms: 36 * 3_600_000,
        lines: Vec::new(),
        fans: Vec::new(),
        dots: Vec::new(),
        dots_label: "weighed".to_owned(),
        limits: Vec::new(),
        zone: None,
        floor: Some(0.0),
        ceiling: None,
        ticks: ["Nov", "Dec", "Jan", "Feb", "Mar", "Apr", "May"]
            .iter()
            .zip([5, 35, 66, 97, 125, 156, 186])
            .map(|(label, day)| (day * DAY, (*label).to_owned()))
            .collect(),
        rows: Vec::new(),
        sentence: "Crate C-07 has lost 5.6 %.".to_owned(),
    }
}

fn series(style: Style, label: &str, points: impl Iterator<Item = (i64, f64)>) -> Series {
    Series {
        label: label.to_owned(),
        points: points.collect(),
        style,
    }
}

/// A crate on its way: weighed three times, a gap of six days, an interval up to planting.
fn shrink() -> Course {
    let mut course = winter();
    let past = (0..=80).filter(|d| !(30..36).contains(d));
    course.lines = vec![
        series(
            Style::Past,
            "so far",
            past.map(|d| (d * DAY, d as f64 * 0.07)),
        ),
        series(
            Style::Ahead,
            "expected",
            (80..=190).step_by(10).map(|d| (d * DAY, d as f64 * 0.07)),
        ),
    ];
    let ahead = (80..=190).step_by(10);
    course.fans = vec![Fan {
        label: "19 in 20".to_owned(),
        points: ahead
            .map(|d| {
                let about = 0.5 + (d - 80) as f64 * 0.04;
                (d * DAY, d as f64 * 0.07 - about, d as f64 * 0.07 + about)
            })
            .collect(),
    }];
    course.dots = vec![
        (2 * DAY, 0.2, 0.3),
        (28 * DAY, 2.2, 0.3),
        (61 * DAY, 4.0, 0.0),
    ];
    course.limits = vec![(15.0, "limp 15 %".to_owned())];
    course
}

#[test]
fn past_gaps_stay_open_and_the_expected_has_none() {
    let svg = shrink().svg("a");
    assert_whole(&svg, HEIGHT);
    let past = &paths(&svg, "line")[0];
    assert_eq!(past.matches('M').count(), 2, "{past}");
    let ahead = &paths(&svg, "ahead")[0];
    assert_eq!(ahead.matches('M').count(), 1, "{ahead}");
    let mut broken = shrink();
    broken.fans[0].points = (0..60)
        .filter(|d| !(20..30).contains(d))
        .map(|d| (d * DAY, 1.0, 2.0))
        .collect();
    assert_eq!(paths(&broken.svg("a"), "fan").len(), 2);
}

#[test]
fn the_interval_is_a_closed_area_around_the_expected() {
    let svg = shrink().svg("a");
    let fan = &paths(&svg, "fan")[0];
    assert!(fan.ends_with('z') && fan.matches('M').count() == 1);
    let fan = corners(fan);
    let ahead = corners(&paths(&svg, "ahead")[0]);
    let (x, y) = ahead[ahead.len() - 1];
    let ends: Vec<_> = fan.iter().filter(|p| (p.0 - x).abs() < 0.2).collect();
    assert!(ends.iter().any(|p| p.1 < y - 5.0) && ends.iter().any(|p| y + 5.0 < p.1));
}

#[test]
fn figures_words_and_lines_agree() {
    let svg = shrink().svg("a");
    let words = words(&svg);
    let height = |text: &str| words.iter().find(|w| w.text == text).unwrap().base;
    let limit = corners(&paths(&svg, "limit")[0])[0].1;
    assert!((height("15") - LETTER * 0.35 - limit).abs() < 0.2);
    let zero = height("0") - LETTER * 0.35;
    let (_, y) = circles(&svg, "dot")[0];
    let value = 15.0 * (zero - y) / (zero - limit);
    assert!((value - 5.6).abs() < 0.1, "{value}");
    for text in [
        "limp 15 %",
        "so far",
        "expected",
        "19 in 20",
        "weighed",
        "now",
    ] {
        assert!(words.iter().any(|w| w.text == text), "{text}");
    }
    assert_eq!(circles(&svg, "spot").len(), 3);
    assert_eq!(paths(&svg, "about").len(), 2, "an unknown error draws none");
    assert_eq!(paths(&svg, "here").len(), 1);
}

#[test]
fn everything_is_inside_and_apart() {
    for (low, high, decimals) in [
        (0.0, 6.0, 1),
        (49.98, 50.02, 0),
        (-0.3, 0.3, 2),
        (1_234_567.0, 1_234_567.5, 3),
        (-98_765_432.1, 12.0, 1),
        (0.000_1, 0.000_3, 5),
        (7.0, 7.0, 1),
        (1e300, 1e301, 0),
    ] {
        for (floor, ceiling) in [(None, None), (Some(low), Some(high)), (None, Some(high))] {
            let mut course = shrink();
            let scale = |v: f64| low + (high - low) * v / 12.0;
            for line in &mut course.lines {
                line.points.iter_mut().for_each(|p| p.1 = scale(p.1));
            }
            for fan in &mut course.fans {
                fan.points
                    .iter_mut()
                    .for_each(|p| (p.1, p.2) = (scale(p.1), scale(p.2)));
            }
            course
                .dots
                .iter_mut()
                .for_each(|p| (p.1, p.2) = (scale(p.1), (high - low) / 9.0));
            course.limits = [1.0, 1.4, 9.0]
                .map(|v| (scale(v), format!("line at {v} in many words")))
                .to_vec();
            course.zone = Some((scale(0.5), scale(2.0), "cannot tell".to_owned()));
            course.name = "A quantity with a name that is far too long for a phone".to_owned();
            (course.floor, course.ceiling, course.decimals) = (floor, ceiling, decimals);
            assert_whole(&course.svg("a"), HEIGHT);
        }
    }
}

#[test]
fn little_or_nothing_is_drawn_without_failing() {
    let empty = winter().svg("a");
    assert_whole(&empty, HEIGHT);
    assert!(empty.contains("nothing measured yet"));
    let mut course = winter();
    course.lines = vec![series(Style::Past, "", [(80 * DAY, 3.0)].into_iter())];
    let lone = course.svg("a");
    assert_whole(&lone, HEIGHT);
    assert!(paths(&lone, "line")[0].ends_with("h0"));
    course.lines[0].points = vec![(DAY, f64::NAN), (2 * DAY, f64::INFINITY), (900 * DAY, 1.0)];
    course.limits = vec![(f64::NAN, "nowhere".to_owned())];
    course.zone = Some((f64::NAN, 1.0, "nowhere".to_owned()));
    course.dots = vec![(DAY, 1.0, f64::NAN)];
    (course.floor, course.ceiling) = (Some(f64::NAN), Some(f64::NEG_INFINITY));
    let nothing = course.figure("a");
    assert_whole(&course.svg("a"), HEIGHT);
    assert!(!nothing.contains("NaN") && !nothing.contains("nowhere"));
    assert!(nothing.contains("nothing measured yet"));
    course.to_ms = course.from_ms;
    assert_whole(&course.svg("a"), HEIGHT);
    (course.floor, course.ceiling) = (Some(5.0), Some(1.0));
    assert_whole(&course.svg("a"), HEIGHT);
}

#[test]
fn the_edges_hold_what_lies_beyond() {
    let mut course = winter();
    let wild = (0..80).map(|d| (d * DAY, if d == 40 { 400.0 } else { -2.0 }));
    course.lines = vec![series(Style::Past, "", wild)];
    course.ceiling = Some(6.0);
    let line = corners(&paths(&course.svg("a"), "line")[0]);
    assert!(
        line.iter().all(|p| (TOP..=BOTTOM).contains(&p.1)),
        "{line:?}"
    );
    assert!(line.iter().any(|p| (p.1 - TOP).abs() < 0.1));
}

#[test]
fn a_winter_of_readings_is_light_and_keeps_its_extremes() {
    let mut course = winter();
    let hour = DAY / 24;
    let wave = |h: i64| (h as f64 * 1.7).sin() + if h == 777 { 9.0 } else { 0.0 };
    course.lines = vec![series(
        Style::Past,
        "",
        (0..1920).map(|h| (h * hour, wave(h))),
    )];
    course.floor = None;
    let svg = course.svg("a");
    let line = corners(&paths(&svg, "line")[0]);
    let top = line.iter().map(|p| p.1).fold(f64::MAX, f64::min);
    assert!(top < TOP + 12.0, "{top}");
    assert!(svg.len() < 20_000, "{} bytes", svg.len());
}

#[test]
fn the_table_says_the_same() {
    let mut course = shrink();
    course.rows = vec![
        (0, "Nov".to_owned()),
        (30 * DAY, "Dec".to_owned()),
        (90 * DAY, "<i>".to_owned()),
    ];
    course.sentence = "<b>".to_owned();
    let figure = course.figure("a b");
    assert!(!figure.contains("<b>") && !figure.contains("<i>"));
    assert!(figure.contains("<figcaption id=\"a-b-c\">&lt;b&gt;</figcaption>"));
    let heads = "<th scope=\"col\">From<th scope=\"col\">so far, %<th scope=\"col\">expected, %\
                 <th scope=\"col\">19 in 20, %<th scope=\"col\">weighed, %<tbody>";
    assert!(figure.contains(heads), "{figure}");
    let row = "Nov<td>0.0 to 2.0<td>–<td>–<td>0.2 ±\u{a0}0.3; 2.2 ±\u{a0}0.3<tr>";
    assert!(figure.contains(row), "{figure}");
    assert!(
        figure.contains("&lt;i&gt;<td>–<td>6.3 to 13.3<td>5.4 to 18.2<td>–</table>"),
        "{figure}"
    );
}
