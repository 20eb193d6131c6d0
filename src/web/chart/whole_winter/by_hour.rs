//! The carpet: days by hours.

use super::{super::carpet::*, *};

fn one(days: Vec<Day>) -> Carpet {
    Carpet {
        quantity: Quantity::Temperature,
        unit: "F".to_owned(),
        days,
        months: vec![month(0, "Mar")],
        scales: vec![since(0)],
    }
}

fn since(day: usize) -> Since {
    Since {
        day,
        scale: Scale::band(40.0, 52.0),
        words: format!("40 to 52{NB}F"),
    }
}

fn day(value: impl Fn(u32) -> Option<f64>) -> Day {
    Day {
        hours: (0..24).map(|h| (h, value(h))).collect(),
    }
}

fn stripes(svg: &str, class: &str) -> Vec<String> {
    // The key has one of each too.
    paths(svg, class)
        .into_iter()
        .filter(|d| d.starts_with('m'))
        .collect()
}

#[test]
fn classes_are_runs_of_hours_over_the_commonest() {
    let svg = one(vec![
        day(|h| Some(if h < 6 { 39.0 } else { 46.0 })),
        day(|h| Some(if (6..8).contains(&h) { 53.0 } else { 46.0 })),
    ])
    .svg("a");
    assert_whole(&svg);
    assert_eq!(
        stripes(&svg, "c4"),
        ["m0 0v24m1-24v24"],
        "all that is known"
    );
    assert_eq!(stripes(&svg, "c2"), ["m0 0v6"]);
    assert_eq!(stripes(&svg, "c6"), ["m1 6v2"]);
    assert!(!svg.contains("hatch") && !svg.contains("blank"));
    assert!(
        svg.contains("translate(40 20)scale(12 4.5)"),
        "a day is no wider than it is"
    );
}

#[test]
fn steps_have_the_width_of_a_third_of_the_band() {
    let values = [
        31.9, 32.0, 35.9, 36.0, 39.9, 40.0, 43.9, 44.0, 48.0, 52.0, 52.1, 56.1, 60.1,
    ];
    let classes = [0, 1, 1, 2, 2, 3, 3, 4, 5, 5, 6, 7, 8];
    for (value, class) in values.into_iter().zip(classes) {
        let svg = one(vec![day(|_| Some(value))]).svg("a");
        assert_eq!(stripes(&svg, &format!("c{class}")), ["m0 0v24"], "{value}");
    }
    let svg = one(vec![day(|_| Some(46.0))]).svg("a");
    let key: Vec<_> = words(&svg).into_iter().map(|w| w.text).collect();
    for edge in [
        "32",
        "36",
        "40",
        "44",
        "48",
        "52",
        "56",
        "60",
        "too cold",
        "in the band",
    ] {
        assert!(key.iter().any(|k| k == edge), "{edge} in {key:?}");
    }
}

#[test]
fn an_hour_the_clock_leaves_out_is_blank_and_one_it_shows_twice_is_the_mean() {
    let mut spring = day(|_| Some(46.0));
    spring.hours.retain(|h| h.0 != 2);
    let mut autumn = day(|h| Some(if h == 1 { 38.0 } else { 46.0 }));
    autumn.hours.insert(2, (1, Some(50.0)));
    let picture = one(vec![spring.clone(), autumn]);
    let svg = picture.svg("a");
    // 38 F alone would be too cold; with 50 F it is 44 F.
    assert_eq!(stripes(&svg, "c4"), ["m0 0v2m0 1v21m1-24v24"]);
    assert!(stripes(&svg, "c2").is_empty() && !svg.contains("hatch"));
    assert!(
        picture.sentence().contains("Of 47"),
        "{}",
        picture.sentence()
    );
    // Beside a gap, the hole is covered so that it does not look like one.
    let gap = day(|h| (h < 12).then_some(46.0));
    let svg = one(vec![spring, gap]).svg("a");
    assert_eq!(stripes(&svg, "blank"), ["m0 2v1"]);
    assert_eq!(stripes(&svg, "c4"), ["m0 0v2m0 1v21m1-24v12"]);
    assert_eq!(
        paths(&svg, "hatch").len(),
        2,
        "one under the carpet, one in the key"
    );
    // One of the two is enough to know something.
    let mut half = day(|h| (h != 1).then_some(46.0));
    half.hours.insert(2, (1, Some(46.0)));
    assert!(!one(vec![half]).svg("a").contains("hatch"));
}

