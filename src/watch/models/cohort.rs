//! Crates of one body of air that follow it at the same pace.

use std::{collections::VecDeque, sync::Arc};

use super::super::reading::{HOUR_MS, Stamp};
use crate::climate::{
    Air, Celsius, RelativeHumidity,
    air::saturation_over_water,
    mould::{Mould, Surface},
    tuber::{self, LagFit, ProbeSample, SensorError, Wetness},
    warmth,
};

/// Hours of the picture of the last two days.
const HOURS: usize = 48;
/// Days of a winter that are kept, with some to spare.
pub(super) const DAYS: usize = 400;
/// Hours of probe and air from which the lag is fitted: two weeks.
const PAIRS: usize = 14 * 24;
/// A probe that was heard so lately is the core itself.
const PROBE_SPEAKS_MS: i64 = HOUR_MS;
/// Pairs from which it is told that a crate stays colder than its air: a day, so that the day's swing is
/// out of it, and the longest time they may span.
const LEAN_PAIRS: usize = 24;
const LEAN_SPAN_H: f64 = 30.0;

/// What makes crates follow the air alike.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Key {
    /// Time constant in tenths of an hour.
    lag: i32,
    /// The crate, where a probe makes it one of its own.
    probe: Option<String>,
    /// Tells apart what they went through elsewhere; 0 where they have followed this air alone.
    course: u32,
}

impl Key {
    pub(super) fn new(lag_h: f64, probe: Option<&String>) -> Self {
        Self {
            // Half hours: a finer grain than the figure is known to would only make more of them.
            lag: (lag_h * 2.0).round() as i32 * 5,
            probe: probe.cloned(),
            course: 0,
        }
    }

    /// The same for crates with a past of their own.
    pub(super) fn on(self, course: u32) -> Self {
        Self { course, ..self }
    }

    pub(super) fn course(&self) -> u32 {
        self.course
    }

    /// They follow the air alike, whatever they went through.
    pub(super) fn follows_as(&self, other: &Self) -> bool {
        self.lag == other.lag && self.probe == other.probe
    }

    /// How far their paces lie apart; none where either has a past or a probe of its own.
    pub(super) fn apart(&self, other: &Self) -> Option<i32> {
        let plain = |key: &Self| key.course == 0 && key.probe.is_none();
        (plain(self) && other.course == 0).then(|| (self.lag - other.lag).abs())
    }
}

/// One hour of the last two days.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HourNow {
    /// Its start.
    pub at: Stamp,
    /// Last core temperature in it, C.
    pub core_c: f64,
    /// Smallest distance from sweating in it, kelvin.
    pub margin_k: Option<f64>,
}

/// One day of the winter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CohortDay {
    /// Its number, counted from 1970 in UTC.
    pub day: i64,
    /// Lowest and highest core temperature, C.
    pub core_c: (f64, f64),
    /// Smallest distance from sweating, kelvin.
    pub margin_k: Option<f64>,
    /// Hours sweating since the beginning.
    pub wet_h: f64,
    /// Mould index by surface at its end.
    pub mould: [f64; 4],
    /// Warmth since 1 January at its end, C day.
    pub heat: f64,
}

/// Their state.
#[derive(Debug, Clone)]
pub struct Cohort {
    pub(super) key: Key,
    /// Temperature among the tubers, C: a probe's word while it speaks, else computed.
    pub core_c: Option<f64>,
    /// Distance of the skins from the dew point of the air, kelvin, and when.
    pub margin_k: Option<(Stamp, f64)>,
    /// What sensors and model leave open of it, kelvin.
    pub error_k: f64,
    /// Hours at or below the dew point.
    pub wet_h: f64,
    /// Hours so near to it that nobody can tell.
    pub unsure_h: f64,
    /// Warmth since 1 January, C day above the base.
    pub heat: f64,
    /// Mould index by surface, in the order of [`Surface::ALL`], at its own skins.
    pub mould: [Mould; 4],
    /// The last two days by the hour.
    pub hours: Arc<VecDeque<HourNow>>,
    /// The winter by the day.
    pub days: Arc<Vec<CohortDay>>,
    /// The time constant as fitted to a probe.
    pub fit: Option<LagFit>,
    /// How far the side that loses heat surely lies below the probe, kelvin: what goes beyond the errors of
    /// the two sensors.
    pub lean_k: Option<f64>,
    probe: Option<(Stamp, f64)>,
    pairs: Arc<VecDeque<(Stamp, f64, f64)>>,
    today: Option<CohortDay>,
    skin: Skin,
}

