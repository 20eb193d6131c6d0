//! A winter as a carpet: one column a day, one row an hour of the clock.

use std::fmt::Write as _;

use super::{
    LETTER, NB, Span, WIDTH,
    days::{Days, EDGE, LEFT, hatch, rect},
    escape,
    label::{Anchor, Labels},
    name, plain, tenth, whole, width_of,
};
use crate::notify::words::thousands;

const TOP: f64 = 20.0;
/// Height of one hour.
const ROW: f64 = 4.5;
const HOURS: usize = 24;
const BOTTOM: f64 = TOP + ROW * HOURS as f64;
/// Where the months stand.
const MONTHS: f64 = BOTTOM + 15.0;
/// The key: its top and foot, its figures, its words.
const KEY: (f64, f64) = (MONTHS + 11.0, MONTHS + 21.0);
const EDGES: f64 = KEY.1 + 13.0;
const WORDS: f64 = EDGES + 14.0;
/// What the hatching means, under one row of words.
const OPEN: f64 = WORDS + 18.0;
/// The key from its left to its right edge.
const SWATCHES: (f64, f64) = (17.0, 323.0);
/// Hours that a swatch is as high as, so that it is striped where the carpet is.
const ROWS: f64 = 3.0;
/// Classes of a carpet: three below the band, three in it, three above.
const CLASSES: usize = 9;

/// What a carpet is of; its colours and words follow.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Quantity {
    /// Temperature of the air, held against a band.
    Temperature,
    /// Relative humidity, held against a band.
    Humidity,
    /// How much warmer the coldest crate is than the dew point of its air.
    Margin,
}

impl Quantity {
    fn heading(self) -> &'static str {
        match self {
            Self::Temperature => "Temperature by day and hour",
            Self::Humidity => "Humidity by day and hour",
            Self::Margin => "Distance from sweating by day and hour",
        }
    }

    fn class(self) -> &'static str {
        match self {
            Self::Temperature | Self::Margin => "strip carpet",
            // Dry is as brown as warm is, and damp as blue as cold.
            Self::Humidity => "strip carpet turned",
        }
    }

    /// Groups of classes with their words: what lies below each class's number belongs to it.
    fn groups(self) -> [(&'static str, usize, usize); 4] {
        match self {
            Self::Temperature => [
                ("too cold", 0, 3),
                ("in the band", 3, 6),
                ("too warm", 6, 9),
                ("", 9, 9),
            ],
            Self::Humidity => [
                ("too dry", 0, 3),
                ("in the band", 3, 6),
                ("too damp", 6, 9),
                ("", 9, 9),
            ],
            Self::Margin => [
                ("sweats", 0, 1),
                ("can’t tell", 1, 2),
                ("close", 2, 3),
                ("clear of it", 3, 9),
            ],
        }
    }
}

/// Where one colour ends and the next begins, in the unit of the carpet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    edges: [f64; CLASSES - 1],
}

impl Scale {
    /// Thirds of the band, and steps as wide on either side of it. A value on a limit is inside.
    pub fn band(low: f64, high: f64) -> Self {
        let step = (high - low) / 3.0;
        if !step.is_finite() || step < 0.0 {
            return Self::even();
        }
        let below = [low - 2.0 * step, low - step, low];
        let above = [high, high + step, high + 2.0 * step];
        let inside = [low + step, low + 2.0 * step];
        Self {
            edges: [
                below[0], below[1], below[2], inside[0], inside[1], above[0], above[1], above[2],
            ],
        }
    }

    /// For a distance from sweating: it sweats below minus `error`, cannot be told within it, and
    /// is clear from `clear` on (both in the unit of the carpet, 0 or more).
    pub fn margin(error: f64, clear: f64) -> Self {
        if !(error.is_finite() && clear.is_finite()) {
            return Self::even();
        }
        let (error, clear) = (error.max(0.0), clear.max(error).max(0.0));
        let none = f64::INFINITY;
        Self {
            edges: [
                -error,
                error,
                clear,
                2.0 * clear,
                3.0 * clear,
                none,
                none,
                none,
            ],
        }
    }

    /// Nothing to hold against: everything is in the middle.
    fn even() -> Self {
        let (low, high) = (f64::NEG_INFINITY, f64::INFINITY);
        Self {
            edges: [low, low, low, low, high, high, high, high],
        }
    }

    fn class(&self, value: f64) -> usize {
        let (below, above) = self.edges.split_at(CLASSES / 2 + 1);
        below.iter().filter(|e| **e <= value).count() + above.iter().filter(|e| **e < value).count()
    }
}

/// From which day on something was held against what.
#[derive(Debug, Clone, PartialEq)]
pub struct Since {
    /// Number of the first day, from 0.
    pub day: usize,
    /// Where the colours change.
    pub scale: Scale,
    /// In words, with its unit: "40 to 52 F".
    pub words: String,
}

