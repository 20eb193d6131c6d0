//! The judge: `step(state, input) -> transitions`, and nothing else.
//!
//! It asks no clock. Every step first crosses the deadlines up to the time of its input, in order,
//! each stamped with the deadline itself; so extra ticks never change history, and live operation,
//! rebuild and replay agree.

use std::{collections::BTreeMap, sync::Arc};

use super::{
    alert::{State, Transition},
    bench::Bench,
    correction::{Off, Offsets},
    deeds::Refusal,
    input::Input,
    life::Alert,
    limits::{Kind, Priority},
    models::{Models, RoomLook},
    reading::{MINUTE_MS, Reading, SensorId, SensorName, Stamp, Values},
    rule::Quantity,
    settings::{Arrives, Role, SensorSettings, Settings},
    standing::{Out, SensorNow, Standing},
    swing::{self, Swing},
};
use crate::climate::{Air, Celsius, RelativeHumidity, mould};

#[derive(Debug, Clone)]
pub(super) struct Sensor {
    pub(super) settings: SensorSettings,
    pub(super) room: usize,
    pub(super) hold_ms: i64,
    pub(super) bench: Bench,
    /// When it was last heard, or began to be expected (again): silence counts from here.
    pub(super) heard_at: Stamp,
    /// When it was last heard indeed.
    pub(super) last_heard: Option<Stamp>,
    /// Priority of the standing silence.
    pub(super) silent: Option<Priority>,
    pub(super) silent_alert: usize,
    /// The newest of each quantity, by the time it was measured.
    pub(super) temperature: Option<(Stamp, f64)>,
    pub(super) humidity: Option<(Stamp, f64)>,
    pub(super) battery_pct: Option<u8>,
    /// Somebody found it to be off.
    pub(super) off: Option<Box<Off>>,
    /// Short excursions of an air sensor.
    pub(super) swing: Option<Box<Swing>>,
    pub(super) swing_alert: usize,
    /// It is not to be listened to.
    pub(super) out: Option<Out>,
    /// Nothing stands in its room.
    pub(super) idle: bool,
}

impl Sensor {
    fn silent_due(&self) -> Option<Stamp> {
        let expected = self.settings.arrives == Arrives::Live
            && self.silent.is_none()
            && self.out.is_none()
            && !self.idle;
        expected.then(|| self.heard_at.plus(self.settings.silence_ms()))
    }

    fn due(&self) -> Option<Stamp> {
        self.bench.due().into_iter().chain(self.silent_due()).min()
    }

    /// Dew point of the air at this sensor in C, if both quantities still speak for `at`.
    fn dew_point_at(&self, at: Stamp) -> Option<f64> {
        let speaks =
            |(when, value): (Stamp, f64)| (at.since(when) <= self.hold_ms).then_some(value);
        dew_point(
            self.temperature.and_then(speaks)?,
            self.humidity.and_then(speaks)?,
        )
    }
}

pub(super) fn dew_point(t: f64, rh: f64) -> Option<f64> {
    let air = Air::new(Celsius::new(t).ok()?, RelativeHumidity::new(rh).ok()?);
    Some(air.dew_point().degrees())
}

/// What is known of one way by which messages leave.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Channel {
    pub(super) failing_since: Option<Stamp>,
    pub(super) active: bool,
}

/// The judge's whole memory.
#[derive(Debug, Clone, Default)]
pub struct Judge {
    /// In force: with what people said a room is doing.
    pub(super) settings: Settings,
    /// As they were given.
    pub(super) given: Settings,
    pub(super) sensors: Vec<Sensor>,
    /// Slot in `sensors` by sensor id; `usize::MAX` where there is none.
    pub(super) slots: Vec<usize>,
    pub(super) alerts: Vec<Alert>,
    pub(super) channels: BTreeMap<String, Channel>,
    /// What sensors were found to be off by, also of those that are gone for now.
    pub(super) offsets: BTreeMap<SensorName, Arc<Offsets>>,
    /// What the air does to the crates.
    pub(super) models: Models,
    /// Rules on what is computed, by room.
    pub(super) benches: Vec<Bench>,
    /// The recorder has run before: a gap can be told from the beginning.
    pub(super) watched: bool,
    pub(super) now: Stamp,
    /// No deadline lies before this; kept low and made exact only when it is reached.
    pub(super) due: Stamp,
}

