//! The moist-air picture: where the room's air is, where it should be, and where the coldest crate
//! sweats.

mod told;

use std::fmt::Write as _;

use super::{
    LETTER, NB, Span, WIDTH, figure,
    label::{Anchor, Area, Labels, Spot, round_values},
    name, path, tenth, whole,
};
use crate::climate::{Air, Celsius, Pascal, RelativeHumidity, mould, tuber::SensorError};

/// The frame; figures stand left of it and below, the names of the curves above it and right.
pub(super) const LEFT: f64 = 28.0;
pub(super) const RIGHT: f64 = WIDTH - 36.0;
pub(super) const TOP: f64 = 32.0;
pub(super) const BOTTOM: f64 = 204.0;
/// Where the figures of the temperature stand.
const FIGURES: f64 = BOTTOM + 16.0;
/// Where the name of that axis stands.
const AXIS: f64 = FIGURES + 15.0;
pub(super) const HEIGHT: f64 = AXIS + 5.0;
/// The frame, for the labels inside it.
const FRAME: Area = [LEFT + 2.0, TOP, RIGHT - 2.0, BOTTOM];
/// The whole picture, for the labels around the frame.
pub(super) const ALL: Area = [0.0, 0.0, WIDTH, HEIGHT];
/// Air further than this from the room's limits does not stretch the picture, in kelvin: a tenth
/// of the frame would be left for the band.
const BEYOND_K: f64 = 12.0;
/// The least step of the trail that is drawn, in picture units.
const SEEN: f64 = 1.5;
/// One slot of the trail.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrailPoint {
    /// Start of the slot, UTC milliseconds.
    pub at_ms: i64,
    /// Air temperature in Celsius.
    pub temperature_c: f64,
    /// Relative humidity in percent.
    pub humidity_pct: f64,
}

/// The air of one room over the last day, ready to be drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct MoistAir {
    /// What the air was, in order of time; a slot without both figures is left out.
    pub trail: Vec<TrailPoint>,
    /// Two points further apart than this are not joined, in milliseconds.
    pub join_ms: i64,
    /// When the picture is drawn; a last point older than twice `join_ms` is not "now".
    pub now_ms: i64,
    /// Low and high limit of the temperature, in Celsius.
    pub band_t_c: (f64, f64),
    /// Low and high limit of the humidity in percent.
    pub band_rh: (f64, f64),
    /// The coldest surface: its name in a sentence ("crate C-07") and temperature in Celsius.
    pub coldest: Option<(String, f64)>,
    /// How far the sensors of the air may be off.
    pub error: SensorError,
    /// Outdoor air: temperature in Celsius, humidity in percent.
    pub outdoor: Option<(f64, f64)>,
    /// Unit the temperatures are shown in, `F` or `C`.
    pub unit: &'static str,
    /// Air pressure in Pa, 101 325 at sea level.
    pub pressure_pa: f64,
    /// Start of each row of the table with its local day and time.
    pub rows: Vec<(i64, String)>,
}

/// Air as it is drawn: temperature in Celsius, humidity in percent, water in g per kg of dry air.
#[derive(Clone, Copy)]
struct Drawn {
    at_ms: i64,
    t: f64,
    rh: f64,
    w: f64,
}

/// The part of the chart that is shown.
pub(super) struct Frame {
    /// Temperature in Celsius.
    pub(super) t: (f64, f64),
    /// Humidity ratio in g per kg of dry air.
    pub(super) w: (f64, f64),
}

impl Frame {
    pub(super) fn x(&self, t: f64) -> f64 {
        let part = (t - self.t.0) / (self.t.1 - self.t.0);
        LEFT + part.clamp(0.0, 1.0) * (RIGHT - LEFT)
    }

    pub(super) fn y(&self, w: f64) -> f64 {
        let part = (w - self.w.0) / (self.w.1 - self.w.0);
        BOTTOM - part.clamp(0.0, 1.0) * (BOTTOM - TOP)
    }

    pub(super) fn holds(&self, t: f64, w: f64) -> bool {
        self.t.0 <= t && t <= self.t.1 && self.w.0 <= w && w <= self.w.1
    }
}

