//! The course of one quantity: what was, what is likely with its interval, and the limits it meets.

use std::fmt::Write as _;

use super::{
    LETTER, NB, RIGHT, Span, WIDTH, escape, figure,
    label::{Anchor, Area, Labels, Spot, round_values},
    name, path, placed_ticks, tenth, whole, width_of,
};

/// Left edge of the frame, unless the figures beside it need more.
pub(super) const LEFT: f64 = 38.0;
pub(super) const EDGE: f64 = WIDTH - RIGHT;
const TOP: f64 = 27.0;
const BOTTOM: f64 = 134.0;
/// Where the day and time labels stand.
const TIMES: f64 = BOTTOM + 17.0;
const HEIGHT: f64 = TIMES + 6.0;

/// How a line is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Style {
    /// What was measured or follows from it: drawn full, gaps left open.
    Past,
    /// What is expected: dashed, never broken.
    Ahead,
    /// Something to compare with: fine, gaps left open.
    Second,
}

/// One line.
#[derive(Debug, Clone, PartialEq)]
pub struct Series {
    /// Its name in the picture and in the table; empty where the picture's name says it.
    pub label: String,
    /// UTC milliseconds and value, in order of time.
    pub points: Vec<(i64, f64)>,
    /// How it is drawn.
    pub style: Style,
}

/// An interval that opens or closes with time.
#[derive(Debug, Clone, PartialEq)]
pub struct Fan {
    /// Its name in the picture and in the table.
    pub label: String,
    /// UTC milliseconds, low and high value, in order of time.
    pub points: Vec<(i64, f64, f64)>,
}

/// A quantity over time, ready to be drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct Course {
    /// What is drawn: "Shrink", "Mould pressure".
    pub name: String,
    /// Its unit, empty for an index.
    pub unit: String,
    /// Decimals that mean something.
    pub decimals: usize,
    /// Left edge, UTC milliseconds.
    pub from_ms: i64,
    /// Right edge, UTC milliseconds.
    pub to_ms: i64,
    /// Marked where it lies between the edges.
    pub now_ms: i64,
    /// Two points up to now further apart than this are not joined; what lies ahead was computed,
    /// not heard, and has no gaps.
    pub join_ms: i64,
    /// Lines.
    pub lines: Vec<Series>,
    /// Intervals.
    pub fans: Vec<Fan>,
    /// Single measurements: UTC milliseconds, value, and its plus or minus (0 draws none).
    pub dots: Vec<(i64, f64, f64)>,
    /// Name of the measurements in the picture and in the table.
    pub dots_label: String,
    /// Limits with their words: "limp 15 %".
    pub limits: Vec<(f64, String)>,
    /// A range with its own meaning: low, high, words ("cannot tell").
    pub zone: Option<(f64, f64, String)>,
    /// Where the axis begins; smaller values are drawn at the edge.
    pub floor: Option<f64>,
    /// Where the axis ends; larger values are drawn at the edge.
    pub ceiling: Option<f64>,
    /// Marks on the time axis with their words; those that would collide go unlabelled.
    pub ticks: Vec<(i64, String)>,
    /// Start of each row of the table with its local day; empty means one row per tick.
    pub rows: Vec<(i64, String)>,
    /// What the picture shows, for those who would rather read it.
    pub sentence: String,
}

/// The axes while they are being drawn.
pub(super) struct Frame<'a> {
    course: &'a Course,
    left: f64,
    low: f64,
    high: f64,
}

impl Frame<'_> {
    pub(super) fn x(&self, at_ms: i64) -> f64 {
        let course = self.course;
        let span = (course.to_ms - course.from_ms).max(1) as f64;
        self.left + (at_ms - course.from_ms) as f64 / span * (EDGE - self.left)
    }

    pub(super) fn y(&self, value: f64) -> f64 {
        let part = (value - self.low) / (self.high - self.low);
        BOTTOM - part.clamp(0.0, 1.0) * (BOTTOM - TOP)
    }

    pub(super) fn area(&self) -> Area {
        [self.left + 1.0, TOP, EDGE + 1.0, BOTTOM]
    }

    fn shows(&self, value: f64) -> bool {
        self.low <= value && value <= self.high
    }
}

impl Course {
    /// The whole figure: picture, sentence, and a table to open. `id` sets it apart on its page.
    pub fn figure(&self, id: &str) -> String {
        let id = &name(id);
        let table = self.table(id);
        whole("strip course", id, &self.svg(id), &self.sentence, &table)
    }

