//! What the strip must show, and how it stays light.

use super::*;

const HOUR: i64 = 3_600_000;

/// Two days in slots of ten minutes; `air` says what a slot held.
fn strip(air: impl Fn(i64) -> (Option<f64>, Option<f64>)) -> Strip {
    Strip {
        points: (0..288)
            .map(|i| {
                let (temperature, humidity) = air(i);
                Point {
                    at_ms: i * SLOT_MS,
                    temperature,
                    humidity,
                }
            })
            .collect(),
        from_ms: 0,
        to_ms: 48 * HOUR,
        band_t: (40.0, 52.0),
        band_rh: (75.0, 85.0),
        unit: "F",
        ticks: ["Mon", "12:00", "Tue", "12:00", "Wed"]
            .iter()
            .zip(0..)
            .map(|(label, i)| (i * 12 * HOUR, (*label).to_owned()))
            .collect(),
        rows: Vec::new(),
    }
}

/// Every attribute `name` of elements starting with `start`.
fn values<'a>(svg: &'a str, start: &str, name: &str) -> Vec<&'a str> {
    svg.split('<')
        .filter(|e| e.starts_with(start))
        .filter_map(|e| e.split_once(&format!(" {name}=\"")))
        .filter_map(|(_, rest)| rest.split('"').next())
        .collect()
}

/// Every text with its left and right end and its baseline.
fn texts(svg: &str) -> Vec<(f64, f64, f64, String)> {
    svg.split("<text ")
        .skip(1)
        .map(|t| {
            let get = |name: &str| {
                let (_, rest) = t.split_once(&format!("{name}=\"")).unwrap_or(("", "\""));
                rest.split('"').next().unwrap_or("").to_owned()
            };
            let (_, rest) = t.split_once('>').unwrap();
            let label = rest.split('<').next().unwrap().to_owned();
            let x: f64 = get("x").parse().unwrap();
            let wide = width_of(&label);
            let left = match get("text-anchor").as_str() {
                "middle" => x - wide / 2.0,
                "end" => x - wide,
                _ => x,
            };
            (left, left + wide, get("y").parse().unwrap(), label)
        })
        .collect()
}

#[test]
fn a_gap_stays_open() {
    let whole = strip(|_| (Some(50.0), Some(80.0))).svg("a");
    for line in values(&whole, "path id=", "d") {
        assert_eq!(line.matches('M').count(), 1, "{line}");
    }
    let broken = strip(|i| {
        let heard = !(100..120).contains(&i);
        (heard.then_some(50.0), heard.then_some(80.0))
    });
    for line in values(&broken.svg("a"), "path id=", "d") {
        assert_eq!(line.matches('M').count(), 2, "{line}");
    }
    // The line ends at the last slot before the gap and starts again at the first after it.
    let line = path(
        &broken
            .temperatures()
            .map(|(at, _)| (at, broken.x(at), 10.0))
            .collect::<Vec<_>>(),
        JOIN_MS,
    );
    let last = tenth(broken.x(99 * SLOT_MS) - broken.x(0));
    let first = tenth(broken.x(120 * SLOT_MS));
    assert!(
        line.starts_with(&format!("M38 10h{last}M{first} 10h")),
        "{line}"
    );
}

#[test]
fn slots_left_out_altogether_are_a_gap_too() {
    let mut strip = strip(|_| (Some(50.0), Some(80.0)));
    strip.points.retain(|p| p.at_ms / SLOT_MS != 7);
    for line in values(&strip.svg("a"), "path id=", "d") {
        assert_eq!(line.matches('M').count(), 2, "{line}");
    }
}

#[test]
fn a_lone_reading_is_drawn() {
    let lone = strip(|i| ((i == 9).then_some(50.0), None)).svg("a");
    assert!(values(&lone, "path id=", "d")[0].ends_with("h0"));
    assert!(lone.contains("no readings"), "humidity was never heard");
}

#[test]
fn labels_are_whole_and_apart() {
    let wild = strip(|i| {
        (
            Some(f64::from(i as i32) - 120.0),
            Some(100.0 - i as f64 / 4.0),
        )
    });
    let mut celsius = strip(|i| (Some(-30.0 + i as f64 / 7.0), Some(80.0)));
    celsius.band_t = (4.4, 11.1);
    celsius.ticks = (0..=48)
        .map(|h| (h * HOUR, format!("Wed {:02}:00", h % 24)))
        .collect();
    for strip in [wild, celsius, strip(|_| (None, None))] {
        let texts = texts(&strip.svg("a"));
        assert!(5 <= texts.len());
        for (i, (left, right, base, label)) in texts.iter().enumerate() {
            assert!(
                0.0 <= *left && *right <= WIDTH,
                "{label}: {left} to {right}"
            );
            assert!(
                LETTER * 0.8 <= *base && *base <= HEIGHT - 3.0,
                "{label}: {base}"
            );
            for (l, r, b, other) in &texts[..i] {
                assert!(
                    right <= l || r <= left || LETTER - 1.0 <= (b - base).abs(),
                    "{label} and {other} collide"
                );
            }
        }
    }
}