/// Sums over one hour, weighted by time.
#[derive(Debug, Clone, Copy, Default)]
struct Skin {
    hours: f64,
    temperature: f64,
    humidity: f64,
}

/// One step of the air around them.
#[derive(Debug, Clone, Copy)]
pub(super) struct AirStep {
    pub(super) at: Stamp,
    pub(super) hours: f64,
    pub(super) from_c: f64,
    pub(super) to_c: f64,
    /// What its humidity comes to, once for all who stand in it.
    pub(super) moist: Option<Moist>,
    /// The time between was covered by readings.
    pub(super) covered: bool,
    /// Warmth counts.
    pub(super) waking: bool,
}

/// Dew point (C), vapour pressure (Pa), and how far a margin above the dew point may be off (K).
#[derive(Debug, Clone, Copy)]
pub(super) struct Moist {
    pub(super) dew_c: f64,
    pub(super) vapour_pa: f64,
    pub(super) error_k: f64,
}

impl Moist {
    pub(super) fn of(t_c: f64, rh_pct: f64, error: SensorError) -> Option<Self> {
        let air = Air::new(Celsius::new(t_c).ok()?, RelativeHumidity::new(rh_pct).ok()?);
        Some(Self {
            dew_c: air.dew_point().degrees(),
            vapour_pa: air.vapour_pressure().pascal(),
            error_k: tuber::margin_error_k(air, error),
        })
    }
}

impl Cohort {
    pub(super) fn new(key: Key) -> Self {
        Self {
            key,
            core_c: None,
            margin_k: None,
            error_k: 0.0,
            wet_h: 0.0,
            unsure_h: 0.0,
            heat: 0.0,
            mould: [Mould::default(); 4],
            skin: Skin::default(),
            hours: Arc::default(),
            days: Arc::default(),
            fit: None,
            lean_k: None,
            probe: None,
            pairs: Arc::default(),
            today: None,
        }
    }

    /// The same crates from here on in another place, at another pace or with another probe.
    pub(super) fn moved(&self, key: Key) -> Self {
        let mut moved = self.clone();
        if moved.key.probe != key.probe {
            (moved.probe, moved.fit, moved.lean_k) = (None, None, None);
            moved.pairs = Arc::default();
        }
        moved.key = key;
        moved
    }

    /// Nothing worth keeping apart lies between them: a kelvin that crates are known to, what mould
    /// and warmth are shown to.
    pub(super) fn is_like(&self, other: &Self) -> bool {
        let near = |a: f64, b: f64, within: f64| (a - b).abs() < within;
        let core = self.core_c.zip(other.core_c);
        let mould = || self.mould.iter().zip(&other.mould);
        core.is_some_and(|(a, b)| near(a, b, 0.5))
            && near(self.heat, other.heat, 1.0)
            && mould().all(|(a, b)| near(a.index, b.index, 0.01))
    }

    /// Time constant in hours: fitted where a probe allows it.
    pub fn lag_h(&self) -> f64 {
        self.fit
            .map_or(f64::from(self.key.lag) / 10.0, |fit| fit.tau_h)
    }

    /// The crate whose probe it follows.
    pub fn probed(&self) -> Option<&str> {
        self.key.probe.as_deref()
    }

    /// Wet, dry, or nobody can tell.
    pub fn wetness(&self) -> Option<Wetness> {
        let (_, margin) = self.margin_k?;
        Some(tuber::wetness(margin, self.error_k))
    }

    /// Its coldest skins, C: the side that loses heat, where a probe tells of one.
    pub fn skin_c(&self) -> Option<f64> {
        Some(self.core_c? - self.lean_k.unwrap_or(0.0))
    }

    /// What the probe says.
    pub(super) fn probe(&mut self, at: Stamp, t: f64) {
        if self.probe.is_none_or(|(last, _)| last < at) {
            self.probe = Some((at, t));
        }
    }

