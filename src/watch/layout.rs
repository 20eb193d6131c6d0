//! Rooms, sensors and rules laid out in the judge's memory, at the start and when they change.

use super::{
    alert::{State, Subject, Transition},
    bench::{Bench, Holder},
    correction::Off,
    dwell::{Delays, Dwell},
    judge::{Judge, NO_SLOT, Sensor},
    life::Alert,
    limits::Kind,
    models::SLOT_MS,
    reading::{HOUR_MS, Stamp},
    rule::{self, Rule},
    settings::{Role, SensorSettings, Settings, Stage},
    swing::Swing,
};

impl Judge {
    /// Lays out rooms, sensors and rules anew and carries over what is still the same thing: sensors
    /// by key, rules by kind and rung, alerts by kind and subject. What is gone returns to normal.
    pub(super) fn adopt(&mut self, at: Stamp, settings: &Settings, out: &mut Vec<Transition>) {
        let mut next = Self {
            models: self.models.clone(),
            benches: vec![Bench::default(); settings.rooms.len()],
            settings: settings.clone(),
            given: self.given.clone(),
            channels: self.channels.clone(),
            offsets: self.offsets.clone(),
            watched: self.watched,
            now: self.now.max(at),
            due: Stamp(i64::MIN),
            ..Self::default()
        };
        for sensor in &settings.sensors {
            next.lay_out(sensor, at);
        }
        for room in 0..settings.rooms.len() {
            next.lay_out_room(room);
        }
        next.models.adopt(at, settings);
        // What is about no room and no sensor stays as it is.
        let of_site = self.alerts.iter().filter(|a| a.room.is_none());
        next.alerts.extend(of_site.cloned());
        for alert in &mut next.alerts {
            let old = self
                .alerts
                .iter()
                .find(|a| a.kind == alert.kind && a.subject == alert.subject);
            if let Some(old) = old {
                alert.carry(old);
            }
        }
        for sensor in &mut next.sensors {
            let Some(slot) = self.slot(sensor.settings.id) else {
                continue;
            };
            let old = &self.sensors[slot];
            sensor.heard_at = old.heard_at;
            sensor.last_heard = old.last_heard;
            sensor.temperature = old.temperature;
            sensor.humidity = old.humidity;
            sensor.battery_pct = old.battery_pct;
            if let (Some(off), Some(old)) = (&mut sensor.off, &old.off) {
                off.temperature = old.temperature;
                off.humidity = old.humidity;
            }
            sensor.out.clone_from(&old.out);
            if sensor.idle {
                sensor.silent = None;
            } else if old.settings.arrives == sensor.settings.arrives {
                sensor.silent = old.silent;
            }
            if old.idle {
                // It was not listened to while the room was empty.
                sensor.heard_at = sensor.heard_at.max(at);
            }
            if let (Some(new), Some(old)) = (&mut sensor.swing, &old.swing) {
                new.carry(old);
            }
            sensor
                .bench
                .carry(&next.alerts, &old.bench, &self.alerts, at);
        }
        for (room, bench) in settings.rooms.iter().zip(&mut next.benches) {
            let old = self.settings.rooms.iter().position(|r| r.name == room.name);
            if let Some(old) = old {
                bench.carry(&next.alerts, &self.benches[old], &self.alerts, at);
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
                let gone = &mut ended.alerts[index];
                gone.level = 0;
                gone.acknowledged = true;
                gone.latched = false;
                gone.shelf = None;
                gone.mask = None;
                ended.tell(index, self.alerts[index].state(), at, out);
            }
        }
        *self = next;
        for index in 0..self.alerts.len() {
            self.alerts[index].lead = self.lead_of(index);
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
            let Some((holder, rule)) = old.and_then(|a| a.lead) else {
                continue;
            };
            let rung = before.rule(holder, rule).0.map(|r| (r.level, r.quantity));
            let same = alert.members.iter().find(|&&(h, r)| {
                let own = match (h, holder) {
                    (Holder::Sensor(now), Holder::Sensor(then)) => {
                        self.sensors[now].settings.id == before.sensors[then].settings.id
                    }
                    // A room's rules stay with their alert, which is found by the room's name.
                    (Holder::Room(_), Holder::Room(_)) => true,
                    _ => false,
                };
                let rules = match h {
                    Holder::Sensor(s) => &self.sensors[s].bench.rules,
                    Holder::Room(room) => &self.benches[room].rules,
                };
                own && rules.get(r).map(|r| (r.level, r.quantity)) == rung
            });
            alert.lead = same.copied().or(alert.lead);
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
        let limits = self.settings.rooms[room].in_force();
        let idle = self.settings.rooms[room].stage == Stage::Empty;
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
            Holder::Sensor(index),
        );
        let swing = limits.swings.filter(|_| settings.role == Role::Air);
        let swing_alert = match swing {
            Some(_) => {
                let subject = Subject::Room(settings.room.clone());
                self.alert_slot(room, Kind::Swinging, subject, Holder::Sensor(index))
            }
            None => silent_alert,
        };
        let deadbands = (limits.cold.deadband, limits.dry_out.deadband);
        let id = settings.id.0 as usize;
        if self.slots.len() <= id {
            self.slots.resize(id + 1, NO_SLOT);
        }
        self.slots[id] = index;
        self.sensors.push(Sensor {
            settings: settings.clone(),
            room,
            hold_ms: settings.hold_ms(),
            bench: Bench::default(),
            heard_at: at,
            last_heard: None,
            silent: None,
            silent_alert,
            temperature: None,
            humidity: None,
            battery_pct: None,
            off: self.offsets.get(&settings.name).map(|offsets| {
                Box::new(Off {
                    offsets: offsets.clone(),
                    ..Off::default()
                })
            }),
            swing: swing
                .map(|s| Box::new(Swing::new(s, limits.band, deadbands, settings.hold_ms()))),
            swing_alert,
            out: None,
            idle,
        });

        for (kind, rungs, quantity, below) in rule::watched(settings.role, &limits) {
            // Kinds without a rung are none of this stage.
            if rungs.steps.is_empty() {
                continue;
            }
            let subject = match kind {
                Kind::Battery => Subject::Sensor(settings.name.to_string()),
                _ => subject.clone(),
            };
            let alert = self.alert_slot(room, kind, subject, Holder::Sensor(index));
            for (level, step) in (1..).zip(&rungs.steps) {
                let sensor = &mut self.sensors[index];
                let place = (Holder::Sensor(index), sensor.bench.rules.len());
                self.alerts[alert].members.push(place);
                sensor.bench.rules.push(Rule {
                    quantity,
                    below,
                    inclusive: matches!(kind, Kind::Frost | Kind::Sweating | Kind::Battery),
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
                sensor.bench.dwells.push(Dwell::default());
            }
        }
    }

    /// Rules on what is computed for a room.
    fn lay_out_room(&mut self, room: usize) {
        let settings = &self.settings.rooms[room];
        let limits = settings.in_force();
        let subject = Subject::Room(settings.name.clone());
        let holder = Holder::Room(room);
        for (kind, rungs, quantity, below, before) in rule::watched_in_room(&limits) {
            if rungs.steps.is_empty() {
                continue;
            }
            let alert = self.alert_slot(room, kind, subject.clone(), holder);
            for (level, step) in (before + 1..).zip(&rungs.steps) {
                let bench = &mut self.benches[room];
                self.alerts[alert].members.push((holder, bench.rules.len()));
                bench.rules.push(Rule {
                    quantity,
                    below,
                    inclusive: matches!(kind, Kind::Sweating | Kind::FrostAhead | Kind::Mould),
                    mould_line: false,
                    limit: step.limit,
                    deadband: rungs.deadband,
                    level,
                    priority: step.priority,
                    delays: Delays {
                        on_ms: step.delay_ms,
                        off_ms: rungs.off_delay_ms,
                        hold_ms: if quantity.is_hourly() {
                            3 * HOUR_MS
                        } else {
                            3 * SLOT_MS
                        },
                    },
                    alert,
                });
                bench.dwells.push(Dwell::default());
            }
        }
    }

    fn alert_slot(&mut self, room: usize, kind: Kind, subject: Subject, holder: Holder) -> usize {
        let found = self
            .alerts
            .iter()
            .position(|a| a.kind == kind && a.subject == subject);
        found.unwrap_or_else(|| {
            self.alerts.push(Alert {
                lead: Some((holder, 0)),
                ..Alert::new(Some(room), kind, subject)
            });
            self.alerts.len() - 1
        })
    }
}
