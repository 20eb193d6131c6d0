//! What a crate lived through against what it lost: one dot a crate.

use std::fmt::Write as _;

use super::{
    LETTER, NB, Span, WIDTH, escape, figure,
    label::{Anchor, Labels, Spot, round_values, shortened},
    name, tenth, whole,
};
use crate::notify::words::count;

const LEFT: f64 = 34.0;
const RIGHT: f64 = WIDTH - 12.0;
const TOP: f64 = 24.0;
const BOTTOM: f64 = 176.0;
const FIGURES: f64 = BOTTOM + 16.0;
const AXIS: f64 = FIGURES + 15.0;
const HEIGHT: f64 = AXIS + 5.0;
/// Radius of the dot of the fullest crate, and the least radius that can be told from a speck.
const LARGEST: f64 = 8.0;
const LEAST: f64 = 2.5;
/// More than these are not named in the picture.
const NAMED: usize = 14;

/// One crate.
#[derive(Debug, Clone, PartialEq)]
pub struct Dot {
    /// Its code.
    pub name: String,
    /// The figure it lived through.
    pub x: f64,
    /// Tubers it lost.
    pub lost: u32,
    /// Tubers it held; a crate of none is left out.
    pub of: u32,
}

impl Dot {
    fn percent(&self) -> f64 {
        100.0 * f64::from(self.lost.min(self.of)) / f64::from(self.of)
    }

    fn figures(&self) -> String {
        format!("{} of {}", self.lost, self.of)
    }
}

/// Crates against one figure, ready to be drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct Against {
    /// What the figure is: "Hours below the band".
    pub name: String,
    /// Its unit: `h`.
    pub unit: String,
    /// Decimals that mean something.
    pub decimals: usize,
    /// In any order.
    pub dots: Vec<Dot>,
}

impl Against {
    /// The whole figure: picture, sentence, and a table to open. `id` sets it apart on its page.
    pub fn figure(&self, id: &str) -> String {
        let id = &name(id);
        let (picture, said) = (self.svg(id), self.sentence());
        whole("strip against", id, &picture, &said, &self.table(id))
    }

    /// The picture alone, named by a title and described by the caption with the id `{id}-c`.
    pub fn svg(&self, id: &str) -> String {
        let all = [0.0, 0.0, WIDTH, HEIGHT];
        let axis = self.axis();
        let dots = self.shown();
        let (low, high) = self.across(&dots);
        let top = Span::of(dots.iter().map(|d| d.percent())).map_or(0.0, |s| s.high);
        let top = (top * 1.06).clamp(10.0, 100.0);
        let x = |value: f64| LEFT + (value - low) / (high - low) * (RIGHT - LEFT);
        let y = |percent: f64| BOTTOM - percent / top * (BOTTOM - TOP);
        let mut labels = Labels::default();
        let mut out = format!(
            "<svg viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-labelledby=\"{id}-n\" \
             aria-describedby=\"{id}-c\"><title id=\"{id}-n\">Share lost of each crate against: \
             {}</title><text class=\"head\" x=\"0\" y=\"12\">Lost, %</text>",
            escape(&axis)
        );
        let mut marks = format!("M{LEFT} {TOP}V{BOTTOM}H{RIGHT}");
        let (values, decimals) = round_values(0.0, top, 5.0);
        for value in values {
            let _ = write!(marks, "M{LEFT} {}h-3", tenth(y(value)));
            let spot = (LEFT - 5.0, y(value) + LETTER * 0.35, Anchor::End);
            labels.put(&figure(value, decimals), [spot], all);
        }
        let (values, decimals) = round_values(low, high, 5.0);
        for value in values.into_iter().filter(|_| !dots.is_empty()) {
            let _ = write!(marks, "M{} {BOTTOM}v3", tenth(x(value)));
            let spot = (x(value), FIGURES, Anchor::Middle);
            labels.put(&figure(value, decimals), [spot], all);
        }
        let _ = write!(
            out,
            "<path class=\"tick\" d=\"{marks}\"/><text class=\"head\" x=\"{}\" y=\"{AXIS}\" \
             text-anchor=\"end\">{}</text>",
            RIGHT,
            escape(&shortened(&axis, RIGHT))
        );
        let most = dots.first().map_or(1, |d| d.of);
        for dot in &dots {
            let (x, y) = (x(dot.x), y(dot.percent()));
            let r = radius(dot.of, most);
            labels.avoid_most([(x, y), (x - r, y), (x + r, y), (x, y - r), (x, y + r)]);
            let _ = write!(
                out,
                "<circle class=\"mass\" cx=\"{}\" cy=\"{}\" r=\"{}\"/>",
                tenth(x),
                tenth(y),
                tenth(r)
            );
        }
        if dots.is_empty() {
            let middle = (
                f64::midpoint(LEFT, RIGHT),
                f64::midpoint(TOP, BOTTOM),
                Anchor::Middle,
            );
            labels.put("nothing counted yet", [middle], all);
        } else if dots.len() <= NAMED {
            // Those that lost most are named first.
            let mut named: Vec<_> = dots.iter().collect();
            named.sort_by(|a, b| b.percent().total_cmp(&a.percent()));
            for dot in named {
                let spots = around(x(dot.x), y(dot.percent()), radius(dot.of, most));
                labels.put_clear(&dot.name, spots, [LEFT + 1.0, 14.0, WIDTH, BOTTOM]);
            }
        }
        out += labels.markup();
        out += "</svg>";
        out
    }

