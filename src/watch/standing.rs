//! What the judge knows now, as pages show it.

use super::{
    alert::{Figures, Occurrence, State, Transition},
    correction::Said,
    limits::Priority,
    reading::Stamp,
    settings::SensorSettings,
};

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
    /// Its priority when it was raised, the highest that this occurrence had.
    pub raised_as: Priority,
    /// First reading beyond the limit.
    pub since: Stamp,
    /// The condition holds, whatever people are told of it.
    pub active: bool,
    /// The shelf it lies on.
    pub shelf: Option<Shelf>,
    /// The numbers behind it.
    pub figures: Figures,
}

/// An alert that a person silenced for a limited time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Shelf {
    /// When it ends.
    pub until: Stamp,
    /// It also ends when the condition does.
    pub one_shot: bool,
    /// Why.
    pub reason: String,
    /// Who.
    pub by: String,
    /// The rung it covers; a worse one is an alert of its own and ends it.
    pub level: u8,
}

/// A sensor that is not to be listened to for a while.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Out {
    /// Since when.
    pub since: Stamp,
    /// Why.
    pub reason: String,
    /// Who.
    pub by: String,
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
            active: self.active,
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
    /// It is out of service.
    pub out: Option<Out>,
    /// The newest values and when they were measured.
    pub temperature: Option<(Stamp, f64)>,
    /// The newest values and when they were measured.
    pub humidity: Option<(Stamp, f64)>,
    /// Percent of battery left.
    pub battery_pct: Option<u8>,
    /// What it said itself where the newest values are corrected.
    pub said: Said,
}

impl SensorNow {
    /// The newest temperature in C and humidity in percent, of which one that is older than the
    /// other by more than a reading speaks for is left out.
    pub fn together(&self) -> (Option<f64>, Option<f64>) {
        together(self.temperature, self.humidity, self.settings.hold_ms())
    }
}

pub(super) fn together(
    temperature: Option<(Stamp, f64)>,
    humidity: Option<(Stamp, f64)>,
    hold_ms: i64,
) -> (Option<f64>, Option<f64>) {
    let newest = temperature.map(|t| t.0).max(humidity.map(|rh| rh.0));
    let speaks = |q: Option<(Stamp, f64)>| {
        q.filter(|(at, _)| newest.is_some_and(|newest| newest.since(*at) <= hold_ms))
            .map(|(_, value)| value)
    };
    (speaks(temperature), speaks(humidity))
}