pub(super) const NO_SLOT: usize = usize::MAX;

impl Judge {
    /// A judge that knows of no room and no sensor; the first input is [`Input::Settings`].
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes in one input and tells what changed, in order.
    pub fn step(&mut self, input: &Input) -> Vec<Transition> {
        let mut out = Vec::new();
        match input {
            Input::Reading(reading) => self.reading(reading, &mut out),
            Input::Acknowledge { at, .. }
            | Input::Shelve { at, .. }
            | Input::Unshelve { at, .. }
            | Input::Reset { at, .. }
            | Input::Service { at, .. }
            | Input::Channel { at, .. } => {
                self.cross(*at, &mut out);
                self.now = self.now.max(*at);
                self.handle(input, *at, &mut out);
                self.due = Stamp(i64::MIN);
            }
            Input::Crates { at, changed, gone } => {
                self.cross(*at, &mut out);
                self.now = self.now.max(*at);
                self.models.set_crates(*at, changed, gone, &self.settings);
            }
            Input::Weighed {
                at,
                krate,
                weighed_at,
                grams,
                anew,
            } => {
                self.cross(*at, &mut out);
                self.now = self.now.max(*at);
                if self.refuses(input).is_none() {
                    self.models.weigh(krate, *weighed_at, *grams, *anew);
                }
            }
            Input::Unweighed {
                at,
                krate,
                weighed_at,
            } => {
                self.cross(*at, &mut out);
                self.now = self.now.max(*at);
                self.models.unweigh(krate, *weighed_at);
            }
            Input::Correct {
                at, sensor, offset, ..
            } => {
                self.cross(*at, &mut out);
                self.now = self.now.max(*at);
                // One of a sensor that is gone for now is kept until it is back.
                if matches!(self.refuses(input), None | Some(Refusal::NoSensor)) {
                    self.correct(sensor, *offset);
                }
            }
            Input::Tick { at } => self.cross(*at, &mut out),
            Input::Settings { at, settings } => {
                self.cross(*at, &mut out);
                let in_force = self.with_stages(settings);
                self.given = settings.clone();
                self.adopt(*at, &in_force, &mut out);
            }
            Input::Stage { at, room, stage } => {
                self.cross(*at, &mut out);
                let mut settings = self.settings.clone();
                for known in settings.rooms.iter_mut().filter(|r| r.name == *room) {
                    known.stage = *stage;
                }
                self.adopt(*at, &settings, &mut out);
            }
            Input::Started {
                at,
                off_from,
                stepped,
            } => {
                self.cross(*off_from, &mut out);
                self.start(*at, *off_from, *stepped, &mut out);
            }
        }
        out
    }

    /// What people said a room is doing holds until the configuration says something else.
    fn with_stages(&self, given: &Settings) -> Settings {
        let mut in_force = given.clone();
        for room in &mut in_force.rooms {
            let named = |s: &Settings| {
                s.rooms
                    .iter()
                    .find(|r| r.name == room.name)
                    .map(|r| r.stage)
            };
            if let (Some(before), Some(now)) = (named(&self.given), named(&self.settings))
                && before == room.stage
            {
                room.stage = now;
            }
        }
        in_force
    }

    /// The time of the last input, or of the last deadline that was crossed.
    pub fn now(&self) -> Stamp {
        self.now
    }

    /// The settings in force, with what people said a room is doing.
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// The settings as they were last given.
    pub fn given(&self) -> &Settings {
        &self.given
    }

