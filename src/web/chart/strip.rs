//! A whole winter as two ribbons, temperature and humidity, with what was told meanwhile.

use std::fmt::Write as _;

use super::{
    LETTER, NB, Span, WIDTH,
    days::{Days, EDGE, LEFT, hatch, rect},
    escape, figure,
    label::{Anchor, Area, Labels, round_values},
    name, path, plain, tenth, whole, width_of,
};

/// Where the words of single days stand, in two rows.
const EVENTS: f64 = 11.0;
/// Where the heading of the alerts stands, which says what the shapes mean.
const ALERTS: f64 = 40.0;
/// Top of the lanes of alerts, and the height of one.
const LANES: f64 = ALERTS + 5.0;
const LANE: f64 = 11.0;
/// Height of a ribbon.
const PANEL: f64 = 84.0;
const TOP_T: f64 = LANES + 3.0 * LANE + 22.0;
const TOP_RH: f64 = TOP_T + PANEL + 24.0;
const BOTTOM: f64 = TOP_RH + PANEL;
/// Where the months stand.
const MONTHS: f64 = BOTTOM + 15.0;
/// What the hatching means.
const KEY: f64 = MONTHS + 18.0;
/// Two marks closer than this are one with a line behind it, in picture units.
const NEAR: f64 = 9.0;

/// The hours of one local day, put together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Day {
    /// Lowest value.
    pub low: f64,
    /// Mean over the time that is known.
    pub mean: f64,
    /// Highest value.
    pub high: f64,
}

/// One quantity over the winter.
#[derive(Debug, Clone, PartialEq)]
pub struct Ribbon {
    /// One for each day, nothing where nothing is known.
    pub days: Vec<Option<Day>>,
    /// Bands with the number of the day from which each held; `None` where nothing was held
    /// against one, such as a room called empty.
    pub bands: Vec<(usize, Option<(f64, f64)>)>,
}

/// How urgent an alert was.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Rank {
    /// To be seen to now: a filled triangle.
    High,
    /// Today: a half-filled diamond.
    Medium,
    /// Some day soon: a ring.
    Low,
}

impl Rank {
    const ALL: [Self; 3] = [Self::High, Self::Medium, Self::Low];

    /// The tone of the style sheet.
    fn tone(self) -> &'static str {
        match self {
            Self::High => "now",
            Self::Medium => "today",
            Self::Low => "soon",
        }
    }

    fn word(self) -> &'static str {
        match self {
            Self::High => "high",
            Self::Medium => "medium",
            Self::Low => "low",
        }
    }

    /// Its shape around a point.
    fn shape(self, x: f64, y: f64) -> String {
        let (x, y) = (tenth(x), tenth(y));
        match self {
            Self::High => format!("<path class=\"full\" d=\"M{x} {y}m0-4.5l4.6 8.5h-9.2z\"/>"),
            Self::Medium => format!(
                "<path class=\"edge\" d=\"M{x} {y}m0-4l4 4l-4 4l-4-4z\"/>\
                 <path class=\"full\" d=\"M{x} {y}m-4 0h8l-4 4z\"/>"
            ),
            Self::Low => format!("<circle class=\"edge\" cx=\"{x}\" cy=\"{y}\" r=\"3\"/>"),
        }
    }
}

/// An alert when it was raised.
#[derive(Debug, Clone, PartialEq)]
pub struct Alert {
    /// Days since the left edge; the part of the day counts.
    pub day: f64,
    /// How urgent it was.
    pub rank: Rank,
}

/// A day with a name.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    /// Days since the left edge.
    pub day: f64,
    /// In the picture: "first dug".
    pub label: String,
    /// In the sentence: "First dug on 12 Oct".
    pub words: String,
}

/// A winter of one room or sensor, ready to be drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct WinterStrip {
    /// How many days the picture is long.
    pub days: usize,
    /// Number of the day on which a month begins, or the first day, with a short name.
    pub months: Vec<(usize, String)>,
    /// Temperature in `unit`.
    pub temperature: Ribbon,
    /// Relative humidity in percent.
    pub humidity: Ribbon,
    /// Unit of every temperature, `F` or `C`.
    pub unit: &'static str,
    /// Alerts in order of time.
    pub alerts: Vec<Alert>,
    /// When the recorder was off: from and to, in days since the left edge.
    pub off: Vec<(f64, f64)>,
    /// First dig, planting, in the order of their importance.
    pub events: Vec<Event>,
}