    /// The picture alone, named by a title and described by the caption with the id `{id}-c`.
    pub fn svg(&self, id: &str) -> String {
        let (frame, figures) = self.frame();
        let mut labels = Labels::default();
        let heading = shortened(&self.headed(&self.name));
        let mut out = format!(
            "<svg viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-labelledby=\"{id}-n\" \
             aria-describedby=\"{id}-c\"><title id=\"{id}-n\">{}</title>\
             <text class=\"head\" x=\"0\" y=\"12\">{}</text>",
            escape(&self.headed(&self.name)),
            escape(&heading)
        );
        for (value, label) in figures {
            let spot = (
                frame.left - 5.0,
                frame.y(value) + LETTER * 0.35,
                Anchor::End,
            );
            labels.put(&label, [spot], [0.0, TOP - 6.0, WIDTH, HEIGHT]);
        }
        let left = tenth(frame.left);
        if let Some((low, high, _)) = self.zone() {
            let (y, to) = (frame.y(*high), frame.y(*low));
            let _ = write!(
                out,
                "<path class=\"zone\" d=\"M{left} {}H{EDGE}V{}H{left}z\"/>",
                tenth(y),
                tenth(to)
            );
        }
        for fan in &self.fans {
            for run in self.runs(&self.within(&fan.points, |p| (p.0, p.1 + p.2)), |p| p.0) {
                let _ = write!(out, "<path class=\"fan\" d=\"{}\"/>", outline(&run, &frame));
            }
        }
        let mut marks = format!("M{left} {BOTTOM}H{EDGE}");
        let edges = (self.from_ms, self.to_ms);
        for (at, label) in placed_ticks(&self.ticks, edges, |at| frame.x(at)) {
            let _ = write!(marks, "M{} {BOTTOM}v4", tenth(frame.x(at)));
            if let Some((x, label)) = label {
                let all = [0.0, 0.0, WIDTH, HEIGHT];
                labels.put(&label, [(x, TIMES, Anchor::Middle)], all);
            }
        }
        let _ = write!(out, "<path class=\"tick\" d=\"{marks}\"/>");
        for (value, _) in self.limits.iter().filter(|l| frame.shows(l.0)) {
            let y = tenth(frame.y(*value));
            let _ = write!(out, "<path class=\"limit\" d=\"M{left} {y}H{EDGE}\"/>");
        }
        let here = Some(frame.x(self.now_ms)).filter(|x| frame.left + 8.0 < *x && *x < EDGE - 8.0);
        if let Some(x) = here {
            let _ = write!(
                out,
                "<path class=\"here instant\" d=\"M{} {TOP}V{BOTTOM}\"/>",
                tenth(x)
            );
        }
        let mut over = String::new();
        self.lines(&mut over, &mut labels, &frame);
        self.words(&mut labels, &frame, here);
        // Words under the lines: a word's halo over them would look like a gap.
        out += labels.markup();
        out += &over;
        out += "</svg>";
        out
    }

    fn lines(&self, out: &mut String, labels: &mut Labels, frame: &Frame<'_>) {
        for series in &self.lines {
            let (class, gaps) = match series.style {
                Style::Past => ("line", true),
                Style::Ahead => ("ahead", false),
                Style::Second => ("second", true),
            };
            let points = self.within(&series.points, |p| *p);
            let runs = if gaps {
                self.runs(&points, |p| p.0)
            } else {
                vec![points.clone()]
            };
            let mut d = String::new();
            for run in &runs {
                let drawn: Vec<_> = run
                    .iter()
                    .map(|p| (0, frame.x(p.0), frame.y(p.1)))
                    .collect();
                let drawn = thinned(&drawn);
                labels.avoid_most(drawn.iter().map(|p| (p.1, p.2)));
                d += &path(&drawn, 0);
            }
            if !d.is_empty() {
                let _ = write!(out, "<path class=\"{class}\" d=\"{d}\"/>");
            }
            if series.style == Style::Past
                && let Some((at, value)) = points.last()
                && (0..=2 * self.join_ms).contains(&(self.now_ms - at))
            {
                let (x, y) = (tenth(frame.x(*at)), tenth(frame.y(*value)));
                let _ = write!(out, "<circle class=\"dot\" cx=\"{x}\" cy=\"{y}\" r=\"3\"/>");
            }
        }
        for (at, value, about) in self.within(&self.dots, |p| (p.0, p.1 + p.2)) {
            let (x, y) = (frame.x(at), frame.y(value));
            if 0.0 < about {
                let (top, foot) = (frame.y(value + about), frame.y(value - about));
                let _ = write!(
                    out,
                    "<path class=\"about\" d=\"M{} {}V{}\"/>",
                    tenth(x),
                    tenth(top),
                    tenth(foot)
                );
            }
            labels.avoid_most([(x, y)]);
            let (x, y) = (tenth(x), tenth(y));
            let _ = write!(
                out,
                "<circle class=\"spot\" cx=\"{x}\" cy=\"{y}\" r=\"2.5\"/>"
            );
        }
    }

