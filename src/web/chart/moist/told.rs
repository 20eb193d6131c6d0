//! The moist-air picture in words and as a table.

use std::fmt::Write as _;

use super::{
    super::{NB, SLOT_MS, Span, escape, figure, plain, time},
    Drawn, MoistAir, air,
};
use crate::climate::tuber::{self, Wetness};

impl MoistAir {
    /// What the picture shows, for those who would rather read it.
    pub fn sentence(&self) -> String {
        let trail = self.drawn();
        let unit = self.unit;
        let mut out = match (span(&trail, |p| self.shown(p.t)), span(&trail, |p| p.w)) {
            (Some(t), Some(w)) => format!(
                "In the last day: {}{NB}{unit}, {}{NB}g of water per kg of dry air.",
                t.words(1),
                w.words(1)
            ),
            _ => "In the last day there were no readings.".to_owned(),
        };
        let now = self.now(&trail);
        if let Some(now) = now {
            let _ = write!(
                out,
                " Now {}{NB}{unit}, {}{NB}%, {}{NB}g/kg: {}.",
                figure(self.shown(now.t), 1),
                figure(now.rh, 0),
                figure(now.w, 1),
                self.against_band(now)
            );
        } else if !trail.is_empty() {
            out += " No reading now.";
        }
        if let Some((label, t, w)) = self.sweating() {
            let _ = write!(
                out,
                " At {}{NB}{unit}, {label} sweats above {}{NB}g/kg",
                figure(self.shown(t), 1),
                figure(w, 1)
            );
            let margin = now.and_then(|now| {
                let air = air(now.t, now.rh)?;
                let k = t - air.dew_point().degrees();
                Some((k, tuber::wetness(k, tuber::margin_error_k(air, self.error))))
            });
            match margin {
                None => {}
                Some((_, Wetness::Wet)) => out += ": it is sweating",
                Some((_, Wetness::CannotTell)) => out += ": too close to tell whether it sweats",
                Some((k, Wetness::Dry)) => {
                    let k = if unit == "F" { k * 1.8 } else { k };
                    let _ = write!(out, ": {}{NB}{unit} clear of sweating", figure(k, 1));
                }
            }
            out.push('.');
        }
        if let Some((_, w)) = self.outdoors() {
            let _ = write!(out, " Outdoor air holds {}{NB}g/kg.", figure(w, 1));
        }
        let missing = self.missing(&trail);
        if missing != 0 {
            let _ = write!(out, " No readings for {}.", time(missing));
        }
        let frame = self.frame(&trail);
        if trail.iter().any(|p| !frame.holds(p.t, p.w)) {
            out += " Part of the trail lies beyond the edge of the picture.";
        }
        out
    }

    pub(super) fn table(&self, id: &str) -> String {
        let trail = self.drawn();
        let mut out = format!(
            "<details id=\"{id}-d\"><summary>The same as a table</summary><table><thead><tr>\
             <th scope=\"col\">From<th scope=\"col\">Temperature, {}<th scope=\"col\">Humidity, %\
             <th scope=\"col\">Water, g/kg<tbody>",
            self.unit
        );
        for (i, (from, label)) in self.rows.iter().enumerate() {
            let to = self.rows.get(i + 1).map_or(i64::MAX, |row| row.0);
            let within: Vec<_> = trail
                .iter()
                .filter(|p| *from <= p.at_ms && p.at_ms < to)
                .copied()
                .collect();
            let _ = write!(out, "<tr><th scope=\"row\">{}", escape(label));
            let spans = [
                (span(&within, |p| self.shown(p.t)), 1),
                (span(&within, |p| p.rh), 0),
                (span(&within, |p| p.w), 1),
            ];
            if within.is_empty() {
                out += "<td colspan=\"3\">no readings";
                continue;
            }
            for (span, decimals) in spans {
                let words = span.map_or_else(String::new, |s| s.words(decimals));
                let _ = write!(out, "<td>{words}");
            }
        }
        out += "</table></details>";
        out
    }

    fn against_band(&self, now: Drawn) -> String {
        let mut said = Vec::new();
        let mut tell = |what: &str, value: f64, (low, high): (f64, f64), band: String| {
            if value < low {
                said.push(format!("{what} below its band of {band}"));
            } else if high < value {
                said.push(format!("{what} above its band of {band}"));
            }
        };
        let (low, high) = (self.shown(self.band_t_c.0), self.shown(self.band_t_c.1));
        let band = format!("{} to {}{NB}{}", plain(low), plain(high), self.unit);
        tell("temperature", now.t, self.band_t_c, band);
        let (low, high) = self.band_rh;
        let band = format!("{} to {}{NB}%", plain(low), plain(high));
        tell("humidity", now.rh, self.band_rh, band);
        if said.is_empty() {
            "in the band".to_owned()
        } else {
            said.join(", ")
        }
    }

    /// Slots missing within the trail; the least distance of two points is one slot.
    fn missing(&self, trail: &[Drawn]) -> usize {
        let apart = || trail.windows(2).map(|pair| pair[1].at_ms - pair[0].at_ms);
        let slot = apart().filter(|apart| 0 < *apart).min().unwrap_or(0);
        let missing: i64 = apart()
            .filter(|apart| self.join_ms < *apart)
            .map(|apart| apart - slot)
            .sum();
        usize::try_from((missing + SLOT_MS / 2) / SLOT_MS).unwrap_or(0)
    }
}

fn span(trail: &[Drawn], pick: impl Fn(&Drawn) -> f64) -> Option<Span> {
    Span::of(trail.iter().map(pick))
}
