//! The weather of the demonstration's earlier winter: measured air, on other days and in a milder place.
//!
//! The measured hours run from 19 December to 15 May. They are taken over day for day and hour for hour,
//! five years later. The days before and after them are not measured but the same ones again, backwards in
//! time: so autumn is a spring that cools, and joins the winter without a step.

use anyhow::Context as _;
use chrono::NaiveDate;
use serde::Deserialize;

use crate::{
    climate::{Celsius, air::saturation_over_water},
    watch::{Stamp, reading::HOUR_MS},
};

/// See `demo-sensors/ORIGIN.md`: Finnish Meteorological Institute, by way of the TRH-database, CC BY 4.0.
const HOURS: &str = include_str!("../../../demo-sensors/weather.csv");

/// The invented farm lies in a milder place than the station: as far above it as makes a winter in which
/// a store needs its heater and survives without for some hours. A figure of this project.
const MILDER_K: f64 = 5.0;

/// The day on which the first measured one is placed.
const FIRST_DAY: (i32, u32, u32) = (2025, 12, 19);

/// The last day of autumn is this one of the table, counted from 0, and the days before it are the ones after:
/// 26 February of the file, as mild as the days that it meets. A figure of this project.
const AUTUMN_FROM: f64 = 69.0;

/// Of what spring's air lacks to saturation, autumn's lacks so much: autumn is damper than a spring of the same
/// warmth. A figure of this project.
const AUTUMN_LACKS: f64 = 0.85;

/// Read backwards in time, the warmest hour stays in the afternoon if three o'clock stays where it is: hour h
/// of a day is hour 30 - h of another.
const MIRRORED_H: f64 = 30.0;

#[derive(Deserialize)]
struct Day {
    day: NaiveDate,
    hours: String,
}

/// Outdoor air at an instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Outdoors {
    /// C.
    pub(crate) temperature_c: f64,
    /// Percent over water, 0 to 100.
    pub(crate) humidity_pct: f64,
}

impl Outdoors {
    /// Vapour pressure, Pa.
    pub(crate) fn vapour_pa(self) -> f64 {
        saturation_pa(self.temperature_c) * self.humidity_pct / 100.0
    }
}

/// Saturation pressure over water, Pa; -45 to 60 C.
pub(super) fn saturation_pa(t_c: f64) -> f64 {
    Celsius::new(t_c).map_or(f64::NAN, |t| saturation_over_water(t).pascal())
}

/// Outdoor air, hour by hour.
pub(crate) struct Weather {
    /// Midnight with which the first measured day begins, where it is placed.
    first: Stamp,
    /// Means of whole hours.
    hours: Vec<Outdoors>,
}

impl Weather {
    /// The measured hours; an error when the table is not whole.
    pub(crate) fn measured() -> anyhow::Result<Self> {
        let mut hours = Vec::new();
        let mut expected = None;
        for day in csv::Reader::from_reader(HOURS.as_bytes()).into_deserialize::<Day>() {
            let day = day?;
            let next = expected.is_none_or(|expected| expected == day.day);
            anyhow::ensure!(next, "the weather leaves out a day before {}", day.day);
            expected = day.day.succ_opt();
            let before = hours.len();
            for hour in day.hours.split(' ') {
                let both = hour
                    .split_once('/')
                    .and_then(|(t, rh)| Some((t.parse::<i32>().ok()?, rh.parse::<i32>().ok()?)));
                let (t, rh) = both.with_context(|| format!("`{hour}` of {}", day.day))?;
                hours.push(Outdoors {
                    temperature_c: f64::from(t) / 10.0 + MILDER_K,
                    humidity_pct: f64::from(rh) / 10.0,
                });
            }
            anyhow::ensure!(hours.len() == before + 24, "{} has 24 hours", day.day);
        }
        let (year, month, day) = FIRST_DAY;
        let first = NaiveDate::from_ymd_opt(year, month, day)
            .and_then(|day| day.and_hms_opt(0, 0, 0))
            .context("a day that exists")?;
        Ok(Self {
            first: first.and_utc().into(),
            hours,
        })
    }

    /// The air at an instant; between the middles of two hours it changes evenly.
    pub(crate) fn at(&self, at: Stamp) -> Outdoors {
        let after = at.since(self.first) as f64 / HOUR_MS as f64;
        let hour = self.measured_hour(after) - 0.5;
        let last = self.hours.len() - 1;
        let hour = hour.clamp(0.0, last as f64);
        let n = (hour as usize).min(last.saturating_sub(1));
        let (a, b, part) = (self.hours[n], self.hours[n + 1], hour - n as f64);
        let humidity_pct = a.humidity_pct + part * (b.humidity_pct - a.humidity_pct);
        let lacks = if after < 0.0 { AUTUMN_LACKS } else { 1.0 };
        Outdoors {
            temperature_c: a.temperature_c + part * (b.temperature_c - a.temperature_c),
            humidity_pct: 100.0 - lacks * (100.0 - humidity_pct),
        }
    }

    /// Which hour of the table stands for one so many hours after the first day begins.
    fn measured_hour(&self, hour: f64) -> f64 {
        let all = self.hours.len() as f64;
        if hour < 0.0 {
            AUTUMN_FROM * 24.0 + MIRRORED_H - 24.0 - hour
        } else if all <= hour {
            // After the last day comes the one before it, backwards.
            all + all - 48.0 + MIRRORED_H - hour
        } else {
            hour
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn weather() -> Weather {
        Weather::measured().unwrap()
    }

    fn day(days: i64, hour: f64) -> Stamp {
        weather()
            .first
            .plus(((days * 24) as f64 * HOUR_MS as f64 + hour * HOUR_MS as f64) as i64)
    }

    #[test]
    fn measured_hours_stand_where_they_were_measured() {
        let weather = weather();
        assert_eq!(weather.hours.len(), 148 * 24);
        // The first of the file: 0.8 C and 99.9 %, in the middle of its hour.
        let first = weather.at(day(0, 0.5));
        assert!((first.temperature_c - 0.8 - MILDER_K).abs() < 1e-9);
        assert!((first.humidity_pct - 99.9).abs() < 1e-9);
        // Half way from 0.8 to 1.0.
        let between = weather.at(day(0, 2.0));
        assert!((between.temperature_c - 0.9 - MILDER_K).abs() < 1e-9);
    }

    #[test]
    fn autumn_is_the_spring_backwards() {
        let weather = weather();
        // Three in the afternoon of 18 December is that of 26 February, and of 17 December of the 27th.
        for (days, same) in [(-1, 69), (-2, 70), (-70, 138)] {
            let (a, b) = (weather.at(day(days, 15.0)), weather.at(day(same, 15.0)));
            assert!((a.temperature_c - b.temperature_c).abs() < 1e-9, "{days}");
        }
        let (a, b) = (weather.at(day(-1, 10.0)), weather.at(day(69, 20.0)));
        assert!((a.temperature_c - b.temperature_c).abs() < 1e-9);
    }

    #[test]
    fn nothing_jumps() {
        let weather = weather();
        let mut before = weather.at(day(-75, 0.0));
        for hour in -75 * 24..153 * 24 {
            let now = weather.at(day(0, f64::from(hour)));
            let step = (now.temperature_c - before.temperature_c).abs();
            assert!(step < 5.0, "{step} K at hour {hour}");
            assert!((0.0..=100.0).contains(&now.humidity_pct));
            before = now;
        }
    }
}
