//! What the pictures of a whole winter must show, and how they stay light.

use super::{
    NB, WIDTH,
    days::{EDGE, LEFT, hatch},
    seen::{circles, corners, paths, words},
};

/// Noise that is the same every time, -1 to 1.
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f64 {
        // The multiplier and increment of Knuth's MMIX generator.
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) as f64 / f64::from(1_u32 << 30) - 1.0
    }
}

const HOSTILE: &str = "<b>\"&'</svg>";

/// Well-formed, inside its edges, no word on another, colours left to the style sheet.
fn assert_whole(svg: &str) {
    assert!(!svg.contains("NaN") && !svg.contains("inf"), "{svg}");
    for word in ["fill", "stroke", "style", "#f", "rgb"] {
        assert!(!svg.contains(word), "{word} is for the style sheet");
    }
    let picture = roxmltree::Document::parse(svg).expect("well-formed");
    let view = picture.root_element().attribute("viewBox").unwrap();
    let height: f64 = view.rsplit(' ').next().unwrap().parse().unwrap();
    for path in picture.descendants().filter(|n| n.has_tag_name("path")) {
        let inside = |n: roxmltree::Node<'_, '_>| n.attribute("transform").is_some();
        if path.ancestors().any(inside) {
            continue;
        }
        let d = path.attribute("d").unwrap();
        for (x, y) in corners(d) {
            assert!((-0.05..=WIDTH + 0.05).contains(&x), "{x} in {d}");
            assert!((-0.05..=height).contains(&y), "{y} in {d}");
        }
    }
    let words = words(svg);
    for (i, a) in words.iter().enumerate() {
        assert!(-0.05 <= a.left && a.right <= WIDTH + 0.05, "{a:?}");
        assert!(a.base <= height - 3.0, "{a:?}");
        for b in &words[..i] {
            assert!(
                a.right <= b.left + 0.1
                    || b.right <= a.left + 0.1
                    || 11.8 <= (a.base - b.base).abs(),
                "{a:?} and {b:?} collide"
            );
        }
    }
}

fn month(day: usize, label: &str) -> (usize, String) {
    (day, label.to_owned())
}

/// Twelve months from July, as long as they are.
fn months() -> Vec<(usize, String)> {
    let first = [0, 31, 62, 92, 123, 153, 184, 215, 243, 274, 304, 335];
    let names = "Jul Aug Sep Oct Nov Dec Jan Feb Mar Apr May Jun";
    let names = names.split(' ');
    first
        .into_iter()
        .zip(names)
        .map(|(d, n)| month(d, n))
        .collect()
}

fn row<'a>(figure: &'a str, head: &str) -> &'a str {
    let start = format!("<tr><th scope=\"row\">{head}");
    let (_, rest) = figure.split_once(&start).expect(head);
    rest.split("<tr>")
        .next()
        .unwrap()
        .trim_end_matches("</table></details></figure>")
}

mod by_hour;

mod by_day;

mod in_the_air {
    use super::{super::density::*, *};

    fn air(stays: Vec<Stay>) -> Density {
        Density {
            stays,
            bands: vec![Band {
                t_c: (8.0 / 1.8, 20.0 / 1.8),
                rh: (75.0, 85.0),
            }],
            unit: "F",
            pressure_pa: 101_325.0,
        }
    }

    fn stay(temperature_c: f64, humidity_pct: f64, hours: f64) -> Stay {
        Stay {
            temperature_c,
            humidity_pct,
            hours,
        }
    }

    /// Boxes of a class in the frame, without the one of the key below it.
    fn boxes(svg: &str, class: &str) -> usize {
        let all = paths(svg, class);
        all[..all.len() - 1]
            .iter()
            .map(|d| d.matches('M').count())
            .sum()
    }

    #[test]
    fn hours_in_one_kind_of_air_add_up() {
        let svg = air(vec![stay(8.0, 80.0, 2.0); 20]).svg("a");
        assert_whole(&svg);
        assert_eq!(boxes(&svg, "h3"), 1, "40 h are between 30 and 100");
        let cell = corners(&paths(&svg, "h3")[0]);
        // 8 C, 80 %, 101 325 Pa: about 5.3 g/kg, in the step from 5.2 to 5.4 and 46 to 47 F.
        let words = words(&svg);
        let at = |text: &str| words.iter().find(|w| w.text == text).unwrap();
        let x = f64::midpoint(at("45").left, at("45").right);
        let next = f64::midpoint(at("50").left, at("50").right);
        assert!((cell[0].0 - (x + (next - x) / 5.0)).abs() < 0.2, "{cell:?}");
        assert!(
            (cell[1].0 - (x + 2.0 * (next - x) / 5.0)).abs() < 0.2,
            "{cell:?}"
        );
    }

