//! The curves of several crates in one picture.

use std::fmt::Write as _;

use super::{
    LETTER, NB, Span,
    course::{Course, EDGE, Fan, LEFT, Series, Style},
    escape, figure,
    label::{Anchor, Labels},
    name, whole, width_of,
};

/// More curves than these are not named in the picture, only in the table.
const NAMED: usize = 6;

/// The curve of one crate.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve {
    /// Its code.
    pub label: String,
    /// UTC milliseconds and value, in order of time.
    pub points: Vec<(i64, f64)>,
    /// UTC milliseconds, low and high value; empty where it is not to be drawn.
    pub interval: Vec<(i64, f64, f64)>,
    /// Measurements: UTC milliseconds, value, plus or minus.
    pub measured: Vec<(i64, f64, f64)>,
}

/// A quantity of several crates over the winter, ready to be drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct Curves {
    /// What is drawn: "Shrink".
    pub name: String,
    /// Its unit, empty for an index.
    pub unit: String,
    /// Decimals that mean something.
    pub decimals: usize,
    /// Left edge, UTC milliseconds.
    pub from_ms: i64,
    /// Right edge, UTC milliseconds.
    pub to_ms: i64,
    /// Two points further apart than this are not joined.
    pub join_ms: i64,
    /// One for each crate. Those with an interval are drawn strong, the others fine.
    pub curves: Vec<Curve>,
    /// Limits with their words: "limp 15 %".
    pub limits: Vec<(f64, String)>,
    /// Where the axis begins; smaller values are drawn at the edge.
    pub floor: Option<f64>,
    /// Marks on the time axis with their words; those that would collide go unlabelled.
    pub ticks: Vec<(i64, String)>,
}

impl Curves {
    /// The whole figure: picture, sentence, and a table to open. `id` sets it apart on its page.
    pub fn figure(&self, id: &str) -> String {
        let id = &name(id);
        let (picture, said) = (self.svg(id), self.sentence());
        whole("strip course", id, &picture, &said, &self.table(id))
    }

    /// The picture alone, named by a title and described by the caption with the id `{id}-c`.
    pub fn svg(&self, id: &str) -> String {
        let course = self.course();
        let mut out = course.svg(id);
        // Each name stands at the end of its curve, in the room that is left there.
        let (frame, _) = course.frame();
        let [_, top, edge, bottom] = frame.area();
        let mut ends: Vec<_> = self
            .named()
            .filter_map(|curve| {
                let (at, value) = self.last(curve)?;
                Some((frame.y(value), frame.x(at), curve.label.as_str()))
            })
            .collect();
        ends.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut labels = Labels::default();
        let mut free = top;
        for (i, (y, x, label)) in ends.iter().enumerate() {
            // Room is left for those below, as far as there is any.
            let lowest = bottom - LETTER * (ends.len() - i) as f64;
            let head = (y - LETTER * 0.5).clamp(free, lowest.max(free));
            free = head + LETTER;
            let spot = (x + 4.0, head + LETTER * 0.85, Anchor::Start);
            labels.put(label, [spot], [0.0, 0.0, edge + 1.0, bottom + LETTER]);
        }
        out.truncate(out.len() - "</svg>".len());
        out += labels.markup();
        out += "</svg>";
        out
    }

    /// What the picture shows, for those who would rather read it.
    pub fn sentence(&self) -> String {
        let ends: Vec<_> = self.ends().collect();
        let name = &self.name;
        let rank = |a: &&(&Curve, f64), b: &&(&Curve, f64)| a.1.total_cmp(&b.1);
        let (Some(low), Some(high)) = (ends.iter().min_by(rank), ends.iter().max_by(rank)) else {
            return format!("{name}: nothing measured yet.");
        };
        let said = |value: f64| self.said(value);
        let mut out = match ends.len() {
            1 => format!("{name} of {} at the end: {}.", low.0.label, said(low.1)),
            n => format!(
                "{name} of {n} crates at the end: from {} ({}) to {} ({}).",
                said(low.1),
                low.0.label,
                said(high.1),
                high.0.label
            ),
        };
        for (curve, _) in &ends {
            if let Some((low, high)) = self.interval(curve) {
                let words = Span {
                    low,
                    high,
                    slots: 1,
                };
                let words = words.words(self.decimals);
                let unit = self.spaced();
                let _ = write!(out, " {} is likely at {words}{unit}.", curve.label);
            }
        }
        out
    }

