//! The judge: `step(state, input) -> transitions`, and nothing else.
//!
//! It asks no clock. Every step first crosses the deadlines up to the time of its input, in order,
//! each stamped with the deadline itself; so extra ticks never change history, and live operation,
//! rebuild and replay agree.

use super::{
    alert::{Figures, Occurrence, State, Subject, Transition},
    dwell::{Delays, Dwell, Look, Side},
    limits::{Kind, Priority, Rungs},
    reading::{HOUR_MS, Reading, SensorId, Stamp, Values},
    settings::{Arrives, Role, SensorSettings, Settings},
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

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Quantity {
    Temperature,
    Humidity,
    Margin,
}

/// One rung of one kind, laid out for one sensor.
#[derive(Debug, Clone, PartialEq)]
struct Rule {
    quantity: Quantity,
    below: bool,
    /// Reaching the limit is enough.
    inclusive: bool,
    /// The limit is never below the mould line of the air's temperature.
    mould_line: bool,
    limit: f64,
    deadband: f64,
    level: u8,
    priority: Priority,
    delays: Delays,
    /// Index of the alert that this rung belongs to.
    alert: usize,
}

impl PartialEq for Delays {
    fn eq(&self, other: &Self) -> bool {
        (self.on_ms, self.off_ms, self.hold_ms) == (other.on_ms, other.off_ms, other.hold_ms)
    }
}

impl Rule {
    #[inline]
    fn look(&self, measured_at: Stamp, value: f64, line: f64, fresh: bool) -> Look {
        let limit = if self.mould_line {
            self.limit.max(line)
        } else {
            self.limit
        };
        // Positive when past the limit.
        let past = if self.below {
            limit - value
        } else {
            value - limit
        };
        let side = if 0.0 < past || (self.inclusive && past == 0.0) {
            Side::Beyond
        } else if past <= -self.deadband {
            Side::Inside
        } else {
            Side::Between
        };
        Look {
            measured_at,
            value,
            limit,
            side,
            fresh,
        }
    }
}

#[derive(Debug, Clone, PartialEq)]
struct Sensor {
    settings: SensorSettings,
    room: usize,
    hold_ms: i64,
    rules: Vec<Rule>,
    dwells: Vec<Dwell>,
    /// When it was last heard, or began to be expected.
    heard_at: Stamp,
    ever_heard: bool,
    /// Priority of the standing silence.
    silent: Option<Priority>,
    silent_alert: usize,
    /// The newest of each quantity, by the time it was measured.
    temperature: Option<(Stamp, f64)>,
    humidity: Option<(Stamp, f64)>,
    battery_pct: Option<u8>,
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

#[derive(Debug, Clone, PartialEq)]
struct Alert {
    room: usize,
    kind: Kind,
    subject: Subject,
    /// (sensor, rule) pairs that can raise it; empty for silence.
    members: Vec<(usize, usize)>,
    level: u8,
    priority: Priority,
    acknowledged: bool,
    occurrence: Option<Occurrence>,
    since: Stamp,
    /// The sensor and rule whose figures are told.
    lead: (usize, usize),
}

impl Alert {
    fn state(&self) -> State {
        State::of(0 < self.level, self.acknowledged)
    }
}

/// One alert that is not normal, as pages show it.
#[derive(Debug, Clone, PartialEq)]
pub struct Standing {
    /// Which raising.
    pub occurrence: Occurrence,
    /// The room it is in.
    pub room: String,
    /// Where it stands.
    pub state: State,
    /// Its present priority.
    pub priority: Priority,
    /// First reading beyond the limit.
    pub since: Stamp,
    /// The numbers behind it.
    pub figures: Figures,
}

impl Standing {
    /// The same as a change from nothing, for a record that lacks it.
    pub fn as_transition(&self) -> Transition {
        Transition {
            at: self.occurrence.raised_at,
            room: self.room.clone(),
            subject: self.occurrence.subject.clone(),
            kind: self.occurrence.kind,
            priority: self.priority,
            from: State::Normal,
            to: self.state,
            occurrence: self.occurrence.clone(),
            figures: self.figures.clone(),
        }
    }
}

/// What is known of one sensor now, as pages show it.
#[derive(Debug, Clone, PartialEq)]
pub struct SensorNow {
    /// Name, place, role.
    pub settings: SensorSettings,
    /// When it was last heard; `None` if never.
    pub heard_at: Option<Stamp>,
    /// It has said nothing for longer than it may.
    pub silent: bool,
    /// The newest values and when they were measured.
    pub temperature: Option<(Stamp, f64)>,
    /// The newest values and when they were measured.
    pub humidity: Option<(Stamp, f64)>,
    /// Percent of battery left.
    pub battery_pct: Option<u8>,
}

/// The judge's whole memory.
#[derive(Debug, Clone, Default)]
pub struct Judge {
    settings: Settings,
    sensors: Vec<Sensor>,
    /// Slot in `sensors` by sensor id; `usize::MAX` where there is none.
    slots: Vec<usize>,
    alerts: Vec<Alert>,
    now: Stamp,
    /// No deadline lies before this; kept low and made exact only when it is reached.
    due: Stamp,
}

const NO_SLOT: usize = usize::MAX;

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
            heard_at: s.ever_heard.then_some(s.heard_at),
            silent: s.silent.is_some(),
            temperature: s.temperature,
            humidity: s.humidity,
            battery_pct: s.battery_pct,
        })
    }

    fn slot(&self, id: SensorId) -> Option<usize> {
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

    /// Silence is worse when no other air sensor of the room is still heard.
    fn silence_priority(&self, index: usize) -> Priority {
        let this = &self.sensors[index];
        let others = self.sensors.iter().enumerate().any(|(i, s)| {
            i != index && s.room == this.room && s.settings.role == Role::Air && s.silent.is_none()
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
        sensor.ever_heard = true;
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
    fn settle(&mut self, mut touched: Vec<usize>, at: Stamp, out: &mut Vec<Transition>) {
        touched.sort_unstable();
        touched.dedup();
        for index in touched {
            self.settle_one(index, at, out);
        }
    }

    fn settle_one(&mut self, index: usize, at: Stamp, out: &mut Vec<Transition>) {
        let (level, priority, lead) = self.worst_of(index);
        let alert = &mut self.alerts[index];
        let from = alert.state();
        if level == alert.level {
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
    fn worst_of(&self, index: usize) -> (u8, Priority, (usize, usize)) {
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

    fn tell(&self, index: usize, from: State, at: Stamp, out: &mut Vec<Transition>) {
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
        let of = |q: Option<(Stamp, f64)>| q.map(|(_, v)| rounded(v));
        let (t, rh) = (of(sensor.temperature), of(sensor.humidity));
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

    // ---- settings ----

    /// Lays out rooms, sensors and rules anew and carries over what is still the same thing: sensors
    /// by key, rules by kind and rung, alerts by kind and subject. What is gone returns to normal.
    fn adopt(&mut self, at: Stamp, settings: &Settings, out: &mut Vec<Transition>) {
        let mut next = Self {
            settings: settings.clone(),
            now: self.now.max(at),
            due: Stamp(i64::MIN),
            ..Self::default()
        };
        for sensor in &settings.sensors {
            next.lay_out(sensor, at);
        }
        for alert in &mut next.alerts {
            let old = self
                .alerts
                .iter()
                .find(|a| a.kind == alert.kind && a.subject == alert.subject);
            if let Some(old) = old {
                alert.level = old.level;
                alert.priority = old.priority;
                alert.acknowledged = old.acknowledged;
                alert.occurrence.clone_from(&old.occurrence);
                alert.since = old.since;
            }
        }
        for sensor in &mut next.sensors {
            let Some(slot) = self.slot(sensor.settings.id) else {
                continue;
            };
            let old = &self.sensors[slot];
            sensor.heard_at = old.heard_at;
            sensor.ever_heard = old.ever_heard;
            sensor.temperature = old.temperature;
            sensor.humidity = old.humidity;
            sensor.battery_pct = old.battery_pct;
            if old.settings.arrives == sensor.settings.arrives {
                sensor.silent = old.silent;
            }
            for (rule, dwell) in sensor.rules.iter().zip(&mut sensor.dwells) {
                let (kind, subject) = (
                    next.alerts[rule.alert].kind,
                    &next.alerts[rule.alert].subject,
                );
                let same = old.rules.iter().position(|r| {
                    let a = &self.alerts[r.alert];
                    r.level == rule.level && a.kind == kind && &a.subject == subject
                });
                if let Some(same) = same {
                    *dwell = old.dwells[same].clone();
                }
            }
        }
        next.keep_leads(self);
        // An alert about something that is no longer there cannot return by itself.
        for (index, alert) in self.alerts.iter().enumerate() {
            let kept = next
                .alerts
                .iter()
                .any(|a| a.kind == alert.kind && a.subject == alert.subject);
            if !kept && alert.state() != State::Normal {
                let mut ended = self.clone();
                ended.alerts[index].level = 0;
                ended.alerts[index].acknowledged = true;
                ended.tell(index, alert.state(), at, out);
            }
        }
        *self = next;
        for index in 0..self.alerts.len() {
            self.alerts[index].lead = self.worst_of(index).2;
        }
        let all = (0..self.alerts.len()).collect();
        self.settle(all, at, out);
    }

    /// What came and went goes on showing the figures of the rule that raised it.
    fn keep_leads(&mut self, before: &Self) {
        for alert in &mut self.alerts {
            let old = before
                .alerts
                .iter()
                .find(|a| a.kind == alert.kind && a.subject == alert.subject);
            let Some((sensor, rule)) = old.map(|a| a.lead) else {
                continue;
            };
            let (id, level) = match before.sensors.get(sensor) {
                Some(s) => (s.settings.id, s.rules.get(rule).map(|r| r.level)),
                None => continue,
            };
            let same = alert.members.iter().find(|&&(s, r)| {
                let s = &self.sensors[s];
                s.settings.id == id && Some(s.rules[r].level) == level
            });
            alert.lead = same.copied().unwrap_or(alert.lead);
        }
    }

    fn lay_out(&mut self, settings: &SensorSettings, at: Stamp) {
        let Some(room) = self
            .settings
            .rooms
            .iter()
            .position(|r| r.name == settings.room)
        else {
            return;
        };
        let limits = self.settings.rooms[room].limits.clone();
        let index = self.sensors.len();
        let subject = match (settings.role, &settings.crate_code) {
            (Role::Air, _) => Subject::Room(settings.room.clone()),
            (Role::Crate, Some(code)) => Subject::Crate(code.clone()),
            _ => Subject::Sensor(settings.name.to_string()),
        };
        let silent_alert = self.alert_slot(
            room,
            Kind::Silent,
            Subject::Sensor(settings.name.to_string()),
            index,
        );
        let id = settings.id.0 as usize;
        if self.slots.len() <= id {
            self.slots.resize(id + 1, NO_SLOT);
        }
        self.slots[id] = index;
        self.sensors.push(Sensor {
            settings: settings.clone(),
            room,
            hold_ms: settings.hold_ms(),
            rules: Vec::new(),
            dwells: Vec::new(),
            heard_at: at,
            ever_heard: false,
            silent: None,
            silent_alert,
            temperature: None,
            humidity: None,
            battery_pct: None,
        });

        use Quantity::{Humidity, Margin, Temperature};
        let watched: Vec<(Kind, &Rungs, Quantity, bool)> = match settings.role {
            Role::Air => vec![
                (Kind::Frost, &limits.frost, Temperature, true),
                (Kind::Cold, &limits.cold, Temperature, true),
                (Kind::Warm, &limits.warm, Temperature, false),
                (Kind::DryOut, &limits.dry_out, Humidity, true),
                (Kind::RotRisk, &limits.rot_risk, Humidity, false),
            ],
            Role::Crate => vec![
                (Kind::Frost, &limits.frost, Temperature, true),
                (Kind::Warm, &limits.warm, Temperature, false),
                (Kind::Sweating, &limits.sweating, Margin, true),
                (Kind::DryOut, &limits.crate_dry, Humidity, true),
                (Kind::RotRisk, &limits.crate_damp, Humidity, false),
            ],
            Role::Surface => vec![(Kind::Sweating, &limits.sweating, Margin, true)],
            Role::Outdoor | Role::Soil => vec![],
        };
        for (kind, rungs, quantity, below) in watched {
            let alert = self.alert_slot(room, kind, subject.clone(), index);
            for (level, step) in (1..).zip(&rungs.steps) {
                let sensor = &mut self.sensors[index];
                self.alerts[alert].members.push((index, sensor.rules.len()));
                sensor.rules.push(Rule {
                    quantity,
                    below,
                    inclusive: matches!(kind, Kind::Frost | Kind::Sweating),
                    mould_line: kind == Kind::RotRisk && settings.role == Role::Air,
                    limit: step.limit,
                    deadband: rungs.deadband,
                    level,
                    priority: step.priority,
                    delays: Delays {
                        on_ms: step.delay_ms,
                        off_ms: rungs.off_delay_ms,
                        hold_ms: settings.hold_ms(),
                    },
                    alert,
                });
                sensor.dwells.push(Dwell::default());
            }
        }
    }

    fn alert_slot(&mut self, room: usize, kind: Kind, subject: Subject, sensor: usize) -> usize {
        let found = self
            .alerts
            .iter()
            .position(|a| a.kind == kind && a.subject == subject);
        found.unwrap_or_else(|| {
            self.alerts.push(Alert {
                room,
                kind,
                subject,
                members: Vec::new(),
                level: 0,
                priority: Priority::Low,
                acknowledged: true,
                occurrence: None,
                since: Stamp::default(),
                lead: (sensor, 0),
            });
            self.alerts.len() - 1
        })
    }
}