impl MoistAir {
    /// The whole figure: picture, sentence, and a table to open. `id` sets it apart on its page.
    pub fn figure(&self, id: &str) -> String {
        let id = &name(id);
        let table = self.table(id);
        whole("strip moist", id, &self.svg(id), &self.sentence(), &table)
    }

    /// The picture alone, named by a title and described by the caption with the id `{id}-c`.
    pub fn svg(&self, id: &str) -> String {
        let trail = self.drawn();
        let frame = self.frame(&trail);
        let mut labels = Labels::default();
        let mut out = format!(
            "<svg viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-labelledby=\"{id}-n\" \
             aria-describedby=\"{id}-c\"><title id=\"{id}-n\">Temperature and water in the air, \
             with the room's band and where the coldest surface sweats</title>\
             <text class=\"head\" x=\"0\" y=\"12\">Water, g per kg of dry air</text>"
        );
        self.axes(&mut out, &mut labels, &frame);
        let band = self.band(&frame);
        let _ = write!(out, "<path class=\"band\" d=\"{band}\"/>");
        self.curves(&mut out, &mut labels, &frame);
        let mould = self.curve(&frame, |t| {
            Celsius::new(t).map_or(100.0, |t| mould::critical_humidity(t).percent())
        });
        if 1 < mould.len() {
            let _ = write!(out, "<path class=\"mould\" d=\"{}\"/>", joined(&mould));
        }
        let sweating = self.sweating();
        if let Some((_, t, w)) = sweating {
            // It begins on the surface itself: air cooled to its temperature is saturated there.
            let (x, y) = (tenth(frame.x(t)), tenth(frame.y(w)));
            let _ = write!(
                out,
                "<path class=\"dew\" d=\"M{x} {y}H{RIGHT}\"/><path class=\"foot\" d=\"M{x} {y}m0-4v8\"/>"
            );
        }
        let mut over = String::new();
        let line = self.trail(&mut over, (id, &band), &frame, &trail);
        let outdoor = self.outdoors().filter(|(t, w)| frame.holds(*t, *w));
        if let Some((t, w)) = outdoor {
            let (x, y) = (tenth(frame.x(t)), tenth(frame.y(w)));
            let _ = write!(
                out,
                "<circle class=\"ring\" cx=\"{x}\" cy=\"{y}\" r=\"4\"/>"
            );
        }
        // Words under the trail: a word's halo over it would look like a gap.
        labels.avoid_most(line.iter().copied());
        labels.avoid(mould.iter().copied());
        if let Some((_, t, w)) = sweating {
            labels.avoid([(frame.x(t), frame.y(w)), (RIGHT, frame.y(w))]);
        }
        self.words(&mut labels, &frame, &trail, &mould);
        out += labels.markup();
        out += &over;
        out += "</svg>";
        out
    }

    pub(super) fn axes(&self, out: &mut String, labels: &mut Labels, frame: &Frame) {
        let mut marks = format!("M{LEFT} {TOP}V{BOTTOM}H{RIGHT}");
        let (values, decimals) = round_values(frame.w.0, frame.w.1, 5.0);
        for w in values {
            let y = frame.y(w);
            let _ = write!(marks, "M{LEFT} {}h-3", tenth(y));
            let spot = (LEFT - 5.0, y + LETTER * 0.35, Anchor::End);
            labels.put(&figure(w, decimals), [spot], ALL);
        }
        let (low, high) = (self.shown(frame.t.0), self.shown(frame.t.1));
        let (values, decimals) = round_values(low, high, 6.0);
        for shown in values {
            let x = frame.x(self.celsius(shown));
            let _ = write!(marks, "M{} {BOTTOM}v3", tenth(x));
            labels.put(
                &figure(shown, decimals),
                [(x, FIGURES, Anchor::Middle)],
                ALL,
            );
        }
        let axis = format!("Temperature, {}", self.unit);
        let _ = write!(
            out,
            "<path class=\"tick\" d=\"{marks}\"/><text class=\"head\" x=\"{}\" y=\"{AXIS}\" \
             text-anchor=\"middle\">{axis}</text>",
            f64::midpoint(LEFT, RIGHT)
        );
    }

