//! What the air does to the crates: temperature inside, sweating, water lost, mould, warmth, and where
//! all that is heading.
//!
//! Fed with readings in the order in which they were measured, in means of ten minutes; what comes
//! out of order, as from a logger that is read later beside a live sensor, is left to the record.
//! Nothing is filled in: a gap widens what is said, it does not end it.

mod air;
mod cohort;
mod concern;
mod exposure;
mod follower;
mod forecast;
mod krate;
mod outlook;
mod room;
pub mod threat;

use std::{collections::BTreeMap, sync::Arc};

pub use air::AirNow;
use air::AirSensor;
pub use cohort::{Cohort, CohortDay, HourNow};
use exposure::PACE_DAYS;
pub use exposure::{AirMean, Day, Exposure, Pace};
pub use follower::Follower;
pub use forecast::{Expected, Forecast, Outcome, TRUE_WITHIN_MS, Tally, Target};
pub use krate::{Known, Krate, Learnt, Weighing, learnt};
use krate::{Past, Toll};
pub use outlook::{Loss, planting_day};
pub use room::RoomModel;

use super::{
    crates::CrateFacts,
    reading::{HOUR_MS, MINUTE_MS, Reading, SensorId, Stamp},
    rule::Quantity,
    settings::{Role, RoomSettings, SensorSettings, Settings, Stage},
};
use crate::climate::{
    Air, Celsius, Packing, RelativeHumidity,
    drying::{self, Coefficient},
};

/// Width of a mean in milliseconds.
pub const SLOT_MS: i64 = 10 * MINUTE_MS;
/// The longest time between two means that is bridged, in milliseconds.
pub const LONGEST_GAP_MS: i64 = (drying::LONGEST_GAP_H * HOUR_MS as f64) as i64;
/// The latest word of a neighbour still belongs to the same air, in milliseconds.
const TOGETHER_MS: i64 = 3 * SLOT_MS;
/// The weather of an hour ago is still the weather.
const WEATHER_MS: i64 = HOUR_MS;

/// Everything that is computed, for every room. Cheap to clone: what does not change is shared.
#[derive(Debug, Clone, Default)]
pub struct Models {
    rooms: Vec<Arc<RoomModel>>,
    /// The air sensors by their keys, which are small and dense.
    air: Vec<Option<Arc<AirSensor>>>,
    crates: Arc<BTreeMap<String, Krate>>,
    packings: Arc<BTreeMap<Packing, (Coefficient, Known)>>,
    outdoor: Option<AirNow>,
    /// The last word of each probe in a crate, by the crate's code.
    probes: Arc<BTreeMap<String, (Stamp, f64)>>,
    planting: (u32, u32),
    /// Where crates stood that stand nowhere now, by code; all of them while things are laid out anew.
    pasts: Arc<BTreeMap<String, Past>>,
    /// How many courses there were.
    courses: u32,
}

/// What is to be held against a room's rules.
#[derive(Debug)]
pub(super) struct RoomLook {
    pub(super) room: usize,
    pub(super) at: Stamp,
    pub(super) fresh: bool,
    pub(super) values: Vec<(Quantity, f64)>,
}

/// A crate and what its air has done to it by now.
#[derive(Debug, Clone, Copy)]
pub struct CrateNow<'a> {
    /// The crate; none stands for what a room holds that nobody has listed.
    pub krate: &'a Krate,
    /// The room it stands in.
    pub room: &'a RoomModel,
    /// The air around it.
    pub air: &'a Exposure,
    /// Those that follow the air as it does.
    pub cohort: &'a Cohort,
    /// Deficit dose, kPa day.
    pub dose: f64,
    /// Hours that no reading covers.
    pub gap_h: f64,
    /// Hours sweating.
    pub wet_h: f64,
    /// Hours sweating in the last seven whole days and today.
    pub wet_week_h: f64,
    /// Hours so near to sweating that nobody can tell.
    pub unsure_h: f64,
    /// Water lost, now and by planting; none before a day of readings.
    pub loss: Option<Loss>,
    /// Mould index of its packing, 0 to 6.
    pub mould: f64,
    /// Days until the index reaches 1 as the last seven days or the last two went on, whichever is worse;
    /// none: not that way.
    pub mould_days: Option<f64>,
}

