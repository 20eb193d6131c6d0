//! Pictures drawn as SVG text: lines with their band, and gaps that stay open.
//!
//! Colours and type sizes belong to the style sheet, so a picture follows light and dark by itself.

pub mod against;
pub mod carpet;
pub mod course;
pub mod curves;
mod days;
pub mod density;
mod label;
pub mod moist;
pub mod strip;
pub mod survival;

use std::fmt::Write as _;

/// Width of the picture in its own units, close to the pixels it gets on a small phone.
const WIDTH: f64 = 340.0;
/// Room for the figures left of the lines.
const LEFT: f64 = 38.0;
/// Room at the right edge, so that the last dot is whole.
const RIGHT: f64 = 6.0;
/// Height of one of the two panels.
const PANEL: f64 = 82.0;
/// Top of the temperature panel, under its heading.
const TOP_T: f64 = 20.0;
/// Top of the humidity panel, under its heading.
const TOP_RH: f64 = TOP_T + PANEL + 30.0;
/// Where the day and time labels stand.
const TIMES: f64 = TOP_RH + PANEL + 17.0;
/// Height of the whole picture.
const HEIGHT: f64 = TIMES + 6.0;
/// Size of the letters on a phone, in picture units; the style sheet says the same.
const LETTER: f64 = 12.0;
/// Widest advance of a letter or figure, as a part of its size: digits and capitals of the usual
/// system typefaces stay below it, but for a few (judged by eye and by measuring, not from a standard).
const ADVANCE: f64 = 0.65;
/// The same for the few that are as wide as they are high, such as the W of Wednesday.
const WIDE_ADVANCE: f64 = 1.0;
/// The same for a space.
const SPACE_ADVANCE: f64 = 0.35;
/// Keeps a number and its unit on one line.
const NB: char = '\u{a0}';
/// One slot of the strip.
const SLOT_MS: i64 = 10 * 60 * 1000;
/// Two readings further apart than this are not joined: one slot and a half.
const JOIN_MS: i64 = SLOT_MS + SLOT_MS / 2;

/// One slot of a strip: what the air was, or nothing where nothing was heard.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Start of the slot, UTC milliseconds.
    pub at_ms: i64,
    /// Temperature in the strip's unit.
    pub temperature: Option<f64>,
    /// Relative humidity in percent.
    pub humidity: Option<f64>,
}

/// The last hours of one room, ready to be drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct Strip {
    /// Slots of ten minutes in order of time; a missing slot counts as one without readings.
    pub points: Vec<Point>,
    /// Left edge, UTC milliseconds.
    pub from_ms: i64,
    /// Right edge, UTC milliseconds.
    pub to_ms: i64,
    /// Low and high limit of the temperature, in `unit`.
    pub band_t: (f64, f64),
    /// Low and high limit of the humidity in percent.
    pub band_rh: (f64, f64),
    /// Unit of every temperature, `F` or `C`.
    pub unit: &'static str,
    /// Marks on the time axis with their local day or time; those that would collide go unlabelled.
    pub ticks: Vec<(i64, String)>,
    /// Start of each row of the table with its local day and time; empty means one row per tick.
    pub rows: Vec<(i64, String)>,
}

/// Lowest and highest value with the number of slots they come from.
#[derive(Clone, Copy)]
struct Span {
    low: f64,
    high: f64,
    slots: usize,
}

impl Span {
    fn of(values: impl Iterator<Item = f64>) -> Option<Self> {
        values.fold(None, |span, value| {
            Some(match span {
                None => Self {
                    low: value,
                    high: value,
                    slots: 1,
                },
                Some(Self { low, high, slots }) => Self {
                    low: low.min(value),
                    high: high.max(value),
                    slots: slots + 1,
                },
            })
        })
    }

    fn words(self, decimals: usize) -> String {
        let (low, high) = (figure(self.low, decimals), figure(self.high, decimals));
        if low == high {
            low
        } else {
            format!("{low} to {high}")
        }
    }
}

