//! All hours of a winter in the moist-air picture: where the air was, and for how long.

use std::{collections::BTreeMap, fmt::Write as _};

use super::{
    LETTER, NB, Span, WIDTH,
    days::rect,
    figure,
    label::{Anchor, Labels},
    moist::{ALL, BOTTOM, Frame, HEIGHT, LEFT, MoistAir, RIGHT, TOP},
    name, plain, whole,
};
use crate::{climate::tuber::SensorError, notify::words::thousands};

/// Step of the humidity ratio, in g per kg of dry air: about as high as a degree is wide.
const WATER: f64 = 0.2;
/// Hours from which each of the five classes begins: threes and tens, so that each is about three
/// times the one before. A figure of this project.
const CLASSES: [f64; 5] = [0.0, 3.0, 10.0, 30.0, 100.0];
/// The key: its top and foot, its figures.
const KEY: (f64, f64) = (HEIGHT + 8.0, HEIGHT + 18.0);
const EDGES: f64 = KEY.1 + 13.0;
const TALL: f64 = EDGES + 5.0;
/// Where the key begins, after its word, and the width of a swatch.
const FIRST: f64 = 54.0;
const SWATCH: f64 = 46.0;
/// Air further than this from the band does not stretch the picture, in kelvin: as in the picture
/// of the last day.
const BEYOND_K: f64 = 12.0;

/// Some time in one kind of air.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stay {
    /// Air temperature in Celsius.
    pub temperature_c: f64,
    /// Relative humidity in percent.
    pub humidity_pct: f64,
    /// How long, in hours.
    pub hours: f64,
}

/// A band of the room: temperatures in Celsius, humidities in percent.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// Low and high limit of the temperature.
    pub t_c: (f64, f64),
    /// Low and high limit of the humidity.
    pub rh: (f64, f64),
}

/// The air of a winter, ready to be drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct Density {
    /// Hours, or parts of them, in any order.
    pub stays: Vec<Stay>,
    /// Every band that held, the one that held longest first.
    pub bands: Vec<Band>,
    /// Unit the temperatures are shown in, `F` or `C`.
    pub unit: &'static str,
    /// Air pressure in Pa, 101 325 at sea level.
    pub pressure_pa: f64,
}

/// Hours below, in and above the band: rows by temperature, columns by humidity.
type Nine = [[f64; 3]; 3];

impl Density {
    /// The whole figure: picture, sentence, and a table to open. `id` sets it apart on its page.
    pub fn figure(&self, id: &str) -> String {
        let id = &name(id);
        let (picture, said) = (self.svg(id), self.sentence());
        whole("strip moist density", id, &picture, &said, &self.table(id))
    }

    /// The picture alone, named by a title and described by the caption with the id `{id}-c`.
    pub fn svg(&self, id: &str) -> String {
        let room = self.room();
        let frame = self.frame(&room);
        let mut labels = Labels::default();
        let mut out = format!(
            "<svg viewBox=\"0 0 {WIDTH} {TALL}\" role=\"img\" aria-labelledby=\"{id}-n\" \
             aria-describedby=\"{id}-c\"><title id=\"{id}-n\">Temperature and water in the air, by \
             hours, with the room's band</title>\
             <text class=\"head\" x=\"0\" y=\"12\">Water, g per kg of dry air</text>"
        );
        room.axes(&mut out, &mut labels, &frame);
        let (classes, beyond) = self.classes(&room, &frame);
        for (class, cells) in classes.iter().enumerate() {
            let d: String = cells.iter().map(|cell| rect(*cell)).collect();
            if !d.is_empty() {
                let _ = write!(out, "<path class=\"h{class}\" d=\"{d}\"/>");
            }
        }
        room.curves(&mut out, &mut labels, &frame);
        for band in &self.bands {
            let band = self.with(*band).band(&frame);
            let _ = write!(
                out,
                "<path class=\"halo\" d=\"{band}\"/><path class=\"bound\" d=\"{band}\"/>"
            );
        }
        labels.put(
            "hours:",
            [(0.0, KEY.1, Anchor::Start)],
            [0.0, 0.0, WIDTH, TALL],
        );
        for (class, from) in CLASSES.iter().enumerate() {
            let left = FIRST + SWATCH * class as f64;
            let area = [left, KEY.0, left + SWATCH, KEY.1];
            let _ = write!(out, "<path class=\"h{class}\" d=\"{}\"/>", rect(area));
            if class != 0 {
                let spot = (left, EDGES, Anchor::Middle);
                labels.put(&figure(*from, 0), [spot], [0.0, 0.0, WIDTH, TALL]);
            }
        }
        if self.air(&room).next().is_none() {
            let spot = (f64::midpoint(LEFT, RIGHT), BOTTOM - 10.0, Anchor::Middle);
            labels.put("no readings", [spot], ALL);
        } else if 0.0 < beyond {
            let said = format!("beyond: {}{NB}h", thousands(beyond.round().max(1.0) as i64));
            let spots = [TOP + LETTER + 2.0, TOP + 2.0 * LETTER + 2.0, BOTTOM - 6.0]
                .map(|y| (LEFT + 5.0, y, Anchor::Start));
            labels.put(&said, spots, ALL);
        }
        out += labels.markup();
        out += "</svg>";
        out
    }