/// One of the two panels.
struct Panel {
    top: f64,
    low: f64,
    high: f64,
}

impl Panel {
    fn y(&self, value: f64) -> f64 {
        let part = (self.high - value) / (self.high - self.low);
        self.top + PANEL * part.clamp(0.0, 1.0)
    }
}

impl Ribbon {
    fn known(&self, count: usize) -> impl Iterator<Item = (usize, Day)> + '_ {
        let days = self.days.iter().take(count).enumerate();
        days.filter_map(|(i, day)| {
            let day = (*day)?;
            let whole = [day.low, day.mean, day.high].iter().all(|v| v.is_finite());
            whole.then_some((i, day))
        })
    }

    /// Stretches of days with the band that held.
    fn bands(&self, count: usize) -> Vec<(usize, usize, f64, f64)> {
        let mut out = Vec::new();
        for (i, (from, band)) in self.bands.iter().enumerate() {
            // What held first is taken to have held before.
            let from = if i == 0 { 0 } else { *from };
            let next = self.bands.get(i + 1).map_or(count, |b| b.0).min(count);
            if let Some((low, high)) = band.filter(|b| (b.0 + b.1).is_finite())
                && from < next
            {
                out.push((from, next, low, high));
            }
        }
        out
    }

    fn span(&self, count: usize) -> Option<Span> {
        Span::of(self.known(count).flat_map(|(_, d)| [d.low, d.high]))
    }
}

impl WinterStrip {
    /// The whole figure: picture, sentence, and a table to open. `id` sets it apart on its page.
    pub fn figure(&self, id: &str) -> String {
        let id = &name(id);
        let (picture, said) = (self.svg(id), self.sentence());
        whole("strip winter", id, &picture, &said, &self.table(id))
    }

    /// The picture alone, named by a title and described by the caption with the id `{id}-c`.
    pub fn svg(&self, id: &str) -> String {
        let off = self.off();
        let height = if off.is_empty() { MONTHS } else { KEY } + 6.0;
        let days = Days::new(self.days);
        let all = [0.0, 0.0, WIDTH, height];
        let mut labels = Labels::default();
        let mut out = format!(
            "<svg viewBox=\"0 0 {WIDTH} {height}\" role=\"img\" aria-labelledby=\"{id}-n\" \
             aria-describedby=\"{id}-c\"><title id=\"{id}-n\">Each day's temperature and humidity \
             with their bands, and alerts</title>"
        );
        let mut marks = days.months(&mut labels, &self.months, (BOTTOM, MONTHS), all);
        for top in [TOP_T, TOP_RH] {
            let _ = write!(
                marks,
                "M{} {top}V{}H{}",
                tenth(LEFT),
                tenth(top + PANEL),
                tenth(days.end())
            );
        }
        let _ = write!(out, "<path class=\"tick\" d=\"{marks}\"/>");
        self.panel(&mut out, &mut labels, &self.temperature, TOP_T);
        self.panel(&mut out, &mut labels, &self.humidity, TOP_RH);
        let mut lines = String::new();
        for (from, to) in &off {
            // Hours would be too narrow to be seen.
            let (x0, x1) = (days.x(*from), days.x(*to).max(days.x(*from) + 1.2));
            for top in [TOP_T, TOP_RH] {
                let area = [x0, top, x1.min(EDGE), top + PANEL];
                lines += &rect(area);
                lines += &hatch(area);
            }
        }
        if !off.is_empty() {
            let swatch = [0.0, KEY - 9.0, 14.0, KEY + 1.0];
            let _ = write!(
                out,
                "<path class=\"hatch\" d=\"{lines}{}{}\"/>",
                rect(swatch),
                hatch(swatch)
            );
            labels.put("recorder off", [(20.0, KEY, Anchor::Start)], all);
        }
        self.events(&mut out, &mut labels, days, all);
        self.alerts(&mut out, &mut labels, days, all);
        let temperature = format!("Temperature, {}", self.unit);
        for (top, heading) in [(TOP_T, temperature.as_str()), (TOP_RH, "Humidity, %")] {
            let (y, heading) = (tenth(top - 7.0), escape(heading));
            let _ = write!(
                out,
                "<text class=\"head\" x=\"0\" y=\"{y}\">{heading}</text>"
            );
        }
        out += labels.markup();
        out += "</svg>";
        out
    }

