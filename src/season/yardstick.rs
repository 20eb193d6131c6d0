//! What a sensor was held against, and when: its room, the band in force, and what it is off by.

use std::{collections::BTreeMap, sync::Arc};

use sha2::{Digest as _, Sha256};

use super::{calendar::Calendar, sheet::FORMAT};
pub use crate::watch::Correction;
use crate::{
    climate::tuber::SensorError,
    watch::{
        Act, Band, Judge, Role, RoomSettings, SensorId, SensorName, SensorSettings, Settings,
        Stage, Stamp, reading::HOUR_MS,
    },
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
    /// The settings have it. Before it was set up and after it was taken out nothing is expected of it; what
    /// it says all the same is counted.
    pub set_up: bool,
}

/// A band in whole thousandths as readings are, so that a reading of 45 F is not below a limit of 45 F.
/// The first of each pair is of temperature, the second of humidity.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Marks {
    /// Lower limits.
    pub low: [i32; 2],
    /// Upper limits.
    pub high: [i32; 2],
    /// How far the sensor may be off.
    pub error: [i32; 2],
}

fn thousandths(value: f64) -> i32 {
    (value * 1000.0).round() as i32
}

impl Span {
    /// Whether what is said then is counted.
    pub fn counts(&self) -> bool {
        !self.empty && !self.out
    }

    /// What values are compared with; none where the sensor is held against no band.
    pub fn marks(&self) -> Option<Marks> {
        let band = self.band.filter(|_| self.counts())?;
        Some(Marks {
            low: [band.low_c, band.low_pct].map(thousandths),
            high: [band.high_c, band.high_pct].map(thousandths),
            error: [self.error.temperature_k, self.error.humidity_pct].map(thousandths),
        })
    }

    /// All that matters to a sum.
    fn matters(&self) -> (i64, bool, bool, Option<Marks>) {
        (self.hold_ms, self.empty, self.out, self.marks())
    }
}

/// One sensor's.
#[derive(Debug, Clone, PartialEq)]
pub struct Yardstick {
    /// Its name.
    pub name: SensorName,
    /// In order of time, never empty; the first begins at the beginning of time.
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

    /// When the correction that holds at an instant is followed by another one; the end of time where none
    /// follows.
    pub fn corrected_until(&self, at: Stamp) -> Stamp {
        let after = self.corrections.partition_point(|c| c.from <= at);
        self.corrections
            .get(after)
            .map_or(Stamp(i64::MAX), |c| c.from)
    }

    /// The longest hold of any time, in milliseconds.
    pub fn longest_hold_ms(&self) -> i64 {
        self.spans.iter().map(|s| s.hold_ms).max().unwrap_or(0)
    }

    /// The spans between two instants, each cut to them: with when it begins and ends.
    pub fn between(&self, from: Stamp, to: Stamp) -> impl Iterator<Item = (Stamp, Stamp, &Span)> {
        let first = self.at(from);
        let ends = self.spans[first + 1..].iter().map(|s| s.from);
        let each = self.spans[first..].iter().zip(ends.chain([to]));
        each.map(move |(span, ends)| (span.from.max(from), ends.min(to), span))
            .filter(|(from, to, _)| from < to)
    }

    /// The days, by their first and last instants, whose sums may change with a reading: that on which it
    /// was measured, that before if it was at midnight, and that after if it is still held then.
    pub fn touches(&self, at: Stamp) -> (Stamp, Stamp) {
        (at.plus(-1), at.plus(self.longest_hold_ms()))
    }

