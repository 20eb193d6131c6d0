//! What the writer keeps in memory, all of which a failed transaction gives back.

use std::{collections::BTreeMap, sync::Arc};

use super::accept::Sensors;
use crate::{
    notify::plan::Plan,
    store::log::Tail,
    watch::{Judge, Reading, SensorId, Settings, Stamp, recent::Recent},
};

/// Everything that a failed transaction must give back.
#[derive(Clone, Default)]
pub(super) struct Memory {
    pub(super) judge: Judge,
    pub(super) sensors: Sensors,
    pub(super) recent: BTreeMap<SensorId, Arc<Recent>>,
    /// What people have been told.
    pub(super) plan: Plan,
    pub(super) tail: Tail,
    /// Settings wait for the first input of an import into an empty log.
    pub(super) owed_settings: Option<Settings>,
    /// The end of what was watched; an import says so before its first input, if it has any.
    pub(super) owed_start: Option<Stamp>,
    /// How far time has passed without an input; nothing arrives before this.
    pub(super) ticked: Stamp,
    /// An alert changed since it was last looked at what is owed.
    pub(super) told: bool,
}

impl Memory {
    /// Takes a reading into the pictures of the last days.
    pub(super) fn note(&mut self, reading: &Reading) {
        let newest = self.sensors.newest.entry(reading.sensor).or_default();
        *newest = (*newest).max(reading.measured_at);
        let judge = &self.judge;
        let recent = self.recent.entry(reading.sensor).or_insert_with(|| {
            let mut recent = Recent::default();
            recent.correct(judge.offsets(reading.sensor).cloned());
            Arc::new(recent)
        });
        Arc::make_mut(recent).add(reading.measured_at, reading.values);
    }

    /// Has the pictures go by what sensors are known to be off by.
    pub(super) fn correct(&mut self) {
        for (id, recent) in &mut self.recent {
            let offsets = self.judge.offsets(*id);
            if recent.offsets() != offsets {
                Arc::make_mut(recent).correct(offsets.cloned());
            }
        }
    }
}