/// One local day.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Day {
    /// The hours that the day has, with the hour of the clock (0 to 23) at which each began and its
    /// mean, or nothing where nothing is known. An hour that the clock leaves out in spring is not
    /// among them and stays blank; one that it shows twice in autumn is, and the two are averaged.
    pub hours: Vec<(u32, Option<f64>)>,
}

/// A winter by day and hour, ready to be drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct Carpet {
    /// What is drawn.
    pub quantity: Quantity,
    /// Its unit: `F`, `C`, `%`, or `K`.
    pub unit: String,
    /// One after the other, without a day left out.
    pub days: Vec<Day>,
    /// Number of the day on which a month begins, or the first day, with a short name.
    pub months: Vec<(usize, String)>,
    /// What it was held against, in order of days; the first counts for the days before it too.
    pub scales: Vec<Since>,
}

/// One cell.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Cell {
    /// The clock does not show this hour, or it is no part of the winter.
    Blank,
    /// Nothing is known of it.
    Open,
    /// Its mean and class.
    Known(f64, usize),
}

/// Hours of a stretch of days: by class, open, with the lowest and the highest mean.
struct Sum {
    classes: [i64; CLASSES],
    open: i64,
    span: Option<Span>,
}

impl Sum {
    fn known(&self) -> i64 {
        self.classes.iter().sum()
    }

    fn between(&self, from: usize, to: usize) -> i64 {
        self.classes[from..to].iter().sum()
    }
}

impl Carpet {
    /// The whole figure: picture, sentence, and a table to open. `id` sets it apart on its page.
    pub fn figure(&self, id: &str) -> String {
        let id = &name(id);
        let (picture, said) = (self.svg(id), self.sentence());
        whole(self.quantity.class(), id, &picture, &said, &self.table(id))
    }

    /// The picture alone, named by a title and described by the caption with the id `{id}-c`.
    pub fn svg(&self, id: &str) -> String {
        let cells = self.cells();
        let sum = Self::sum(&cells);
        let second = self.second_row();
        let open = OPEN + second;
        let height = if sum.open == 0 { WORDS + second } else { open } + 5.0;
        let days = Days::new(self.days.len());
        let all = [0.0, 0.0, WIDTH, height];
        let heading = format!("{}, {}", self.quantity.heading(), self.unit);
        let mut out = format!(
            "<svg viewBox=\"0 0 {WIDTH} {height}\" role=\"img\" aria-labelledby=\"{id}-n\" \
             aria-describedby=\"{id}-c\"><title id=\"{id}-n\">{0}</title>\
             <text class=\"head\" x=\"0\" y=\"12\">{0}</text>",
            escape(&heading)
        );
        let mut labels = Labels::default();
        let mut marks = days.months(&mut labels, &self.months, (BOTTOM, MONTHS), all);
        for hour in [0, 6, 12, 18, 24] {
            let y = TOP + ROW * f64::from(hour);
            let _ = write!(marks, "M{} {}h-3", tenth(LEFT), tenth(y));
            let spot = (LEFT - 5.0, y + LETTER * 0.35, Anchor::End);
            labels.put(&hour.to_string(), [spot], all);
        }
        let _ = write!(out, "<path class=\"tick\" d=\"{marks}\"/>");
        if sum.open != 0 {
            // Under the carpet: what is known covers it, what is open lets it through.
            let area = [LEFT, TOP, days.end(), BOTTOM];
            let _ = write!(out, "<path class=\"hatch\" d=\"{}\"/>", hatch(area));
        }
        out += &carpet(&cells, &sum, days);
        if 1 < self.scales.len() {
            let mut cuts = String::new();
            for since in self.scales.iter().filter(|s| 0 < s.day) {
                let x = tenth(days.x(since.day as f64));
                let _ = write!(cuts, "M{x} {}V{BOTTOM}", TOP - 4.0);
            }
            let _ = write!(out, "<path class=\"cut\" d=\"{cuts}\"/>");
        }
        self.key(&mut out, &mut labels, all);
        if sum.open != 0 {
            let swatch = [0.0, open - 9.0, 14.0, open + 1.0];
            let _ = write!(
                out,
                "<path class=\"hatch\" d=\"{}{}\"/>",
                rect(swatch),
                hatch(swatch)
            );
            labels.put("no readings", [(20.0, open, Anchor::Start)], all);
        }
        if sum.known() == 0 {
            let spot = (
                f64::midpoint(LEFT, EDGE),
                f64::midpoint(TOP, BOTTOM),
                Anchor::Middle,
            );
            labels.put("no readings", [spot], all);
        }
        out += labels.markup();
        out += "</svg>";
        out
    }

