//! The days of a winter from left to right: its months, and spans that stay open.

use std::fmt::Write as _;

use super::{
    RIGHT, WIDTH,
    label::{Anchor, Area, Labels},
    tenth, width_of,
};

/// Left edge of the days; figures stand left of it.
pub(super) const LEFT: f64 = 34.0;
/// Right edge of the days.
pub(super) const EDGE: f64 = WIDTH - RIGHT;
/// The widest a day is drawn, so that a winter that has just begun does not look like a full one.
const WIDEST: f64 = 12.0;
/// From one line of a hatching to the next.
const HATCH: f64 = 5.0;

/// The axis of days.
#[derive(Debug, Clone, Copy)]
pub(super) struct Days {
    count: usize,
}

impl Days {
    pub(super) fn new(count: usize) -> Self {
        Self { count }
    }

    /// How wide one day is drawn.
    pub(super) fn wide(self) -> f64 {
        ((EDGE - LEFT) / self.count.max(1) as f64).min(WIDEST)
    }

    /// Where a day begins; a part of a day lies between.
    pub(super) fn x(self, day: f64) -> f64 {
        LEFT + day.clamp(0.0, self.count as f64) * self.wide()
    }

    /// Right edge of the last day.
    pub(super) fn end(self) -> f64 {
        self.x(self.count as f64)
    }

    /// Short lines where a month begins, and its name where it has the room.
    pub(super) fn months(
        self,
        labels: &mut Labels,
        months: &[(usize, String)],
        (bottom, base): (f64, f64),
        all: Area,
    ) -> String {
        let mut marks = String::new();
        let shown: Vec<_> = months.iter().filter(|m| m.0 < self.count.max(1)).collect();
        for (i, (day, label)) in shown.iter().enumerate() {
            let x = self.x(*day as f64);
            let _ = write!(marks, "M{} {}v4", tenth(x), tenth(bottom));
            // A few days of October do not take the room of November.
            let to = shown
                .get(i + 1)
                .map_or(WIDTH, |next| self.x(next.0 as f64) + 1.0);
            if x + width_of(label) <= to {
                labels.put(label, [(x, base, Anchor::Start)], all);
            }
        }
        marks
    }
}

/// Slanting lines over an area. Those of two areas are parts of the same lines.
pub(super) fn hatch([left, top, right, bottom]: Area) -> String {
    let mut out = String::new();
    if right - left < 0.05 || bottom - top < 0.05 {
        return out;
    }
    // Each is the line on which x + y is a multiple of the step.
    let first = ((left + top) / HATCH).ceil() as i64;
    let last = ((right + bottom) / HATCH).floor() as i64;
    for sum in (first..=last).map(|k| k as f64 * HATCH) {
        let (x0, x1) = ((sum - bottom).max(left), (sum - top).min(right));
        if 0.05 < x1 - x0 {
            let rise = tenth(x0 - x1);
            let _ = write!(
                out,
                "M{} {}l{} {rise}",
                tenth(x0),
                tenth(sum - x0),
                tenth(x1 - x0)
            );
        }
    }
    out
}

/// A closed box.
pub(super) fn rect([left, top, right, bottom]: Area) -> String {
    let (left, top) = (tenth(left), tenth(top));
    format!("M{left} {top}H{}V{}H{left}z", tenth(right), tenth(bottom))
}
