//! The judge: `step(state, input) -> transitions`, and nothing else.
//!
//! It asks no clock. Every step first crosses the deadlines up to the time of its input, in order,
//! each stamped with the deadline itself; so extra ticks never change history, and live operation,
//! rebuild and replay agree.

use super::{
    alert::{Figures, Occurrence, State, Subject, Transition},
    dwell::Dwell,
    limits::{Kind, Priority},
    reading::{HOUR_MS, Reading, SensorId, Stamp, Values},
    rule::{Quantity, Rule},
    settings::{Arrives, Role, SensorSettings, Settings},
    standing::{SensorNow, Standing, together},
};
use crate::climate::{Air, Celsius, RelativeHumidity, mould};

/// Everything that can move the judge. The order of arrival is the order of folding.
#[derive(Debug, Clone, PartialEq)]
pub enum Input {
    /// A stored reading.
    Reading(Reading),
    /// A person has seen an occurrence.
    Acknowledge {
        /// When.
        at: Stamp,
        /// Which raising; a later one is never reached.
        occurrence: Occurrence,
    },
    /// Time has passed and nothing else.
    Tick {
        /// The time now.
        at: Stamp,
    },
    /// Rooms, sensors or limits are as given from here on.
    Settings {
        /// When.
        at: Stamp,
        /// All of them.
        settings: Settings,
    },
    /// The recorder runs again after having been off.
    Started {
        /// When it started.
        at: Stamp,
        /// When it was last known to run; between the two nobody was looking.
        off_from: Stamp,
    },
}

#[derive(Debug, Clone)]
pub(super) struct Sensor {
    pub(super) settings: SensorSettings,
    pub(super) room: usize,
    pub(super) hold_ms: i64,
    pub(super) rules: Vec<Rule>,
    pub(super) dwells: Vec<Dwell>,
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
}

impl Sensor {
    fn silent_due(&self) -> Option<Stamp> {
        let expected = self.settings.arrives == Arrives::Live && self.silent.is_none();
        expected.then(|| self.heard_at.plus(self.hold_ms))
    }

    fn due(&self) -> Option<Stamp> {
        let rules = self.rules.iter().zip(&self.dwells);
        rules
            .filter_map(|(rule, dwell)| dwell.due(rule.delays))
            .chain(self.silent_due())
            .min()
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

fn dew_point(t: f64, rh: f64) -> Option<f64> {
    let air = Air::new(Celsius::new(t).ok()?, RelativeHumidity::new(rh).ok()?);
    Some(air.dew_point().degrees())
}

#[derive(Debug, Clone)]
pub(super) struct Alert {
    pub(super) room: usize,
    pub(super) kind: Kind,
    pub(super) subject: Subject,
    /// (sensor, rule) pairs that can raise it; empty for silence.
    pub(super) members: Vec<(usize, usize)>,
    pub(super) level: u8,
    pub(super) priority: Priority,
    pub(super) acknowledged: bool,
    pub(super) occurrence: Option<Occurrence>,
    pub(super) since: Stamp,
    /// The sensor and rule whose figures are told.
    pub(super) lead: (usize, usize),
}

impl Alert {
    pub(super) fn state(&self) -> State {
        State::of(0 < self.level, self.acknowledged)
    }
}

/// The judge's whole memory.
#[derive(Debug, Clone, Default)]
pub struct Judge {
    pub(super) settings: Settings,
    pub(super) sensors: Vec<Sensor>,
    /// Slot in `sensors` by sensor id; `usize::MAX` where there is none.
    pub(super) slots: Vec<usize>,
    pub(super) alerts: Vec<Alert>,
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
            Input::Acknowledge { at, occurrence } => {
                self.cross(*at, &mut out);
                self.acknowledge(*at, occurrence, &mut out);
            }
            Input::Tick { at } => self.cross(*at, &mut out),
            Input::Settings { at, settings } => {
                self.cross(*at, &mut out);
                self.adopt(*at, settings, &mut out);
            }
            Input::Started { at, off_from } => {
                self.cross(*off_from, &mut out);
                self.start(*at);
            }
        }
        out
    }

    /// The time of the last input.
    pub fn now(&self) -> Stamp {
        self.now
    }