    #[test]
    fn sentence_and_table_say_the_same() {
        let mut picture = air(vec![
            stay(8.0, 80.0, 60.0),
            stay(8.0, 90.0, 30.0),
            stay(2.0, 70.0, 10.0),
            stay(40.0, 20.0, 1.0),
            stay(8.0, f64::NAN, 5.0),
            stay(8.0, 80.0, -5.0),
        ]);
        let said = picture.sentence().replace(NB, " ");
        assert_eq!(
            said,
            "101 h with both figures, on average 45.9 F and 81 %. In the band of 40 to 52 F and 75 to \
             85 %: 60 h (59 %). Beyond the edge of the picture: 1 h."
        );
        let figure = picture.figure("a");
        assert_eq!(row(&figure, "too cold"), "<td>10<td>0<td>0");
        assert_eq!(row(&figure, "temperature in"), " its band<td>0<td>60<td>30");
        assert_eq!(row(&figure, "too warm"), "<td>1<td>0<td>0");
        assert!(
            words(&picture.svg("a"))
                .iter()
                .any(|w| w.text.replace(NB, " ") == "beyond: 1 h")
        );
        picture.unit = "C";
        assert!(picture.sentence().contains("4.4 to 11.1"));
    }

    #[test]
    fn a_full_winter_is_light_and_nothing_odd_fails() {
        let mut noise = Noise(9);
        let stays =
            (0..8760).map(|_| stay(8.0 + 9.0 * noise.next(), 80.0 + 20.0 * noise.next(), 1.0));
        let mut picture = air(stays.collect());
        assert_whole(&picture.svg("a"));
        let size = picture.figure("a").len();
        assert!(size < 60_000, "{size} bytes");
        picture.stays.clear();
        assert_whole(&picture.svg("a"));
        assert_eq!(
            picture.sentence(),
            "No hours with both temperature and humidity."
        );
        picture.bands.clear();
        assert_whole(&picture.svg("a"));
        picture.bands = vec![Band {
            t_c: (f64::NAN, 3.0),
            rh: (75.0, f64::INFINITY),
        }];
        assert!(!picture.figure("a").contains("NaN"));
    }
}

mod of_tubers {
    use super::{super::survival::*, *};

    fn group(name: &str, alive: u32, of: u32, interval: (f64, f64)) -> Group {
        Group {
            name: name.to_owned(),
            alive,
            of,
            interval,
            by_crate: None,
            small: of < 20,
        }
    }

    fn three() -> Survival {
        let mut groups = vec![
            group("Brindolet", 59, 80, (0.632, 0.821)),
            group("Nacrewhistle", 5, 6, (0.436, 0.97)),
            group("Unseen", 0, 0, (0.0, 1.0)),
        ];
        groups[0].by_crate = Some((0.52, 0.88));
        Survival {
            groups,
            confidence_pct: 95,
        }
    }

    #[test]
    fn a_point_its_intervals_and_its_figures() {
        let svg = three().svg("a");
        assert_whole(&svg);
        assert_eq!(circles(&svg, "dot").len(), 1);
        assert_eq!(circles(&svg, "spot").len(), 1, "few are drawn open");
        assert_eq!(paths(&svg, "interval").len(), 2);
        assert_eq!(paths(&svg, "clustered").len(), 1);
        let texts: Vec<_> = words(&svg).into_iter().map(|w| w.text).collect();
        for text in ["59 of 80", "Brindolet", "0 of 0", "40", "100"] {
            assert!(texts.iter().any(|t| t == text), "{text} in {texts:?}");
        }
        let line = corners(&paths(&svg, "interval")[0]);
        let (x, _) = circles(&svg, "dot")[0];
        assert!(line[0].0 < x && x < line[1].0);
        let thin = corners(&paths(&svg, "clustered")[0]);
        assert!(thin[0].0 < line[0].0 && line[1].0 < thin[1].0);
    }

