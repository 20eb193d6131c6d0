//! One room: the bodies of air in it, and the forecasts made from them.

use std::{collections::BTreeMap, sync::Arc};

use super::{Exposure, Forecast, Krate, Tally, Target, forecast::Outcome};
use crate::{
    climate::{Packing, tuber::SensorError},
    watch::{
        crates::CrateFacts,
        limits::Band,
        reading::{HOUR_MS, SensorId, Stamp},
        settings::{Role, RoomSettings, SensorSettings, Settings, Stage},
    },
};

/// A room that is in use again within a day was never empty.
const SLIP_MS: i64 = 24 * HOUR_MS;
/// Forecasts of one room that are kept one by one: of several winters, so that each can be looked back on
/// (at most one is open for each sensor and limit at a time, and a hundred in a winter are many).
const MOST_FORECASTS: usize = 2000;

/// One room.
#[derive(Debug, Clone)]
pub struct RoomModel {
    /// Its name.
    pub name: String,
    /// What it is doing.
    pub stage: Stage,
    /// The range it should stay in.
    pub band: Band,
    /// The air near each sensor that says where it hangs, and last the air of the whole room.
    pub exposures: Vec<Exposure>,
    /// Forecasts made, the newest last.
    pub forecasts: Arc<Vec<Forecast>>,
    /// When the newest was made of those that are not kept one by one any more.
    pub forgotten: Option<Stamp>,
    /// What came of all that were ever made.
    pub tally: BTreeMap<Target, Tally>,
    /// Since when nothing stands in it, while that is so.
    pub(super) emptied_at: Option<Stamp>,
    /// Its air sensors.
    pub(super) sensors: Vec<SensorId>,
    /// Stands for what it holds while nobody has listed any crate.
    pub(super) unlisted: Krate,
}

impl RoomModel {
    /// The room under new settings; the same bodies of air keep their memory, unless it was empty.
    pub(super) fn adopt(
        at: Stamp,
        old: Option<&Arc<Self>>,
        room: &RoomSettings,
        settings: &Settings,
    ) -> Self {
        let own = || {
            let sensors = settings.sensors.iter();
            sensors.filter(|s| s.role == Role::Air && s.room == room.name)
        };
        let sensors: Vec<SensorId> = own().map(|s| s.id).collect();
        let mut wanted: Vec<(Option<String>, Vec<SensorId>)> = Vec::new();
        for sensor in own() {
            let Some(near) = &sensor.near else { continue };
            match wanted.iter_mut().find(|(n, _)| n.as_ref() == Some(near)) {
                Some((_, ids)) => ids.push(sensor.id),
                None => wanted.push((Some(near.clone()), vec![sensor.id])),
            }
        }
        wanted.push((None, sensors.clone()));
        let (forecasts, forgotten, tally) = old.map_or_else(Default::default, |o| {
            (Arc::clone(&o.forecasts), o.forgotten, o.tally.clone())
        });
        let emptied_at = match (room.stage, old) {
            (Stage::Empty, Some(old)) if old.stage == Stage::Empty => old.emptied_at,
            (Stage::Empty, _) => Some(at),
            _ => None,
        };
        // What stood in a room that was emptied is gone; the next winter begins anew.
        let old = old.filter(|o| room.stage == Stage::Empty || !o.is_long_empty(at));
        let exposures = wanted.into_iter().map(|(near, ids)| {
            let same = old.and_then(|o| o.exposures.iter().find(|e| e.near == near));
            let mut exposure = same
                .cloned()
                .unwrap_or_else(|| Exposure::new(near, Vec::new()));
            exposure.error = own()
                .filter(|s| ids.contains(&s.id))
                .map(SensorSettings::accuracy)
                .reduce(SensorError::or_worse)
                .unwrap_or_default();
            exposure.sensors = ids;
            exposure
        });
        Self {
            name: room.name.clone(),
            stage: room.stage,
            band: room.in_force().band,
            exposures: exposures.collect(),
            forecasts,
            forgotten,
            tally,
            emptied_at,
            sensors,
            unlisted: old.map_or_else(|| unlisted(&room.name), |o| o.unlisted.clone()),
        }
    }

    /// Nothing has stood in it for so long that nobody called it empty by a slip.
    pub(super) fn is_long_empty(&self, at: Stamp) -> bool {
        let since = self.emptied_at.filter(|_| self.stage == Stage::Empty);
        since.is_some_and(|since| SLIP_MS <= at.since(since))
    }

    /// The body of air that a place belongs to: the one whose name the place begins with, the longest
    /// of several, else the whole room's.
    pub(super) fn near(&self, place: &str) -> usize {
        let place = place.trim().to_lowercase();
        let named = self.exposures.iter().enumerate().filter(|(_, e)| {
            let near = e.near.as_ref();
            near.is_some_and(|n| place.starts_with(&n.to_lowercase()))
        });
        named
            .max_by_key(|(_, e)| e.near.as_ref().map(String::len))
            .map_or(self.exposures.len() - 1, |(index, _)| index)
    }

    /// A forecast made, or one whose outcome is known.
    pub(super) fn note(&mut self, forecast: Forecast) {
        let forecasts = Arc::make_mut(&mut self.forecasts);
        if forecast.outcome == Outcome::Open {
            if MOST_FORECASTS <= forecasts.len() {
                self.forgotten = Some(forecasts.remove(0).made_at);
            }
            forecasts.push(forecast);
            return;
        }
        let tally = self.tally.entry(forecast.target).or_default();
        tally.add(forecast.outcome);
        let made = forecasts.iter_mut().rev().find(|f| {
            (f.sensor, f.target, f.made_at) == (forecast.sensor, forecast.target, forecast.made_at)
        });
        if let Some(made) = made {
            *made = forecast;
        }
    }
}

fn unlisted(room: &str) -> Krate {
    let facts = CrateFacts {
        code: String::new(),
        room: room.to_owned(),
        place: String::new(),
        packing: Packing::Unknown,
        tubers_g: None,
        divided: false,
        washed: false,
        uncured: false,
        since: None,
    };
    Krate::new(facts, Stamp(0))
}