impl Models {
    /// Lays out rooms and sensors anew; what is still the same keeps its memory.
    pub(super) fn adopt(&mut self, at: Stamp, settings: &Settings) {
        self.note_tolls();
        self.empty_crates(at, settings);
        let before = std::mem::take(&mut self.rooms);
        self.planting = settings.planting;
        let mut anew: Vec<&str> = Vec::new();
        for room in &settings.rooms {
            let old = before.iter().find(|r| r.name == room.name);
            let in_use = room.stage != Stage::Empty;
            if in_use && old.is_some_and(|o| o.is_long_empty(at)) {
                anew.push(&room.name);
            }
            self.rooms
                .push(Arc::new(RoomModel::adopt(at, old, room, settings)));
        }
        let mut before = std::mem::take(&mut self.air);
        for sensor in settings.sensors.iter().filter(|s| s.role == Role::Air) {
            let room = settings.rooms.iter().find(|r| r.name == sensor.room);
            let idle = room.is_none_or(|r| r.stage == Stage::Empty);
            let limits = room.map(RoomSettings::in_force);
            let place = sensor.id.0 as usize;
            let mut air = before
                .get_mut(place)
                .and_then(Option::take)
                .unwrap_or_default();
            let sensor_air = Arc::make_mut(&mut air);
            sensor_air.adopt(limits.as_ref(), idle);
            if anew.contains(&sensor.room.as_str()) {
                sensor_air.begin_anew(at);
            }
            if self.air.len() <= place {
                self.air.resize(place + 1, None);
            }
            self.air[place] = Some(air);
        }
        self.settle_crates(settings);
    }

    /// Crates that are new or changed, and codes of those that are gone.
    pub(super) fn set_crates(
        &mut self,
        at: Stamp,
        changed: &[CrateFacts],
        gone: &[String],
        settings: &Settings,
    ) {
        self.note_tolls();
        let crates = Arc::make_mut(&mut self.crates);
        let pasts = Arc::make_mut(&mut self.pasts);
        for code in gone {
            let key = code.to_ascii_uppercase();
            crates.remove(&key);
            pasts.remove(&key);
        }
        for facts in changed {
            let key = facts.code.to_ascii_uppercase();
            let new = Krate::new(facts.clone(), at);
            match crates.get_mut(&key) {
                // The same filling in another place or packing, or of which more is told: a day that was
                // not known is no other day.
                Some(krate)
                    if krate.facts.since == facts.since
                        || krate.facts.since.is_none()
                        || facts.since.is_none() =>
                {
                    if krate.facts.packing != facts.packing {
                        // What was weighed in one packing says nothing of another.
                        krate.weighings.clear();
                    }
                    krate.left &= krate.facts.room.eq_ignore_ascii_case(&facts.room);
                    krate.facts = facts.clone();
                }
                _ => {
                    pasts.remove(&key);
                    crates.insert(key, new);
                }
            }
        }
        self.settle_crates(settings);
    }

    /// One crate was weighed.
    pub(super) fn weigh(&mut self, code: &str, at: Stamp, grams: u32, anew: bool) {
        let key = code.to_ascii_uppercase();
        let dose = self.crates.get(&key).and_then(|krate| {
            let (room, exposure, _) = krate.berth?;
            Some(self.rooms[room].exposures[exposure].dose_at(at) - krate.from.dose)
        });
        let crates = Arc::make_mut(&mut self.crates);
        if let (Some(krate), Some(dose)) = (crates.get_mut(&key), dose) {
            if anew {
                krate.weighings.retain(|w| at < w.at);
            }
            krate.weigh(Weighing { at, grams, dose });
            self.learn();
        }
    }

    /// A weighing of one crate was none.
    pub(super) fn unweigh(&mut self, code: &str, at: Stamp) {
        let key = code.to_ascii_uppercase();
        if let Some(krate) = Arc::make_mut(&mut self.crates).get_mut(&key) {
            krate.weighings.retain(|w| w.at != at);
            self.learn();
        }
    }

    /// What has to be told so that the crates are as listed; none when they are.
    pub fn differing(&self, listed: Vec<CrateFacts>) -> Option<(Vec<CrateFacts>, Vec<String>)> {
        let gone: Vec<String> = self
            .crates
            .values()
            .map(|k| k.facts.code.clone())
            .filter(|code| !listed.iter().any(|l| l.code.eq_ignore_ascii_case(code)))
            .collect();
        let changed: Vec<CrateFacts> = listed
            .into_iter()
            .filter(|l| self.krate(&l.code).is_none_or(|k| k.facts != *l))
            .collect();
        (!changed.is_empty() || !gone.is_empty()).then_some((changed, gone))
    }