    /// The words in the frame, the limits first.
    fn words(&self, labels: &mut Labels, frame: &Frame<'_>, here: Option<f64>) {
        let area = frame.area();
        let left = frame.left + 3.0;
        let shown: Vec<_> = self.limits.iter().filter(|l| frame.shows(l.0)).collect();
        for (value, _) in &shown {
            let y = frame.y(*value);
            labels.avoid([(frame.left, y), (EDGE, y)]);
        }
        let beside = |y: f64| {
            [y - 4.0, y + LETTER].map(|y| {
                [
                    (left, y, Anchor::Start),
                    (EDGE, y, Anchor::End),
                    (f64::midpoint(left, EDGE), y, Anchor::Middle),
                ]
            })
        };
        for (value, label) in shown {
            let spots = beside(frame.y(*value)).into_iter().flatten();
            labels.put(label, spots, area);
        }
        if let Some((low, high, label)) = self.zone() {
            let (top, foot) = (frame.y(*high), frame.y(*low));
            let middle = f64::midpoint(top, foot) + LETTER * 0.35;
            let inside = [(left, middle, Anchor::Start), (EDGE, middle, Anchor::End)];
            let around = [beside(top)[0], beside(foot)[1]].into_iter().flatten();
            if LETTER + 2.0 <= foot - top {
                labels.put(label, inside.into_iter().chain(around), area);
            } else {
                labels.put(label, around, area);
            }
        }
        if self.is_empty() {
            let middle = f64::midpoint(frame.left, EDGE);
            let spots = [0.5, 0.3, 0.7, 0.15, 0.85]
                .map(|part| (middle, TOP + (BOTTOM - TOP) * part, Anchor::Middle));
            labels.put("nothing measured yet", spots, area);
        }
        if let Some(x) = here {
            labels.avoid([(x, TOP), (x, BOTTOM)]);
            let spots = [TOP + LETTER, BOTTOM - 4.0]
                .map(|y| [(x - 4.0, y, Anchor::End), (x + 4.0, y, Anchor::Start)]);
            labels.put_now(spots.into_iter().flatten(), area);
        }
        let near = |points: Vec<(f64, f64)>| spots(&points, area, frame.left);
        let dots = self.within(&self.dots, |p| (p.0, p.1 + p.2));
        let dots = dots.iter().map(|p| (frame.x(p.0), frame.y(p.1)));
        labels.put(&self.dots_label, near(dots.collect()), area);
        for fan in &self.fans {
            let points = self.within(&fan.points, |p| (p.0, p.1 + p.2));
            let edges = points
                .iter()
                .flat_map(|p| [(frame.x(p.0), frame.y(p.2)), (frame.x(p.0), frame.y(p.1))]);
            labels.put(&fan.label, near(edges.collect()), area);
        }
        for series in &self.lines {
            let points = self.within(&series.points, |p| *p);
            let points = points.iter().map(|p| (frame.x(p.0), frame.y(p.1)));
            labels.put(&series.label, near(points.collect()), area);
        }
    }