    fn panel(&self, out: &mut String, labels: &mut Labels, ribbon: &Ribbon, top: f64) {
        let days = Days::new(self.days);
        let bands = ribbon.bands(self.days);
        let seen = ribbon.span(self.days);
        let limits = bands.iter().flat_map(|b| [b.2, b.3]);
        let values = limits.chain(seen.into_iter().flat_map(|s| [s.low, s.high]));
        let (low, high) = Span::of(values).map_or((0.0, 1.0), |s| (s.low, s.high));
        let pad = (high - low).max(1.0) * 0.06;
        let panel = Panel {
            top,
            low: low - pad,
            high: high + pad,
        };
        let mut d = String::new();
        for (from, to, low, high) in &bands {
            let (x0, x1) = (days.x(*from as f64), days.x(*to as f64));
            d += &rect([x0, panel.y(*high), x1, panel.y(*low)]);
        }
        if !d.is_empty() {
            let _ = write!(out, "<path class=\"band\" d=\"{d}\"/>");
        }
        let beside = [0.0, top - LETTER * 0.5, LEFT, top + PANEL + LETTER * 0.5];
        let mut put = |value: f64, text: &str| {
            let spot = (LEFT - 5.0, panel.y(value) + LETTER * 0.35, Anchor::End);
            labels.put(text, [spot], beside);
        };
        // The limits first, then what was reached, then round figures.
        for (_, _, low, high) in &bands {
            put(*high, &plain(*high));
            put(*low, &plain(*low));
        }
        if let Some(seen) = seen {
            put(seen.high, &figure(seen.high, 0));
            put(seen.low, &figure(seen.low, 0));
            let (round, decimals) = round_values(panel.low, panel.high, 4.0);
            for value in round {
                put(value, &figure(value, decimals));
            }
        }
        let known: Vec<_> = ribbon.known(self.days).collect();
        let (mut area, mut line) = (String::new(), String::new());
        for run in known.chunk_by(|a, b| a.0 + 1 == b.0) {
            area += &outline(run, &panel, days);
            let middle = |(i, day): &(usize, Day)| {
                let x = days.x(*i as f64 + 0.5);
                (0, x, panel.y(day.mean))
            };
            line += &path(&run.iter().map(middle).collect::<Vec<_>>(), 0);
        }
        if known.is_empty() {
            let spot = (
                f64::midpoint(LEFT, EDGE),
                top + PANEL / 2.0 + LETTER * 0.35,
                Anchor::Middle,
            );
            labels.put("no readings", [spot], [0.0, top, WIDTH, top + PANEL]);
        } else {
            let _ = write!(
                out,
                "<path class=\"ribbon\" d=\"{area}\"/><path class=\"mean\" d=\"{line}\"/>"
            );
        }
    }

    fn events(&self, out: &mut String, labels: &mut Labels, days: Days, all: Area) {
        let mut lines = String::new();
        for event in self.events.iter().filter(|e| self.holds(e.day)) {
            let x = days.x(event.day);
            let _ = write!(lines, "M{} {}V{}", tenth(x), EVENTS - 8.0, tenth(BOTTOM));
            let spots = [EVENTS, EVENTS + LETTER]
                .map(|y| [(x + 3.0, y, Anchor::Start), (x - 3.0, y, Anchor::End)]);
            labels.put(&event.label, spots.into_iter().flatten(), all);
        }
        if !lines.is_empty() {
            let _ = write!(out, "<path class=\"cut\" d=\"{lines}\"/>");
        }
    }