    /// Boxes of each class, and the hours that the frame does not hold.
    fn classes(&self, room: &MoistAir, frame: &Frame) -> (Vec<Vec<[f64; 4]>>, f64) {
        let step = if self.unit == "F" { 1.0 } else { 0.5 };
        let mut cells: BTreeMap<(i64, i64), f64> = BTreeMap::new();
        let mut beyond = 0.0;
        for (stay, w) in self.air(room) {
            if !frame.holds(stay.temperature_c, w) {
                beyond += stay.hours;
                continue;
            }
            let column = (room.shown(stay.temperature_c) / step + 1e-9).floor() as i64;
            let row = (w / WATER + 1e-9).floor() as i64;
            *cells.entry((row, column)).or_default() += stay.hours;
        }
        let class = |hours: f64| CLASSES.iter().rposition(|c| *c <= hours).unwrap_or(0);
        let cells: Vec<_> = cells.into_iter().map(|(at, h)| (at, class(h))).collect();
        let mut classes = vec![Vec::new(); CLASSES.len()];
        for run in cells.chunk_by(|a, b| a.1 == b.1 && a.0.0 == b.0.0 && a.0.1 + 1 == b.0.1) {
            let ((row, first), class) = run[0];
            let last = run[run.len() - 1].0.1;
            let x = |column: i64| frame.x(room.celsius(column as f64 * step));
            let y = |row: i64| frame.y(row as f64 * WATER);
            classes[class].push([x(first), y(row + 1), x(last + 1), y(row)]);
        }
        (classes, beyond)
    }

    /// What the picture shows, for those who would rather read it.
    pub fn sentence(&self) -> String {
        let room = self.room();
        let hours: f64 = self.air(&room).map(|a| a.0.hours).sum();
        if hours <= 0.0 {
            return "No hours with both temperature and humidity.".to_owned();
        }
        let mean = |pick: fn(&Stay) -> f64| {
            let sum: f64 = self.air(&room).map(|(s, _)| pick(&s) * s.hours).sum();
            sum / hours
        };
        let (t, rh) = (mean(|s| s.temperature_c), mean(|s| s.humidity_pct));
        let mut out = format!(
            "{}{NB}h with both figures, on average {}{NB}{} and {}{NB}%.",
            thousands(hours.round() as i64),
            figure(room.shown(t), 1),
            self.unit,
            figure(rh, 0)
        );
        if let Some(band) = self.bands.first() {
            let inside = self.nine(&room, *band)[1][1];
            let (low, high) = band.t_c;
            let _ = write!(
                out,
                " In the band of {} to {}{NB}{} and {} to {}{NB}%: {}{NB}h ({}{NB}%).",
                plain(room.shown(low)),
                plain(room.shown(high)),
                self.unit,
                plain(band.rh.0),
                plain(band.rh.1),
                thousands(inside.round() as i64),
                figure(100.0 * inside / hours, 0)
            );
        }
        if 1 < self.bands.len() {
            out += " The band was changed during the winter; each is outlined, the hours are held \
                    against the one that held longest.";
        }
        let beyond = self.classes(&room, &self.frame(&room)).1;
        if 0.0 < beyond {
            let _ = write!(
                out,
                " Beyond the edge of the picture: {}{NB}h.",
                thousands(beyond.round().max(1.0) as i64)
            );
        }
        out
    }

