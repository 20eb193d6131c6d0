//! Sensors, checked one by one and against the rooms they stand in.

use toml::Spanned;

use super::{
    Reader, quantity,
    text::{AccuracyText, SensorText},
};
use crate::{
    climate::tuber::SensorError,
    watch::{Arrives, Role, RoomSettings, SensorId, SensorSettings, reading::MINUTE_MS},
};

impl Reader<'_> {
    pub(super) fn sensors(
        &mut self,
        texts: Vec<SensorText>,
        rooms: &[RoomSettings],
    ) -> Vec<SensorSettings> {
        let mut sensors: Vec<SensorSettings> = Vec::new();
        for text in texts {
            let name = self.name(&text.name);
            let room = text.room.get_ref().clone();
            if self.rooms_known && !rooms.iter().any(|r| r.name == room) {
                let known: Vec<_> = rooms.iter().map(|r| format!("`{}`", r.name)).collect();
                let known = if known.is_empty() {
                    "none".to_owned()
                } else {
                    known.join(", ")
                };
                let what = format!("there is no room `{room}`; rooms are {known}");
                self.fault(&text.room.span(), what);
            }
            let arrives = text.arrives.unwrap_or(Arrives::Live);
            let interval_ms = self.spanned(&text.interval, quantity::duration_ms);
            if let Some(ms) = interval_ms {
                let span = text.interval.span();
                if ms < 1000 {
                    self.fault(&span, "an interval is at least `1s`");
                } else if arrives == Arrives::Live && 30 * MINUTE_MS <= ms {
                    self.fault(&span, "a live sensor is heard at least twice an hour: measure every 10 minutes, or set `arrives = \"batches\"`");
                } else if arrives == Arrives::Live && 15 * MINUTE_MS < ms {
                    self.warn(&span, "an interval above 15 minutes notices trouble late; 10 minutes or less is common practice");
                }
            }
            if text.krate.is_some() && *text.role.get_ref() != Role::Crate {
                self.fault(
                    &text.role.span(),
                    "names a crate but its role is not `crate`",
                );
            }
            let near = text.near.as_ref().and_then(|n| self.near(n, &text.role));
            let accuracy = text.accuracy.as_ref().map(|a| self.accuracy(a));
            let elsewhere = |s: &SensorSettings| {
                s.room != room && s.crate_code.is_some() && s.crate_code == text.krate
            };
            if let Some(other) = sensors.iter().find(|s| elsewhere(s)) {
                let what = format!(
                    "is in the same crate as `{}`, which stands in `{}`; a crate stands in one room",
                    other.name, other.room
                );
                self.fault(&text.room.span(), what);
            }
            let (Some(name), Some(interval_ms)) = (name, interval_ms) else {
                continue;
            };
            if sensors.iter().any(|s| s.name == name) {
                self.fault(
                    &text.name.span(),
                    format!("there are two sensors `{name}`; rename one"),
                );
                continue;
            }
            sensors.push(SensorSettings {
                near,
                accuracy,
                id: SensorId(0),
                name,
                room,
                role: *text.role.get_ref(),
                crate_code: text.krate,
                interval_ms,
                arrives,
            });
        }
        sensors
    }

    /// How the places begin that an air sensor speaks for.
    fn near(&mut self, text: &Spanned<String>, role: &Spanned<Role>) -> Option<String> {
        let near = text.get_ref().trim().to_owned();
        if *role.get_ref() != Role::Air {
            let what = "says which places it is near but its role is not `air`; take `near` out, or name the crate of a probe with `crate`";
            self.fault(&text.span(), what);
        }
        if near.is_empty() || 80 < near.chars().count() || near.chars().any(char::is_control) {
            let what = "`near` has 1 to 80 characters, the beginning of places on the crate list, such as \"north wall\"";
            self.fault(&text.span(), what);
            return None;
        }
        Some(near)
    }

    /// Kelvin and points of humidity; what is not said is as common sensors have it.
    fn accuracy(&mut self, text: &AccuracyText) -> (f64, f64) {
        let usual = SensorError::default();
        // Of either sign and larger than nothing; beyond the upper end it is no measurement.
        let within = |value: f64, most: f64, said: &str| {
            let sane = 0.0 < value && value <= most;
            sane.then_some(value).ok_or_else(|| {
                format!("no sensor is off by `{said}`; write what its data sheet says, such as `0.5F` and `3%`, or leave it out")
            })
        };
        let kelvin = |t: &str| quantity::difference(t).and_then(|k| within(k, 5.0, t));
        let points = |h: &str| quantity::percent(h).and_then(|p| within(p, 20.0, h));
        let temperature = text.temperature.as_ref();
        let temperature = temperature.and_then(|t| self.spanned(t, kelvin));
        let humidity = text.humidity.as_ref();
        let humidity = humidity.and_then(|h| self.spanned(h, points));
        (
            temperature.unwrap_or(usual.temperature_k),
            humidity.unwrap_or(usual.humidity_pct),
        )
    }
}
