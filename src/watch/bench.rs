//! Rules laid out for one holder, each with its memory.

use super::{dwell::Dwell, judge::Judge, life::Alert, reading::Stamp, rule::Rule, settings::Role};

/// Who holds a rule.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Holder {
    /// A sensor, against what it says.
    Sensor(usize),
    /// A room, against what is computed for the crates in it.
    Room(usize),
}

/// Rules and the memory of each.
#[derive(Debug, Clone, Default)]
pub(super) struct Bench {
    pub(super) rules: Vec<Rule>,
    pub(super) dwells: Vec<Dwell>,
}

impl Bench {
    pub(super) fn due(&self) -> Option<Stamp> {
        let rules = self.rules.iter().zip(&self.dwells);
        rules
            .filter_map(|(rule, dwell)| dwell.due(rule.delays))
            .min()
    }

    /// Crosses what is due at `due`; tells whose alerts that touches.
    pub(super) fn cross(&mut self, due: Stamp, touched: &mut Vec<usize>) {
        for (rule, dwell) in self.rules.iter().zip(&mut self.dwells) {
            if dwell.due(rule.delays) == Some(due) {
                dwell.flip();
                touched.push(rule.alert);
            }
        }
    }

    /// The recorder runs again after having been off.
    pub(super) fn resume(&mut self, at: Stamp, hold_ms: Option<i64>) {
        for (rule, dwell) in self.rules.iter().zip(&mut self.dwells) {
            dwell.resume(at, hold_ms.unwrap_or(rule.delays.hold_ms));
        }
    }

    /// Takes over the memory of the same rules before a change of settings.
    pub(super) fn carry(&mut self, own: &[Alert], old: &Self, before: &[Alert], at: Stamp) {
        for (rule, dwell) in self.rules.iter().zip(&mut self.dwells) {
            let alert = &own[rule.alert];
            let same = old.rules.iter().position(|r| {
                let a = &before[r.alert];
                r.level == rule.level
                    && r.quantity == rule.quantity
                    && a.kind == alert.kind
                    && a.subject == alert.subject
            });
            if let Some(same) = same {
                *dwell = old.dwells[same].clone();
                // A shorter delay is not completed by what was heard too long ago.
                dwell.resume(at, rule.delays.hold_ms);
            }
        }
    }
}

impl Judge {
    /// A rule and its memory.
    pub(super) fn rule(&self, holder: Holder, rule: usize) -> (Option<&Rule>, Option<&Dwell>) {
        let bench = match holder {
            Holder::Sensor(sensor) => self.sensors.get(sensor).map(|s| &s.bench),
            Holder::Room(room) => self.benches.get(room),
        };
        (
            bench.and_then(|b| b.rules.get(rule)),
            bench.and_then(|b| b.dwells.get(rule)),
        )
    }

    /// Nobody measures the air of a room any more, because a person said so.
    pub(super) fn all_air_out(&self, room: usize) -> bool {
        let air = self.sensors.iter();
        let mut air = air.filter(|s| s.room == room && s.settings.role == Role::Air);
        air.all(|s| s.out.is_some())
    }
}
