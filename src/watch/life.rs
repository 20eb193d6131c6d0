//! The life of each alert: raised, seen, shelved, suppressed, over, reset.
//!
//! After the states and transitions of ANSI/ISA-18.2 and IEC 62682 (OPC 10000-9 is the open text).
//! Two memories, active and unacknowledged, are kept whatever hides them; every entry into
//! "unacknowledged" is a raising with a name of its own, so that an old acknowledgement never
//! reaches it.

use super::{
    alert::{Occurrence, State, Subject, Transition},
    bench::Holder,
    judge::{Channel, Judge},
    limits::{Kind, Priority},
    reading::Stamp,
    settings::Handling,
    standing::Shelf,
};

/// Why nobody is told of an alert although it is active.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Mask {
    /// Every sensor that says so is in fault.
    Fault,
    /// Every sensor that says so is out of service, or in fault.
    Out,
}

#[derive(Debug, Clone)]
pub(super) struct Alert {
    pub(super) room: Option<usize>,
    pub(super) kind: Kind,
    pub(super) subject: Subject,
    /// Who can raise it by which of its rules; empty for what follows from no limit.
    pub(super) members: Vec<(Holder, usize)>,
    pub(super) level: u8,
    pub(super) priority: Priority,
    /// What it was when this occurrence was raised.
    pub(super) raised_as: Priority,
    pub(super) acknowledged: bool,
    pub(super) seen_at: Stamp,
    /// A reset is owed.
    pub(super) latched: bool,
    pub(super) shelf: Option<Shelf>,
    pub(super) mask: Option<Mask>,
    pub(super) occurrence: Option<Occurrence>,
    pub(super) since: Stamp,
    /// When the recorder ran again, for the alert about its gap.
    pub(super) until: Option<Stamp>,
    /// Whose rule's figures are told; none for what rests on no reading.
    pub(super) lead: Option<(Holder, usize)>,
}

impl Alert {
    pub(super) fn new(room: Option<usize>, kind: Kind, subject: Subject) -> Self {
        Self {
            room,
            kind,
            subject,
            members: Vec::new(),
            level: 0,
            priority: Priority::Low,
            raised_as: Priority::Low,
            acknowledged: true,
            seen_at: Stamp::default(),
            latched: false,
            shelf: None,
            mask: None,
            occurrence: None,
            since: Stamp::default(),
            until: None,
            lead: None,
        }
    }

    /// Takes over what is remembered of the same alert before a change of settings.
    pub(super) fn carry(&mut self, old: &Self) {
        self.level = old.level;
        self.priority = old.priority;
        self.raised_as = old.raised_as;
        self.acknowledged = old.acknowledged;
        self.seen_at = old.seen_at;
        self.latched = old.latched;
        self.shelf.clone_from(&old.shelf);
        self.mask = old.mask;
        self.occurrence.clone_from(&old.occurrence);
        self.since = old.since;
        self.until = old.until;
    }

    pub(super) fn state(&self) -> State {
        let plain = State::of(0 < self.level, self.acknowledged, self.latched);
        match self.mask {
            Some(Mask::Out) if plain != State::Normal => State::OutOfService,
            Some(Mask::Fault) if 0 < self.level => State::Suppressed,
            _ if self.shelf.is_some() => State::Shelved,
            _ => plain,
        }
    }

    /// When something happens to it by itself.
    pub(super) fn due(&self, handling: Handling) -> Option<Stamp> {
        let shelf = self.shelf.as_ref().map(|s| s.until);
        let again = self.again_due(handling);
        shelf.into_iter().chain(again).min()
    }

    /// When an acknowledged alert that is still active is raised again.
    fn again_due(&self, handling: Handling) -> Option<Stamp> {
        let waits = self.state() == State::Acknowledged && self.priority == Priority::High;
        waits.then(|| self.seen_at.plus(handling.again_ms))
    }

    /// A new raising. Its name differs from every earlier one even within one millisecond.
    pub(super) fn raise(&mut self, at: Stamp) {
        let last = self.occurrence.as_ref().map(|o| o.raised_at.plus(1));
        let raised_at = last.map_or(at, |last| at.max(last));
        self.acknowledged = false;
        self.raised_as = self.priority;
        self.latched = self.kind.latches();
        self.occurrence = Some(Occurrence {
            raised_at,
            kind: self.kind,
            level: self.level,
            subject: self.subject.clone(),
        });
    }
}

impl Channel {
    pub(super) fn due(self, handling: Handling) -> Option<Stamp> {
        let since = self.failing_since.filter(|_| !self.active);
        since.map(|since| since.plus(handling.failing_ms))
    }
}

/// What the sensors, or whoever else has a say, make of one alert.
#[derive(Clone, Copy)]
struct Voice {
    level: u8,
    priority: Priority,
    lead: Option<(Holder, usize)>,
    mask: Option<Mask>,
}