/// Every corner of a line made of M, l and h.
fn corners(line: &str) -> Vec<(f64, f64)> {
    let (mut x, mut y) = (0.0, 0.0);
    let spaced = line
        .replace('M', " M ")
        .replace('l', " l ")
        .replace('h', " h ");
    let mut words = spaced.split_whitespace();
    let mut corners = Vec::new();
    while let Some(step) = words.next() {
        let mut number = || words.next().unwrap().parse::<f64>().unwrap();
        match step {
            "M" => (x, y) = (number(), number()),
            "l" => (x, y) = (x + number(), y + number()),
            "h" => x += number(),
            other => panic!("{other} in {line}"),
        }
        corners.push((x, y));
    }
    corners
}

#[test]
fn lines_stay_inside_the_picture() {
    let strip = strip(|i| (Some((i * i % 91) as f64 - 20.0), Some((i * 7 % 101) as f64)));
    let svg = strip.svg("a");
    let lines = values(&svg, "path id=", "d");
    assert_eq!(lines.len(), 2);
    for line in lines {
        let corners = corners(line);
        assert!(250 < corners.len());
        for (x, y) in &corners {
            assert!((LEFT..=WIDTH).contains(x), "{x}");
            assert!((TOP_T..=TOP_RH + PANEL).contains(y), "{y}");
        }
        // Steps of a tenth do not drift.
        let (x, _) = corners[corners.len() - 1];
        assert!((x - strip.x(287 * SLOT_MS)).abs() < 0.1, "{x}");
    }
}

#[test]
fn the_sentence_says_what_the_picture_shows() {
    let well = strip(|i| (Some(49.0 + (i % 3) as f64), Some(80.0)));
    assert_eq!(
        well.sentence().replace(NB, " "),
        "In the last two days: 49.0 to 51.0 F, 80 %. The room's averages stayed in their bands."
    );
    let dry = strip(|i| {
        let heard = !(0..12).contains(&i);
        (
            heard.then_some(50.0),
            heard.then_some(if i < 270 { 80.0 } else { 68.0 }),
        )
    });
    assert_eq!(
        dry.sentence().replace(NB, " "),
        "In the last two days: 50.0 F, 68 to 80 %. Humidity below its band of 75 to 85 % for 3 h. \
         No readings for 2 h."
    );
    assert_eq!(
        strip(|_| (None, Some(f64::NAN))).sentence(),
        "In the last two days there were no readings."
    );
}

#[test]
fn the_table_has_a_row_for_each_mark() {
    let mut strip = strip(|i| (Some(50.0), (i < 144).then_some(80.0)));
    strip.ticks.pop();
    let figure = strip.figure("cellar");
    assert_eq!(figure.matches("<tr><th scope=\"row\">").count(), 4);
    assert!(
        figure.contains("<th scope=\"row\">Mon<td>50.0<td>80"),
        "{figure}"
    );
    assert!(
        figure.contains("<th scope=\"row\">Tue<td>50.0<td>no readings"),
        "{figure}"
    );
}

#[test]
fn a_label_cannot_become_markup() {
    let mut strip = strip(|_| (Some(50.0), Some(80.0)));
    strip.ticks[1].1 = "<b>\"&'".to_owned();
    let figure = strip.figure("<script>");
    assert!(!figure.contains("<b>") && !figure.contains("<script>"));
    assert!(figure.contains("&lt;b&gt;&quot;&amp;&#39;"));
}

#[test]
fn colours_are_left_to_the_style_sheet_and_a_busy_strip_is_light() {
    let figure = strip(|i| {
        let t = 45.0 + (i as f64 * 1.7).sin() * 9.0;
        (Some(t), Some(80.0 + (i as f64 * 0.9).cos() * 15.0))
    })
    .figure("cellar");
    for word in ["fill", "stroke", "style", "#f", "rgb"] {
        assert!(!figure.contains(word), "{word}");
    }
    assert!(figure.len() < 15_000, "{} bytes", figure.len());
}

#[test]
fn a_strip_without_length_does_not_fail() {
    let mut strip = strip(|_| (Some(50.0), Some(80.0)));
    strip.to_ms = strip.from_ms;
    assert!(!strip.figure("a").contains("NaN"));
}
