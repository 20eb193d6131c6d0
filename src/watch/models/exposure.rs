//! One body of air: what it did to everything that stands in it.

use std::{collections::BTreeMap, sync::Arc};

use chrono::Datelike;

use super::{
    LONGEST_GAP_MS,
    cohort::{AirStep, Cohort, DAYS, Key, Moist},
};
use crate::{
    climate::{Air, Celsius, RelativeHumidity, drying, tuber::SensorError, warmth},
    watch::reading::{HOUR_MS, SensorId, Stamp},
};

const DAY_MS: i64 = 24 * HOUR_MS;
/// A crate that is so much colder than the air is colder indeed: the error of a temperature and of the
/// model, 0.3 K each, in quadrature, rounded up.
const COLDER_K: f64 = 0.5;

/// The end of one day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Day {
    /// Its number, counted from 1970 in UTC.
    pub day: i64,
    /// Deficit dose since the beginning, kPa day.
    pub dose: f64,
    /// Hours covered by readings since the beginning.
    pub covered_h: f64,
    /// Hours not covered since the beginning.
    pub gap_h: f64,
    /// Warmth since 1 January, C day.
    pub heat: f64,
}

/// The air near one sensor, or of a whole room.
#[derive(Debug, Clone)]
pub struct Exposure {
    /// How the places in it begin; none is the whole room.
    pub near: Option<String>,
    pub(super) sensors: Vec<SensorId>,
    /// The first reading.
    pub since: Option<Stamp>,
    /// Deficit dose, kPa day.
    pub dose: f64,
    /// Hours covered by readings of temperature and humidity.
    pub covered_h: f64,
    /// Hours in gaps too long to bridge, or without a humidity.
    pub gap_h: f64,
    /// Warmth since 1 January, C day above the base.
    pub heat: f64,
    /// Crates that follow it at the same pace.
    pub cohorts: Vec<Cohort>,
    /// Every day that is over.
    pub days: Arc<Vec<Day>>,
    /// How far its sensors may be off, the worst of them.
    pub(super) error: SensorError,
    pub(super) last: Option<AirMean>,
    /// Number of the hour that is filling.
    hour: i64,
    year: i32,
    today: i64,
    /// The rest of the tubers is over, so that warmth counts.
    waking: bool,
}

/// One mean of the air with what it comes to for all that stand in it: worked out once, however many
/// crates are followed through it.
#[derive(Debug, Clone, Copy)]
pub struct AirMean {
    at: Stamp,
    temperature: f64,
    humidity: Option<f64>,
    /// kPa.
    deficit: Option<f64>,
    moist: Option<Moist>,
}

impl AirMean {
    /// Air of so many C and percent, as sensors with that error say. A humidity that cannot be counts as
    /// none.
    pub fn of(
        at: Stamp,
        temperature_c: f64,
        humidity_pct: Option<f64>,
        error: SensorError,
    ) -> Self {
        let deficit = humidity_pct.and_then(|rh| {
            let air = Air::new(
                Celsius::new(temperature_c).ok()?,
                RelativeHumidity::new(rh).ok()?,
            );
            Some(drying::deficit_kpa(air))
        });
        Self {
            at,
            temperature: temperature_c,
            humidity: humidity_pct,
            deficit,
            moist: humidity_pct.and_then(|rh| Moist::of(temperature_c, rh, error)),
        }
    }

    /// When.
    pub fn at(&self) -> Stamp {
        self.at
    }
}

/// Whether warmth counts towards sprouting: from 1 January, when the rest of the tubers is over (Konishi
/// & Inaba 1967), to the end of June, when the last are planted.
fn counts(at: Stamp) -> bool {
    at.to_utc().month() <= 6
}

/// How the last days went, per day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pace {
    /// Deficit dose, kPa day.
    pub dose: f64,
    /// Standard deviation of the days' doses.
    pub dose_sd: f64,
    /// Warmth, C day.
    pub heat: f64,
}

/// Whole days over which the pace is taken, and over which its scatter.
pub(super) const PACE_DAYS: usize = 7;
const SCATTER_DAYS: usize = 14;