    /// One swatch a class with the edges between them, numbered where one band held all winter.
    fn key(&self, out: &mut String, labels: &mut Labels, all: super::label::Area) {
        let scale = self.scales.first().map_or_else(Scale::even, |s| s.scale);
        let one = self.scales.len() == 1;
        let shown: Vec<usize> = (0..CLASSES)
            .filter(|class| self.quantity != Quantity::Margin || *class <= CLASSES - 4)
            .collect();
        let swatch = (SWATCHES.1 - SWATCHES.0) / shown.len() as f64;
        let left = |class: usize| SWATCHES.0 + swatch * class as f64;
        // Drawn as the carpet is, so that it looks the same in print too.
        let _ = write!(
            out,
            "<g transform=\"translate({} {})scale({swatch} {})\">",
            left(0),
            KEY.0,
            decimal((KEY.1 - KEY.0) / ROWS)
        );
        for class in &shown {
            let _ = write!(out, "<path class=\"c{class}\" d=\"M{class}.5 0v{ROWS}\"/>");
        }
        *out += "</g>";
        let mut edges: Vec<usize> = (1..shown.len()).collect();
        // The limits of the band go before what lies between.
        edges.sort_by_key(|e| ![3, 6].contains(e));
        for edge in edges.into_iter().filter(|_| one) {
            let value = scale.edges[edge - 1];
            if value.is_finite() {
                let spot = (left(edge), EDGES, Anchor::Middle);
                labels.put(&plain(value), [spot], all);
            }
        }
        let mut brackets = String::new();
        for (words, from, to) in self.quantity.groups() {
            let to = to.min(shown.len());
            if words.is_empty() || to <= from {
                continue;
            }
            let (x0, x1) = (left(from), left(to));
            let _ = write!(
                brackets,
                "M{} {}v{}",
                tenth(x0),
                KEY.0 - 2.0,
                KEY.1 - KEY.0 + 4.0
            );
            let middle = f64::midpoint(x0, x1);
            // Narrow classes have their words in two rows.
            let half = width_of(words) / 2.0;
            let x = middle.clamp(half, WIDTH - half);
            let spots = [WORDS, WORDS + LETTER].map(|y| (x, y, Anchor::Middle));
            let spots = spots
                .into_iter()
                .take(if self.second_row() == 0.0 { 1 } else { 2 });
            labels.put(words, spots, all);
        }
        let _ = write!(out, "<path class=\"about\" d=\"{brackets}\"/>");
    }

    /// What a second row of words in the key takes.
    fn second_row(&self) -> f64 {
        if self.quantity == Quantity::Margin {
            LETTER
        } else {
            0.0
        }
    }

    /// What the picture shows, for those who would rather read it.
    pub fn sentence(&self) -> String {
        let cells = self.cells();
        let sum = Self::sum(&cells);
        let days = match cells.len() {
            1 => "One day".to_owned(),
            n => format!("{n} days"),
        };
        let Some(span) = sum.span else {
            return format!("{days} by the hour: no readings.");
        };
        let unit = &self.unit;
        let mut out = format!(
            "{days} by the hour: means of {}{NB}{unit}.",
            span.words(self.decimals())
        );
        let mut said: Vec<String> = Vec::new();
        for (words, from, to) in self.quantity.groups() {
            let hours = sum.between(from, to);
            if !words.is_empty() && (hours != 0 || words == "in the band") {
                said.push(format!("{words} {}{NB}h", thousands(hours)));
            }
        }
        let _ = write!(
            out,
            " Of {}{NB}h: {}",
            thousands(sum.known()),
            said.join(", ")
        );
        if sum.open != 0 {
            let _ = write!(out, "; no readings for {}{NB}h more", thousands(sum.open));
        }
        out.push('.');
        if self.quantity != Quantity::Margin {
            match &self.scales[..] {
                [] => {}
                [one] => {
                    let _ = write!(out, " The band is {}.", one.words);
                }
                many => {
                    let words: Vec<_> = many.iter().map(|s| s.words.as_str()).collect();
                    let _ = write!(
                        out,
                        " Each day is held against the band it had: {}.",
                        words.join(", then ")
                    );
                }
            }
        }
        out
    }