    #[test]
    fn sentence_and_table_say_the_same() {
        let mut picture = three();
        assert_eq!(
            picture.sentence().replace(NB, " "),
            "Alive in Brindolet: 59 of 80 (74 %); Nacrewhistle: 5 of 6 (83 %). Thick lines: where the \
             share lies with 95 % confidence. Thin lines: the same where tubers of one crate share \
             their fate. One group is small and drawn open: its share says little."
        );
        let figure = picture.figure("a");
        assert_eq!(
            row(&figure, "Brindolet"),
            "<td>59 of 80<td>74<td>63 to 82<td>52 to 88"
        );
        assert_eq!(row(&figure, "Unseen"), " (few)<td>0 of 0<td>–<td>–<td>–");
        for i in 0..5 {
            picture
                .groups
                .push(group(&format!("Plot {i}"), 20 + i, 40, (0.4, 0.7)));
        }
        let said = picture.sentence().replace(NB, " ");
        // Five of six would be most, but they are few.
        assert!(
            said.starts_with(
                "7 groups. Fewest alive in Plot 0: 20 of 40 (50 %), most in Brindolet: 59 of 80 (74 %)."
            ),
            "{said}"
        );
    }

    #[test]
    fn nothing_odd_fails() {
        let mut picture = three();
        picture.groups[0].name = HOSTILE.repeat(9);
        picture.groups[1].interval = (f64::NAN, 1.0);
        picture.groups[0].by_crate = Some((2.0, -1.0));
        assert_whole(&picture.svg("a"));
        let figure = picture.figure("<script>");
        assert!(!figure.contains("<b>") && !figure.contains("<script>") && !figure.contains("NaN"));
        picture.groups.clear();
        assert_whole(&picture.svg("a"));
        assert_eq!(picture.sentence(), "Nothing was counted yet.");
    }
}

mod of_crates {
    use super::{super::against::*, *};

    fn dot(name: &str, x: f64, lost: u32, of: u32) -> Dot {
        Dot {
            name: name.to_owned(),
            x,
            lost,
            of,
        }
    }

    fn few() -> Against {
        Against {
            name: "Time below the band".to_owned(),
            unit: "h".to_owned(),
            decimals: 0,
            dots: vec![
                dot("A-01", 12.0, 0, 16),
                dot("B-01", 88.0, 4, 16),
                dot("C-01", 140.0, 2, 4),
                dot("C-02", 150.0, 0, 0),
                dot("C-03", f64::NAN, 1, 9),
            ],
        }
    }

    #[test]
    fn a_dot_for_each_crate_larger_with_more_tubers() {
        let picture = few();
        let svg = picture.svg("a");
        assert_whole(&svg);
        let dots = circles(&svg, "mass");
        assert_eq!(dots.len(), 3, "none held and no figure are left out");
        assert!(dots[0].0 < dots[1].0 && dots[1].0 < dots[2].0);
        assert!(
            dots[2].1 < dots[1].1 && dots[1].1 < dots[0].1,
            "more lost is higher"
        );
        let radii: Vec<_> = svg
            .split(" r=\"")
            .skip(1)
            .map(|r| r.split('"').next().unwrap())
            .collect();
        assert_eq!(
            radii,
            ["8", "8", "4"],
            "a quarter of the tubers, a quarter of the area"
        );
        for name in ["A-01", "B-01", "C-01"] {
            assert!(words(&svg).iter().any(|w| w.text == name), "{name}");
        }
        assert_eq!(
            picture.sentence().replace(NB, " "),
            "3 crates, Time below the band: 12 to 140 h. Lost from 0 of 16 (A-01) to 2 of 4 (C-01). A \
             larger dot is a fuller crate. What goes together need not be the cause."
        );
        assert_eq!(row(&picture.figure("a"), "B-01"), "<td>88<td>4 of 16<td>25");
    }

    #[test]
    fn many_are_not_named_and_nothing_odd_fails() {
        let mut noise = Noise(2);
        let mut picture = few();
        picture.dots = (0..400)
            .map(|i| dot(&format!("C-{i}"), 90.0 * noise.next(), i % 9, 9 + i % 20))
            .collect();
        let svg = picture.svg("a");
        assert_whole(&svg);
        assert!(!svg.contains("C-7"));
        for dots in [vec![], vec![dot(HOSTILE, 5.0, 9, 3)]] {
            picture.dots = dots;
            picture.name = HOSTILE.repeat(6);
            assert_whole(&picture.svg("a"));
            let figure = picture.figure("<script>");
            assert!(!figure.contains("<b>") && !figure.contains("<script>"));
        }
    }
}