    /// The settings in force.
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// When the next deadline falls if nothing more is heard.
    pub fn next_due(&self) -> Option<Stamp> {
        self.sensors.iter().filter_map(Sensor::due).min()
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
                    room: self.settings.rooms[a.room].name.clone(),
                    state: a.state(),
                    priority: a.priority,
                    since: a.since,
                    figures: self.figures(a),
                })
            })
            .collect();
        standing.sort_by_key(|s| {
            (
                s.state == State::ReturnedUnacknowledged,
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
            temperature: s.temperature,
            humidity: s.humidity,
            battery_pct: s.battery_pct,
        })
    }

    pub(super) fn slot(&self, id: SensorId) -> Option<usize> {
        let slot = *self.slots.get(id.0 as usize)?;
        (slot != NO_SLOT).then_some(slot)
    }

    // ---- deadlines ----

    /// Crosses every deadline up to `to` in order. Each is stamped with itself, but never before
    /// the last input: a reading may have been on its way while its deadline passed.
    fn cross(&mut self, to: Stamp, out: &mut Vec<Transition>) {
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
        let mut touched = Vec::new();
        for index in 0..self.sensors.len() {
            let sensor = &mut self.sensors[index];
            for (rule, dwell) in sensor.rules.iter().zip(&mut sensor.dwells) {
                if dwell.due(rule.delays) == Some(due) {
                    dwell.flip();
                    touched.push(rule.alert);
                }
            }
            if sensor.silent_due() == Some(due) {
                let priority = self.silence_priority(index);
                self.sensors[index].silent = Some(priority);
                touched.push(self.sensors[index].silent_alert);
            }
        }
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
        let margin = self.margin(index, reading);
        let sensor = &mut self.sensors[index];
        let at = reading.measured_at;
        let fresh = reading.received_at.since(at) <= sensor.hold_ms;
        let mut touched = Vec::new();

        sensor.heard_at = sensor.heard_at.max(reading.received_at);
        sensor.last_heard = sensor.last_heard.max(Some(reading.received_at));
        if sensor.silent.take().is_some() {
            touched.push(sensor.silent_alert);
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
        for (rule, dwell) in sensor.rules.iter().zip(&mut sensor.dwells) {
            let value = match rule.quantity {
                Quantity::Temperature => temperature,
                Quantity::Humidity => humidity,
                Quantity::Margin => temperature.and(margin),
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
        if !touched.is_empty() {
            self.settle(touched, reading.received_at, out);
        }
        // What became due while the reading was on its way.
        self.cross(reading.received_at, out);
    }

    /// Distance of a probe's surface from the dampest air of its room, in kelvin.
    fn margin(&self, index: usize, reading: &Reading) -> Option<f64> {
        let probe = &self.sensors[index];
        if !matches!(probe.settings.role, Role::Crate | Role::Surface) {
            return None;
        }
        let surface = f64::from(reading.values.temperature_mc?) / 1000.0;
        self.sensors
            .iter()
            .filter(|s| s.room == probe.room && s.settings.role == Role::Air)
            .filter_map(|s| s.dew_point_at(reading.measured_at))
            .reduce(f64::max)
            .map(|dew| surface - dew)
    }

    fn acknowledge(&mut self, at: Stamp, occurrence: &Occurrence, out: &mut Vec<Transition>) {
        self.now = self.now.max(at);
        let found = self
            .alerts
            .iter()
            .position(|a| a.occurrence.as_ref() == Some(occurrence) && !a.acknowledged);
        if let Some(index) = found {
            let from = self.alerts[index].state();
            self.alerts[index].acknowledged = true;
            self.tell(index, from, at, out);
        }
    }

    fn start(&mut self, at: Stamp) {
        self.now = self.now.max(at);
        for sensor in &mut self.sensors {
            sensor.heard_at = sensor.heard_at.max(at);
            sensor.dwells.iter_mut().for_each(Dwell::forget_present);
        }
        self.due = Stamp(i64::MIN);
    }

    // ---- alerts ----

    /// Brings alerts in line with their rules after some of these changed.
    pub(super) fn settle(&mut self, mut touched: Vec<usize>, at: Stamp, out: &mut Vec<Transition>) {
        touched.sort_unstable();
        touched.dedup();
        for index in touched {
            self.settle_one(index, at, out);
        }
    }

    fn settle_one(&mut self, index: usize, at: Stamp, out: &mut Vec<Transition>) {
        let (level, priority, lead) = self.worst_of(index);
        let held = self.holds_up(index);
        let alert = &mut self.alerts[index];
        let from = alert.state();
        if level == alert.level {
            // Another sensor may hold up what this one has left: then its figures are told.
            if 0 < level && !held {
                alert.lead = lead;
            }
            return;
        }
        let raised = alert.level < level;
        if 0 < level {
            let since = match alert.kind {
                Kind::Silent => self.sensors[lead.0].heard_at,
                _ => self.sensors[lead.0].dwells[lead.1].stretch.since,
            };
            alert.since = if alert.level == 0 {
                since
            } else {
                alert.since.min(since)
            };
            alert.lead = lead;
            alert.priority = priority;
        }
        alert.level = level;
        if raised {
            alert.acknowledged = false;
            alert.occurrence = Some(Occurrence {
                raised_at: at,
                kind: alert.kind,
                level,
                subject: alert.subject.clone(),
            });
        }
        self.tell(index, from, at, out);
    }

    /// The highest active rung of an alert, its priority, and who says so.
    pub(super) fn worst_of(&self, index: usize) -> (u8, Priority, (usize, usize)) {
        let alert = &self.alerts[index];
        if alert.kind == Kind::Silent {
            let sensor = alert.lead.0;
            return match self.sensors[sensor].silent {
                Some(priority) => (1, priority, alert.lead),
                None => (0, alert.priority, alert.lead),
            };
        }
        let mut worst = (0, alert.priority, alert.lead);
        for &(s, r) in &alert.members {
            let (rule, dwell) = (&self.sensors[s].rules[r], &self.sensors[s].dwells[r]);
            if dwell.active && worst.0 < rule.level {
                worst = (rule.level, rule.priority, (s, r));
            }
        }
        worst
    }

    /// The rule whose figures are told is still broken at the level of its alert.
    fn holds_up(&self, index: usize) -> bool {
        let alert = &self.alerts[index];
        let sensor = &self.sensors[alert.lead.0];
        let rules = sensor.rules.iter().zip(&sensor.dwells);
        alert.kind == Kind::Silent
            || rules
                .skip(alert.lead.1)
                .take(1)
                .any(|(rule, dwell)| dwell.active && rule.level == alert.level)
    }

    pub(super) fn tell(&self, index: usize, from: State, at: Stamp, out: &mut Vec<Transition>) {
        let alert = &self.alerts[index];
        let Some(occurrence) = alert.occurrence.clone() else {
            return;
        };
        out.push(Transition {
            at,
            room: self.settings.rooms[alert.room].name.clone(),
            subject: alert.subject.clone(),
            kind: alert.kind,
            priority: alert.priority,
            from,
            to: alert.state(),
            occurrence,
            figures: self.figures(alert),
        });
    }

    fn figures(&self, alert: &Alert) -> Figures {
        let sensor = &self.sensors[alert.lead.0];
        let rounded = |v: f64| (v * 1000.0).round() / 1000.0;
        let (t, rh) = together(sensor.temperature, sensor.humidity, sensor.hold_ms);
        let (t, rh) = (t.map(rounded), rh.map(rounded));
        let mut figures = Figures {
            sensor: sensor.settings.name.to_string(),
            since: alert.since.to_rfc3339(),
            temperature_c: t,
            humidity_pct: rh,
            dew_point_c: t.zip(rh).and_then(|(t, rh)| dew_point(t, rh)).map(rounded),
            ..Figures::default()
        };
        if let Some(dwell) = sensor.dwells.get(alert.lead.1)
            && alert.kind != Kind::Silent
        {
            let stretch = dwell.stretch;
            figures.until = stretch.until.map(Stamp::to_rfc3339);
            figures.hours_beyond = Some(rounded(stretch.beyond_ms as f64 / HOUR_MS as f64));
            figures.value = Some(rounded(stretch.value));
            figures.limit = Some(rounded(stretch.limit));
            figures.worst = Some(rounded(stretch.worst));
        }
        figures
    }
}