    fn table(&self, id: &str) -> String {
        let groups = self.quantity.groups();
        let groups: Vec<_> = groups.iter().filter(|g| !g.0.is_empty()).collect();
        let mut out = format!(
            "<details id=\"{id}-d\"><summary>The same as a table</summary><table><thead><tr>\
             <th scope=\"col\">Hours"
        );
        for (words, _, _) in &groups {
            let _ = write!(out, "<th scope=\"col\">{words}");
        }
        let unit = escape(&self.unit);
        let _ = write!(
            out,
            "<th scope=\"col\">no readings<th scope=\"col\">Means, {unit}<tbody>"
        );
        let cells = self.cells();
        let months: Vec<_> = self.months.iter().filter(|m| m.0 < cells.len()).collect();
        for (i, (from, label)) in months.iter().enumerate() {
            let to = months.get(i + 1).map_or(cells.len(), |m| m.0);
            let sum = Self::sum(cells.get(*from..to).unwrap_or_default());
            let _ = write!(out, "<tr><th scope=\"row\">{}", escape(label));
            for (_, from, to) in &groups {
                let _ = write!(out, "<td>{}", thousands(sum.between(*from, *to)));
            }
            let span = sum.span.map(|s| s.words(self.decimals()));
            let span = span.unwrap_or_else(|| "–".to_owned());
            let _ = write!(out, "<td>{}<td>{span}", thousands(sum.open));
        }
        out += "</table></details>";
        out
    }

    fn decimals(&self) -> usize {
        usize::from(self.quantity != Quantity::Humidity)
    }

    fn cells(&self) -> Vec<[Cell; HOURS]> {
        let scale = |day: usize| {
            let since = self.scales.iter().rev().find(|s| s.day <= day);
            since
                .or(self.scales.first())
                .map_or_else(Scale::even, |s| s.scale)
        };
        let days = self.days.iter().enumerate();
        days.map(|(i, day)| column(day, &scale(i))).collect()
    }

    fn sum(cells: &[[Cell; HOURS]]) -> Sum {
        let mut sum = Sum {
            classes: [0; CLASSES],
            open: 0,
            span: None,
        };
        let mut values = Vec::new();
        for cell in cells.iter().flatten() {
            match cell {
                Cell::Blank => {}
                Cell::Open => sum.open += 1,
                Cell::Known(value, class) => {
                    sum.classes[*class] += 1;
                    values.push(*value);
                }
            }
        }
        sum.span = Span::of(values.into_iter());
        sum
    }
}

/// The hours of one day by the clock.
fn column(day: &Day, scale: &Scale) -> [Cell; HOURS] {
    let mut cells = [Cell::Blank; HOURS];
    for (hour, cell) in cells.iter_mut().enumerate() {
        let mut there = false;
        let (mut sum, mut n) = (0.0, 0.0);
        for (_, value) in day.hours.iter().filter(|h| h.0 as usize == hour) {
            there = true;
            if let Some(value) = value.filter(|v| v.is_finite()) {
                (sum, n) = (sum + value, n + 1.0);
            }
        }
        if 0.0 < n {
            let mean = sum / n;
            *cell = Cell::Known(mean, scale.class(mean));
        } else if there {
            *cell = Cell::Open;
        }
    }
    cells
}

/// One path a class, each stretch of hours a stroke one day wide. The commonest class lies under
/// all the others, so that no light shows between two of them; and it makes the picture small.
fn carpet(cells: &[[Cell; HOURS]], sum: &Sum, days: Days) -> String {
    let mut out = format!(
        "<g transform=\"translate({} {TOP})scale({} {ROW})\">",
        decimal(LEFT + days.wide() / 2.0),
        decimal(days.wide())
    );
    let mut draw = |class: &str, pick: &dyn Fn(Cell) -> bool| {
        let d = strokes(cells, pick);
        if !d.is_empty() {
            let _ = write!(out, "<path class=\"{class}\" d=\"{d}\"/>");
        }
    };
    if sum.open != 0 {
        draw("blank", &|cell| cell == Cell::Blank);
    }
    // The first of those that are equally common.
    let base = (0..CLASSES).rev().max_by_key(|class| sum.classes[*class]);
    let base = base.unwrap_or_default();
    draw(&format!("c{base}"), &|cell| matches!(cell, Cell::Known(..)));
    for class in (0..CLASSES).filter(|class| *class != base) {
        draw(
            &format!("c{class}"),
            &|cell| matches!(cell, Cell::Known(_, c) if c == class),
        );
    }
    out += "</g>";
    out
}

/// Fine enough for what is multiplied by hundreds of days.
fn decimal(value: f64) -> f64 {
    (value * 10_000.0).round() / 10_000.0
}

/// Stretches of hours, each from where the one before ended.
fn strokes(cells: &[[Cell; HOURS]], pick: &dyn Fn(Cell) -> bool) -> String {
    let mut out = String::new();
    let (mut x, mut y) = (0, 0);
    for (day, hours) in (0_i64..).zip(cells) {
        let mut hour = 0;
        for run in hours.chunk_by(|a, b| pick(*a) == pick(*b)) {
            let long = run.len() as i64;
            if pick(run[0]) {
                let (dx, dy) = (day - x, hour - y);
                let gap = if dy < 0 { "" } else { " " };
                let _ = write!(out, "m{dx}{gap}{dy}v{long}");
                (x, y) = (day, hour + long);
            }
            hour += long;
        }
    }
    out
}
