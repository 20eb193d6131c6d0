//! One rung of one kind of alert, laid out for one sensor.

use super::{
    dwell::{Delays, Look, Side},
    limits::{Kind, Limits, Priority, Rungs},
    reading::Stamp,
    settings::Role,
};

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Quantity {
    Temperature,
    Humidity,
    Margin,
    Battery,
}

/// One rung of one kind, laid out for one sensor.
#[derive(Debug, Clone)]
pub(super) struct Rule {
    pub(super) quantity: Quantity,
    pub(super) below: bool,
    /// Reaching the limit is enough.
    pub(super) inclusive: bool,
    /// The limit is never below the mould line of the air's temperature.
    pub(super) mould_line: bool,
    pub(super) limit: f64,
    pub(super) deadband: f64,
    pub(super) level: u8,
    pub(super) priority: Priority,
    pub(super) delays: Delays,
    /// Index of the alert that this rung belongs to.
    pub(super) alert: usize,
}

impl Rule {
    #[inline]
    pub(super) fn look(&self, measured_at: Stamp, value: f64, line: f64, fresh: bool) -> Look {
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

/// What a sensor of some role is held against: kind, rungs, quantity, whether less is worse.
pub(super) fn watched(role: Role, limits: &Limits) -> Vec<(Kind, &Rungs, Quantity, bool)> {
    use Quantity::{Battery, Humidity, Margin, Temperature};
    let mut watched = match role {
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
    watched.push((Kind::Battery, &limits.battery, Battery, true));
    watched
}