impl Exposure {
    pub(super) fn new(near: Option<String>, sensors: Vec<SensorId>) -> Self {
        Self {
            near,
            sensors,
            since: None,
            dose: 0.0,
            covered_h: 0.0,
            gap_h: 0.0,
            heat: 0.0,
            cohorts: Vec::new(),
            days: Arc::default(),
            error: SensorError::default(),
            last: None,
            hour: 0,
            year: 0,
            today: 0,
            waking: false,
        }
    }

    /// The last mean of temperature (C) and humidity (percent), and when.
    pub fn air(&self) -> Option<(Stamp, f64, Option<f64>)> {
        self.last.map(|l| (l.at, l.temperature, l.humidity))
    }

    /// How far the crates are from sweating where no probe says so, in kelvin: the least margin of those that
    /// are colder than the air, infinite where none is; none where nothing was heard for an hour.
    ///
    /// Crates as warm as the air sweat no sooner than it fogs: how damp it is, the damp rule tells.
    pub(super) fn sweating_margin(&self, at: Stamp) -> Option<f64> {
        let air = self.last?.temperature;
        // A probe is judged for itself, at every word, and with it the side that is colder.
        let own = self.cohorts.iter().filter(|c| c.probed().is_none());
        own.filter_map(|c| {
            let (when, margin) = c.margin_k?;
            let colder = COLDER_K <= air - c.skin_c()?;
            (at.since(when).abs() <= HOUR_MS).then_some(if colder || margin <= 0.0 {
                margin
            } else {
                f64::INFINITY
            })
        })
        .reduce(f64::min)
    }

    /// Cohorts for these keys, in their order: those that are here, those that come from elsewhere with
    /// what they went through, and new ones as whatever stood here before and followed at most alike.
    pub(super) fn keep_cohorts(
        &mut self,
        keys: Vec<Key>,
        pasts: &[(Key, Arc<Cohort>)],
        probes: &BTreeMap<String, (Stamp, f64)>,
    ) {
        let old = std::mem::take(&mut self.cohorts);
        for key in keys {
            let same = old.iter().find(|c| c.key == key).cloned();
            let cohort = same.unwrap_or_else(|| {
                let past = pasts.iter().find(|(k, _)| *k == key);
                let past = past.map(|(_, cohort)| cohort.as_ref()).or_else(|| {
                    let apart = |c: &&Cohort| c.key.apart(&key);
                    let alike = old.iter().filter(|c| apart(c).is_some());
                    alike.min_by_key(apart)
                });
                let mut new = match past {
                    Some(past) => past.moved(key),
                    None => Cohort::new(key),
                };
                if let Some((at, t)) = new.probed().and_then(|code| probes.get(code)) {
                    new.probe(*at, *t);
                }
                self.begin(&mut new);
                new
            });
            self.cohorts.push(cohort);
        }
    }

    /// What has no past begins as the air.
    pub(super) fn begin(&self, cohort: &mut Cohort) {
        if let (Some(last), None) = (self.last, cohort.core_c) {
            let step = AirStep {
                at: last.at,
                hours: 0.0,
                from_c: last.temperature,
                to_c: last.temperature,
                moist: last.moist,
                covered: false,
                waking: false,
            };
            cohort.step(&step, self.error);
        }
    }

    /// Takes in the next mean of the air; true when an hour was completed by it.
    pub(super) fn step(&mut self, at: Stamp, temperature: f64, humidity: Option<f64>) -> bool {
        let earlier = self.last.is_some_and(|last| at < last.at);
        !earlier && self.take(&AirMean::of(at, temperature, humidity, self.error))
    }

    /// The same of a mean that is worked out already.
    pub(super) fn take(&mut self, this: &AirMean) -> bool {
        let AirMean {
            at,
            temperature,
            deficit,
            moist,
            ..
        } = *this;
        let last = match self.last {
            Some(last) if at < last.at => return false,
            Some(last) => last,
            None => *this,
        };
        if self.since.is_none() {
            self.since = Some(at);
            self.today = at.0.div_euclid(DAY_MS);
            self.year = at.to_utc().year();
            self.waking = counts(at);
            self.hour = at.0.div_euclid(HOUR_MS);
        }
        self.turn(at);
        let ms = at.since(last.at);
        let hours = ms as f64 / HOUR_MS as f64;
        let covered = ms <= LONGEST_GAP_MS;
        match (last.deficit, deficit) {
            (Some(before), Some(now)) if covered => {
                self.dose += drying::dose(hours, before, now);
                self.covered_h += hours;
            }
            _ => self.gap_h += hours,
        }
        if covered && self.waking {
            let mean = f64::midpoint(last.temperature, temperature);
            self.heat += warmth::degree_days(mean, hours);
        }
        let step = AirStep {
            at,
            hours,
            from_c: last.temperature,
            to_c: temperature,
            moist,
            covered,
            waking: self.waking,
        };
        for cohort in &mut self.cohorts {
            cohort.step(&step, self.error);
        }
        self.last = Some(*this);
        let n = at.0.div_euclid(HOUR_MS);
        let completed = n != self.hour;
        if completed {
            self.cohorts.iter_mut().for_each(Cohort::grow);
            self.hour = n;
        }
        completed
    }