/// Rung, priority, and whose rule it is.
type Worst = (u8, Priority, (Holder, usize));

impl Judge {
    /// The alert about something that is no room and no sensor; made when it is first needed.
    pub(super) fn site_alert(&mut self, kind: Kind, subject: Subject) -> usize {
        let found = self
            .alerts
            .iter()
            .position(|a| a.kind == kind && a.subject == subject);
        found.unwrap_or_else(|| {
            self.alerts.push(Alert::new(None, kind, subject));
            self.alerts.len() - 1
        })
    }

    /// Nobody was looking: raised and over at once, and it stands until somebody has seen to it.
    pub(super) fn was_off(&mut self, off_from: Stamp, at: Stamp, out: &mut Vec<Transition>) {
        let index = self.site_alert(Kind::RecorderOff, Subject::Recorder);
        let alert = &mut self.alerts[index];
        let from = alert.state();
        alert.since = off_from;
        alert.until = Some(at);
        alert.priority = Priority::Medium;
        alert.level = 1;
        alert.raise(at);
        self.tell(index, from, at, out);
        let from = self.alerts[index].state();
        self.alerts[index].level = 0;
        self.tell(index, from, at, out);
    }

    /// Crosses what is due at `due` for alerts and channels.
    pub(super) fn cross_alerts(
        &mut self,
        due: Stamp,
        at: Stamp,
        touched: &mut Vec<usize>,
        out: &mut Vec<Transition>,
    ) {
        let handling = self.settings.handling;
        let mut failing = Vec::new();
        for (name, channel) in &mut self.channels {
            if channel.due(handling) == Some(due) {
                channel.active = true;
                failing.push(name.clone());
            }
        }
        for name in failing {
            touched.push(self.site_alert(Kind::ChannelFailing, Subject::Channel(name)));
        }
        for index in 0..self.alerts.len() {
            if self.alerts[index]
                .shelf
                .as_ref()
                .is_some_and(|s| s.until == due)
            {
                self.unshelve(index, at, out);
            } else if self.alerts[index].again_due(handling) == Some(due) {
                let from = self.alerts[index].state();
                self.alerts[index].raise(at);
                self.tell(index, from, at, out);
            }
        }
    }

    // ---- from rules to states ----

    /// Brings alerts in line with their rules after some of these changed.
    pub(super) fn settle(&mut self, mut touched: Vec<usize>, at: Stamp, out: &mut Vec<Transition>) {
        touched.sort_unstable();
        touched.dedup();
        for index in touched {
            self.settle_one(index, at, out);
        }
    }

    pub(super) fn settle_one(&mut self, index: usize, at: Stamp, out: &mut Vec<Transition>) {
        let voice = self.voice(index);
        let held = self.holds_up(index);
        let since = voice.lead.map(|(h, r)| self.since_of(index, h, r));
        let channel_since = match &self.alerts[index].subject {
            Subject::Channel(name) => self.channels.get(name).and_then(|c| c.failing_since),
            _ => None,
        };
        let alert = &mut self.alerts[index];
        let from = alert.state();
        alert.mask = voice.mask;
        if voice.level == alert.level {
            // Another sensor may hold up what this one has left: then its figures are told.
            if 0 < voice.level && !held {
                alert.lead = voice.lead;
            }
            if alert.state() != from {
                self.tell(index, from, at, out);
            }
            return;
        }
        let raised = alert.level < voice.level;
        if 0 < voice.level {
            let since = since.or(channel_since).unwrap_or(at);
            alert.since = if alert.level == 0 {
                since
            } else {
                alert.since.min(since)
            };
            alert.lead = voice.lead;
            alert.priority = voice.priority;
        }
        alert.level = voice.level;
        if raised {
            // A worse rung is an alert of its own: no shelf covers it.
            alert.shelf.take_if(|shelf| shelf.level < voice.level);
            alert.raise(at);
        } else if voice.level == 0
            && alert.shelf.take_if(|shelf| shelf.one_shot).is_some()
            && !alert.latched
        {
            alert.acknowledged = true;
        }
        self.tell(index, from, at, out);
    }

    fn since_of(&self, index: usize, holder: Holder, rule: usize) -> Stamp {
        match (self.alerts[index].kind, holder) {
            (Kind::Silent, Holder::Sensor(sensor)) => self.sensors[sensor].heard_at,
            (Kind::Swinging, _) => self.now,
            _ => {
                let (_, dwell) = self.rule(holder, rule);
                dwell.map_or(self.now, |d| d.stretch.since)
            }
        }
    }

