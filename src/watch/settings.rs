//! What the judge must know of a site: rooms with their limits, sensors with their roles.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use crate::climate::tuber::SensorError;

use super::{
    limits::Limits,
    reading::{HOUR_MS, MINUTE_MS, SensorId, SensorName},
};

/// What a room is doing; each stage has a band of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Stage {
    /// Lifted tubers dry.
    Curing,
    /// Packed tubers rest.
    #[default]
    Storing,
    /// Tubers are brought to sprout.
    Waking,
    /// Nothing is in it: only readings are kept.
    Empty,
}

impl Stage {
    /// Every stage, in the order of a season.
    pub const ALL: [Self; 4] = [Self::Curing, Self::Storing, Self::Waking, Self::Empty];

    /// The word used in files and on pages.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Curing => "curing",
            Self::Storing => "storing",
            Self::Waking => "waking",
            Self::Empty => "empty",
        }
    }

    /// The stage with that word.
    pub fn parse(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|s| s.as_str() == word)
    }
}

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
    /// What its air is held against while storing.
    pub limits: Limits,
    /// What it is doing.
    #[serde(default)]
    pub stage: Stage,
    /// Limits of other stages where they are not the default ones.
    #[serde(default)]
    pub stages: Vec<(Stage, Limits)>,
    /// What it measures and what stands in it to change its air.
    #[serde(default)]
    pub equipment: Equipment,
}

/// A room's size and what can change its air, as far as the grower has said; advice turns into minutes
/// and litres by it. Nothing here is ever switched.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Equipment {
    /// Volume of air in cubic metres.
    pub volume_m3: Option<f64>,
    /// Air changes an hour through cracks, with everything shut.
    pub leak_per_h: Option<f64>,
    /// What the fan or the open vent moves, in cubic metres an hour.
    pub vent_m3_h: Option<f64>,
    /// What the humidifier gives, in grams an hour.
    pub humidifier_g_h: Option<f64>,
    /// What the heater gives, in watts.
    pub heater_w: Option<f64>,
    /// Dry weight of the packing in kilograms; it takes up water before the air does.
    pub packing_kg: Option<f64>,
    /// Weight of the tubers in kilograms; they take up heat before the air does.
    pub tubers_kg: Option<f64>,
}

impl RoomSettings {
    /// A storing room with these limits.
    pub fn storing(name: &str, limits: Limits) -> Self {
        Self {
            name: name.to_owned(),
            limits,
            stage: Stage::Storing,
            stages: Vec::new(),
            equipment: Equipment::default(),
        }
    }

    /// What its air is held against in a stage.
    pub fn limits_of(&self, stage: Stage) -> Limits {
        match self.stages.iter().find(|(s, _)| *s == stage) {
            Some((_, limits)) => limits.clone(),
            None => Limits::of_stage(stage, &self.limits),
        }
    }

    /// What its air is held against now.
    pub fn in_force(&self) -> Limits {
        self.limits_of(self.stage)
    }
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
    /// How the places near it begin, for an air sensor that speaks for a part of its room.
    #[serde(default)]
    pub near: Option<String>,
    /// How far it may be off in kelvin and in points of humidity; as common sensors when left out.
    #[serde(default)]
    pub accuracy: Option<(f64, f64)>,
    /// The day on which it was last compared with something that is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub checked: Option<NaiveDate>,
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

    /// How far it may be off.
    pub fn accuracy(&self) -> SensorError {
        self.accuracy
            .map_or_else(SensorError::default, |(temperature_k, humidity_pct)| {
                SensorError {
                    temperature_k,
                    humidity_pct,
                }
            })
    }

    /// How long a live sensor may say nothing, in milliseconds: three lost words, at most half an hour,
    /// and half an interval for the one that is late.
    pub fn silence_ms(&self) -> i64 {
        (3 * self.interval_ms).min(LONGEST_SILENCE_MS) + self.interval_ms / 2
    }
}

/// How alerts are handled, whatever they are about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Handling {
    /// The longest time for which a person may shelve an alert, in milliseconds.
    pub longest_shelf_ms: i64,
    /// An acknowledged alert of high priority that is still active after this is raised again (the
    /// re-alarm time of OPC 10000-9, B.1.5), in milliseconds.
    pub again_ms: i64,
    /// A gap in the record longer than this raises an alert at start, in milliseconds.
    pub off_ms: i64,
    /// A channel that delivers nothing for this long raises an alert, in milliseconds.
    pub failing_ms: i64,
}

impl Default for Handling {
    /// A shelf of at most a day, a high alert that was seen raised again after a day, as stale alarms are
    /// in ANSI/ISA-18.2 practice; a quarter of an hour for a channel is this project's.
    fn default() -> Self {
        Self {
            longest_shelf_ms: 24 * HOUR_MS,
            again_ms: 24 * HOUR_MS,
            off_ms: 30 * MINUTE_MS,
            failing_ms: 15 * MINUTE_MS,
        }
    }
}

/// Growers plant in the middle of May where the last frost comes at its beginning (common practice).
const PLANTING: (u32, u32) = (5, 15);

fn planting() -> (u32, u32) {
    PLANTING
}

/// A site as the judge sees it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Settings {
    /// Every room.
    pub rooms: Vec<RoomSettings>,
    /// Every sensor.
    pub sensors: Vec<SensorSettings>,
    /// How alerts are handled.
    #[serde(default)]
    pub handling: Handling,
    /// Month and day of planting.
    #[serde(default = "planting")]
    pub planting: (u32, u32),
    /// Height above the sea in metres.
    #[serde(default)]
    pub altitude_m: f64,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            rooms: Vec::new(),
            sensors: Vec::new(),
            handling: Handling::default(),
            planting: PLANTING,
            altitude_m: 0.0,
        }
    }
}