    /// What the air does to the crates.
    pub fn models(&self) -> &Models {
        &self.models
    }

    /// Every channel that delivers nothing, and since when.
    pub fn failing(&self) -> impl Iterator<Item = (&str, Stamp)> {
        let each = self.channels.iter();
        each.filter_map(|(name, c)| Some((name.as_str(), c.failing_since?)))
    }

    /// What a sensor was found to be off by.
    pub fn offsets(&self, id: SensorId) -> Option<&Arc<Offsets>> {
        let off = self.sensors[self.slot(id)?].off.as_ref()?;
        Some(&off.offsets)
    }

    /// When the next deadline falls if nothing more is heard.
    pub fn next_due(&self) -> Option<Stamp> {
        let handling = self.settings.handling;
        let sensors = self.sensors.iter().filter_map(Sensor::due);
        let alerts = self.alerts.iter().filter_map(|a| a.due(handling));
        let channels = self.channels.values().filter_map(|c| c.due(handling));
        let rooms = self.benches.iter().filter_map(Bench::due);
        sensors.chain(alerts).chain(channels).chain(rooms).min()
    }

    /// The next deadline if it falls by `to`; quick when there is none for a while.
    pub fn due_before(&mut self, to: Stamp) -> Option<Stamp> {
        if to < self.due {
            return None;
        }
        let due = self.next_due();
        self.due = due.unwrap_or(Stamp(i64::MAX));
        due.filter(|due| *due <= to)
    }

    /// Every alert that is not normal, the most urgent first.
    pub fn standing(&self) -> Vec<Standing> {
        let mut standing: Vec<Standing> = self
            .alerts
            .iter()
            .filter(|a| a.state() != State::Normal)
            .filter_map(|a| {
                Some(Standing {
                    occurrence: a.occurrence.clone()?,
                    room: self.room_of(a),
                    state: a.state(),
                    priority: a.priority,
                    raised_as: a.raised_as,
                    since: a.since,
                    active: 0 < a.level,
                    shelf: a.shelf.clone(),
                    figures: self.figures(a),
                })
            })
            .collect();
        standing.sort_by_key(|s| {
            (
                s.state.is_masked(),
                !s.active,
                std::cmp::Reverse(s.priority),
                s.occurrence.kind,
                s.occurrence.raised_at,
            )
        });
        standing
    }