    /// How far the coldest side of a crate surely lies below its probe, in kelvin.
    pub(super) fn lean_k(&self, room: usize, code: &str) -> f64 {
        let exposures = self.rooms.get(room).map_or(&[][..], |r| &r.exposures);
        let cohorts = exposures.iter().flat_map(|e| &e.cohorts);
        let probed = |c: &&Cohort| c.probed().is_some_and(|p| p.eq_ignore_ascii_case(code));
        let own = cohorts.into_iter().find(probed);
        own.and_then(|c| c.lean_k).unwrap_or(0.0)
    }

    // ---- for pages ----

    /// Every room in the order of the settings.
    pub fn rooms(&self) -> impl Iterator<Item = &RoomModel> {
        self.rooms.iter().map(AsRef::as_ref)
    }

    /// The room of that name.
    pub fn room(&self, name: &str) -> Option<&RoomModel> {
        self.rooms()
            .find(|r| r.name.eq_ignore_ascii_case(name.trim()))
    }

    /// Every listed crate, by its code.
    pub fn crates(&self) -> impl Iterator<Item = &Krate> {
        self.crates.values()
    }

    /// The crate with that code.
    pub fn krate(&self, code: &str) -> Option<&Krate> {
        self.crates.get(&code.to_ascii_uppercase())
    }

    /// What was learnt of a packing from crates that were weighed.
    pub fn learnt(&self, packing: Packing) -> Option<(Coefficient, Known)> {
        self.packings.get(&packing).copied()
    }

    /// The weather as it was last heard.
    pub fn outdoor(&self) -> Option<AirNow> {
        self.outdoor
    }

    /// Month and day of planting.
    pub fn planting(&self) -> (u32, u32) {
        self.planting
    }

    /// A crate as it stands at `now`; none in a room that is not watched.
    pub fn stand<'a>(&'a self, krate: &'a Krate, now: Stamp) -> Option<CrateNow<'a>> {
        let (room, exposure, cohort) = krate.berth?;
        let room = self.rooms.get(room)?;
        let air = room.exposures.get(exposure)?;
        let cohort = air.cohorts.get(cohort)?;
        Some(self.stand_in(krate, room, air, cohort, now))
    }

