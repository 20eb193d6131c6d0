//! What is known now, for pages: a snapshot made after every commit.

use std::{collections::BTreeMap, sync::Arc};

use crate::watch::{Judge, Models, SensorId, SensorNow, Settings, Stamp, Standing, recent::Recent};

/// One moment, whole.
#[derive(Debug, Clone, Default)]
pub struct Status {
    /// Counts the snapshots; a page that has seen a lower one is old.
    pub version: u64,
    /// When it was made.
    pub at: Stamp,
    /// When anything was last judged.
    pub judged_at: Stamp,
    /// Rooms, sensors and limits in force.
    pub settings: Settings,
    /// Every sensor in the order of the settings.
    pub sensors: Vec<SensorNow>,
    /// Every alert that is not normal, the most urgent first.
    pub alerts: Vec<Standing>,
    /// The last two days of each sensor.
    pub recent: BTreeMap<SensorId, Arc<Recent>>,
    /// What the air does to the crates.
    pub models: Models,
    /// How far this computer's clock is behind the record, in milliseconds; 0 when it is right.
    pub clock_behind_ms: i64,
    /// Why the store could not be written, while it cannot.
    pub store_fault: Option<String>,
}

/// A snapshot is made every minute; one that is older than this many milliseconds tells that the
/// recorder stands still.
const OLD_MS: i64 = 5 * 60_000;

impl Status {
    /// It was made so long ago that the recorder cannot be working; `speed` is that of the clock.
    pub fn is_old(&self, now: Stamp, speed: f64) -> bool {
        OLD_MS < now.since(self.at) / speed.max(1.0) as i64
    }

    pub(super) fn of(judge: &Judge, recent: &BTreeMap<SensorId, Arc<Recent>>) -> Self {
        Self {
            version: 0,
            at: judge.now(),
            judged_at: judge.now(),
            settings: judge.settings().clone(),
            sensors: judge.sensors().collect(),
            alerts: judge.standing(),
            recent: recent.clone(),
            models: judge.models().clone(),
            clock_behind_ms: 0,
            store_fault: None,
        }
    }
}
