//! What a sensor was held against, and when: its room, the band in force, and what it is off by.

use std::collections::BTreeMap;

use sha2::{Digest as _, Sha256};

use super::calendar::Calendar;
use crate::{
    climate::tuber::SensorError,
    watch::{Act, Band, Role, SensorId, SensorName, Settings, Stage, Stamp, reading::HOUR_MS},
};

/// How a sensor stood from an instant on.
#[derive(Debug, Clone, PartialEq)]
pub struct Span {
    /// From when; the first one holds for all time before as well.
    pub from: Stamp,
    /// Its room.
    pub room: String,
    /// How the places near it begin.
    pub near: Option<String>,
    /// What it stands for.
    pub role: Role,
    /// The crate it is in, for a probe.
    pub krate: Option<String>,
    /// Time between two readings in milliseconds.
    pub interval_ms: i64,
    /// How long one reading speaks for its place, in milliseconds.
    pub hold_ms: i64,
    /// What it is held against; none for sensors that are not the room's air.
    pub band: Option<Band>,
    /// The room was called empty: nothing is counted.
    pub empty: bool,
    /// It was out of service: nothing is counted.
    pub out: bool,
    /// How far it may be off.
    pub error: SensorError,
}

impl Span {
    /// Whether what is said then is counted.
    pub fn counts(&self) -> bool {
        !self.empty && !self.out
    }
}

/// What a sensor is off by, from an instant on, until the next one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Correction {
    /// Which sensor.
    pub sensor: SensorName,
    /// From when it holds.
    pub from: Stamp,
    /// To be added to what it says, in thousandths of a kelvin.
    pub temperature_mk: i32,
    /// To be added to what it says, in thousandths of a point of humidity.
    pub humidity_mpct: i32,
    /// Why.
    pub why: String,
    /// By whom it was entered ...
    pub who: String,
    /// ... and when.
    pub entered_at: Stamp,
}

/// One sensor's.
#[derive(Debug, Clone, PartialEq)]
pub struct Yardstick {
    /// Its name.
    pub name: SensorName,
    /// In order of time, never empty.
    pub spans: Vec<Span>,
    /// In order of `from`, at most one for an instant.
    pub corrections: Vec<Correction>,
}

impl Yardstick {
    /// The span in force at an instant, by its place.
    pub fn at(&self, at: Stamp) -> usize {
        self.spans
            .partition_point(|s| s.from <= at)
            .saturating_sub(1)
    }

    /// What is to be added then: thousandths of a kelvin, and of a point.
    pub fn correction(&self, at: Stamp) -> (i32, i32) {
        let after = self.corrections.partition_point(|c| c.from <= at);
        match after.checked_sub(1).map(|i| &self.corrections[i]) {
            Some(c) => (c.temperature_mk, c.humidity_mpct),
            None => (0, 0),
        }
    }

    /// The longest hold of any time, in milliseconds.
    pub fn longest_hold_ms(&self) -> i64 {
        self.spans.iter().map(|s| s.hold_ms).max().unwrap_or(0)
    }

    /// A number that changes with everything that matters to what is summed between two instants.
    pub fn version(&self, calendar: &Calendar, from: Stamp, to: Stamp) -> i64 {
        let from = from.plus(-self.longest_hold_ms());
        let mut hash = Sha256::new();
        hash.update(super::sheet::FORMAT.to_le_bytes());
        hash.update(calendar.zone().name());
        let first = self.at(from);
        for (i, span) in self.spans.iter().enumerate().skip(first) {
            if to <= span.from {
                break;
            }
            let begins = if i == first { from } else { span.from };
            hash.update(begins.since(from).to_le_bytes());
            let band = span
                .band
                .map(|b| [b.low_c, b.high_c, b.low_pct, b.high_pct]);
            let words = format!(
                "{}|{:?}|{}|{band:?}|{}|{}|{:?}",
                span.hold_ms, span.role, span.interval_ms, span.empty, span.out, span.error
            );
            hash.update(words);
        }
        let first = self.corrections.partition_point(|c| c.from <= from);
        for c in &self.corrections[first.saturating_sub(1)..] {
            if to <= c.from {
                break;
            }
            let begins = c.from.since(from).max(0);
            hash.update(begins.to_le_bytes());
            hash.update(c.temperature_mk.to_le_bytes());
            hash.update(c.humidity_mpct.to_le_bytes());
        }
        let bytes: [u8; 8] = hash.finalize()[..8].try_into().expect("32 bytes have 8");
        i64::from_le_bytes(bytes)
    }
}

/// Those of every sensor that was ever set up.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Yardsticks(pub BTreeMap<SensorId, Yardstick>);

