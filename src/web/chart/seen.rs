//! A picture as it is seen, for the tests: its words with what they cover, its lines with their corners.

use super::{LETTER, WIDTH, width_of};

/// A word of a picture.
#[derive(Debug)]
pub(super) struct Word {
    pub(super) left: f64,
    pub(super) right: f64,
    pub(super) base: f64,
    pub(super) text: String,
}

/// The words of an SVG; it must be well-formed.
pub(super) fn words(svg: &str) -> Vec<Word> {
    let picture = roxmltree::Document::parse(svg).expect("well-formed");
    picture
        .descendants()
        .filter(|n| n.has_tag_name("text"))
        .map(|n| {
            let number = |name| n.attribute(name).unwrap().parse::<f64>().unwrap();
            let text = n.text().unwrap().to_owned();
            let wide = width_of(&text);
            let left = match n.attribute("text-anchor") {
                Some("middle") => number("x") - wide / 2.0,
                Some("end") => number("x") - wide,
                _ => number("x"),
            };
            Word {
                left,
                right: left + wide,
                base: number("y"),
                text,
            }
        })
        .collect()
}

/// The `d` of every path with this class, or with this id.
pub(super) fn paths(svg: &str, class: &str) -> Vec<String> {
    let picture = roxmltree::Document::parse(svg).expect("well-formed");
    picture
        .descendants()
        .filter(|n| n.has_tag_name("path"))
        .filter(|n| {
            let classes = n.attribute("class").unwrap_or("");
            classes.split(' ').any(|c| c == class) || n.attribute("id") == Some(class)
        })
        .map(|n| n.attribute("d").unwrap().to_owned())
        .collect()
}

/// Centres of the circles with this class.
pub(super) fn circles(svg: &str, class: &str) -> Vec<(f64, f64)> {
    let picture = roxmltree::Document::parse(svg).expect("well-formed");
    let number =
        |n: roxmltree::Node<'_, '_>, name: &str| n.attribute(name).unwrap().parse().unwrap();
    picture
        .descendants()
        .filter(|n| n.has_tag_name("circle") && n.attribute("class") == Some(class))
        .map(|n| (number(n, "cx"), number(n, "cy")))
        .collect()
}

/// Every corner of a path.
pub(super) fn corners(d: &str) -> Vec<(f64, f64)> {
    let spaced: String = d
        .chars()
        .flat_map(|c| match c {
            'a'..='z' | 'A'..='Z' => vec![' ', c, ' '],
            '-' => vec![' ', '-'],
            c => vec![c],
        })
        .collect();
    let mut words = spaced.split_whitespace();
    let (mut x, mut y) = (0.0, 0.0);
    let mut corners = Vec::new();
    while let Some(step) = words.next() {
        let mut number = || words.next().unwrap().parse::<f64>().unwrap();
        match step {
            "M" => (x, y) = (number(), number()),
            "l" | "m" => (x, y) = (x + number(), y + number()),
            "h" => x += number(),
            "v" => y += number(),
            "H" => x = number(),
            "V" => y = number(),
            "z" => {}
            other => panic!("{other} in {d}"),
        }
        corners.push((x, y));
    }
    corners
}

/// Fails unless everything lies inside the picture and no word lies on another.
pub(super) fn assert_whole(svg: &str, height: f64) {
    assert!(!svg.contains("NaN") && !svg.contains("inf"), "{svg}");
    for word in ["fill", "stroke", "style", "#f", "rgb"] {
        assert!(!svg.contains(word), "{word} is for the style sheet");
    }
    let picture = roxmltree::Document::parse(svg).expect("well-formed");
    for path in picture.descendants().filter(|n| n.has_tag_name("path")) {
        let d = path.attribute("d").unwrap();
        for (x, y) in corners(d) {
            assert!((0.0..=WIDTH).contains(&x), "{x} in {d}");
            assert!((0.0..=height).contains(&y), "{y} in {d}");
        }
    }
    for class in ["dot", "ring", "spot"] {
        for (x, y) in circles(svg, class) {
            assert!((3.0..=WIDTH - 3.0).contains(&x), "{class} at {x}");
            assert!((3.0..=height - 3.0).contains(&y), "{class} at {y}");
        }
    }
    let words = words(svg);
    for (i, a) in words.iter().enumerate() {
        assert!(-0.05 <= a.left && a.right <= WIDTH + 0.05, "{a:?}");
        assert!(LETTER * 0.8 <= a.base && a.base <= height - 3.0, "{a:?}");
        for b in &words[..i] {
            assert!(
                a.right <= b.left + 0.1
                    || b.right <= a.left + 0.1
                    || LETTER - 0.2 <= (a.base - b.base).abs(),
                "{a:?} and {b:?} collide"
            );
        }
    }
}
