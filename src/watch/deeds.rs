//! What people do with alerts, sensors and rooms, and what channels report: done, or refused with words.

use std::sync::Arc;

use super::{
    alert::{Occurrence, State, Subject, Transition},
    correction::{Off, Offset},
    input::Input,
    judge::Judge,
    limits::Kind,
    reading::{SensorName, Stamp},
    standing::{Out, Shelf},
};

/// Why an act of a person is refused; the words are for that person.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// The occurrence is not the one that stands.
    #[error("this alert is over, or a later one has followed it; look at the list again")]
    NotStanding,
    /// The shelf would end before it begins.
    #[error("the time on the shelf must end in the future")]
    NoTime,
    /// The shelf would be longer than may be.
    #[error("that is longer than an alert may lie on the shelf")]
    TooLong,
    /// No reason is given.
    #[error("write why, so that the next person knows")]
    NoReason,
    /// The condition it would wait for is over.
    #[error("it is over already; acknowledge it instead")]
    OverAlready,
    /// It lies on no shelf.
    #[error("it lies on no shelf")]
    NotShelved,
    /// There is nothing to reset, or it is too early.
    #[error("it can be reset once it is over and acknowledged")]
    NotLatched,
    /// There is no such sensor.
    #[error("there is no such sensor")]
    NoSensor,
    /// There is no such room.
    #[error("there is no such room")]
    NoRoom,
    /// There is no such crate in a room that is watched.
    #[error("there is no such crate in a room that is watched")]
    NoCrate,
    /// It would have been weighed before its room was watched, or in the future.
    #[error("a weighing lies between the first reading of the room and now")]
    NoAirThen,
    /// A sensor that is so far off is broken.
    #[error(
        "a sensor that is off by more than 5 C (9 F) or 20 points of humidity is not corrected; compare it once more, and replace it"
    )]
    OffByTooMuch,
    /// It would hold from a time that has not come.
    #[error("a correction holds from now on or from an earlier time")]
    NotYet,
}

impl Judge {
    /// Why an act would be refused; nothing is refused to the machine. Acknowledging twice is once.
    pub fn refuses(&self, input: &Input) -> Option<Refusal> {
        match input {
            Input::Shelve {
                at,
                occurrence,
                until,
                one_shot,
                reason,
                ..
            } => {
                let Some(alert) = self.alert_of(occurrence).map(|i| &self.alerts[i]) else {
                    return Some(Refusal::NotStanding);
                };
                let cap = self.settings.handling.longest_shelf_ms;
                if alert.state() == State::Normal {
                    Some(Refusal::NotStanding)
                } else if reason.trim().is_empty() {
                    Some(Refusal::NoReason)
                } else if *until <= *at {
                    Some(Refusal::NoTime)
                } else if cap < until.since(*at) {
                    Some(Refusal::TooLong)
                } else if *one_shot && alert.level == 0 {
                    Some(Refusal::OverAlready)
                } else {
                    None
                }
            }
            Input::Unshelve { occurrence, .. } => {
                let alert = self.alert_of(occurrence).map(|i| &self.alerts[i]);
                match alert {
                    Some(alert) if alert.shelf.is_some() => None,
                    _ => Some(Refusal::NotShelved),
                }
            }
            Input::Reset { occurrence, .. } => {
                let alert = self.alert_of(occurrence).map(|i| &self.alerts[i]);
                match alert {
                    Some(a) if a.latched && a.level == 0 && a.acknowledged => None,
                    _ => Some(Refusal::NotLatched),
                }
            }
            Input::Service { sensor, out, .. } => {
                if !self.sensors.iter().any(|s| s.settings.name == *sensor) {
                    Some(Refusal::NoSensor)
                } else if out.as_ref().is_some_and(|(why, _)| why.trim().is_empty()) {
                    Some(Refusal::NoReason)
                } else {
                    None
                }
            }
            Input::Correct {
                at,
                sensor,
                offset,
                why,
            } => {
                if offset.is_too_much() {
                    Some(Refusal::OffByTooMuch)
                } else if *at < offset.from {
                    Some(Refusal::NotYet)
                } else if why.trim().is_empty() {
                    Some(Refusal::NoReason)
                } else if !self.sensors.iter().any(|s| s.settings.name == *sensor) {
                    Some(Refusal::NoSensor)
                } else {
                    None
                }
            }
            Input::Stage { room, .. } => {
                let known = self.settings.rooms.iter().any(|r| r.name == *room);
                (!known).then_some(Refusal::NoRoom)
            }
            Input::Weighed {
                at,
                krate,
                weighed_at,
                ..
            } => {
                let found = self.models.krate(krate);
                let stand = found.and_then(|k| self.models.stand(k, *at));
                match stand {
                    None => Some(Refusal::NoCrate),
                    Some(stand) => {
                        let watched = stand.air.since.is_some_and(|s| s <= *weighed_at);
                        (!watched || *at < *weighed_at).then_some(Refusal::NoAirThen)
                    }
                }
            }
            _ => None,
        }
    }

    fn alert_of(&self, occurrence: &Occurrence) -> Option<usize> {
        self.alerts
            .iter()
            .position(|a| a.occurrence.as_ref() == Some(occurrence))
    }