/// One of the two panels while it is being drawn.
struct Panel<'a> {
    id: &'a str,
    key: char,
    top: f64,
    band: (f64, f64),
    low: f64,
    high: f64,
}

impl Panel<'_> {
    fn y(&self, value: f64) -> f64 {
        self.top + PANEL * (self.high - value) / (self.high - self.low)
    }
}

impl Strip {
    /// The whole figure: picture, sentence, and a table to open. `id` sets it apart on its page.
    pub fn figure(&self, id: &str) -> String {
        let id = &name(id);
        let mut table = String::new();
        self.table(&mut table, id);
        whole("strip", id, &self.svg(id), &self.sentence(), &table)
    }

    /// What the picture shows, for those who would rather read it.
    pub fn sentence(&self) -> String {
        let over = match (self.to_ms - self.from_ms) / 3_600_000 {
            24 => "In the last day".to_owned(),
            48 => "In the last two days".to_owned(),
            hours => format!("In the last {hours} hours"),
        };
        let temperature = Span::of(self.temperatures().map(|(_, t)| t));
        let humidity = Span::of(self.humidities().map(|(_, h)| h));
        if temperature.is_none() && humidity.is_none() {
            return format!("{over} there were no readings.");
        }
        let mut said = Vec::new();
        if let Some(span) = temperature {
            said.push(format!("{}{NB}{}", span.words(1), self.unit));
        }
        if let Some(span) = humidity {
            said.push(format!("{}{NB}%", span.words(0)));
        }
        let mut out = format!("{over}: {}.", said.join(", "));
        let mut outside = false;
        let mut tell = |slots: usize, what: &str, side: &str, band: &str| {
            if slots != 0 {
                outside = true;
                let _ = write!(
                    out,
                    " {what} {side} its band of {band} for {}.",
                    time(slots)
                );
            }
        };
        let (low, high) = self.band_t;
        let band = format!("{} to {}{NB}{}", plain(low), plain(high), self.unit);
        let count = |pick: &dyn Fn(f64) -> bool| self.temperatures().filter(|p| pick(p.1)).count();
        tell(count(&|t| t < low), "Temperature", "below", &band);
        tell(count(&|t| high < t), "Temperature", "above", &band);
        let (low, high) = self.band_rh;
        let band = format!("{} to {}{NB}%", plain(low), plain(high));
        let count = |pick: &dyn Fn(f64) -> bool| self.humidities().filter(|p| pick(p.1)).count();
        tell(count(&|h| h < low), "Humidity", "below", &band);
        tell(count(&|h| high < h), "Humidity", "above", &band);
        if !outside {
            out += match (temperature, humidity) {
                (Some(_), Some(_)) => " The room's averages stayed in their bands.",
                _ => " The room's average stayed in its band.",
            };
        }
        let missing = self.missing();
        if missing != 0 {
            let _ = write!(out, " No readings for {}.", time(missing));
        }
        out
    }

    /// The picture alone, named by a title and described by the caption with the id `{id}-c`.
    pub fn svg(&self, id: &str) -> String {
        let mut out = format!(
            "<svg viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-labelledby=\"{id}-n\" \
             aria-describedby=\"{id}-c\"><title id=\"{id}-n\">Temperature and humidity with their \
             bands</title>"
        );
        for (_, label) in self.placed_ticks() {
            if let Some((x, label)) = label {
                let _ = write!(
                    out,
                    "<text x=\"{}\" y=\"{TIMES}\" text-anchor=\"middle\">{}</text>",
                    tenth(x),
                    escape(&label)
                );
            }
        }
        let t: Vec<_> = self.temperatures().collect();
        let heading = format!("Temperature, {}", self.unit);
        self.panel(&mut out, (id, 't', TOP_T), self.band_t, &t, &heading);
        let h: Vec<_> = self.humidities().collect();
        self.panel(&mut out, (id, 'h', TOP_RH), self.band_rh, &h, "Humidity, %");
        out += "</svg>";
        out
    }