    /// A number that changes with everything that matters to what is summed between two instants: holds,
    /// bands, service and corrections, the zone, and how sums are made.
    pub fn version(&self, calendar: &Calendar, from: Stamp, to: Stamp) -> i64 {
        // What was said before may still hold.
        let from = from.plus(-1 - self.longest_hold_ms());
        let mut hash = Sha256::new();
        hash.update(FORMAT.to_le_bytes());
        hash.update(calendar.zone().name());
        let mut last = None;
        for (begins, _, span) in self.between(from, to.plus(1)) {
            let now = span.matters();
            if last != Some(now) {
                hash.update(begins.since(from).to_le_bytes());
                hash.update(format!("{now:?}"));
            }
            last = Some(now);
        }
        let mut last = self.correction(from);
        hash.update(format!("{last:?}"));
        for c in &self.corrections {
            let now = (c.temperature_mk, c.humidity_mpct);
            if from < c.from && c.from <= to && now != last {
                hash.update(c.from.since(from).to_le_bytes());
                hash.update(format!("{now:?}"));
                last = now;
            }
        }
        first_eight(hash)
    }
}

fn first_eight(hash: Sha256) -> i64 {
    let bytes: [u8; 8] = hash.finalize()[..8].try_into().expect("32 bytes have 8");
    i64::from_le_bytes(bytes)
}

/// Those of every sensor that was ever set up.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Yardsticks(pub BTreeMap<SensorId, Arc<Yardstick>>);

/// What was in force from an instant on.
struct Force {
    from: Stamp,
    settings: Settings,
    /// Sensors out of service, by name.
    out: Vec<SensorName>,
}

/// Longer ago than any reading, and later than all.
const ALL_TIME: (Stamp, Stamp) = (Stamp(-(1 << 60)), Stamp(1 << 60));

impl Yardsticks {
    /// A number that changes with everything that matters to any sum.
    pub fn version(&self, calendar: &Calendar) -> i64 {
        let (from, to) = ALL_TIME;
        let mut hash = Sha256::new();
        hash.update(FORMAT.to_le_bytes());
        hash.update(calendar.zone().name());
        for (id, yardstick) in &self.0 {
            hash.update(id.0.to_le_bytes());
            hash.update(yardstick.version(calendar, from, to).to_le_bytes());
        }
        first_eight(hash)
    }

    /// From settings, stages and services as they stand in the log, in its order, and from corrections in that in
    /// which they were entered.
    ///
    /// What people say a room is doing holds until the configuration says something else: the judge is
    /// asked. Before the first settings the first ones held; a sensor or room that was set up later counts
    /// before that as it was set up then, and one that is no longer set up as it was last.
    pub fn of(acts: impl IntoIterator<Item = (Stamp, Act)>, corrections: &[Correction]) -> Self {
        let forces = forces(acts);
        let mut all = BTreeMap::new();
        for sensor in forces.iter().flat_map(|f| &f.settings.sensors) {
            all.entry(sensor.id).or_insert_with(|| {
                Arc::new(Yardstick {
                    name: sensor.name.clone(),
                    spans: spans(&forces, sensor.id),
                    corrections: own(corrections, &sensor.name),
                })
            });
        }
        Self(all)
    }
}

fn forces(acts: impl IntoIterator<Item = (Stamp, Act)>) -> Vec<Force> {
    let mut judge = Judge::new();
    let mut out: Vec<SensorName> = Vec::new();
    let mut forces: Vec<Force> = Vec::new();
    for (at, act) in acts {
        match &act {
            Act::Settings(_) | Act::Stage(_) => {}
            Act::Service(service) => {
                out.retain(|name| *name != service.sensor);
                if service.out.is_some() {
                    out.push(service.sensor.clone());
                }
            }
            _ => continue,
        }
        let first = forces.is_empty();
        if first && !matches!(act, Act::Settings(_)) {
            continue;
        }
        judge.step(&act.into_input(at, ""));
        let from = if first { Stamp(i64::MIN) } else { at };
        // What came last of one instant holds.
        forces.retain(|f| f.from < from || f.from == Stamp(i64::MIN));
        forces.push(Force {
            from,
            settings: judge.settings().clone(),
            out: out.clone(),
        });
    }
    forces
}

