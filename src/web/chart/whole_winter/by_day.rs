//! The two ribbons, day by day.

use super::{super::strip::*, *};

fn ribbon(days: usize, value: impl Fn(usize) -> Option<f64>, band: (f64, f64)) -> Ribbon {
    Ribbon {
        days: (0..days)
            .map(|d| {
                let mean = value(d)?;
                Some(Day {
                    low: mean - 1.0,
                    mean,
                    high: mean + 1.0,
                })
            })
            .collect(),
        bands: vec![(0, Some(band))],
    }
}

fn winter(days: usize, value: impl Fn(usize) -> Option<f64>) -> WinterStrip {
    WinterStrip {
        days,
        months: months(),
        temperature: ribbon(days, &value, (40.0, 52.0)),
        humidity: ribbon(days, |d| Some(value(d)? + 34.0), (75.0, 85.0)),
        unit: "F",
        alerts: Vec::new(),
        off: Vec::new(),
        events: Vec::new(),
    }
}

#[test]
fn a_gap_stays_open() {
    let whole = winter(90, |_| Some(46.0)).svg("a");
    assert_whole(&whole);
    for (class, times) in [("ribbon", 1), ("mean", 1)] {
        for d in paths(&whole, class) {
            assert_eq!(d.matches('M').count(), times, "{d}");
        }
    }
    let broken = winter(90, |d| (!(30..40).contains(&d)).then_some(46.0));
    let svg = broken.svg("a");
    for d in paths(&svg, "ribbon").iter().chain(&paths(&svg, "mean")) {
        assert_eq!(d.matches('M').count(), 2, "{d}");
    }
    let ribbon = corners(&paths(&svg, "ribbon")[0]);
    let wide = (EDGE - LEFT) / 90.0;
    let open = |x: f64| LEFT + 30.0 * wide + 0.2 < x && x < LEFT + 40.0 * wide - 0.2;
    assert!(ribbon.iter().all(|c| !open(c.0)), "{ribbon:?}");
    assert!(
        broken
            .sentence()
            .contains("always in its band, no readings on 10 days.")
    );
}

#[test]
fn each_rank_has_its_shape_and_what_is_close_is_one() {
    let mut picture = winter(200, |_| Some(46.0));
    let alert = |day, rank| Alert { day, rank };
    picture.alerts = vec![
        alert(10.0, Rank::High),
        alert(12.0, Rank::High),
        alert(90.0, Rank::High),
        alert(50.0, Rank::Medium),
        alert(60.0, Rank::Low),
        alert(999.0, Rank::Low),
        alert(f64::NAN, Rank::Low),
    ];
    let svg = picture.svg("a");
    assert_whole(&svg);
    assert_eq!(
        paths(&svg, "full").len(),
        3 + 2,
        "two triangles, half a diamond, and the key"
    );
    assert_eq!(paths(&svg, "edge").len(), 1 + 1);
    assert_eq!(circles(&svg, "edge").len(), 1 + 1);
    assert_eq!(
        paths(&svg, "run").len(),
        1,
        "two are one with a line behind"
    );
    assert!(svg.contains("<g class=\"now\">") && svg.contains("<g class=\"soon\">"));
    assert!(
        picture
            .sentence()
            .contains("Alerts: 3 high, 1 medium, 1 low.")
    );
    assert!(row(&picture.figure("a"), "Jul").ends_with("<td>2 high"));
}

#[test]
fn the_recorder_off_and_named_days_are_marked() {
    let mut picture = winter(200, |_| Some(46.0));
    picture.off = vec![(20.0, 22.5), (50.0, 50.1), (199.0, 400.0), (3.0, f64::NAN)];
    picture.events = vec![
        Event {
            day: 0.0,
            label: "first dug".to_owned(),
            words: "First dug on 1 Jul".to_owned(),
        },
        Event {
            day: 190.0,
            label: "planted".to_owned(),
            words: "First planted on 7 Jan".to_owned(),
        },
    ];
    let svg = picture.svg("a");
    assert_whole(&svg);
    assert_eq!(paths(&svg, "hatch").len(), 1);
    assert_eq!(paths(&svg, "cut")[0].matches('M').count(), 2);
    let said = picture.sentence().replace(NB, " ");
    assert!(
        said.ends_with("off for 86 h. First dug on 1 Jul. First planted on 7 Jan."),
        "{said}"
    );
    assert!(words(&svg).iter().any(|w| w.text == "planted"));
}

#[test]
fn the_sentence_counts_days_outside_each_band() {
    let mut picture = winter(40, |d| Some(if d < 4 { 40.5 } else { 46.0 }));
    assert_eq!(
        picture.sentence().replace(NB, " "),
        "40 days. Temperature 39.5 to 47.0 F, below its band on 4 days. Humidity 74 to 81 %, below \
         its band on 4 days. No alerts."
    );
    // A room that is empty is not held against a band.
    picture.temperature.bands = vec![(0, None), (4, Some((40.0, 52.0)))];
    assert!(picture.sentence().contains("39.5 to 47.0"));
    assert!(picture.sentence().contains("F, always in its band."));
    let svg = picture.svg("a");
    let band = corners(&paths(&svg, "band")[0]);
    assert!((band[0].0 - (LEFT + 4.0 * (EDGE - LEFT) / 40.0)).abs() < 0.1);
}

#[test]
fn a_full_winter_is_light_and_nothing_odd_fails() {
    let mut noise = Noise(5);
    let values: Vec<f64> = (0..365).map(|_| 46.0 + 15.0 * noise.next()).collect();
    let picture = winter(365, |d| Some(values[d]));
    assert_whole(&picture.svg("a"));
    let size = picture.figure("a").len();
    assert!(size < 40_000, "{size} bytes");
    for days in [0, 1] {
        let mut picture = winter(days, |_| Some(46.0));
        assert_whole(&picture.svg("a"));
        picture.months = vec![month(0, HOSTILE)];
        picture.events = vec![Event {
            day: 0.0,
            label: HOSTILE.to_owned(),
            words: HOSTILE.to_owned(),
        }];
        picture.temperature = ribbon(days, |_| Some(f64::NAN), (f64::NAN, 3.0));
        let figure = picture.figure("<script>");
        assert!(!figure.contains("<b>") && !figure.contains("<script>"));
        assert!(!figure.contains("NaN"));
        roxmltree::Document::parse(&picture.svg("a")).expect("well-formed");
    }
}
