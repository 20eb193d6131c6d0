//! How many tubers of each group came through the winter alive, and how sure that is.

use std::fmt::Write as _;

use super::{
    LETTER, NB, Span, WIDTH, escape, figure,
    label::{Anchor, Labels, round_values, shortened},
    name, tenth, whole, width_of,
};

const TOP: f64 = 20.0;
/// Height of one group: its words, its line, a little air.
const ROW: f64 = 38.0;
/// From the top of a group to its words, its line, and the line by crates.
const TEXT: f64 = 14.0;
const LINE: f64 = 23.0;
const CRATES: f64 = 29.0;
/// Edges of the axis: a figure at either end is whole.
const LEFT: f64 = 14.0;
const RIGHT: f64 = WIDTH - 20.0;
/// The least part of the axis that is shown, in points.
const LEAST: f64 = 20.0;

/// Tubers that have something in common.
#[derive(Debug, Clone, PartialEq)]
pub struct Group {
    /// What they have in common: a variety, a packing, a shelf.
    pub name: String,
    /// How many of them were alive.
    pub alive: u32,
    /// How many there were.
    pub of: u32,
    /// Ends of the interval of the share, 0 to 1, every tuber counted for itself.
    pub interval: (f64, f64),
    /// The same where tubers of one crate share their fate; nothing where it cannot be told.
    pub by_crate: Option<(f64, f64)>,
    /// Too few to say much: drawn open.
    pub small: bool,
}

impl Group {
    fn percent(&self) -> Option<f64> {
        let share = 100.0 * f64::from(self.alive.min(self.of)) / f64::from(self.of);
        (self.of != 0).then_some(share)
    }

    fn figures(&self) -> String {
        format!("{} of {}", self.alive, self.of)
    }
}

/// Groups beside each other, ready to be drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct Survival {
    /// In the order in which they are drawn. A sum of the others would be counted as one more.
    pub groups: Vec<Group>,
    /// How much an interval holds, in percent: 95.
    pub confidence_pct: u32,
}

impl Survival {
    /// The whole figure: picture, sentence, and a table to open. `id` sets it apart on its page.
    pub fn figure(&self, id: &str) -> String {
        let id = &name(id);
        let (picture, said) = (self.svg(id), self.sentence());
        whole("strip survival", id, &picture, &said, &self.table(id))
    }

    /// The picture alone, named by a title and described by the caption with the id `{id}-c`.
    pub fn svg(&self, id: &str) -> String {
        let bottom = TOP + ROW * self.groups.len().max(1) as f64 + 4.0;
        let height = bottom + 22.0;
        let all = [0.0, 0.0, WIDTH, height];
        let low = self.floor();
        let x = |percent: f64| {
            let part = (percent - low) / (100.0 - low);
            LEFT + part.clamp(0.0, 1.0) * (RIGHT - LEFT)
        };
        let mut labels = Labels::default();
        let mut out = format!(
            "<svg viewBox=\"0 0 {WIDTH} {height}\" role=\"img\" aria-labelledby=\"{id}-n\" \
             aria-describedby=\"{id}-c\"><title id=\"{id}-n\">Share alive of each group, with its \
             interval</title><text class=\"head\" x=\"0\" y=\"12\">Alive, %</text>"
        );
        let mut marks = format!("M{} {}H{}", tenth(LEFT), tenth(bottom), tenth(RIGHT));
        let (values, decimals) = round_values(low, 100.0, 5.0);
        for value in values {
            let at = tenth(x(value));
            let _ = write!(marks, "M{at} {TOP}V{}", tenth(bottom + 3.0));
            let spot = (x(value), bottom + 16.0, Anchor::Middle);
            labels.put(&figure(value, decimals), [spot], all);
        }
        let _ = write!(out, "<path class=\"tick\" d=\"{marks}\"/>");
        if self.groups.is_empty() {
            let spot = (WIDTH / 2.0, TOP + LINE, Anchor::Middle);
            labels.put("nothing counted yet", [spot], all);
        }
        for (i, group) in (0_i32..).zip(&self.groups) {
            let top = TOP + ROW * f64::from(i);
            let figures = group.figures();
            let room = WIDTH - width_of(&figures) - LETTER;
            let (label, y) = (shortened(&group.name, room), top + TEXT);
            labels.put(&figures, [(WIDTH, y, Anchor::End)], all);
            labels.put(&label, [(0.0, y, Anchor::Start)], all);
            let mut whisker = |class: &str, interval: (f64, f64), y: f64, half: f64| {
                let Some((low, high)) = percents(interval) else {
                    return;
                };
                let (x0, x1, y) = (tenth(x(low)), tenth(x(high)), tenth(top + y));
                let (up, all) = (tenth(-half), tenth(2.0 * half));
                let _ = write!(
                    out,
                    "<path class=\"{class}\" d=\"M{x0} {y}H{x1}M{x0} {y}m0 {up}v{all}M{x1} {y}m0 \
                     {up}v{all}\"/>"
                );
            };
            let Some(percent) = group.percent() else {
                continue;
            };
            whisker("interval", group.interval, LINE, 3.5);
            if let Some(by_crate) = group.by_crate {
                whisker("clustered", by_crate, CRATES, 2.0);
            }
            let class = if group.small { "spot" } else { "dot" };
            let (x, y) = (tenth(x(percent)), tenth(top + LINE));
            let _ = write!(
                out,
                "<circle class=\"{class}\" cx=\"{x}\" cy=\"{y}\" r=\"4\"/>"
            );
        }
        out += labels.markup();
        out += "</svg>";
        out
    }