    /// Curves of equal humidity, each named where it leaves the frame.
    pub(super) fn curves(&self, out: &mut String, labels: &mut Labels, frame: &Frame) {
        for percent in [20.0, 40.0, 60.0, 80.0, 100.0] {
            let points = self.curve(frame, |_| percent);
            let Some(&(x, y)) = points.last().filter(|_| 1 < points.len()) else {
                continue;
            };
            let class = if percent < 100.0 { "rh" } else { "wet" };
            let _ = write!(out, "<path class=\"{class}\" d=\"{}\"/>", joined(&points));
            let label = format!("{percent}{NB}%");
            if percent < 100.0 {
                let spot = if x < RIGHT - 0.5 {
                    (x, TOP - 4.0, Anchor::Middle)
                } else {
                    (RIGHT + 3.0, y + LETTER * 0.35, Anchor::Start)
                };
                labels.put(&label, [spot], ALL);
            } else {
                labels.avoid(points.iter().copied());
                let spots: Vec<_> = points
                    .iter()
                    .rev()
                    .skip(1)
                    .map(|(x, y)| (x - 6.0, *y, Anchor::End))
                    .collect();
                if !labels.put(&format!("saturated, {label}"), spots.clone(), FRAME) {
                    labels.put(&label, spots, FRAME);
                }
            }
        }
    }

    /// The trail with what lies outside the band and above the sweating line set off.
    fn trail(
        &self,
        out: &mut String,
        (id, band): (&str, &str),
        frame: &Frame,
        trail: &[Drawn],
    ) -> Vec<(f64, f64)> {
        let points = self.thinned(trail, frame);
        if points.is_empty() {
            return Vec::new();
        }
        let _ = write!(
            out,
            "<clipPath id=\"{id}-o\"><path clip-rule=\"evenodd\" d=\"M0 0H{WIDTH}V{HEIGHT}H0z{band}\"/>\
             </clipPath><defs><path id=\"{id}-t\" d=\"{}\"/></defs><use class=\"line\" href=\"#{id}-t\"/>\
             <use class=\"out\" href=\"#{id}-t\" clip-path=\"url(#{id}-o)\"/>",
            points
                .iter()
                .map(|run| path(run, i64::MAX))
                .collect::<String>()
        );
        if let Some((_, _, w)) = self.sweating() {
            let _ = write!(
                out,
                "<clipPath id=\"{id}-s\"><path d=\"M0 0H{WIDTH}V{}H0z\"/></clipPath>\
                 <use class=\"sweats\" href=\"#{id}-t\" clip-path=\"url(#{id}-s)\"/>",
                tenth(frame.y(w))
            );
        }
        if let Some(now) = self.now(trail) {
            let (x, y) = (tenth(frame.x(now.t)), tenth(frame.y(now.w)));
            let _ = write!(
                out,
                "<circle class=\"dot\" cx=\"{x}\" cy=\"{y}\" r=\"3.5\"/>"
            );
        }
        let points = points.into_iter().flatten();
        points.map(|(_, x, y)| (x, y)).collect()
    }

    /// The trail in pieces without a gap, each without the steps that are too small to be seen: a
    /// sensor's noise would otherwise be drawn as a blot.
    fn thinned(&self, trail: &[Drawn], frame: &Frame) -> Vec<Vec<(i64, f64, f64)>> {
        trail
            .chunk_by(|a, b| b.at_ms - a.at_ms <= self.join_ms)
            .map(|run| {
                let mut kept: Vec<(i64, f64, f64)> = Vec::with_capacity(run.len());
                for (i, p) in run.iter().enumerate() {
                    let (x, y) = (frame.x(p.t), frame.y(p.w));
                    let near = kept.last().is_some_and(|k| (x - k.1).hypot(y - k.2) < SEEN);
                    if !near || i + 1 == run.len() {
                        kept.push((p.at_ms, x, y));
                    }
                }
                kept
            })
            .collect()
    }