    /// Does what a person or a channel asks; what is refused changes nothing.
    pub(super) fn handle(&mut self, input: &Input, at: Stamp, out: &mut Vec<Transition>) {
        if self.refuses(input).is_some() {
            return;
        }
        match input {
            Input::Acknowledge { occurrence, .. } => {
                let found = self.alert_of(occurrence);
                if let Some(index) = found.filter(|&i| !self.alerts[i].acknowledged) {
                    let from = self.alerts[index].state();
                    self.alerts[index].acknowledged = true;
                    self.alerts[index].seen_at = at;
                    self.tell(index, from, at, out);
                }
            }
            Input::Shelve {
                occurrence,
                until,
                one_shot,
                reason,
                by,
                ..
            } => {
                if let Some(index) = self.alert_of(occurrence) {
                    let from = self.alerts[index].state();
                    self.alerts[index].shelf = Some(Shelf {
                        until: *until,
                        one_shot: *one_shot,
                        reason: reason.clone(),
                        by: by.clone(),
                        level: occurrence.level,
                    });
                    self.tell(index, from, at, out);
                }
            }
            Input::Unshelve { occurrence, .. } => {
                if let Some(index) = self.alert_of(occurrence) {
                    self.unshelve(index, at, out);
                }
            }
            Input::Reset { occurrence, .. } => {
                if let Some(index) = self.alert_of(occurrence) {
                    let from = self.alerts[index].state();
                    self.alerts[index].latched = false;
                    self.tell(index, from, at, out);
                }
            }
            Input::Service {
                sensor, out: to, ..
            } => self.service(sensor, to.clone(), at, out),
            Input::Channel {
                channel,
                failing_since,
                ..
            } => self.channel(channel, *failing_since, at, out),
            _ => {}
        }
    }

    /// Takes an alert off its shelf: what still holds is raised anew, what is over is done with.
    pub(super) fn unshelve(&mut self, index: usize, at: Stamp, out: &mut Vec<Transition>) {
        let from = self.alerts[index].state();
        self.alerts[index].shelf = None;
        self.reveal(index, from, at, out);
    }

    /// Nothing that a person hid it with hides it any more.
    fn reveal(&mut self, index: usize, from: State, at: Stamp, out: &mut Vec<Transition>) {
        let alert = &mut self.alerts[index];
        if 0 < alert.level {
            alert.raise(at);
        } else if !alert.latched {
            alert.acknowledged = true;
        }
        self.tell(index, from, at, out);
    }

    fn service(
        &mut self,
        name: &SensorName,
        to: Option<(String, String)>,
        at: Stamp,
        out: &mut Vec<Transition>,
    ) {
        let Some(index) = self.sensors.iter().position(|s| s.settings.name == *name) else {
            return;
        };
        let sensor = &mut self.sensors[index];
        let before = sensor.out.take();
        sensor.out = to.map(|(reason, by)| Out {
            since: before.as_ref().map_or(at, |o| o.since),
            reason,
            by,
        });
        let returned = before.is_some() && sensor.out.is_none();
        if returned {
            // It gets the time it needs to be heard again.
            sensor.heard_at = sensor.heard_at.max(at);
            sensor.silent = None;
        }
        let mut touched: Vec<usize> = sensor.bench.rules.iter().map(|r| r.alert).collect();
        touched.extend([sensor.silent_alert, sensor.swing_alert]);
        // What is computed rests on it too.
        let room = &self.benches[sensor.room];
        touched.extend(room.rules.iter().map(|r| r.alert));
        // Several rungs are one alert, and what returns is raised once.
        touched.sort_unstable();
        touched.dedup();
        let hidden: Vec<(usize, State)> = touched
            .iter()
            .map(|&i| (i, self.alerts[i].state()))
            .filter(|(_, s)| returned && *s == State::OutOfService)
            .collect();
        self.settle(touched, at, out);
        for (index, from) in hidden {
            let alert = &self.alerts[index];
            // One that ended with this has been told already.
            if alert.mask.is_none() && alert.state() != State::Normal {
                self.reveal(index, from, at, out);
            }
        }
    }

    /// What a sensor says from here on is corrected; so are the newest values, which others are held
    /// against. What was folded before stays as it was judged.
    pub(super) fn correct(&mut self, name: &SensorName, offset: Offset) {
        let offsets = self.offsets.entry(name.clone()).or_default();
        Arc::make_mut(offsets).enter(offset);
        let sensors = self.sensors.iter_mut();
        for sensor in sensors.filter(|s| s.settings.name == *name) {
            let thousandths = |(at, value): (Stamp, f64)| (at, (value * 1000.0).round() as i32);
            let mut off = sensor.off.take().unwrap_or_else(|| {
                Box::new(Off {
                    temperature: sensor.temperature.map(thousandths),
                    humidity: sensor.humidity.map(thousandths),
                    ..Off::default()
                })
            });
            off.offsets = offsets.clone();
            sensor.temperature = off.newest_temperature();
            sensor.humidity = off.newest_humidity();
            sensor.off = Some(off);
        }
    }

    fn channel(
        &mut self,
        name: &str,
        failing_since: Option<Stamp>,
        at: Stamp,
        out: &mut Vec<Transition>,
    ) {
        let channel = self.channels.entry(name.to_owned()).or_default();
        channel.failing_since = match (channel.failing_since, failing_since) {
            (Some(before), Some(_)) => Some(before),
            (_, since) => since,
        };
        channel.active &= channel.failing_since.is_some();
        if channel.failing_since.is_none() {
            self.channels.remove(name);
        }
        let subject = Subject::Channel(name.to_owned());
        let index = self.site_alert(Kind::ChannelFailing, subject);
        self.settle_one(index, at, out);
        // What was owed before this was heard.
        self.due = Stamp(i64::MIN);
        self.cross(at, out);
    }
}