    /// The axes, and the figures beside them with the most telling first.
    pub(super) fn frame(&self) -> (Frame<'_>, Vec<(f64, String)>) {
        let lines = self
            .lines
            .iter()
            .flat_map(|s| self.within(&s.points, |p| *p));
        let fans = self
            .fans
            .iter()
            .flat_map(|f| self.within(&f.points, |p| (p.0, p.1 + p.2)));
        let dots = self.within(&self.dots, |p| (p.0, p.1 + p.2));
        let zone = self.zone().into_iter().flat_map(|z| [z.0, z.1]);
        let values = lines
            .map(|p| p.1)
            .chain(fans.flat_map(|p| [p.1, p.2]))
            .chain(dots.into_iter().flat_map(|p| [p.1 - p.2, p.1 + p.2]))
            .chain(self.limits.iter().map(|l| l.0))
            .chain(zone)
            .chain(self.floor)
            .chain(self.ceiling)
            .filter(|value| value.is_finite());
        let (low, high) = Span::of(values).map_or((0.0, 1.0), |s| (s.low, s.high));
        // Noise in the last decimal does not fill the picture.
        let least = 4.0 * 0.1_f64.powi(self.decimals as i32);
        let short = (least - (high - low)).max(0.0);
        let pad = (high - low).max(least) * 0.08;
        let fixed = |edge: Option<f64>| edge.filter(|e| e.is_finite());
        let floor = fixed(self.floor);
        let below = if floor.is_some() { 0.0 } else { short / 2.0 };
        let low = floor.unwrap_or(low - below - pad);
        let high = fixed(self.ceiling).unwrap_or(high + short - below + pad);
        let high = if low < high { high } else { low + least };
        let (mut values, decimals) = round_values(low, high, 5.0);
        if self.is_empty() && self.limits.is_empty() {
            values.clear();
        }
        let limits = self.limits.iter().map(|l| l.0);
        let figures: Vec<_> = limits
            .filter(|value| low <= *value && *value <= high)
            .map(|value| (value, figure(value, self.short(value))))
            .chain(values.iter().map(|v| (*v, figure(*v, decimals))))
            .collect();
        let widest = figures.iter().map(|f| width_of(&f.1)).fold(0.0, f64::max);
        let frame = Frame {
            course: self,
            left: (widest + 6.0).clamp(LEFT, WIDTH / 2.0),
            low,
            high,
        };
        (frame, figures)
    }

    /// Decimals a value needs, up to those that mean something.
    fn short(&self, value: f64) -> usize {
        (0..self.decimals)
            .find(|d| {
                let scaled = value * 10_f64.powi(*d as i32);
                (scaled - scaled.round()).abs() < 1e-6
            })
            .unwrap_or(self.decimals)
    }

    /// The points between the edges, without those that are no number.
    fn within<P: Copy>(&self, points: &[P], key: impl Fn(&P) -> (i64, f64)) -> Vec<P> {
        points
            .iter()
            .filter(|p| {
                let (at, value) = key(p);
                (self.from_ms..=self.to_ms).contains(&at) && value.is_finite()
            })
            .copied()
            .collect()
    }

    /// Pieces without a gap.
    fn runs<P: Copy>(&self, points: &[P], at: impl Fn(&P) -> i64) -> Vec<Vec<P>> {
        points
            .chunk_by(|a, b| at(b) - at(a) <= self.join_ms || self.now_ms < at(b))
            .map(<[P]>::to_vec)
            .collect()
    }

    fn zone(&self) -> Option<&(f64, f64, String)> {
        self.zone.as_ref().filter(|z| (z.0 + z.1).is_finite())
    }

    fn is_empty(&self) -> bool {
        let mut lines = self.lines.iter().map(|s| &s.points);
        let mut fans = self.fans.iter().map(|f| &f.points);
        lines.all(|points| self.within(points, |p| *p).is_empty())
            && fans.all(|points| self.within(points, |p| (p.0, p.1 + p.2)).is_empty())
            && self.within(&self.dots, |p| (p.0, p.1 + p.2)).is_empty()
    }

    fn headed(&self, label: &str) -> String {
        if self.unit.is_empty() {
            label.to_owned()
        } else {
            format!("{label}, {}", self.unit)
        }
    }