impl Yardsticks {
    /// From settings, stages and services as they stand in the log, in its order, and from corrections.
    ///
    /// What people say a room is doing holds until the configuration says something else, as the judge has
    /// it. Before the first settings the first ones held.
    pub fn of(acts: impl IntoIterator<Item = (Stamp, Act)>, corrections: &[Correction]) -> Self {
        let mut all = Self::default();
        let mut given: Option<Settings> = None;
        let mut stages: BTreeMap<String, Stage> = BTreeMap::new();
        let mut out: BTreeMap<String, bool> = BTreeMap::new();
        for (at, act) in acts {
            match act {
                Act::Settings(settings) => {
                    let before = given.take();
                    for room in &settings.rooms {
                        let old = before.iter().flat_map(|s| &s.rooms);
                        let mut same = old.filter(|r| r.name == room.name);
                        if same.next().map(|r| r.stage) != Some(room.stage) {
                            stages.insert(room.name.clone(), room.stage);
                        }
                    }
                    given = Some(settings);
                }
                Act::Stage(staged) => {
                    stages.insert(staged.room, staged.stage);
                }
                Act::Service(service) => {
                    out.insert(service.sensor.to_string(), service.out.is_some());
                }
                _ => continue,
            }
            if let Some(settings) = &given {
                all.note(at, settings, &stages, &out);
            }
        }
        for yardstick in all.0.values_mut() {
            let own = corrections.iter().filter(|c| c.sensor == yardstick.name);
            let mut own: Vec<Correction> = own.cloned().collect();
            own.sort_by_key(|c| (c.from, c.entered_at));
            // Of two for one instant the later entered.
            own.reverse();
            own.dedup_by_key(|c| c.from);
            own.reverse();
            yardstick.corrections = own;
        }
        all
    }

    fn note(
        &mut self,
        at: Stamp,
        settings: &Settings,
        stages: &BTreeMap<String, Stage>,
        out: &BTreeMap<String, bool>,
    ) {
        for sensor in &settings.sensors {
            let room = settings.rooms.iter().find(|r| r.name == sensor.room);
            let stage = stages.get(&sensor.room).copied();
            let of_room = matches!(sensor.role, Role::Air | Role::Crate | Role::Surface);
            let stage = stage.or(room.map(|r| r.stage)).unwrap_or_default();
            let span = Span {
                from: at,
                room: sensor.room.clone(),
                near: sensor.near.clone(),
                role: sensor.role,
                krate: sensor.crate_code.clone(),
                interval_ms: sensor.interval_ms,
                hold_ms: sensor.hold_ms(),
                band: (room.filter(|_| sensor.role == Role::Air && stage != Stage::Empty))
                    .map(|r| r.limits_of(stage).band),
                empty: of_room && stage == Stage::Empty,
                out: out.get(sensor.name.as_str()).copied().unwrap_or(false),
                error: sensor.accuracy(),
            };
            match self.0.get_mut(&sensor.id) {
                None => {
                    let first = Span {
                        from: Stamp(i64::MIN),
                        ..span
                    };
                    let fresh = Yardstick {
                        name: sensor.name.clone(),
                        spans: vec![first],
                        corrections: Vec::new(),
                    };
                    self.0.insert(sensor.id, fresh);
                }
                Some(yardstick) => yardstick.add(span),
            }
        }
    }
}

impl Yardstick {
    /// From the span's beginning on it holds.
    fn add(&mut self, span: Span) {
        let last = self.spans.last().expect("never empty");
        let same = Span {
            from: last.from,
            ..span.clone()
        };
        if same == *last {
            return;
        }
        // A clock that was set back: what was entered later holds from then on.
        while 1 < self.spans.len() && span.from <= self.spans.last().expect("never empty").from {
            self.spans.pop();
        }
        self.spans.push(span);
    }
}

/// A stretch in which nothing of a room is counted is no part of what should have been recorded: the time
/// between two instants in which the room of a sensor was in use, in milliseconds, and of it the time in
/// which the sensor was out of service.
pub fn in_use(yardstick: &Yardstick, from: Stamp, to: Stamp) -> (i64, i64) {
    let (mut used, mut out) = (0, 0);
    for (i, span) in yardstick.spans.iter().enumerate() {
        let begins = span.from.max(from);
        let ends = yardstick
            .spans
            .get(i + 1)
            .map_or(to, |next| next.from.min(to));
        let ms = ends.since(begins).max(0);
        if !span.empty && begins < ends {
            used += ms;
            out += if span.out { ms } else { 0 };
        }
    }
    (used, out)
}

/// Hours in milliseconds.
pub fn hours(ms: i64) -> f64 {
    ms as f64 / HOUR_MS as f64
}
