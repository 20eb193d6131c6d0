//! What the judge must know of a site: rooms with their limits, sensors with their roles.

use serde::{Deserialize, Serialize};

use super::{
    limits::Limits,
    reading::{MINUTE_MS, SensorId, SensorName},
};

/// What a sensor stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Role {
    /// The air of the room; all band rules read it.
    Air,
    /// A probe among the tubers of a crate.
    Crate,
    /// A probe on a wall, a lid or a liner.
    Surface,
    /// The weather.
    Outdoor,
    /// The bed that will be planted.
    Soil,
}

/// How a sensor's readings come in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Arrives {
    /// One after the other, as measured; silence means something.
    Live,
    /// A logger read now and then; it is never silent.
    Batches,
}

/// One storage space.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RoomSettings {
    /// Its name on pages and in files.
    pub name: String,
    /// What its air is held against.
    pub limits: Limits,
}

/// One device.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SensorSettings {
    /// Its key in the store.
    pub id: SensorId,
    /// Its name on pages and in files.
    pub name: SensorName,
    /// Where it is.
    pub room: String,
    /// What it stands for.
    pub role: Role,
    /// The crate it is in, for a probe.
    pub crate_code: Option<String>,
    /// Time between two readings in milliseconds.
    pub interval_ms: i64,
    /// How its readings come in.
    pub arrives: Arrives,
}

/// The longest that a sensor may say nothing, whatever its interval: common practice for
/// unattended stores (recording at least twice an hour).
pub const LONGEST_SILENCE_MS: i64 = 30 * MINUTE_MS;

impl SensorSettings {
    /// How long one reading speaks for its place, in milliseconds: three intervals, and for a live
    /// sensor at most half an hour. After that nobody is looking: time no longer counts towards any
    /// delay, and a live sensor is silent.
    pub fn hold_ms(&self) -> i64 {
        let three = 3 * self.interval_ms;
        match self.arrives {
            Arrives::Live => three.min(LONGEST_SILENCE_MS),
            Arrives::Batches => three,
        }
    }
}

/// A site as the judge sees it.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Settings {
    /// Every room.
    pub rooms: Vec<RoomSettings>,
    /// Every sensor.
    pub sensors: Vec<SensorSettings>,
}