    /// The highest active rung of an alert, its priority, who says so, and whether they can be
    /// believed. Sensors in fault or out of service are heard only when no other has a say.
    fn voice(&self, index: usize) -> Voice {
        let alert = &self.alerts[index];
        let quiet = Voice {
            level: 0,
            priority: alert.priority,
            lead: alert.lead,
            mask: None,
        };
        match alert.kind {
            Kind::RecorderOff => quiet,
            Kind::ChannelFailing => {
                let active = match &alert.subject {
                    Subject::Channel(name) => self.channels.get(name).is_some_and(|c| c.active),
                    _ => false,
                };
                Voice {
                    level: u8::from(active),
                    priority: Priority::Medium,
                    ..quiet
                }
            }
            Kind::Silent => {
                let Some((Holder::Sensor(sensor), _)) = alert.lead else {
                    return quiet;
                };
                let sensor = &self.sensors[sensor];
                let out = sensor.out.is_some().then_some(Mask::Out);
                match sensor.silent {
                    Some(priority) => Voice {
                        level: 1,
                        priority,
                        mask: out,
                        ..quiet
                    },
                    None => Voice { mask: out, ..quiet },
                }
            }
            Kind::Swinging => {
                let swings = self.sensors.iter().enumerate().filter_map(|(i, s)| {
                    let swing = s.swing.as_ref().filter(|_| s.swing_alert == index)?;
                    Some((Holder::Sensor(i), 0, 1, Priority::Low, swing.active))
                });
                self.among(swings, quiet)
            }
            _ => {
                let members = alert.members.iter().filter_map(|&(holder, r)| {
                    let (Some(rule), Some(dwell)) = self.rule(holder, r) else {
                        return None;
                    };
                    Some((holder, r, rule.level, rule.priority, dwell.active))
                });
                self.among(members, quiet)
            }
        }
    }

    fn among(
        &self,
        members: impl Iterator<Item = (Holder, usize, u8, Priority, bool)>,
        quiet: Voice,
    ) -> Voice {
        // Sound, in fault, out of service.
        let mut worst: [Option<Worst>; 3] = [None; 3];
        let mut all_out = true;
        for (holder, r, level, priority, active) in members {
            let belief = match holder {
                Holder::Sensor(s) => match (&self.sensors[s].out, self.sensors[s].silent) {
                    (Some(_), _) => 2,
                    (None, Some(_)) => 1,
                    (None, None) => 0,
                },
                // What was computed from hours that were heard holds through a silence.
                Holder::Room(room) if self.all_air_out(room) => 2,
                Holder::Room(_) => 0,
            };
            all_out &= belief == 2;
            let worst = &mut worst[belief];
            if active && worst.is_none_or(|(w, ..)| w < level) {
                *worst = Some((level, priority, (holder, r)));
            }
        }
        let masks = [None, Some(Mask::Fault), Some(Mask::Out)];
        let heard = worst
            .into_iter()
            .zip(masks)
            .find_map(|(w, m)| Some((w?, m)));
        match heard {
            Some(((level, priority, lead), mask)) => Voice {
                level,
                priority,
                lead: Some(lead),
                mask,
            },
            None => Voice {
                mask: all_out.then_some(Mask::Out),
                ..quiet
            },
        }
    }

    /// Whose rule has the say now.
    pub(super) fn lead_of(&self, index: usize) -> Option<(Holder, usize)> {
        self.voice(index).lead
    }

    /// The rule whose figures are told is still broken at the level of its alert, by a sound sensor.
    fn holds_up(&self, index: usize) -> bool {
        let alert = &self.alerts[index];
        let Some((holder, rule)) = alert.lead else {
            return true;
        };
        if matches!(alert.kind, Kind::Silent | Kind::Swinging) {
            return true;
        }
        if let Holder::Sensor(sensor) = holder {
            let sensor = &self.sensors[sensor];
            if sensor.silent.is_some() || sensor.out.is_some() {
                return false;
            }
        }
        let (rule, dwell) = self.rule(holder, rule);
        rule.zip(dwell)
            .is_some_and(|(rule, dwell)| dwell.active && rule.level == alert.level)
    }

    pub(super) fn room_of(&self, alert: &Alert) -> String {
        alert
            .room
            .map_or_else(String::new, |r| self.settings.rooms[r].name.clone())
    }

    pub(super) fn tell(&self, index: usize, from: State, at: Stamp, out: &mut Vec<Transition>) {
        let alert = &self.alerts[index];
        let Some(occurrence) = alert.occurrence.clone() else {
            return;
        };
        out.push(Transition {
            at,
            room: self.room_of(alert),
            subject: alert.subject.clone(),
            kind: alert.kind,
            priority: alert.priority,
            from,
            to: alert.state(),
            active: 0 < alert.level,
            occurrence,
            figures: self.figures(alert),
        });
    }
}