    fn course(&self) -> Course {
        let mut order: Vec<_> = self.curves.iter().collect();
        // Strong ones last, so that they lie on top.
        order.sort_by_key(|c| self.strong(c));
        let wide = self.named().map(|c| width_of(&c.label)).fold(0.0, f64::max);
        let part = ((wide + 6.0) / (EDGE - LEFT)).min(0.4);
        let room = (self.to_ms - self.from_ms) as f64 * part / (1.0 - part);
        let to_ms = if wide == 0.0 {
            self.to_ms
        } else {
            self.to_ms + room.ceil() as i64
        };
        let mut course = Course {
            name: self.name.clone(),
            unit: self.unit.clone(),
            decimals: self.decimals,
            from_ms: self.from_ms,
            to_ms,
            now_ms: to_ms,
            join_ms: self.join_ms,
            lines: Vec::new(),
            fans: Vec::new(),
            dots: Vec::new(),
            dots_label: String::new(),
            limits: self.limits.clone(),
            zone: None,
            floor: self.floor,
            ceiling: None,
            ticks: self.ticks.clone(),
            rows: Vec::new(),
            sentence: String::new(),
        };
        for curve in order {
            let strong = self.strong(curve);
            let points = curve.points.iter().filter(|p| self.holds(p.0));
            course.lines.push(Series {
                label: String::new(),
                points: points.copied().collect(),
                style: if strong { Style::Past } else { Style::Second },
            });
            if !curve.interval.is_empty() {
                let points = curve.interval.iter().filter(|p| self.holds(p.0));
                course.fans.push(Fan {
                    label: String::new(),
                    points: points.copied().collect(),
                });
            }
            if strong {
                let dots = curve.measured.iter().filter(|p| self.holds(p.0));
                course.dots.extend(dots.copied());
            }
        }
        course.dots.sort_by_key(|d| d.0);
        course
    }

    fn strong(&self, curve: &Curve) -> bool {
        !curve.interval.is_empty() || self.curves.len() == 1
    }

    /// Curves whose names the picture has room for.
    fn named(&self) -> impl Iterator<Item = &Curve> {
        let few = self.curves.len() <= NAMED;
        let strong = self.curves.iter().filter(|c| self.strong(c)).count();
        self.curves
            .iter()
            .filter(move |c| few || (self.strong(c) && strong <= NAMED))
    }

    fn table(&self, id: &str) -> String {
        let heading = if self.unit.is_empty() {
            self.name.clone()
        } else {
            format!("{}, {}", self.name, self.unit)
        };
        let mut out = format!(
            "<details id=\"{id}-d\"><summary>The same as a table</summary><table><thead><tr>\
             <th scope=\"col\">Crate<th scope=\"col\">{}<th scope=\"col\">likely\
             <th scope=\"col\">measured<tbody>",
            escape(&heading)
        );
        for (curve, end) in self.ends() {
            let likely = self.interval(curve).map_or_else(
                || "–".to_owned(),
                |(low, high)| {
                    let span = Span {
                        low,
                        high,
                        slots: 1,
                    };
                    span.words(self.decimals)
                },
            );
            let measured: Vec<_> = curve
                .measured
                .iter()
                .filter(|m| m.1.is_finite())
                .map(|m| figure(m.1, self.decimals))
                .collect();
            let measured = if measured.is_empty() {
                "–".to_owned()
            } else {
                measured.join("; ")
            };
            let _ = write!(
                out,
                "<tr><th scope=\"row\">{}<td>{}<td>{likely}<td>{measured}",
                escape(&curve.label),
                figure(end, self.decimals)
            );
        }
        out += "</table></details>";
        out
    }

    /// Each crate with its last value in the picture.
    fn ends(&self) -> impl Iterator<Item = (&Curve, f64)> {
        let curves = self.curves.iter();
        curves.filter_map(|curve| Some((curve, self.last(curve)?.1)))
    }

    fn last(&self, curve: &Curve) -> Option<(i64, f64)> {
        let mut points = curve.points.iter().rev();
        let last = points.find(|p| self.holds(p.0) && p.1.is_finite());
        last.copied()
    }

    /// The last interval in the picture.
    fn interval(&self, curve: &Curve) -> Option<(f64, f64)> {
        let mut points = curve.interval.iter().rev();
        let last = points.find(|p| self.holds(p.0) && (p.1 + p.2).is_finite())?;
        Some((last.1, last.2))
    }

    fn holds(&self, at_ms: i64) -> bool {
        (self.from_ms..=self.to_ms).contains(&at_ms)
    }

    fn spaced(&self) -> String {
        if self.unit.is_empty() {
            String::new()
        } else {
            format!("{NB}{}", self.unit)
        }
    }

    fn said(&self, value: f64) -> String {
        figure(value, self.decimals) + &self.spaced()
    }
}