    fn panel(
        &self,
        out: &mut String,
        (id, key, top): (&str, char, f64),
        band: (f64, f64),
        values: &[(i64, f64)],
        heading: &str,
    ) {
        let seen = Span::of(values.iter().map(|v| v.1));
        let low = seen.map_or(band.0, |s| s.low.min(band.0));
        let high = seen.map_or(band.1, |s| s.high.max(band.1));
        // A little air above and below, and never a height of nothing.
        let pad = (high - low).max(1.0) * 0.08;
        let panel = Panel {
            id,
            key,
            top,
            band,
            low: low - pad,
            high: high + pad,
        };
        let wide = WIDTH - LEFT - RIGHT;
        let (y_high, y_low) = (panel.y(band.1), panel.y(band.0));
        let _ = write!(
            out,
            "<text class=\"head\" x=\"0\" y=\"{}\">{}</text>\
             <rect class=\"band\" x=\"{LEFT}\" y=\"{}\" width=\"{wide}\" height=\"{}\"/>",
            top - 8.0,
            escape(heading),
            tenth(y_high),
            tenth(y_low - y_high),
        );
        for (at, _) in self.placed_ticks() {
            let x = tenth(self.x(at));
            let _ = write!(out, "<path class=\"tick\" d=\"M{x} {top}v{PANEL}\"/>");
        }
        for (y, label) in panel.figures(seen) {
            let _ = write!(
                out,
                "<text x=\"{}\" y=\"{}\" text-anchor=\"end\">{label}</text>",
                LEFT - 5.0,
                tenth(y + LETTER * 0.35),
            );
        }
        if values.is_empty() {
            let _ = write!(
                out,
                "<text x=\"{}\" y=\"{}\" text-anchor=\"middle\">no readings</text>",
                LEFT + wide / 2.0,
                tenth(top + PANEL / 2.0 + LETTER * 0.35),
            );
            return;
        }
        self.lines(out, &panel, values);
    }

    fn lines(&self, out: &mut String, panel: &Panel<'_>, values: &[(i64, f64)]) {
        let (id, key, top) = (panel.id, panel.key, panel.top);
        let (y_high, y_low) = (panel.y(panel.band.1), panel.y(panel.band.0));
        let drawn: Vec<(i64, f64, f64)> = values
            .iter()
            .map(|&(at, value)| (at, self.x(at), panel.y(value)))
            .collect();
        let _ = write!(
            out,
            "<clipPath id=\"{id}-{key}o\"><path d=\"M{LEFT} {top}H{WIDTH}V{}H{LEFT}zM{LEFT} \
             {}H{WIDTH}V{}H{LEFT}z\"/></clipPath><defs><path id=\"{id}-{key}\" d=\"{}\"/></defs>\
             <use class=\"line\" href=\"#{id}-{key}\"/><use class=\"out\" href=\"#{id}-{key}\" clip-path=\"url(#{id}-{key}o)\"/>",
            tenth(y_high),
            tenth(y_low),
            top + PANEL,
            path(&drawn, JOIN_MS),
        );
        // A dot says "this is now"; without a reading in the last two slots there is no now.
        if let Some(&(at, x, y)) = drawn.last()
            && self.to_ms - at <= 2 * SLOT_MS
        {
            let _ = write!(
                out,
                "<circle class=\"dot\" cx=\"{}\" cy=\"{}\" r=\"3\"/>",
                tenth(x),
                tenth(y)
            );
        }
    }