    pub(super) fn step(&mut self, air: &AirStep, error: SensorError) {
        let lag = self.lag_h();
        let modelled = match self.core_c {
            None => air.to_c,
            Some(core) => tuber::core_step(core, air.from_c, air.to_c, air.hours, lag),
        };
        let speaks = self
            .probe
            .filter(|(at, _)| air.at.since(*at).abs() <= PROBE_SPEAKS_MS);
        if speaks.is_none() {
            // What it told of its side is as old as its last word.
            self.lean_k = None;
        }
        let core = speaks.map_or(modelled, |(_, t)| t);
        self.core_c = Some(core);
        if air.covered && air.waking {
            self.heat += warmth::degree_days(core, air.hours);
        }
        let margin = air.moist.and_then(|moist| {
            self.error_k = moist.error_k;
            Some(self.skin_c()? - moist.dew_c)
        });
        if let Some(margin) = margin {
            self.margin_k = Some((air.at, margin));
            if air.covered {
                match margin {
                    m if m <= 0.0 => self.wet_h += air.hours,
                    m if m < self.error_k => self.unsure_h += air.hours,
                    _ => {}
                }
            }
        }
        if air.covered {
            self.note_skin(air);
        }
        self.note_hour(air.at, core, margin);
        self.note_day(air.at, core, margin);
        if let Some((_, t)) = speaks {
            self.note_pair(air, t, error);
        }
    }

    /// The index asks for the humidity at the surface: that of the air's vapour at the skin's temperature.
    fn note_skin(&mut self, air: &AirStep) {
        let skin = || {
            let skin = Celsius::new(self.skin_c()?).ok()?;
            let share = air.moist?.vapour_pa / saturation_over_water(skin).pascal();
            Some((skin.degrees(), (100.0 * share).min(100.0)))
        };
        if let Some((t, rh)) = skin() {
            self.skin.hours += air.hours;
            self.skin.temperature += air.hours * t;
            self.skin.humidity += air.hours * rh;
        }
    }

    /// Growth of the index on a surface in a day, below 0 where it recedes: over the last so many whole
    /// days and today, of which `covered` days were covered by readings.
    pub(super) fn mould_pace(&self, surface: usize, days: usize, covered: f64) -> f64 {
        let before = self.days.len().checked_sub(days + 1);
        let start = before.map_or(0.0, |i| self.days[i].mould[surface]);
        let own = covered.min(self.days.len() as f64 + 1.0);
        (self.mould[surface].index - start) / own.max(1.0)
    }

    /// Hours sweating in the last so many whole days and today.
    pub(super) fn wet_since(&self, days: usize) -> f64 {
        let before = self.days.len().checked_sub(days + 1);
        self.wet_h - before.map_or(0.0, |i| self.days[i].wet_h)
    }

    /// An hour is over. The index is fed with its means: a flickering sensor would start its dry clock
    /// again and again.
    pub(super) fn grow(&mut self) {
        let Skin {
            hours,
            temperature,
            humidity,
        } = std::mem::take(&mut self.skin);
        if hours <= 0.0 {
            return;
        }
        let (t, rh) = (temperature / hours, humidity / hours);
        for (mould, surface) in self.mould.iter_mut().zip(Surface::ALL) {
            *mould = mould.step(surface, surface.decline(), t, rh, hours);
        }
    }

    fn note_hour(&mut self, at: Stamp, core_c: f64, margin_k: Option<f64>) {
        let start = Stamp(at.0.div_euclid(HOUR_MS) * HOUR_MS);
        // One allocation an hour at most: pages hold on to the old one.
        let hours = Arc::make_mut(&mut self.hours);
        match hours.back_mut() {
            Some(hour) if hour.at == start => {
                hour.core_c = core_c;
                hour.margin_k = least(hour.margin_k, margin_k);
            }
            _ => {
                hours.push_back(HourNow {
                    at: start,
                    core_c,
                    margin_k,
                });
                if HOURS < hours.len() {
                    hours.pop_front();
                }
            }
        }
    }

    fn note_day(&mut self, at: Stamp, core: f64, margin: Option<f64>) {
        let day = at.0.div_euclid(24 * HOUR_MS);
        match &mut self.today {
            Some(today) if today.day == day => {
                today.core_c = (today.core_c.0.min(core), today.core_c.1.max(core));
                today.margin_k = least(today.margin_k, margin);
                today.wet_h = self.wet_h;
                today.mould = self.mould.map(|m| m.index);
                today.heat = self.heat;
            }
            _ => {
                let today = CohortDay {
                    day,
                    core_c: (core, core),
                    margin_k: margin,
                    wet_h: self.wet_h,
                    mould: self.mould.map(|m| m.index),
                    heat: self.heat,
                };
                if let Some(over) = self.today.replace(today) {
                    let days = Arc::make_mut(&mut self.days);
                    if DAYS <= days.len() {
                        days.remove(0);
                    }
                    days.push(over);
                    self.fit_lag();
                }
            }
        }
    }