    fn table(&self, id: &str) -> String {
        let mut out = format!(
            "<details id=\"{id}-d\"><summary>The same as a table</summary><table><thead><tr>\
             <th scope=\"col\">From"
        );
        // A column without a single figure would only take room.
        let mut columns: Vec<(&str, Vec<(i64, String)>)> = Vec::new();
        let said = |value: f64| figure(value, self.decimals);
        let dots = self.within(&self.dots, |p| (p.0, p.1 + p.2));
        let dots = dots.iter().map(|p| {
            let about = match p.2 {
                about if 0.0 < about => format!(" ±{NB}{}", said(about)),
                _ => String::new(),
            };
            (p.0, said(p.1) + &about)
        });
        columns.push((&self.dots_label, dots.collect()));
        let mut spans = Vec::new();
        for series in &self.lines {
            let points = self.within(&series.points, |p| *p);
            spans.push((
                series.label.as_str(),
                points.iter().map(|p| (p.0, p.1, p.1)).collect(),
            ));
        }
        for fan in &self.fans {
            spans.push((
                fan.label.as_str(),
                self.within(&fan.points, |p| (p.0, p.1 + p.2)),
            ));
        }
        columns.retain(|c| !c.1.is_empty());
        spans.retain(|c| !c.1.is_empty());
        let named = |label: &str| self.headed(if label.is_empty() { &self.name } else { label });
        for label in spans.iter().map(|c| c.0).chain(columns.iter().map(|c| c.0)) {
            let _ = write!(out, "<th scope=\"col\">{}", escape(&named(label)));
        }
        out += "<tbody>";
        let rows = if self.rows.is_empty() {
            &self.ticks
        } else {
            &self.rows
        };
        for (i, (from, label)) in rows.iter().enumerate() {
            let to = rows.get(i + 1).map_or(i64::MAX, |row| row.0);
            let _ = write!(out, "<tr><th scope=\"row\">{}", escape(label));
            for (_, points) in &spans {
                let within = points.iter().filter(|p| *from <= p.0 && p.0 < to);
                let span = Span::of(within.flat_map(|p| [p.1, p.2]));
                let words = span.map_or_else(|| "–".to_owned(), |s| s.words(self.decimals));
                let _ = write!(out, "<td>{words}");
            }
            for (_, points) in &columns {
                let within = points.iter().filter(|p| *from <= p.0 && p.0 < to);
                let words: Vec<_> = within.map(|p| p.1.as_str()).collect();
                let words = if words.is_empty() {
                    "–".to_owned()
                } else {
                    words.join("; ")
                };
                let _ = write!(out, "<td>{words}");
            }
        }
        out += "</table></details>";
        out
    }
}

/// A closed shape: along the high values, back along the low ones.
fn outline(run: &[(i64, f64, f64)], frame: &Frame<'_>) -> String {
    let edge = |pick: fn(&(i64, f64, f64)) -> f64| -> Vec<_> {
        let points = run.iter().map(|p| (0, frame.x(p.0), frame.y(pick(p))));
        thinned(&points.collect::<Vec<_>>())
    };
    let mut points = edge(|p| p.2);
    points.extend(edge(|p| p.1).into_iter().rev());
    path(&points, 0) + "z"
}

/// No more than the first, lowest, highest and last point for each step of one unit to the right:
/// a winter of readings would draw the same ink hundreds of times.
fn thinned(points: &[(i64, f64, f64)]) -> Vec<(i64, f64, f64)> {
    let mut out = Vec::with_capacity(points.len());
    for column in points.chunk_by(|a, b| a.1 as i64 == b.1 as i64) {
        if column.len() <= 4 {
            out.extend_from_slice(column);
            continue;
        }
        let rank = |i: &usize, j: &usize| column[*i].2.total_cmp(&column[*j].2);
        let mut keep = vec![0, column.len() - 1];
        keep.extend((0..column.len()).min_by(rank));
        keep.extend((0..column.len()).max_by(rank));
        keep.sort_unstable();
        keep.dedup();
        out.extend(keep.into_iter().map(|i| column[i]));
    }
    out
}

/// Where a label could stand beside a line, its end first.
fn spots(points: &[(f64, f64)], area: Area, left: f64) -> Vec<Spot> {
    let Some(last) = points.len().checked_sub(1) else {
        return Vec::new();
    };
    let mut out = Vec::new();
    // Close by anywhere along the line is better than far off at its end.
    for (above, below) in [(6.0, 3.0), (16.0, 14.0)] {
        for part in [1.0, 0.85, 0.7, 0.5, 0.35, 0.2, 0.0] {
            let (x, y) = points[(last as f64 * part).round() as usize];
            for y in [y - above, y + LETTER + below] {
                let y = y.clamp(area[1] + LETTER * 0.8, area[3] - LETTER * 0.2);
                out.extend([
                    (x.min(EDGE), y, Anchor::End),
                    (x.max(left + 3.0), y, Anchor::Start),
                    (x, y, Anchor::Middle),
                ]);
            }
        }
    }
    out
}

/// A heading that fits above the picture.
fn shortened(heading: &str) -> String {
    if width_of(heading) <= WIDTH {
        return heading.to_owned();
    }
    let room = (WIDTH / width_of("0")) as usize - 1;
    heading.chars().take(room).chain(['…']).collect()
}

#[cfg(test)]
mod tests;