    fn table(&self, out: &mut String, id: &str) {
        let marks = if self.rows.is_empty() {
            &self.ticks
        } else {
            &self.rows
        };
        let _ = write!(
            out,
            "<details id=\"{id}-d\"><summary>The same as a table</summary><table><thead><tr>\
             <th scope=\"col\">From<th scope=\"col\">Temperature, {}<th scope=\"col\">Humidity, %\
             <tbody>",
            escape(self.unit)
        );
        for (i, (from, label)) in marks.iter().enumerate() {
            let to = marks.get(i + 1).map_or(self.to_ms, |m| m.0);
            let within = |p: &(i64, f64)| *from <= p.0 && p.0 < to;
            let words = |span: Option<Span>, decimals| {
                span.map_or_else(|| "no readings".to_owned(), |s| s.words(decimals))
            };
            let t = Span::of(self.temperatures().filter(within).map(|p| p.1));
            let h = Span::of(self.humidities().filter(within).map(|p| p.1));
            let _ = write!(
                out,
                "<tr><th scope=\"row\">{}<td>{}<td>{}",
                escape(label),
                words(t, 1),
                words(h, 0)
            );
        }
        *out += "</table></details>";
    }

    fn temperatures(&self) -> impl Iterator<Item = (i64, f64)> + '_ {
        self.inside()
            .filter_map(|p| Some((p.at_ms, p.temperature.filter(|t| t.is_finite())?)))
    }

    fn humidities(&self) -> impl Iterator<Item = (i64, f64)> + '_ {
        self.inside()
            .filter_map(|p| Some((p.at_ms, p.humidity.filter(|h| h.is_finite())?)))
    }

    fn inside(&self) -> impl Iterator<Item = &Point> {
        self.points
            .iter()
            .filter(|p| (self.from_ms..=self.to_ms).contains(&p.at_ms))
    }

    fn missing(&self) -> usize {
        let slots = usize::try_from((self.to_ms - self.from_ms) / SLOT_MS).unwrap_or(0);
        let heard = self
            .inside()
            .filter(|p| p.temperature.is_some() || p.humidity.is_some())
            .count();
        // The slot that is just being filled is not missing yet.
        match slots.saturating_sub(heard) {
            1 => 0,
            missing => missing,
        }
    }

    fn x(&self, at_ms: i64) -> f64 {
        let part = (at_ms - self.from_ms) as f64 / (self.to_ms - self.from_ms).max(1) as f64;
        LEFT + part * (WIDTH - LEFT - RIGHT)
    }

    /// Each tick inside the strip, with the middle of its label where there is room for one.
    fn placed_ticks(&self) -> Vec<(i64, Option<(f64, String)>)> {
        placed_ticks(&self.ticks, (self.from_ms, self.to_ms), |at| self.x(at))
    }
}

impl Panel<'_> {
    /// The figures beside the panel: the limits first, then what lies beyond them if there is room.
    fn figures(&self, seen: Option<Span>) -> Vec<(f64, String)> {
        let mut placed: Vec<(f64, String)> = Vec::new();
        let beyond = seen.into_iter().flat_map(|s| {
            [(s.high, self.band.1 < s.high), (s.low, s.low < self.band.0)]
                .into_iter()
                .filter(|(_, shown)| *shown)
                .map(|(value, _)| (value, figure(value, 0)))
        });
        let limits = [self.band.1, self.band.0].map(|value| (value, plain(value)));
        for (value, label) in limits.into_iter().chain(beyond) {
            let y = self.y(value);
            if placed.iter().all(|p| LETTER <= (p.0 - y).abs()) {
                placed.push((y, label));
            }
        }
        placed
    }
}

/// Each tick between the edges, with the middle of its label where there is room for one.
fn placed_ticks(
    ticks: &[(i64, String)],
    (from_ms, to_ms): (i64, i64),
    x: impl Fn(i64) -> f64,
) -> Vec<(i64, Option<(f64, String)>)> {
    let mut free_from = 0.0;
    ticks
        .iter()
        .filter(|(at, _)| (from_ms..=to_ms).contains(at))
        .map(|(at, label)| {
            let half = width_of(label) / 2.0;
            let middle = x(*at).min(WIDTH - half);
            if label.is_empty() || middle - half < free_from {
                return (*at, None);
            }
            free_from = middle + half + LETTER * 0.5;
            (*at, Some((middle, label.clone())))
        })
        .collect()
}