    /// Air and probe side by side, once an hour.
    fn note_pair(&mut self, air: &AirStep, probe: f64, error: SensorError) {
        let due = self
            .pairs
            .back()
            .is_none_or(|(last, ..)| HOUR_MS <= air.at.since(*last));
        if !due {
            return;
        }
        let pairs = Arc::make_mut(&mut self.pairs);
        pairs.push_back((air.at, air.to_c, probe));
        if PAIRS < pairs.len() {
            pairs.pop_front();
        }
        // Two sensors' errors would be taken twice, here and in the probe's own margin.
        let open = 2.0 * error.temperature_k;
        self.lean_k = self.lean().map(|l| l - open).filter(|l| 0.0 < *l);
    }

    /// A crate that stays below its air loses heat to something colder, a wall or a floor, and the side
    /// that it loses it by is colder than the probe.
    ///
    /// How much colder depends on where the probe lies. A crate warmed from its open faces and cooled at one
    /// is as a fin: what it lacks of the air's temperature halves in about 8 cm of packed tubers (conductivity
    /// 0.19 W/(m K), 2 W/(m2 K) from the air through 5 cm of them, 0.12 m2 across; both assumed). So the side is
    /// taken to lie as far below the probe as the probe below the air; for one in the very middle, with heat
    /// coming from the far face alone, it would be 0.8 of it.
    ///
    /// What a crate lacks because it is still warming is no loss: by `dT/dt = (Tair - T) / lag` it is
    /// lag times its own rise.
    fn lean(&self) -> Option<f64> {
        let newest = || self.pairs.iter().rev().take(LEAN_PAIRS);
        let (&(to, _, last), &(from, _, first)) = (newest().next()?, newest().nth(LEAN_PAIRS - 1)?);
        let hours = to.since(from) as f64 / HOUR_MS as f64;
        if LEAN_SPAN_H < hours {
            return None;
        }
        let below = newest().map(|(_, air, probe)| air - probe).sum::<f64>() / LEAN_PAIRS as f64;
        Some(below - self.lag_h() * (last - first) / hours)
    }

    /// Once a day: what the probe says about how slowly the crate follows.
    fn fit_lag(&mut self) {
        let Some(&(first, ..)) = self.pairs.front() else {
            return;
        };
        let samples: Vec<ProbeSample> = self
            .pairs
            .iter()
            .map(|&(at, room_c, probe_c)| ProbeSample {
                hour: at.since(first) as f64 / HOUR_MS as f64,
                room_c,
                probe_c,
            })
            .collect();
        // A fit that leaves the figure open by more than a factor of two is worth less than the packing.
        let told = tuber::fit_lag(&samples).filter(|fit| fit.high95_h <= 2.0 * fit.low95_h);
        self.fit = told.or(self.fit);
    }

    /// The year has changed.
    pub(super) fn new_year(&mut self) {
        self.heat = 0.0;
    }
}

fn least(a: Option<f64>, b: Option<f64>) -> Option<f64> {
    a.into_iter().chain(b).reduce(f64::min)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two days by the ten minutes, the probe as told by the hour.
    fn after_two_days(air_c: f64, probe_c: impl Fn(f64) -> f64) -> Cohort {
        let code = "W-01".to_owned();
        let mut cohort = Cohort::new(Key::new(10.0, Some(&code)));
        for n in 0..=288 {
            let at = Stamp(n * HOUR_MS / 6);
            cohort.probe(at, probe_c(n as f64 / 6.0));
            let error = SensorError::default();
            let step = AirStep {
                at,
                hours: if n == 0 { 0.0 } else { 1.0 / 6.0 },
                from_c: air_c,
                to_c: air_c,
                moist: Moist::of(air_c, 80.0, error),
                covered: true,
                waking: true,
            };
            cohort.step(&step, error);
        }
        cohort
    }

    #[test]
    fn a_crate_that_stays_colder_than_its_air_has_a_colder_side() {
        let cohort = after_two_days(10.0, |_| 8.5);
        // 1.5 K below the air, of which two sensors may err by 0.6.
        assert!((cohort.lean_k.unwrap() - 0.9).abs() < 1e-9);
        // Dew point 6.71 C: 1.79 K at the probe, 0.89 at the side.
        let (_, margin) = cohort.margin_k.unwrap();
        assert!((margin - 0.89).abs() < 0.01, "{margin}");
        assert_eq!(after_two_days(10.0, |_| 9.5).lean_k, None);
    }

    #[test]
    fn a_crate_that_is_still_warming_has_none() {
        // It lacked 25 K, and 0.9 on average over the second day.
        let cohort = after_two_days(15.0, |hour| 15.0 - 25.0 * (-hour / 10.0).exp());
        assert_eq!(cohort.lean_k, None);
    }
}