    /// What the picture shows, for those who would rather read it.
    pub fn sentence(&self) -> String {
        let dots = self.shown();
        let rank = |a: &&&Dot, b: &&&Dot| a.percent().total_cmp(&b.percent());
        let (Some(low), Some(high)) = (dots.iter().min_by(rank), dots.iter().max_by(rank)) else {
            return "Nothing was counted yet.".to_owned();
        };
        let span = Span::of(dots.iter().map(|d| d.x));
        let span = span.map_or_else(String::new, |s| s.words(self.decimals));
        let unit = if self.unit.is_empty() {
            String::new()
        } else {
            format!("{NB}{}", self.unit)
        };
        let crates = count(dots.len(), "crate", "crates");
        let name = &self.name;
        if dots.len() == 1 {
            return format!(
                "{crates}, {}: lost {}. {name}: {span}{unit}.",
                high.name,
                high.figures()
            );
        }
        let mut out = format!(
            "{crates}, {name}: {span}{unit}. Lost from {} ({}) to {} ({}).",
            low.figures(),
            low.name,
            high.figures(),
            high.name
        );
        out += " A larger dot is a fuller crate. What goes together need not be the cause.";
        out
    }

    fn table(&self, id: &str) -> String {
        let mut out = format!(
            "<details id=\"{id}-d\"><summary>The same as a table</summary><table><thead><tr>\
             <th scope=\"col\">Crate<th scope=\"col\">{}<th scope=\"col\">Lost\
             <th scope=\"col\">%<tbody>",
            escape(&self.axis())
        );
        let mut dots = self.shown();
        dots.sort_by(|a, b| a.x.total_cmp(&b.x).then_with(|| a.name.cmp(&b.name)));
        for dot in dots {
            let _ = write!(
                out,
                "<tr><th scope=\"row\">{}<td>{}<td>{}<td>{}",
                escape(&dot.name),
                figure(dot.x, self.decimals),
                dot.figures(),
                figure(dot.percent(), 0)
            );
        }
        out += "</table></details>";
        out
    }

    /// Crates that can be drawn, the fullest first so that it hides no other.
    fn shown(&self) -> Vec<&Dot> {
        let mut dots: Vec<_> = self
            .dots
            .iter()
            .filter(|d| d.x.is_finite() && d.of != 0)
            .collect();
        dots.sort_by(|a, b| b.of.cmp(&a.of).then_with(|| a.name.cmp(&b.name)));
        dots
    }

    /// Ends of the axis, so that every dot is whole.
    fn across(&self, dots: &[&Dot]) -> (f64, f64) {
        let (low, high) =
            Span::of(dots.iter().map(|d| d.x)).map_or((0.0, 1.0), |s| (s.low, s.high));
        let least = 4.0 * 0.1_f64.powi(self.decimals as i32);
        let pad = (high - low).max(least) * 0.06;
        (low - pad, high + pad)
    }

    fn axis(&self) -> String {
        if self.unit.is_empty() {
            self.name.clone()
        } else {
            format!("{}, {}", self.name, self.unit)
        }
    }
}

/// The area of a dot goes with the tubers.
fn radius(of: u32, most: u32) -> f64 {
    let part = f64::from(of) / f64::from(most.max(1));
    (LARGEST * part.sqrt()).max(LEAST)
}

/// Beside a dot, on any of its sides.
fn around(x: f64, y: f64, r: f64) -> [Spot; 8] {
    let (away, slant) = (r + 2.5, r * 0.7 + 2.0);
    [
        (x + away, y + LETTER * 0.35, Anchor::Start),
        (x - away, y + LETTER * 0.35, Anchor::End),
        (x, y - away, Anchor::Middle),
        (x, y + away + LETTER * 0.8, Anchor::Middle),
        (x + slant, y - slant, Anchor::Start),
        (x - slant, y - slant, Anchor::End),
        (x + slant, y + slant + LETTER * 0.8, Anchor::Start),
        (x - slant, y + slant + LETTER * 0.8, Anchor::End),
    ]
}