#[test]
fn sentence_and_table_say_the_same() {
    let mut picture = one(vec![
        day(|h| (3 <= h).then_some(38.5)),
        day(|_| Some(46.0)),
        day(|_| Some(55.25)),
    ]);
    picture.months.push(month(2, "Apr"));
    assert_eq!(
        picture.sentence().replace(NB, " "),
        "3 days by the hour: means of 38.5 to 55.2 F. Of 69 h: too cold 21 h, in the band 24 h, \
         too warm 24 h; no readings for 3 h more. The band is 40 to 52 F."
    );
    let figure = picture.figure("a");
    assert_eq!(
        row(&figure, "Mar"),
        "<td>21<td>24<td>0<td>3<td>38.5 to 46.0"
    );
    assert_eq!(row(&figure, "Apr"), "<td>0<td>0<td>24<td>0<td>55.2");
}

#[test]
fn each_day_is_held_against_its_own_band() {
    let mut picture = one(vec![day(|_| Some(58.0)), day(|_| Some(58.0))]);
    picture.scales = vec![
        Since {
            day: 0,
            scale: Scale::band(45.0, 60.0),
            words: "45 to 60 F".to_owned(),
        },
        since(1),
    ];
    let svg = picture.svg("a");
    assert_whole(&svg);
    assert_eq!(stripes(&svg, "c5"), ["m0 0v24m1-24v24"]);
    assert_eq!(stripes(&svg, "c7"), ["m1 0v24"]);
    assert_eq!(paths(&svg, "cut").len(), 1);
    assert!(
        !words(&svg).iter().any(|w| w.text == "52"),
        "no one figure would be true"
    );
    let said = picture.sentence().replace(NB, " ");
    assert!(
        said.ends_with("the band it had: 45 to 60 F, then 40 to 52 F."),
        "{said}"
    );
}

#[test]
fn a_distance_from_sweating_has_one_bad_side() {
    let mut picture = one(vec![day(|h| Some(f64::from(h) - 1.0))]);
    picture.quantity = Quantity::Margin;
    picture.unit = "K".to_owned();
    picture.scales[0].scale = Scale::margin(0.8, 2.0);
    let svg = picture.svg("a");
    assert_whole(&svg);
    let said = picture.sentence().replace(NB, " ");
    assert!(
        said.ends_with("Of 24 h: sweats 1 h, can’t tell 1 h, close 1 h, clear of it 21 h."),
        "{said}"
    );
    assert!(paths(&svg, "c6").is_empty(), "the key has no such class");
    for word in [
        "sweats",
        "can’t tell",
        "close",
        "clear of it",
        "-0.8",
        "0.8",
        "2",
    ] {
        assert!(words(&svg).iter().any(|w| w.text == word), "{word}");
    }
}

#[test]
fn a_full_winter_of_noise_is_light() {
    let mut noise = Noise(11);
    let mut picture = one(vec![]);
    picture.days = (0..365)
        .map(|_| Day {
            hours: (0..24)
                .map(|h| (h, Some(46.0 + 20.0 * noise.next()).filter(|v| *v < 62.0)))
                .collect(),
        })
        .collect();
    picture.months = months();
    let figure = picture.figure("a");
    assert_whole(&picture.svg("a"));
    assert!(figure.len() < 60_000, "{} bytes", figure.len());
    assert_eq!(figure, picture.clone().figure("a"), "the same every time");
}

#[test]
fn nothing_odd_fails() {
    let mut picture = one(vec![]);
    assert_whole(&picture.svg("a"));
    assert_eq!(picture.sentence(), "0 days by the hour: no readings.");
    picture.scales.clear();
    picture.months = vec![month(0, HOSTILE), month(900, "never")];
    picture.unit = HOSTILE.to_owned();
    picture.days = vec![Day {
        hours: vec![
            (7, Some(f64::NAN)),
            (8, Some(f64::INFINITY)),
            (99, Some(1.0)),
            (9, Some(-0.0)),
        ],
    }];
    let figure = picture.figure("<script>");
    assert!(!figure.contains("<b>") && !figure.contains("<script>") && !figure.contains("NaN"));
    assert!(figure.contains("&lt;b&gt;"));
    picture.scales = vec![Since {
        day: 0,
        scale: Scale::band(f64::NAN, 3.0),
        words: HOSTILE.to_owned(),
    }];
    assert!(!picture.figure("a").contains("<b>"));
    assert!(!picture.figure("a").contains("NaN"));
}
