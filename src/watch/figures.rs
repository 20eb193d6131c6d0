//! The numbers behind an alert, as it stands.

use super::{
    alert::Figures,
    bench::Holder,
    judge::{Judge, dew_point},
    life::Alert,
    limits::Kind,
    models::{Exposure, Target},
    reading::{HOUR_MS, Stamp},
    rule::Quantity,
    standing::together,
};

/// Codes of crates that are kept with an alert; the worst.
const MOST_CRATES: usize = 24;

fn rounded(v: f64) -> f64 {
    (v * 1000.0).round() / 1000.0
}

fn hours(ms: i64) -> f64 {
    rounded(ms as f64 / HOUR_MS as f64)
}

impl Judge {
    pub(super) fn figures(&self, alert: &Alert) -> Figures {
        let mut figures = Figures {
            since: alert.since.to_rfc3339(),
            ..Figures::default()
        };
        let Some((holder, rule)) = alert.lead else {
            figures.until = alert.until.map(Stamp::to_rfc3339);
            figures.hours_beyond = alert.until.map(|until| hours(until.since(alert.since)));
            return figures;
        };
        let sensor = match holder {
            Holder::Sensor(sensor) => &self.sensors[sensor],
            Holder::Room(room) => return self.figures_of_room(figures, room, rule),
        };
        let (t, rh) = together(sensor.temperature, sensor.humidity, sensor.hold_ms);
        let (t, rh) = (t.map(rounded), rh.map(rounded));
        figures.sensor = sensor.settings.name.to_string();
        figures.temperature_c = t;
        figures.humidity_pct = rh;
        figures.dew_point_c = t.zip(rh).and_then(|(t, rh)| dew_point(t, rh)).map(rounded);
        match (alert.kind, sensor.bench.dwells.get(rule), &sensor.swing) {
            (Kind::Silent, ..) => {}
            (Kind::Swinging, _, Some(swing)) => {
                let (ms, pieces) = swing.figures();
                figures.hours_beyond = Some(hours(ms));
                figures.pieces = Some(pieces);
            }
            (_, Some(dwell), _) => {
                let stretch = dwell.stretch;
                figures.until = stretch.until.map(Stamp::to_rfc3339);
                figures.hours_beyond = Some(hours(stretch.beyond_ms));
                figures.value = Some(rounded(stretch.value));
                figures.limit = Some(rounded(stretch.limit));
                figures.worst = Some(rounded(stretch.worst));
            }
            _ => {}
        }
        figures
    }

    /// What was computed for a room, with the crates it is about.
    fn figures_of_room(&self, mut figures: Figures, room: usize, rule: usize) -> Figures {
        let bench = &self.benches[room];
        let (Some(rule), Some(dwell)) = (bench.rules.get(rule), bench.dwells.get(rule)) else {
            return figures;
        };
        // Nothing ahead is no figure.
        let finite = |v: f64| v.is_finite().then(|| rounded(v));
        let stretch = dwell.stretch;
        figures.until = stretch.until.map(Stamp::to_rfc3339);
        figures.hours_beyond = Some(hours(stretch.beyond_ms));
        figures.measure = Some(rule.quantity);
        figures.value = finite(stretch.value);
        figures.limit = finite(stretch.limit);
        figures.worst = finite(stretch.worst);
        let Some(model) = self.models.rooms().nth(room) else {
            return figures;
        };
        if let Some((_, t, rh)) = model.exposures.last().and_then(Exposure::air) {
            figures.temperature_c = Some(rounded(t));
            figures.humidity_pct = rh.map(rounded);
            figures.dew_point_c = rh.and_then(|rh| dew_point(t, rh)).map(rounded);
        }
        if matches!(
            rule.quantity,
            Quantity::FrostAhead | Quantity::FrostAheadBelow
        ) {
            let tally = model.tally.get(&Target::Frost).copied();
            let tally = tally.unwrap_or_default();
            figures.record = Some((tally.came, tally.came + tally.not));
        }
        let concern = self
            .models
            .concern(model, rule.quantity, rule.limit, self.now);
        figures.low = concern.range.map(|(low, _)| rounded(low));
        figures.high = concern.range.map(|(_, high)| rounded(high));
        figures.by = concern.by.map(Stamp::to_rfc3339);
        figures.crates = concern.crates;
        figures.crates.truncate(MOST_CRATES);
        figures
    }
}