/// What `of` finds at the place `i`, or else first after it, or else last before it.
fn nearest<'a, T>(
    forces: &'a [Force],
    i: usize,
    of: impl Fn(&'a Settings) -> Option<T>,
) -> Option<T> {
    let (before, from) = forces.split_at(i);
    (from.iter().chain(before.iter().rev())).find_map(|f| of(&f.settings))
}

fn spans(forces: &[Force], id: SensorId) -> Vec<Span> {
    let mut spans: Vec<Span> = Vec::new();
    for (i, force) in forces.iter().enumerate() {
        let sensor = nearest(forces, i, |s| s.sensors.iter().find(|s| s.id == id));
        let Some(sensor) = sensor else { continue };
        let room = nearest(forces, i, |s| {
            s.rooms.iter().find(|r| r.name == sensor.room)
        });
        let span = span(force, sensor, room);
        let same = |last: &Span| {
            let moved = Span {
                from: last.from,
                ..span.clone()
            };
            moved == *last
        };
        if !spans.last().is_some_and(same) {
            spans.push(span);
        }
    }
    spans
}

fn span(force: &Force, sensor: &SensorSettings, room: Option<&RoomSettings>) -> Span {
    let inside = matches!(sensor.role, Role::Air | Role::Crate | Role::Surface);
    let air = room.filter(|_| sensor.role == Role::Air);
    let empty = inside && room.is_some_and(|r| r.stage == Stage::Empty);
    Span {
        from: force.from,
        room: sensor.room.clone(),
        near: sensor.near.clone(),
        role: sensor.role,
        krate: sensor.crate_code.clone(),
        interval_ms: sensor.interval_ms,
        hold_ms: sensor.hold_ms().max(0),
        band: air.filter(|_| !empty).map(|r| r.in_force().band),
        empty,
        out: force.out.contains(&sensor.name),
        error: sensor.accuracy(),
        set_up: force.settings.sensors.iter().any(|s| s.id == sensor.id),
    }
}

/// A sensor's own, in order; of two for one instant the later entered, whatever the clock showed then: as the
/// judge has it.
fn own(corrections: &[Correction], sensor: &SensorName) -> Vec<Correction> {
    let mut own: Vec<Correction> = Vec::new();
    let mut all: Vec<&Correction> = corrections.iter().filter(|c| c.sensor == *sensor).collect();
    all.sort_by_key(|c| c.from);
    for c in all {
        if own.last().is_some_and(|last| last.from == c.from) {
            own.pop();
        }
        own.push(c.clone());
    }
    own
}

/// A stretch in which nothing of a room is counted is no part of what should have been recorded, nor is one
/// in which the sensor was not set up: the time between two instants in which it was and its room was in
/// use, in milliseconds, and of it the time in which the sensor was out of service.
pub fn in_use(yardstick: &Yardstick, from: Stamp, to: Stamp) -> (i64, i64) {
    let (mut used, mut out) = (0, 0);
    for (from, to, span) in yardstick.between(from, to) {
        if !span.empty && span.set_up {
            used += to.since(from);
            out += if span.out { to.since(from) } else { 0 };
        }
    }
    (used, out)
}

/// Of stretches in which something was heard, the time in which it was not set up, in milliseconds.
pub fn unasked(yardstick: &Yardstick, heard: impl IntoIterator<Item = (Stamp, Stamp)>) -> i64 {
    let each = heard
        .into_iter()
        .flat_map(|(from, to)| yardstick.between(from, to));
    each.filter(|(_, _, span)| !span.set_up && !span.empty)
        .map(|(from, to, _)| to.since(from))
        .sum()
}