    /// One lane for each rank; what is too close to be told apart is one mark and a line.
    fn alerts(&self, out: &mut String, labels: &mut Labels, days: Days, all: Area) {
        let mut key = String::new();
        labels.put("Alerts:", [(0.0, ALERTS, Anchor::Start)], all);
        let mut at = width_of("Alerts:") + LETTER;
        for rank in Rank::ALL {
            let shape = rank.shape(at, ALERTS - LETTER * 0.35);
            let _ = write!(key, "<g class=\"{}\">{shape}</g>", rank.tone());
            labels.put(rank.word(), [(at + 8.0, ALERTS, Anchor::Start)], all);
            at += 8.0 + width_of(rank.word()) + 1.5 * LETTER;
        }
        for (lane, rank) in (0_i32..).zip(Rank::ALL) {
            let y = LANES + LANE * (f64::from(lane) + 0.5);
            let xs: Vec<f64> = self.of(rank).map(|a| days.x(a.day)).collect();
            if xs.is_empty() {
                continue;
            }
            let (mut shapes, mut lines) = (String::new(), String::new());
            let mut first = 0;
            for i in 1..=xs.len() {
                if i < xs.len() && xs[i] - xs[i - 1] < NEAR {
                    continue;
                }
                let inside = |x: f64| x.clamp(LEFT + 5.0, EDGE - 1.0);
                let (x0, x1) = (inside(xs[first]), inside(xs[i - 1]));
                if 1 < i - first {
                    let _ = write!(lines, "M{} {}H{}", tenth(x0), tenth(y), tenth(x1));
                }
                shapes += &rank.shape(x0, y);
                first = i;
            }
            let lines = if lines.is_empty() {
                lines
            } else {
                format!("<path class=\"run\" d=\"{lines}\"/>")
            };
            let _ = write!(out, "<g class=\"{}\">{lines}{shapes}</g>", rank.tone());
        }
        *out += &key;
    }

    /// What the picture shows, for those who would rather read it.
    pub fn sentence(&self) -> String {
        let mut out = match self.days {
            1 => "One day.".to_owned(),
            n => format!("{n} days."),
        };
        let (t, rh) = (&self.temperature, &self.humidity);
        for (what, ribbon, unit, decimals) in
            [("Temperature", t, self.unit, 1), ("Humidity", rh, "%", 0)]
        {
            let Some(span) = ribbon.span(self.days) else {
                let _ = write!(out, " {what}: no readings.");
                continue;
            };
            let _ = write!(out, " {what} {}{NB}{unit}", span.words(decimals));
            let bands = ribbon.bands(self.days);
            let day = |pick: &dyn Fn(&Day, f64, f64) -> bool| {
                let known = ribbon.known(self.days);
                let held = known.filter(|(i, day)| {
                    let band = bands.iter().find(|b| b.0 <= *i && *i < b.1);
                    band.is_some_and(|b| pick(day, b.2, b.3))
                });
                held.count()
            };
            let (below, above) = (
                day(&|d, low, _| d.low < low),
                day(&|d, _, high| high < d.high),
            );
            match (bands.is_empty(), below, above) {
                (true, ..) => {}
                (_, 0, 0) => out += ", always in its band",
                (_, n, 0) => {
                    let _ = write!(out, ", below its band on {}", days_of(n));
                }
                (_, 0, n) => {
                    let _ = write!(out, ", above its band on {}", days_of(n));
                }
                (_, n, m) => {
                    let _ = write!(out, ", below its band on {} and above on {m}", days_of(n));
                }
            }
            match self.days - ribbon.known(self.days).count() {
                0 => {}
                n => {
                    let _ = write!(out, ", no readings on {}", days_of(n));
                }
            }
            out.push('.');
        }
        let counts: Vec<_> = Rank::ALL
            .iter()
            .map(|rank| (rank.word(), self.of(*rank).count()))
            .filter(|c| c.1 != 0)
            .map(|(word, n)| format!("{n} {word}"))
            .collect();
        if counts.is_empty() {
            out += " No alerts.";
        } else {
            let _ = write!(out, " Alerts: {}.", counts.join(", "));
        }
        let off: f64 = self.off().iter().map(|o| o.1 - o.0).sum();
        if 0.0 < off {
            let hours = (off * 24.0).round().max(1.0);
            let _ = write!(out, " The recorder was off for {}{NB}h.", figure(hours, 0));
        }
        for event in self.events.iter().filter(|e| self.holds(e.day)) {
            if !event.words.is_empty() {
                let _ = write!(out, " {}.", event.words);
            }
        }
        out
    }