/// A figure made of its parts; the sentence is the caption.
fn whole(class: &str, id: &str, svg: &str, sentence: &str, table: &str) -> String {
    format!(
        "<figure class=\"{class}\">{svg}<figcaption id=\"{id}-c\">{}</figcaption>{table}</figure>",
        escape(sentence)
    )
}

/// An id that is safe in markup and in a reference.
fn name(id: &str) -> String {
    id.chars()
        .map(|c| if c.is_ascii_alphanumeric() { c } else { '-' })
        .collect()
}

/// A line through the points, broken where two are further apart than `join_ms`; a lone reading
/// becomes a dot.
fn path(points: &[(i64, f64, f64)], join_ms: i64) -> String {
    let mut out = String::with_capacity(points.len() * 8);
    let mut before: Option<(i64, i64, i64)> = None;
    for (i, &(at, x, y)) in points.iter().enumerate() {
        // Whole tenths, so that the small steps add up to the right place at the far end.
        let (x, y) = ((x * 10.0).round() as i64, (y * 10.0).round() as i64);
        let next = points.get(i + 1).filter(|n| n.0 - at <= join_ms);
        match before.filter(|b| at - b.0 <= join_ms) {
            None => {
                let _ = write!(out, "M{} {}", tenths(x), tenths(y));
                if next.is_none() {
                    out += "h0";
                }
                before = Some((at, x, y));
            }
            Some((_, x0, y0)) => {
                let flat = y == y0 && next.is_some_and(|n| (n.2 * 10.0).round() as i64 == y);
                if flat {
                    // On a level stretch only the end matters.
                    before = Some((at, x0, y0));
                    continue;
                }
                if y == y0 {
                    let _ = write!(out, "h{}", tenths(x - x0));
                } else {
                    let _ = write!(out, "l{} {}", tenths(x - x0), tenths(y - y0));
                }
                before = Some((at, x, y));
            }
        }
    }
    out
}

/// How wide a label can be at most, in picture units.
fn width_of(label: &str) -> f64 {
    let advance = |c| match c {
        'W' | 'M' | 'w' | 'm' | '%' | '±' | '…' => WIDE_ADVANCE,
        ' ' | NB => SPACE_ADVANCE,
        _ => ADVANCE,
    };
    label.chars().map(advance).sum::<f64>() * LETTER
}

fn tenth(value: f64) -> String {
    tenths((value * 10.0).round() as i64)
}

fn tenths(value: i64) -> String {
    let sign = if value < 0 { "-" } else { "" };
    let (whole, part) = (value.abs() / 10, value.abs() % 10);
    match (whole, part) {
        (_, 0) => format!("{sign}{whole}"),
        (0, _) => format!("{sign}.{part}"),
        _ => format!("{sign}{whole}.{part}"),
    }
}

fn plain(value: f64) -> String {
    figure(value, usize::from(0.05 <= (value - value.round()).abs()))
}

/// A number in words fit for reading: never `-0`.
fn figure(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(rest) if rest.chars().all(|c| c == '0' || c == '.') => rest.to_owned(),
        _ => text,
    }
}

fn time(slots: usize) -> String {
    let minutes = slots * 10;
    match (minutes / 60, minutes % 60) {
        (0, m) => format!("{m}{NB}min"),
        (h, 0) => format!("{h}{NB}h"),
        (h, m) => format!("{h}{NB}h {m}{NB}min"),
    }
}

fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out += "&amp;",
            '<' => out += "&lt;",
            '>' => out += "&gt;",
            '"' => out += "&quot;",
            '\'' => out += "&#39;",
            c => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod seen;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod whole_winter;