/// Hours in milliseconds.
pub fn hours(ms: i64) -> f64 {
    ms as f64 / HOUR_MS as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        climate::Celsius,
        watch::{Arrives, Limits, act},
    };

    fn settings(sensors: &[(u32, &str)], stage: Stage) -> Act {
        let mut room = RoomSettings::storing("cellar", Limits::default());
        room.stage = stage;
        let sensor = |(id, name): &(u32, &str)| SensorSettings {
            id: SensorId(*id),
            name: SensorName::new(name).unwrap(),
            room: "cellar".into(),
            role: Role::Air,
            crate_code: None,
            interval_ms: 600_000,
            arrives: Arrives::Live,
            near: None,
            accuracy: None,
            checked: None,
        };
        Act::Settings(Settings {
            rooms: vec![room],
            sensors: sensors.iter().map(sensor).collect(),
            ..Settings::default()
        })
    }

    fn stage(stage: Stage) -> Act {
        let room = "cellar".into();
        Act::Stage(act::Staged { room, stage })
    }

    #[test]
    fn what_a_person_said_holds_until_the_configuration_says_something_else() {
        let out = |out: Option<&str>| {
            Act::Service(act::Service {
                sensor: SensorName::new("north").unwrap(),
                out: out.map(str::to_owned),
            })
        };
        let acts = [
            (10, settings(&[(1, "north")], Stage::Storing)),
            (20, stage(Stage::Empty)),
            (30, settings(&[(1, "north"), (2, "south")], Stage::Storing)),
            (40, settings(&[(1, "north"), (2, "south")], Stage::Curing)),
            (50, out(Some("on the bench"))),
            (60, out(None)),
            (70, settings(&[(2, "south")], Stage::Waking)),
        ];
        let acts = acts.map(|(at, act)| (Stamp(at), act));
        let all = Yardsticks::of(acts, &[]);
        let seen = |id: u32| {
            let each = all.0[&SensorId(id)].spans.iter();
            let each = each.map(|s| (s.from.0, s.empty, s.out, s.band.map(|b| b.high_c)));
            each.collect::<Vec<_>>()
        };
        let high = |stage| {
            let limits = Limits::of_stage(stage, &Limits::default());
            Some(limits.band.high_c)
        };
        let (storing, curing) = (high(Stage::Storing), high(Stage::Curing));
        let waking = high(Stage::Waking);
        let north = vec![
            (i64::MIN, false, false, storing),
            (20, true, false, None),
            (40, false, false, curing),
            (50, false, true, curing),
            (60, false, false, curing),
            (70, false, false, waking),
        ];
        assert_eq!(seen(1), north);
        // Set up later, it counts as if it had been there, but nothing is expected of it.
        let mut south: Vec<_> = north
            .into_iter()
            .filter(|s| s.0 != 50 && s.0 != 60)
            .collect();
        south.insert(2, (30, true, false, None));
        assert_eq!(seen(2), south);
        let set_up = |id: u32| {
            let each = all.0[&SensorId(id)].spans.iter();
            each.map(|s| s.set_up).collect::<Vec<_>>()
        };
        assert_eq!(set_up(1), [true, true, true, true, true, false]);
        assert_eq!(set_up(2), [false, false, true, true, true]);
    }

    #[test]
    fn a_reading_at_the_limit_is_not_beyond_it_in_either_unit() {
        let limit = Celsius::from_fahrenheit(45.0).unwrap().degrees();
        let said = crate::watch::Values::of(Celsius::new(limit).ok(), None);
        assert_eq!(said.temperature_mc, Some(thousandths(limit)));
    }

    #[test]
    fn of_two_corrections_for_one_instant_the_later_entered_holds() {
        let of = |from, entered, t| Correction {
            sensor: SensorName::new("north").unwrap(),
            from: Stamp(from),
            temperature_mk: t,
            humidity_mpct: 0,
            why: "ice water".into(),
            who: "Wendel".into(),
            entered_at: Stamp(entered),
        };
        let acts = [(Stamp(1), settings(&[(1, "north")], Stage::Storing))];
        // The clock was put back between the two.
        let all = Yardsticks::of(acts, &[of(500, 9, 200), of(500, 8, 300), of(100, 10, 100)]);
        let north = &all.0[&SensorId(1)];
        let seen = [99, 100, 499, 500].map(|at| north.correction(Stamp(at)).0);
        assert_eq!(seen, [0, 100, 100, 300]);
    }
}