    fn stand_in<'a>(
        &'a self,
        krate: &'a Krate,
        room: &'a RoomModel,
        air: &'a Exposure,
        cohort: &'a Cohort,
        now: Stamp,
    ) -> CrateNow<'a> {
        let taken = Toll::of(air, cohort).minus(krate.from);
        let surface = krate.facts.packing.surface() as usize;
        let pace = air.pace();
        let mould = cohort.mould[surface].index;
        // A leak shows within a day or two, which a week would water down.
        let mould_days = [PACE_DAYS, 1]
            .map(|days| (days, air.covered_days(days)))
            .into_iter()
            .filter(|(_, covered)| 1.0 <= *covered)
            .map(|(days, covered)| cohort.mould_pace(surface, days, covered))
            .reduce(f64::max)
            .filter(|growth| 0.0 < *growth)
            .map(|growth| ((1.0 - mould) / growth).max(0.0));
        CrateNow {
            krate,
            room,
            air,
            cohort,
            dose: taken.dose,
            gap_h: taken.gap_h,
            wet_h: taken.wet_h,
            wet_week_h: cohort.wet_since(PACE_DAYS).min(taken.wet_h),
            unsure_h: taken.unsure_h,
            loss: pace.map(|pace| {
                // What it took before anybody measured is not known, and not compared.
                let since = air.since.map_or(krate.since, |s| s.max(krate.since));
                outlook::loss(krate, since, taken, pace, now, self.planting)
            }),
            mould,
            mould_days,
        }
    }

    /// What is forecast for a room at `now`, the soonest of each target: towards what, where that lies,
    /// and when it will be reached.
    pub fn ahead(&self, room: &RoomModel, now: Stamp) -> Vec<(Target, f64, Expected)> {
        let sensors = room.sensors.iter().filter_map(|id| self.air_of(*id));
        let mut all: Vec<(Target, f64, Expected)> = sensors
            .flat_map(AirSensor::all_ahead)
            .filter(|(_, _, at, _)| now.since(*at) <= HOUR_MS)
            .map(|(target, limit, _, arrives)| (target, limit, arrives))
            .collect();
        all.sort_by(|a, b| a.0.cmp(&b.0).then(a.2.hours.total_cmp(&b.2.hours)));
        all.dedup_by_key(|a| a.0);
        all
    }

    /// Every crate of a room as it stands; where none is listed, one that stands for all.
    pub fn stand_all<'a>(&'a self, room: &'a RoomModel, now: Stamp) -> Vec<CrateNow<'a>> {
        let own = |k: &&Krate| {
            k.berth
                .and_then(|(r, ..)| self.rooms.get(r))
                .is_some_and(|r| r.name == room.name)
        };
        let listed: Vec<CrateNow<'a>> = self
            .crates
            .values()
            .filter(own)
            .filter_map(|k| self.stand(k, now))
            .collect();
        let whole = room.exposures.last();
        match whole.and_then(|air| Some((air, air.cohorts.first()?))) {
            Some((air, cohort)) if listed.is_empty() => {
                vec![self.stand_in(&room.unlisted, room, air, cohort, now)]
            }
            _ => listed,
        }
    }

    fn air_of(&self, id: SensorId) -> Option<&AirSensor> {
        self.air.get(id.0 as usize)?.as_deref()
    }

    // ---- readings ----

    /// Takes in a reading of a sensor that is in service; gives what is to be held against the rules
    /// of its room when a mean was completed.
    #[inline]
    pub(super) fn hear(
        &mut self,
        sensor: &SensorSettings,
        room: usize,
        reading: &Reading,
    ) -> Option<RoomLook> {
        match sensor.role {
            Role::Air => {
                let air = self.air.get_mut(sensor.id.0 as usize)?.as_mut()?;
                let mean = Arc::make_mut(air).hear(reading.measured_at, reading.values)?;
                self.completed(sensor, room, mean, reading)
            }
            Role::Crate => {
                self.probe(sensor, room, reading);
                None
            }
            Role::Outdoor => {
                let newer = self.outdoor.is_none_or(|o| o.at < reading.measured_at);
                if newer {
                    let thousandth = |v: i32| f64::from(v) / 1000.0;
                    self.outdoor = Some(AirNow {
                        at: reading.measured_at,
                        temperature_c: reading.values.temperature_mc.map(thousandth),
                        humidity_pct: reading.values.humidity_mpct.map(thousandth),
                    });
                }
                None
            }
            Role::Surface | Role::Soil => None,
        }
    }

    fn probe(&mut self, sensor: &SensorSettings, room: usize, reading: &Reading) {
        let (Some(code), Some(t)) = (&sensor.crate_code, reading.values.temperature_mc) else {
            return;
        };
        let t = f64::from(t) / 1000.0;
        let word = Arc::make_mut(&mut self.probes)
            .entry(code.to_ascii_uppercase())
            .or_insert((reading.measured_at, t));
        if word.0 < reading.measured_at {
            *word = (reading.measured_at, t);
        }
        let room = Arc::make_mut(&mut self.rooms[room]);
        let cohorts = room.exposures.iter_mut().flat_map(|e| &mut e.cohorts);
        for cohort in cohorts {
            if cohort
                .probed()
                .is_some_and(|c| c.eq_ignore_ascii_case(code))
            {
                cohort.probe(reading.measured_at, t);
            }
        }
    }

    fn completed(
        &mut self,
        sensor: &SensorSettings,
        room: usize,
        mean: AirNow,
        reading: &Reading,
    ) -> Option<RoomLook> {
        let index = room;
        let room = Arc::make_mut(self.rooms.get_mut(index)?);
        if room.stage == Stage::Empty {
            return None;
        }
        if let Some(Some(air)) = self.air.get_mut(sensor.id.0 as usize) {
            Arc::make_mut(air).look(|mut forecast| {
                forecast.sensor = sensor.id;
                room.note(forecast);
            });
        }
        let (mut hourly, mut first) = (false, false);
        for exposure in &mut room.exposures {
            if !exposure.sensors.contains(&sensor.id) {
                continue;
            }
            let others = exposure.sensors.iter().filter_map(|id| {
                let now = self.air.get(id.0 as usize)?.as_ref()?.now()?;
                (mean.at.since(now.at).abs() <= TOGETHER_MS).then_some(now)
            });
            let (mut t, mut rh) = ((0.0, 0.0), (0.0, 0.0));
            for air in others {
                let add = |sum: &mut (f64, f64), value: Option<f64>| {
                    if let Some(value) = value {
                        *sum = (sum.0 + value, sum.1 + 1.0);
                    }
                };
                add(&mut t, air.temperature_c);
                add(&mut rh, air.humidity_pct);
            }
            let of = |(sum, n): (f64, f64)| (0.0 < n).then(|| sum / n);
            if let Some(t) = of(t) {
                first |= exposure.near.is_none() && exposure.since.is_none();
                hourly |= exposure.step(mean.at, t, of(rh));
            }
        }
        if first {
            room.unlisted.since = mean.at;
        }
        let fresh = reading.received_at.since(mean.at) <= sensor.hold_ms().max(TOGETHER_MS);
        Some(self.look(index, mean.at, fresh, hourly))
    }

    /// What the rules of a room are held against.
    fn look(&self, index: usize, at: Stamp, fresh: bool, hourly: bool) -> RoomLook {
        let room = &self.rooms[index];
        let mut values = Vec::with_capacity(9);
        let cohorts = || room.exposures.iter().flat_map(|e| &e.cohorts);
        let margin = room
            .exposures
            .iter()
            .filter_map(|e| e.sweating_margin(at))
            .reduce(f64::min);
        values.extend(margin.map(|m| (Quantity::CoreMargin, m)));
        let coldest = cohorts().filter_map(|c| c.core_c).reduce(f64::min);
        if let Some(coldest) = coldest {
            // Of air that nobody measures any more nothing is said.
            let dew = self.outdoor_dew_point(at).unwrap_or(f64::NEG_INFINITY);
            values.push((Quantity::Thaw, dew - coldest));
        }
        let ahead = room.sensors.iter().filter_map(|id| {
            let air = self.air_of(*id)?;
            // One that has fallen silent foresees nothing any more.
            let said = air.ahead(Target::Frost);
            let said = said.filter(|(when, _)| at.since(*when).abs() <= HOUR_MS);
            let hours = said.map_or(f64::INFINITY, |(_, hours)| hours);
            let t = air.now()?.temperature_c?;
            Some((hours, t < room.band.low_c))
        });
        let (mut soon, mut soon_below) = (f64::INFINITY, f64::INFINITY);
        for (hours, below) in ahead {
            soon = soon.min(hours);
            soon_below = soon_below.min(if below { hours } else { f64::INFINITY });
        }
        values.push((Quantity::FrostAhead, soon));
        values.push((Quantity::FrostAheadBelow, soon_below));
        if hourly {
            self.look_hourly(room, at, &mut values);
        }
        RoomLook {
            room: index,
            at,
            fresh,
            values,
        }
    }

    fn look_hourly(&self, room: &RoomModel, at: Stamp, values: &mut Vec<(Quantity, f64)>) {
        let (mut excess, mut total) = (f64::NEG_INFINITY, f64::NEG_INFINITY);
        let (mut index, mut days) = (0.0, f64::INFINITY);
        let (mut heat, mut known): (f64, bool) = (0.0, false);
        for crate_now in self.stand_all(room, at) {
            if let Some(loss) = crate_now.loss {
                known = true;
                if loss.weighed {
                    total = total.max(loss.planting.shrink * 100.0);
                } else {
                    excess = excess.max((loss.planting.shrink - loss.at_target) * 100.0);
                }
            }
            index = f64::max(index, crate_now.mould);
            days = f64::min(days, crate_now.mould_days.unwrap_or(f64::INFINITY));
            heat = heat.max(crate_now.cohort.heat);
        }
        // Once every crate is weighed none is beyond what was assumed, and the other way about.
        if known {
            values.push((Quantity::Excess, excess));
            values.push((Quantity::Total, total));
        }
        values.push((Quantity::MouldIndex, index));
        values.push((Quantity::MouldDays, days));
        values.push((Quantity::Warmth, heat));
    }

    fn outdoor_dew_point(&self, at: Stamp) -> Option<f64> {
        let weather = self.outdoor?;
        if WEATHER_MS < at.since(weather.at).abs() {
            return None;
        }
        let air = Air::new(
            Celsius::new(weather.temperature_c?).ok()?,
            RelativeHumidity::new(weather.humidity_pct?).ok()?,
        );
        Some(air.dew_point().degrees())
    }
}