    fn words(&self, labels: &mut Labels, frame: &Frame, trail: &[Drawn], mould: &[(f64, f64)]) {
        if let Some((label, t, w)) = self.sweating() {
            let (x, y) = (frame.x(t), frame.y(w));
            let beside = |y: f64| {
                [
                    (RIGHT - 4.0, y, Anchor::End),
                    (f64::midpoint(x, RIGHT), y, Anchor::Middle),
                    (x + 6.0, y, Anchor::Start),
                    (x - 6.0, y, Anchor::End),
                ]
            };
            let spots = [y - 5.0, y + LETTER + 1.0, y + LETTER * 0.35].map(beside);
            let spots: Vec<_> = spots.into_iter().flatten().collect();
            let long = format!("{label} sweats above");
            // The sentence has the name too: a clear picture goes before a full label.
            let spots = || spots.iter().copied();
            let short = "sweats above";
            if !labels.put_clear(&long, spots(), FRAME) && !labels.put_clear(short, spots(), FRAME)
            {
                labels.put(short, spots(), FRAME);
            }
        }
        if let Some(now) = self.now(trail) {
            labels.put_now(around(frame.x(now.t), frame.y(now.w)), FRAME);
        } else if trail.is_empty() {
            let middle = f64::midpoint(LEFT, RIGHT);
            let spots = [(middle, BOTTOM - 10.0, Anchor::Middle)];
            labels.put("no readings", spots, FRAME);
        }
        if let Some((t, w)) = self.outdoors().filter(|(t, w)| frame.holds(*t, *w)) {
            labels.put_clear("outdoors", around(frame.x(t), frame.y(w)), FRAME);
        }
        let (t, rh) = (self.band_t_c, self.band_rh);
        let inside = [0.85, 0.7, 0.5, 0.3, 0.15].map(|part| {
            let t = t.0 + (t.1 - t.0) * part;
            let w = self.water(t, f64::midpoint(rh.0, rh.1)).unwrap_or(0.0);
            (frame.x(t), frame.y(w) + LETTER * 0.35, Anchor::Middle)
        });
        let under = self.water(t.1, rh.0).unwrap_or(0.0);
        let under = (
            frame.x(t.1) - 2.0,
            frame.y(under) + LETTER + 2.0,
            Anchor::End,
        );
        labels.put("band", inside.into_iter().chain([under]), FRAME);
        let along = mould.iter().rev().flat_map(|&(x, y)| {
            [
                (x + 5.0, y + LETTER, Anchor::Start),
                (x - 5.0, y - 2.0, Anchor::End),
            ]
        });
        labels.put("mould line", along, FRAME);
    }

    /// The room's band: along its low humidity, back along its high one.
    pub(super) fn band(&self, frame: &Frame) -> String {
        const PARTS: usize = 14;
        let edge = |i: usize, rh: f64| {
            let (low, high) = self.band_t_c;
            let t = low + (high - low) * i as f64 / PARTS as f64;
            let w = self.water(t, rh).unwrap_or(0.0);
            (0, frame.x(t), frame.y(w))
        };
        let points: Vec<_> = (0..=PARTS)
            .map(|i| edge(i, self.band_rh.0))
            .chain((0..=PARTS).rev().map(|i| edge(i, self.band_rh.1)))
            .collect();
        path(&points, 0) + "z"
    }

    /// Where a humidity given for each temperature runs through the frame, from left to right.
    fn curve(&self, frame: &Frame, rh: impl Fn(f64) -> f64) -> Vec<(f64, f64)> {
        const PARTS: usize = 16;
        let water = |t: f64| self.water(t, rh(t)).unwrap_or(f64::MAX);
        // Water rises with temperature along every one of them.
        let reaches = |w: f64| {
            let (mut low, mut high) = frame.t;
            for _ in 0..40 {
                let middle = f64::midpoint(low, high);
                if water(middle) < w {
                    low = middle;
                } else {
                    high = middle;
                }
            }
            f64::midpoint(low, high)
        };
        let (first, last) = (reaches(frame.w.0), reaches(frame.w.1));
        if last - first < 0.1 {
            return Vec::new();
        }
        (0..=PARTS)
            .map(|i| first + (last - first) * i as f64 / PARTS as f64)
            .map(|t| (frame.x(t), frame.y(water(t))))
            .collect()
    }

