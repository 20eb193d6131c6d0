//! Where the words in a picture stand: never on each other, never past an edge, seldom on a line.

use std::fmt::Write as _;

use super::{LETTER, escape, tenth, width_of};

/// Which end of a label its point is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Anchor {
    Start,
    Middle,
    End,
}

/// A point a label could stand at: x, baseline, and which part of the label x is.
pub(super) type Spot = (f64, f64, Anchor);

/// Left, top, right and bottom of an area.
pub(super) type Area = [f64; 4];

/// How much more it counts to hide what the picture is about.
const MOST: usize = 100;

/// The labels of one picture, in the order of their importance.
#[derive(Debug, Default)]
pub(super) struct Labels {
    taken: Vec<Area>,
    /// What labels should rather not cover, with what hiding it counts.
    drawn: Vec<(f64, f64, usize)>,
    out: String,
}

impl Labels {
    /// Marks a line or dot as something to keep clear of where there is a choice.
    pub(super) fn avoid(&mut self, points: impl IntoIterator<Item = (f64, f64)>) {
        self.mark(points, 1);
    }

    /// The same for what the picture is about.
    pub(super) fn avoid_most(&mut self, points: impl IntoIterator<Item = (f64, f64)>) {
        self.mark(points, MOST);
    }

    fn mark(&mut self, points: impl IntoIterator<Item = (f64, f64)>, counts: usize) {
        const STEP: f64 = 4.0;
        let mut before: Option<(f64, f64)> = None;
        for (x, y) in points {
            if let Some((x0, y0)) = before {
                let steps = ((x - x0).hypot(y - y0) / STEP).ceil().max(1.0);
                for i in 1..steps as usize {
                    let part = i as f64 / steps;
                    self.drawn
                        .push((x0 + (x - x0) * part, y0 + (y - y0) * part, counts));
                }
            }
            self.drawn.push((x, y, counts));
            before = Some((x, y));
        }
    }

    /// Writes the label at the spot that hides least, or nowhere when every one is taken or
    /// reaches out of `within`. Of equals the first is chosen.
    pub(super) fn put(
        &mut self,
        label: &str,
        spots: impl IntoIterator<Item = Spot>,
        within: Area,
    ) -> bool {
        self.put_as("", label, spots, within, usize::MAX)
    }

    /// The same, but nowhere when it would hide more than a touch of what the picture is about.
    pub(super) fn put_clear(
        &mut self,
        label: &str,
        spots: impl IntoIterator<Item = Spot>,
        within: Area,
    ) -> bool {
        self.put_as("", label, spots, within, 3 * MOST)
    }

    /// The same for the word "now", which a page that has lost contact takes away.
    pub(super) fn put_now(&mut self, spots: impl IntoIterator<Item = Spot>, within: Area) -> bool {
        self.put_as("class=\"instant\" ", "now", spots, within, usize::MAX)
    }

    fn put_as(
        &mut self,
        class: &str,
        label: &str,
        spots: impl IntoIterator<Item = Spot>,
        within: Area,
        most: usize,
    ) -> bool {
        if label.is_empty() {
            return false;
        }
        let mut best: Option<(usize, Spot, Area)> = None;
        for spot in spots {
            let area = area(label, spot);
            let outside = area[0] < within[0]
                || area[1] < within[1]
                || within[2] < area[2]
                || within[3] < area[3];
            if outside || self.taken.iter().any(|taken| meet(taken, &area)) {
                continue;
            }
            let hidden = self
                .drawn
                .iter()
                .filter(|(x, y, _)| holds(&area, (*x, *y)))
                .map(|drawn| drawn.2)
                .sum();
            if hidden <= most && best.as_ref().is_none_or(|b| hidden < b.0) {
                best = Some((hidden, spot, area));
            }
        }
        let Some((_, (x, y, anchor), area)) = best else {
            return false;
        };
        self.taken.push(area);
        let anchor = match anchor {
            Anchor::Start => "",
            Anchor::Middle => " text-anchor=\"middle\"",
            Anchor::End => " text-anchor=\"end\"",
        };
        let _ = write!(
            self.out,
            "<text {class}x=\"{}\" y=\"{}\"{anchor}>{}</text>",
            tenth(x),
            tenth(y),
            escape(label)
        );
        true
    }

    /// Everything written so far.
    pub(super) fn markup(&self) -> &str {
        &self.out
    }
}

/// What a label covers at most.
fn area(label: &str, (x, y, anchor): Spot) -> Area {
    let wide = width_of(label);
    let left = match anchor {
        Anchor::Start => x,
        Anchor::Middle => x - wide / 2.0,
        Anchor::End => x - wide,
    };
    [left, y - LETTER * 0.8, left + wide, y + LETTER * 0.2]
}

fn meet(a: &Area, b: &Area) -> bool {
    a[0] < b[2] && b[0] < a[2] && a[1] < b[3] && b[1] < a[3]
}

fn holds(area: &Area, (x, y): (f64, f64)) -> bool {
    area[0] - 1.0 <= x && x <= area[2] + 1.0 && area[1] - 1.0 <= y && y <= area[3] + 1.0
}

/// A step of 1, 2 or 5 times a power of ten that cuts `span` into at most `most` parts.
pub(super) fn step(span: f64, most: f64) -> f64 {
    let rough = (span / most).max(f64::MIN_POSITIVE);
    let power = 10_f64.powf(rough.log10().floor());
    [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|part| part * power)
        .find(|step| rough <= step * (1.0 + 1e-9))
        .unwrap_or(10.0 * power)
}

/// Round values from `low` to `high`, with the decimals that tell them apart.
pub(super) fn round_values(low: f64, high: f64, most: f64) -> (Vec<f64>, usize) {
    let step = step(high - low, most);
    let first = (low / step - 1e-9).ceil();
    let decimals = (-(step * (1.0 + 1e-9)).log10().floor()).clamp(0.0, 9.0);
    let values = (0..=most as usize + 1)
        .map(|i| (first + i as f64) * step)
        .filter(|value| *value <= high + step * 1e-9)
        .collect();
    (values, decimals as usize)
}

/// A label that fits into `room` picture units.
pub(super) fn shortened(label: &str, room: f64) -> String {
    if width_of(label) <= room {
        return label.to_owned();
    }
    let mut out = String::new();
    for c in label.chars() {
        out.push(c);
        if room < width_of(&out) + width_of("…") {
            out.pop();
            break;
        }
    }
    out.push('…');
    out
}