    fn table(&self, id: &str) -> String {
        let Some(band) = self.bands.first() else {
            return String::new();
        };
        let mut out = format!(
            "<details id=\"{id}-d\"><summary>The same as a table</summary><table><thead><tr>\
             <th scope=\"col\">Hours<th scope=\"col\">too dry<th scope=\"col\">humidity in its \
             band<th scope=\"col\">too damp<tbody>"
        );
        let nine = self.nine(&self.room(), *band);
        for (what, row) in ["too cold", "temperature in its band", "too warm"]
            .iter()
            .zip(nine)
        {
            let _ = write!(out, "<tr><th scope=\"row\">{what}");
            for hours in row {
                let _ = write!(out, "<td>{}", thousands(hours.round() as i64));
            }
        }
        out += "</table></details>";
        out
    }

    fn nine(&self, room: &MoistAir, band: Band) -> Nine {
        let side = |value: f64, (low, high): (f64, f64)| {
            usize::from(low <= value) + usize::from(high < value)
        };
        let mut nine = Nine::default();
        for (stay, _) in self.air(room) {
            let (t, rh) = (
                side(stay.temperature_c, band.t_c),
                side(stay.humidity_pct, band.rh),
            );
            nine[t][rh] += stay.hours;
        }
        nine
    }

    /// Stays that are air, with their humidity ratio in g per kg of dry air.
    fn air<'a>(&'a self, room: &'a MoistAir) -> impl Iterator<Item = (Stay, f64)> + 'a {
        self.stays
            .iter()
            .filter(|s| s.hours.is_finite() && 0.0 < s.hours)
            .filter_map(|s| Some((*s, room.water(s.temperature_c, s.humidity_pct)?)))
    }

    /// The picture of the last day lends its axes.
    fn room(&self) -> MoistAir {
        // Without a band, that of a usual root store (common practice) gives the picture its place.
        let usual = Band {
            t_c: (4.0, 11.0),
            rh: (75.0, 85.0),
        };
        self.with(self.bands.first().copied().unwrap_or(usual))
    }

    fn with(&self, band: Band) -> MoistAir {
        MoistAir {
            trail: Vec::new(),
            join_ms: 0,
            now_ms: 0,
            band_t_c: band.t_c,
            band_rh: band.rh,
            coldest: None,
            error: SensorError::default(),
            outdoor: None,
            unit: self.unit,
            pressure_pa: self.pressure_pa,
            rows: Vec::new(),
        }
    }

    /// Wide enough for the bands and for what is not too far from them.
    fn frame(&self, room: &MoistAir) -> Frame {
        let mut corners = Vec::new();
        for band in self.bands.iter().copied().chain([Band {
            t_c: room.band_t_c,
            rh: room.band_rh,
        }]) {
            let (low, high) = (band.t_c, band.rh);
            for (t, rh) in [(low.0, high.0), (low.1, high.1)] {
                corners.push((t, room.water(t, rh).unwrap_or(0.0)));
            }
        }
        let (low, high) = Span::of(corners.iter().map(|c| c.0))
            .map_or((0.0, 0.0), |s| (s.low - BEYOND_K, s.high + BEYOND_K));
        let air = self.air(room).map(|(s, w)| (s.temperature_c, w));
        let seen: Vec<_> = air
            .filter(|a| low <= a.0 && a.0 <= high)
            .chain(corners)
            .collect();
        let spread = |pick: fn(&(f64, f64)) -> f64, least: f64| {
            let span = Span::of(seen.iter().map(pick));
            let (low, high) = span.map_or((0.0, 1.0), |s| (s.low, s.high));
            let pad = (high - low).max(least) * 0.08;
            (low - pad, high + pad)
        };
        let (t, w) = (spread(|p| p.0, 4.0), spread(|p| p.1, 1.0));
        Frame {
            t,
            w: (w.0.max(0.0), w.1),
        }
    }
}
