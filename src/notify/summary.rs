//! What the last night was like, from the slots of the last two days.

use serde::Serialize;

use crate::watch::{
    Judge, Role, SensorId, Settings, Stage, Stamp,
    reading::HOUR_MS,
    recent::{Recent, SLOT_MS},
};

/// How far a summary looks back, in milliseconds.
const BACK_MS: i64 = 24 * HOUR_MS;

/// Lowest and highest.
type Range = Option<(f64, f64)>;

/// One room over the last 24 hours.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RoomDay {
    /// Its name.
    pub room: String,
    /// What it is doing.
    pub stage: Stage,
    /// Lowest and highest ten-minute mean of any air sensor, in C.
    pub temperature_c: Range,
    /// Lowest and highest ten-minute mean of any air sensor, in percent.
    pub humidity_pct: Range,
    /// Hours for which at least one air sensor was heard.
    pub heard_hours: f64,
    /// Hours of these in which every air sensor that was heard was inside the band.
    pub band_hours: f64,
}

/// The last 24 hours.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Day {
    /// The time up to which it is told.
    pub at: Stamp,
    /// Every room.
    pub rooms: Vec<RoomDay>,
    /// Sensors that speak, of so many that should.
    pub heard: (usize, usize),
    /// Sensors that say nothing.
    pub silent: Vec<String>,
    /// Sensors out of service, and why.
    pub out: Vec<(String, String)>,
    /// What is overdue: tests of channels.
    pub overdue: Vec<String>,
    /// What is due with the crates, a sentence each.
    pub due: Vec<String>,
}

/// Sums up the last 24 hours.
pub fn day<'a>(
    judge: &Judge,
    recent: impl Fn(SensorId) -> Option<&'a Recent>,
    at: Stamp,
    overdue: Vec<String>,
    due: Vec<String>,
) -> Day {
    let settings: &Settings = judge.settings();
    let sensors: Vec<_> = judge.sensors().collect();
    let rooms = settings.rooms.iter().map(|room| {
        let band = room.in_force().band;
        let (mut t, mut rh): (Range, Range) = (None, None);
        // Whether each slot was inside, by its number.
        let mut slots = std::collections::BTreeMap::<i64, bool>::new();
        for sensor in sensors.iter().filter(|s| {
            s.settings.room == room.name && s.settings.role == Role::Air && s.out.is_none()
        }) {
            let Some(recent) = recent(sensor.settings.id) else {
                continue;
            };
            for slot in recent.slots().filter(|s| at.since(s.at) < BACK_MS) {
                let widen = |range: &mut Range, value: Option<f64>| {
                    if let Some(v) = value {
                        *range = Some(range.map_or((v, v), |(l, h)| (l.min(v), h.max(v))));
                    }
                };
                widen(&mut t, slot.temperature);
                widen(&mut rh, slot.humidity);
                let inside = slot
                    .temperature
                    .is_none_or(|v| (band.low_c..=band.high_c).contains(&v))
                    && slot
                        .humidity
                        .is_none_or(|v| (band.low_pct..=band.high_pct).contains(&v));
                let all = slots.entry(slot.at.0 / SLOT_MS).or_insert(true);
                *all &= inside;
            }
        }
        let hours = |n: usize| n as f64 * SLOT_MS as f64 / HOUR_MS as f64;
        RoomDay {
            room: room.name.clone(),
            stage: room.stage,
            temperature_c: t,
            humidity_pct: rh,
            heard_hours: hours(slots.len()),
            band_hours: hours(slots.values().filter(|inside| **inside).count()),
        }
    });
    let expected = || sensors.iter().filter(|s| s.out.is_none());
    Day {
        at,
        rooms: rooms.collect(),
        heard: (
            expected()
                .filter(|s| s.heard_at.is_some() && !s.silent)
                .count(),
            expected().count(),
        ),
        silent: expected()
            .filter(|s| s.silent)
            .map(|s| s.settings.name.to_string())
            .collect(),
        out: sensors
            .iter()
            .filter_map(|s| Some((s.settings.name.to_string(), s.out.as_ref()?.reason.clone())))
            .collect(),
        overdue,
        due,
    }
}
