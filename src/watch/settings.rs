//! What the judge must know of a site: rooms with their limits, sensors with their roles.

use serde::{Deserialize, Serialize};

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
}

impl RoomSettings {
    /// A storing room with these limits.
    pub fn storing(name: &str, limits: Limits) -> Self {
        Self {
            name: name.to_owned(),
            limits,
            stage: Stage::Storing,
            stages: Vec::new(),
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

    /// How long a live sensor may say nothing, in milliseconds: three lost words, with half an interval
    /// for the one that is late, at most half an hour.
    pub fn silence_ms(&self) -> i64 {
        (7 * self.interval_ms / 2).min(LONGEST_SILENCE_MS)
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

/// A site as the judge sees it.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Settings {
    /// Every room.
    pub rooms: Vec<RoomSettings>,
    /// Every sensor.
    pub sensors: Vec<SensorSettings>,
    /// How alerts are handled.
    #[serde(default)]
    pub handling: Handling,
}