    /// What the picture shows, for those who would rather read it.
    pub fn sentence(&self) -> String {
        let counted = || self.groups.iter().filter(|g| g.of != 0);
        let Some(first) = counted().next() else {
            return "Nothing was counted yet.".to_owned();
        };
        let said = |g: &Group| {
            let percent = figure(g.percent().unwrap_or_default(), 0);
            format!("{}: {} ({percent}{NB}%)", g.name, g.figures())
        };
        let mut out = match counted().count() {
            1 => format!("Alive in {}.", said(first)),
            n if n <= 4 => {
                let all: Vec<_> = counted().map(said).collect();
                format!("Alive in {}.", all.join("; "))
            }
            n => {
                // Few tubers reach either end by chance alone.
                let rank = |a: &&Group, b: &&Group| {
                    let share = |g: &Group| g.percent().unwrap_or_default();
                    share(a).total_cmp(&share(b))
                };
                let large = || counted().filter(|g| !g.small);
                match (large().min_by(rank), large().max_by(rank)) {
                    (Some(low), Some(high)) => format!(
                        "{n} groups. Fewest alive in {}, most in {}.",
                        said(low),
                        said(high)
                    ),
                    _ => format!("{n} groups, all of them small."),
                }
            }
        };
        let _ = write!(
            out,
            " Thick lines: where the share lies with {}{NB}% confidence.",
            self.confidence_pct
        );
        if self.groups.iter().any(|g| g.by_crate.is_some()) {
            out += " Thin lines: the same where tubers of one crate share their fate.";
        }
        match counted().filter(|g| g.small).count() {
            0 => {}
            1 => out += " One group is small and drawn open: its share says little.",
            n => {
                let _ = write!(
                    out,
                    " {n} groups are small and drawn open: their shares say little."
                );
            }
        }
        out
    }

    fn table(&self, id: &str) -> String {
        let by_crate = self.groups.iter().any(|g| g.by_crate.is_some());
        let mut out = format!(
            "<details id=\"{id}-d\"><summary>The same as a table</summary><table><thead><tr>\
             <th scope=\"col\">Group<th scope=\"col\">Alive<th scope=\"col\">%\
             <th scope=\"col\">{}{NB}% interval",
            self.confidence_pct
        );
        if by_crate {
            out += "<th scope=\"col\">by crates";
        }
        out += "<tbody>";
        let words = |interval: Option<(f64, f64)>| {
            interval.and_then(percents).map_or_else(
                || "–".to_owned(),
                |(low, high)| format!("{} to {}", figure(low, 0), figure(high, 0)),
            )
        };
        for group in &self.groups {
            let percent = group.percent();
            let share = percent.map_or_else(|| "–".to_owned(), |p| figure(p, 0));
            let small = if group.small { " (few)" } else { "" };
            let _ = write!(
                out,
                "<tr><th scope=\"row\">{}{small}<td>{}<td>{share}<td>{}",
                escape(&group.name),
                group.figures(),
                words(percent.map(|_| group.interval))
            );
            if by_crate {
                let _ = write!(out, "<td>{}", words(group.by_crate));
            }
        }
        out += "</table></details>";
        out
    }

    /// Where the axis begins, in percent: a ten below everything that is drawn.
    fn floor(&self) -> f64 {
        let counted = self.groups.iter().filter(|g| g.of != 0);
        let values = counted.flat_map(|g| {
            let intervals = [percents(g.interval), g.by_crate.and_then(percents)];
            let lows = intervals.into_iter().flatten().map(|i| i.0);
            lows.chain(g.percent())
        });
        let low = Span::of(values).map_or(0.0, |s| s.low);
        ((low / 10.0).floor() * 10.0).clamp(0.0, 100.0 - LEAST)
    }
}

/// Both ends in percent, the lower first.
fn percents((low, high): (f64, f64)) -> Option<(f64, f64)> {
    let percent = |share: f64| 100.0 * share.clamp(0.0, 1.0);
    (low + high)
        .is_finite()
        .then(|| (percent(low.min(high)), percent(low.max(high))))
}