    /// Days and years that ended before `at`.
    fn turn(&mut self, at: Stamp) {
        let day = at.0.div_euclid(DAY_MS);
        if day == self.today {
            return;
        }
        let days = Arc::make_mut(&mut self.days);
        if DAYS <= days.len() {
            days.remove(0);
        }
        days.push(Day {
            day: self.today,
            dose: self.dose,
            covered_h: self.covered_h,
            gap_h: self.gap_h,
            heat: self.heat,
        });
        self.today = day;
        self.waking = counts(at);
        let year = at.to_utc().year();
        if year != self.year {
            self.year = year;
            self.heat = 0.0;
            self.cohorts.iter_mut().for_each(Cohort::new_year);
        }
    }

    /// Deficit dose by an instant, kPa day, between days in proportion.
    pub fn dose_at(&self, at: Stamp) -> f64 {
        self.between(at, |d| d.dose, self.dose)
    }

    /// Hours not covered by an instant.
    pub fn gap_at(&self, at: Stamp) -> f64 {
        self.between(at, |d| d.gap_h, self.gap_h)
    }

    fn between(&self, at: Stamp, of: impl Fn(&Day) -> f64, now: f64) -> f64 {
        let (Some(since), Some(last)) = (self.since, self.last) else {
            return 0.0;
        };
        if last.at <= at {
            return now;
        }
        let end = |d: &Day| Stamp((d.day + 1) * DAY_MS);
        let next = self.days.partition_point(|d| end(d) <= at);
        let before = next.checked_sub(1).and_then(|i| self.days.get(i));
        let (from, value) = before.map_or((since, 0.0), |d| (end(d), of(d)));
        let (to, then) = self
            .days
            .get(next)
            .map_or((last.at, now), |d| (end(d), of(d)));
        let share = at.since(from) as f64 / to.since(from).max(1) as f64;
        value + (then - value) * share.clamp(0.0, 1.0)
    }

    /// Days that were covered by readings, of the last so many whole days and today.
    pub(super) fn covered_days(&self, days: usize) -> f64 {
        let before = self.days.len().checked_sub(days + 1);
        let start = before.map_or(0.0, |i| self.days[i].covered_h);
        (self.covered_h - start) / 24.0
    }

    /// How the last seven days and today went; none with less than a day of readings in them.
    pub fn pace(&self) -> Option<Pace> {
        let covered = self.covered_days(PACE_DAYS);
        if covered < 1.0 {
            return None;
        }
        let before = self.days.len().checked_sub(PACE_DAYS + 1);
        let (dose, heat) = before.map_or((0.0, 0.0), |i| (self.days[i].dose, self.days[i].heat));
        Some(Pace {
            dose: (self.dose - dose) / covered,
            dose_sd: self.scatter(),
            // A new year begins at nothing.
            heat: (self.heat - heat).max(0.0) / covered,
        })
    }

    /// Standard deviation of the doses of the last fourteen days that were covered for half or more.
    fn scatter(&self) -> f64 {
        let last = self.days.len().saturating_sub(SCATTER_DAYS + 1);
        let doses: Vec<f64> = self.days[last..]
            .windows(2)
            .filter_map(|pair| {
                let covered = pair[1].covered_h - pair[0].covered_h;
                (12.0 <= covered).then(|| (pair[1].dose - pair[0].dose) * 24.0 / covered)
            })
            .collect();
        let n = doses.len() as f64;
        if n < 2.0 {
            return 0.0;
        }
        let mean = doses.iter().sum::<f64>() / n;
        (doses.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt()
    }
}