mod of_weights {
    use super::{super::curves::*, *};

    const DAY: i64 = 86_400_000;

    fn curve(label: &str, pace: f64) -> Curve {
        Curve {
            label: label.to_owned(),
            points: (0..=200).map(|d| (d * DAY, pace * d as f64)).collect(),
            interval: Vec::new(),
            measured: Vec::new(),
        }
    }

    fn shrink(curves: Vec<Curve>) -> Curves {
        Curves {
            name: "Shrink".to_owned(),
            unit: "%".to_owned(),
            decimals: 1,
            from_ms: 0,
            to_ms: 200 * DAY,
            join_ms: 2 * DAY,
            curves,
            limits: vec![(15.0, format!("limp 15{NB}%"))],
            floor: Some(0.0),
            ticks: (0..6).map(|m| (m * 33 * DAY, format!("M{m}"))).collect(),
        }
    }

    #[test]
    fn each_curve_has_its_name_at_its_end_and_one_its_interval() {
        let mut strong = curve("A-02", 0.05);
        strong.interval = (0..=200)
            .map(|d| (d * DAY, 0.04 * d as f64, 0.06 * d as f64))
            .collect();
        strong.measured = vec![(90 * DAY, 4.6, 0.7), (999 * DAY, 9.0, 0.7)];
        let picture = shrink(vec![curve("A-01", 0.02), strong, curve("A-03", 0.021)]);
        let svg = picture.svg("a");
        assert_whole(&svg);
        assert_eq!(paths(&svg, "second").len(), 2);
        assert_eq!(paths(&svg, "line").len(), 1);
        assert_eq!(paths(&svg, "fan").len(), 1);
        assert_eq!(circles(&svg, "spot").len(), 1);
        let end = corners(&paths(&svg, "line")[0]).last().copied().unwrap();
        let words = words(&svg);
        let at = |text: &str| words.iter().find(|w| w.text == text).expect(text);
        assert!(end.0 < at("A-02").left && (at("A-02").base - end.1).abs() < 8.0);
        assert!(
            at("A-03").base < at("A-01").base,
            "in the order of their ends"
        );
        assert_eq!(
            picture.sentence().replace(NB, " "),
            "Shrink of 3 crates at the end: from 4.0 % (A-01) to 10.0 % (A-02). A-02 is likely at 8.0 \
             to 12.0 %."
        );
        assert_eq!(
            row(&picture.figure("a"), "A-02"),
            "<td>10.0<td>8.0 to 12.0<td>4.6; 9.0"
        );
    }

    #[test]
    fn many_are_not_named_and_nothing_odd_fails() {
        let many = (0..30)
            .map(|i| curve(&format!("C-{i}"), 0.002 * f64::from(i)))
            .collect();
        let svg = shrink(many).svg("a");
        assert_whole(&svg);
        assert!(!svg.contains("C-7"));
        let none = shrink(vec![]);
        assert_whole(&none.svg("a"));
        assert_eq!(none.sentence(), "Shrink: nothing measured yet.");
        let mut odd = curve(HOSTILE, f64::NAN);
        odd.interval = vec![(DAY, f64::NAN, 2.0)];
        let figure = shrink(vec![odd, curve(HOSTILE, 0.1)]).figure("<script>");
        assert!(!figure.contains("<b>") && !figure.contains("<script>") && !figure.contains("NaN"));
    }
}

#[test]
fn a_hatching_stays_inside_and_goes_on() {
    let d = hatch([10.0, 10.0, 30.0, 20.0]);
    for (x, y) in corners(&d) {
        assert!(
            (10.0..=30.0).contains(&x) && (10.0..=20.0).contains(&y),
            "{x} {y}"
        );
    }
    for line in d.split('M').skip(1) {
        let line = corners(&format!("M{line}"));
        let sum = line[0].0 + line[0].1;
        assert!((sum / 5.0 - (sum / 5.0).round()).abs() < 1e-9, "{line:?}");
        assert!((line[1].0 + line[1].1 - sum).abs() < 1e-9, "{line:?}");
    }
    assert_eq!(hatch([10.0, 10.0, 10.0, 20.0]), "");
}