    fn table(&self, id: &str) -> String {
        let mut out = format!(
            "<details id=\"{id}-d\"><summary>The same as a table</summary><table><thead><tr>\
             <th scope=\"col\">From<th scope=\"col\">Temperature, {0}<th scope=\"col\">Mean, {0}\
             <th scope=\"col\">Humidity, %<th scope=\"col\">Mean, %<th scope=\"col\">Alerts<tbody>",
            escape(self.unit)
        );
        let months: Vec<_> = self.months.iter().filter(|m| m.0 < self.days).collect();
        for (i, (from, label)) in months.iter().enumerate() {
            let to = months.get(i + 1).map_or(self.days, |m| m.0);
            let _ = write!(out, "<tr><th scope=\"row\">{}", escape(label));
            for (ribbon, decimals) in [(&self.temperature, 1), (&self.humidity, 0)] {
                let known = ribbon.known(self.days);
                let days: Vec<_> = known.filter(|d| *from <= d.0 && d.0 < to).collect();
                let Some(span) = Span::of(days.iter().flat_map(|d| [d.1.low, d.1.high])) else {
                    out += "<td colspan=\"2\">no readings";
                    continue;
                };
                let mean = days.iter().map(|d| d.1.mean).sum::<f64>() / days.len() as f64;
                let (span, mean) = (span.words(decimals), figure(mean, decimals));
                let _ = write!(out, "<td>{span}<td>{mean}");
            }
            let within = |a: &&Alert| *from as f64 <= a.day && a.day < to as f64;
            let said: Vec<_> = Rank::ALL
                .iter()
                .map(|rank| (rank.word(), self.of(*rank).filter(within).count()))
                .filter(|c| c.1 != 0)
                .map(|(word, n)| format!("{n} {word}"))
                .collect();
            let said = if said.is_empty() {
                "–".to_owned()
            } else {
                said.join(", ")
            };
            let _ = write!(out, "<td>{said}");
        }
        out += "</table></details>";
        out
    }

    fn holds(&self, day: f64) -> bool {
        (0.0..=self.days as f64).contains(&day)
    }

    fn of(&self, rank: Rank) -> impl Iterator<Item = &Alert> {
        self.alerts
            .iter()
            .filter(move |a| a.rank == rank && self.holds(a.day))
    }

    /// The part of each span that the picture holds.
    fn off(&self) -> Vec<(f64, f64)> {
        let end = self.days as f64;
        let spans = self.off.iter().filter(|o| (o.0 + o.1).is_finite());
        spans
            .map(|o| (o.0.clamp(0.0, end), o.1.clamp(0.0, end)))
            .filter(|o| o.0 < o.1)
            .collect()
    }
}

fn days_of(n: usize) -> String {
    match n {
        1 => "1 day".to_owned(),
        n => format!("{n} days"),
    }
}

/// A closed shape with a step for each day: along the highest, back along the lowest.
fn outline(run: &[(usize, Day)], panel: &Panel, days: Days) -> String {
    let edge = |pick: fn(&Day) -> f64| {
        run.iter().flat_map(move |(i, day)| {
            // Even a day without any change is as thick as a line.
            let y = panel.y(pick(day));
            let i = *i as f64;
            [(0, days.x(i), y), (0, days.x(i + 1.0), y)]
        })
    };
    let mut points: Vec<_> = edge(|d| d.high).collect();
    let mut back: Vec<_> = edge(|d| d.low).collect();
    back.reverse();
    points.append(&mut back);
    path(&points, 0) + "z"
}