    /// Every sensor in the order of the settings.
    pub fn sensors(&self) -> impl Iterator<Item = SensorNow> + '_ {
        self.sensors.iter().map(|s| SensorNow {
            settings: s.settings.clone(),
            heard_at: s.last_heard,
            silent: s.silent.is_some(),
            out: s.out.clone(),
            temperature: s.temperature,
            humidity: s.humidity,
            battery_pct: s.battery_pct,
            said: s.off.as_ref().map(|off| off.said()).unwrap_or_default(),
        })
    }

    pub(super) fn slot(&self, id: SensorId) -> Option<usize> {
        let slot = *self.slots.get(id.0 as usize)?;
        (slot != NO_SLOT).then_some(slot)
    }

    // ---- deadlines ----

    /// Crosses every deadline up to `to` in order. Each is stamped with itself, but never before
    /// the last input: a reading may have been on its way while its deadline passed.
    pub(super) fn cross(&mut self, to: Stamp, out: &mut Vec<Transition>) {
        while self.due <= to {
            self.due = self.next_due().unwrap_or(Stamp(i64::MAX));
            if to < self.due {
                return;
            }
            self.cross_one(self.due, out);
        }
    }

    fn cross_one(&mut self, due: Stamp, out: &mut Vec<Transition>) {
        let at = due.max(self.now);
        // What one deadline reveals may have been due before it.
        self.now = at;
        let mut touched = Vec::new();
        for index in 0..self.sensors.len() {
            let sensor = &mut self.sensors[index];
            sensor.bench.cross(due, &mut touched);
            if sensor.silent_due() == Some(due) {
                let priority = self.silence_priority(index);
                self.sensors[index].silent = Some(priority);
                touched.push(self.sensors[index].silent_alert);
                // What rests on it alone is suppressed from here on.
                touched.extend(self.sensors[index].bench.rules.iter().map(|r| r.alert));
            }
        }
        for bench in &mut self.benches {
            bench.cross(due, &mut touched);
        }
        self.cross_alerts(due, at, &mut touched, out);
        self.settle(touched, at, out);
    }

    /// Silence is worse when no other air sensor of the room is still heard; a logger that is read
    /// now and then does not count, because it can say nothing about the present.
    fn silence_priority(&self, index: usize) -> Priority {
        let this = &self.sensors[index];
        let others = self.sensors.iter().enumerate().any(|(i, s)| {
            i != index
                && s.room == this.room
                && s.settings.role == Role::Air
                && s.settings.arrives == Arrives::Live
                && s.silent.is_none()
                && s.out.is_none()
        });
        match this.settings.role {
            Role::Air if !others => Priority::High,
            _ => Priority::Medium,
        }
    }

    // ---- inputs ----

    fn reading(&mut self, reading: &Reading, out: &mut Vec<Transition>) {
        self.cross(reading.received_at, out);
        self.now = self.now.max(reading.received_at);
        let Some(index) = self.slot(reading.sensor) else {
            return;
        };
        let corrected;
        let reading = match &mut self.sensors[index].off {
            None => reading,
            Some(off) => {
                corrected = off.hear(reading);
                &corrected
            }
        };
        let margin = self.margin(index, reading);
        let sensor = &mut self.sensors[index];
        let at = reading.measured_at;
        let fresh = reading.received_at.since(at) <= sensor.hold_ms;
        let mut touched = Vec::new();

        sensor.heard_at = sensor.heard_at.max(reading.received_at);
        sensor.last_heard = sensor.last_heard.max(Some(reading.received_at));
        if sensor.silent.take().is_some() {
            touched.push(sensor.silent_alert);
            touched.extend(sensor.bench.rules.iter().map(|r| r.alert));
        }
        let Values {
            temperature_mc,
            humidity_mpct,
            battery_pct,
        } = reading.values;
        let newer = |last: Option<(Stamp, f64)>| last.is_none_or(|(when, _)| when < at);
        let temperature = temperature_mc
            .filter(|_| newer(sensor.temperature))
            .map(|t| f64::from(t) / 1000.0);
        let humidity = humidity_mpct
            .filter(|_| newer(sensor.humidity))
            .map(|rh| f64::from(rh) / 1000.0);
        if let Some(t) = temperature {
            sensor.temperature = Some((at, t));
        }
        if let Some(rh) = humidity {
            sensor.humidity = Some((at, rh));
        }
        sensor.battery_pct = battery_pct.or(sensor.battery_pct);

        // Without a temperature that still speaks, the line stays out of it.
        let line = match (humidity, sensor.temperature) {
            (Some(_), Some((when, t))) if at.since(when) <= sensor.hold_ms => {
                Celsius::new(t).map_or(0.0, |t| mould::critical_humidity(t).percent())
            }
            _ => 0.0,
        };
        let mut due = sensor.silent_due();
        let Bench { rules, dwells } = &mut sensor.bench;
        for (rule, dwell) in rules.iter().zip(dwells) {
            let value = match rule.quantity {
                Quantity::Temperature => temperature,
                Quantity::Humidity => humidity,
                Quantity::Margin => temperature.and(margin),
                Quantity::Battery => battery_pct.map(f64::from),
                // Of rooms.
                _ => None,
            };
            if let Some(value) = value
                && dwell.look(&rule.look(at, value, line, fresh), rule.below, rule.delays)
            {
                touched.push(rule.alert);
            }
            let this = dwell.due(rule.delays);
            due = due.into_iter().chain(this).min();
        }
        self.due = self.due.min(due.unwrap_or(self.due));
        if let Some(swing) = &mut sensor.swing {
            let look = swing::Air {
                at,
                temperature,
                humidity,
                fresh,
            };
            // Sweating and batteries are no matter of the band.
            let (rules, dwells) = (&sensor.bench.rules, &sensor.bench.dwells);
            let told = || {
                dwells.iter().zip(rules).any(|(d, r)| {
                    d.active && matches!(r.quantity, Quantity::Temperature | Quantity::Humidity)
                })
            };
            if swing.look(look, told) {
                touched.push(sensor.swing_alert);
            }
        }
        if sensor.out.is_none()
            && let Some(look) = self.models.hear(&sensor.settings, sensor.room, reading)
        {
            self.look(&look, &mut touched);
        }
        if !touched.is_empty() {
            self.settle(touched, reading.received_at, out);
            // What was hidden may have become due long ago.
            self.due = Stamp(i64::MIN);
        }
        // What became due while the reading was on its way.
        self.cross(reading.received_at, out);
    }

    /// Holds what was computed for a room against its rules.
    fn look(&mut self, look: &RoomLook, touched: &mut Vec<usize>) {
        // What has come is forecast no more.
        let frost = self
            .alerts
            .iter()
            .any(|a| a.room == Some(look.room) && a.kind == Kind::Frost && 0 < a.level);
        let Bench { rules, dwells } = &mut self.benches[look.room];
        for (rule, dwell) in rules.iter().zip(dwells) {
            let value = look.values.iter().find(|(q, _)| *q == rule.quantity);
            let ahead = matches!(
                rule.quantity,
                Quantity::FrostAhead | Quantity::FrostAheadBelow
            );
            let value = value.map(|&(_, v)| if frost && ahead { f64::INFINITY } else { v });
            if let Some(value) = value
                && dwell.look(
                    &rule.look(look.at, value, 0.0, look.fresh),
                    rule.below,
                    rule.delays,
                )
            {
                touched.push(rule.alert);
            }
            let due = dwell.due(rule.delays);
            self.due = self.due.min(due.unwrap_or(self.due));
        }
    }

    /// Distance of a probe's surface from the dampest air of its room, in kelvin.
    fn margin(&self, index: usize, reading: &Reading) -> Option<f64> {
        let probe = &self.sensors[index];
        if !matches!(probe.settings.role, Role::Crate | Role::Surface) {
            return None;
        }
        let lean = match &probe.settings.crate_code {
            Some(code) if probe.settings.role == Role::Crate => {
                self.models.lean_k(probe.room, code)
            }
            _ => 0.0,
        };
        let surface = f64::from(reading.values.temperature_mc?) / 1000.0 - lean;
        self.sensors
            .iter()
            .filter(|s| s.room == probe.room && s.settings.role == Role::Air)
            .filter_map(|s| s.dew_point_at(reading.measured_at))
            .reduce(f64::max)
            .map(|dew| surface - dew)
    }

    fn start(&mut self, at: Stamp, off_from: Stamp, stepped: bool, out: &mut Vec<Transition>) {
        self.now = self.now.max(at);
        let off = at.since(off_from).max(0);
        for sensor in &mut self.sensors {
            // Who spoke meanwhile was not heard, and gets its time again; a blink changes nothing.
            if MINUTE_MS <= off {
                sensor.heard_at = sensor.heard_at.max(at);
            }
            sensor.bench.resume(at, Some(sensor.hold_ms));
        }
        for bench in &mut self.benches {
            bench.resume(at, None);
        }
        if self.watched && !stepped && self.settings.handling.off_ms < at.since(off_from) {
            self.was_off(off_from, at, out);
        }
        self.watched = true;
        self.due = Stamp(i64::MIN);
    }
}
