//! One rung of one kind of alert, laid out for one sensor.

use serde::{Deserialize, Serialize};

use super::{
    dwell::{Delays, Look, Side},
    limits::{Kind, Limits, Priority, Rungs},
    reading::Stamp,
    settings::Role,
};

/// What is held against a limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Quantity {
    /// C.
    Temperature,
    /// Percent.
    Humidity,
    /// A probe above the dew point, in kelvin.
    Margin,
    /// Percent left.
    Battery,
    /// Modelled skin above the dew point, in kelvin.
    CoreMargin,
    /// Outdoor dew point above the coldest crate, in kelvin.
    Thaw,
    /// Hours to freezing by the trend.
    FrostAhead,
    /// The same, in a room that is below its band already.
    FrostAheadBelow,
    /// Points of weight lost by planting beyond what the target would take.
    Excess,
    /// Percent of weight lost by planting, of a crate that was weighed.
    Total,
    /// Mould index.
    MouldIndex,
    /// Days to mould index 1.
    MouldDays,
    /// C day since 1 January.
    Warmth,
}

impl Quantity {
    /// It is looked at once an hour.
    pub(super) fn is_hourly(self) -> bool {
        matches!(
            self,
            Self::Excess | Self::Total | Self::MouldIndex | Self::MouldDays | Self::Warmth
        )
    }
}

/// One rung of one kind, laid out for one holder.
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

/// Rungs of mould ahead by default; fewer do not move those of the index.
const AHEAD: u8 = 2;

/// What a room is held against: kind, rungs, quantity, whether less is worse, and the rungs of the same
/// alert that come before.
pub(super) fn watched_in_room(limits: &Limits) -> Vec<(Kind, &Rungs, Quantity, bool, u8)> {
    use Quantity::{
        CoreMargin, Excess, FrostAhead, FrostAheadBelow, MouldDays, MouldIndex, Thaw, Total, Warmth,
    };
    let before = |rungs: &Rungs| rungs.steps.len() as u8;
    vec![
        (Kind::FrostAhead, &limits.frost_ahead, FrostAhead, true, 0),
        (
            Kind::FrostAhead,
            &limits.frost_ahead_below,
            FrostAheadBelow,
            true,
            before(&limits.frost_ahead),
        ),
        (Kind::Sweating, &limits.sweating, CoreMargin, true, 0),
        (Kind::Thaw, &limits.thaw, Thaw, false, 0),
        (Kind::Shrink, &limits.shrink, Excess, false, 0),
        (Kind::Shrink, &limits.shrink_weighed, Total, false, 0),
        (Kind::Mould, &limits.mould_ahead, MouldDays, true, 0),
        (
            Kind::Mould,
            &limits.mould,
            MouldIndex,
            false,
            // Words go by the level: what has begun is never below what is on its way.
            before(&limits.mould_ahead).max(AHEAD),
        ),
        (Kind::Waking, &limits.waking, Warmth, false, 0),
    ]
}