    /// Wide enough for the band, the trail and the coldest surface, with a little air around.
    fn frame(&self, trail: &[Drawn]) -> Frame {
        let (low, high) = (self.band_t_c.0 - BEYOND_K, self.band_t_c.1 + BEYOND_K);
        let cold = self.sweating().map(|(_, t, w)| (t, w));
        let seen = || trail.iter().map(|p| (p.t, p.w)).chain(cold);
        let corners = [
            (self.band_t_c.0, self.band_rh.0),
            (self.band_t_c.1, self.band_rh.1),
        ]
        .map(|(t, rh)| (t, self.water(t, rh).unwrap_or(0.0)));
        let spread = |pick: &dyn Fn((f64, f64)) -> f64, least: f64| {
            let span = Span::of(
                seen()
                    .filter(|p| low <= p.0 && p.0 <= high)
                    .chain(corners)
                    .map(pick),
            );
            let (low, high) = span.map_or((0.0, 1.0), |s| (s.low, s.high));
            let pad = (high - low).max(least) * 0.1;
            // Above the highest line there is room for its words.
            (low - pad, high + pad * 1.4)
        };
        let t = spread(&|p| p.0, 4.0);
        let w = spread(&|p| p.1, 1.0);
        Frame {
            t,
            w: (w.0.max(0.0), w.1),
        }
    }

    /// The trail with its water; what is no air is left out.
    fn drawn(&self) -> Vec<Drawn> {
        self.trail
            .iter()
            .filter_map(|p| {
                let (t, rh) = (p.temperature_c, p.humidity_pct);
                Some(Drawn {
                    at_ms: p.at_ms,
                    t,
                    rh: rh.min(100.0),
                    w: self.water(t, rh)?,
                })
            })
            .collect()
    }

    fn now(&self, trail: &[Drawn]) -> Option<Drawn> {
        trail
            .last()
            .filter(|last| self.now_ms - last.at_ms <= 2 * self.join_ms)
            .copied()
    }

    /// The coldest surface with the water of air that is saturated at its temperature.
    fn sweating(&self) -> Option<(&str, f64, f64)> {
        let (label, t) = self.coldest.as_ref()?;
        Some((label, *t, self.water(*t, 100.0)?))
    }

    fn outdoors(&self) -> Option<(f64, f64)> {
        let (t, rh) = self.outdoor?;
        Some((t, self.water(t, rh)?))
    }

    /// Humidity ratio in g per kg of dry air.
    pub(super) fn water(&self, t: f64, rh: f64) -> Option<f64> {
        let pressure = Pascal::new(self.pressure_pa).ok()?;
        Some(1000.0 * air(t, rh)?.humidity_ratio(pressure)?)
    }

    pub(super) fn shown(&self, celsius: f64) -> f64 {
        if self.unit == "F" {
            celsius * 1.8 + 32.0
        } else {
            celsius
        }
    }

    pub(super) fn celsius(&self, shown: f64) -> f64 {
        if self.unit == "F" {
            (shown - 32.0) / 1.8
        } else {
            shown
        }
    }
}

fn air(t: f64, rh: f64) -> Option<Air> {
    let humidity = RelativeHumidity::from_sensor(rh).ok()?;
    Some(Air::new(Celsius::new(t).ok()?, humidity))
}

fn joined(points: &[(f64, f64)]) -> String {
    path(
        &points.iter().map(|(x, y)| (0, *x, *y)).collect::<Vec<_>>(),
        0,
    )
}

/// Beside a dot, on any of its sides.
fn around(x: f64, y: f64) -> [Spot; 8] {
    [
        (x + 7.0, y + LETTER * 0.35, Anchor::Start),
        (x - 7.0, y + LETTER * 0.35, Anchor::End),
        (x, y + LETTER + 5.0, Anchor::Middle),
        (x, y - 8.0, Anchor::Middle),
        (x + 6.0, y + LETTER + 4.0, Anchor::Start),
        (x - 6.0, y - 7.0, Anchor::End),
        (x - 6.0, y + LETTER + 4.0, Anchor::End),
        (x + 6.0, y - 7.0, Anchor::Start),
    ]
}

#[cfg(test)]
mod tests;
