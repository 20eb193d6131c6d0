//! The air of a room, or of a part of it: the mean of its sensors by the hour, the day and ten minutes.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};

use super::{
    calendar::{Calendar, LocalDay},
    conditions::thousandths,
    sheet::{Hour, Sheet, TEN_MS},
    yardstick::hours,
};
use crate::watch::reading::HOUR_MS;

/// One hour of a body of air.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct HourRow {
    /// Its beginning.
    pub at: DateTime<Utc>,
    /// The local day, and the hour on the clock.
    pub date: NaiveDate,
    /// See there.
    pub hour: u32,
    /// Mean by time, C.
    pub temperature: Option<f64>,
    /// Mean by time, percent.
    pub humidity: Option<f64>,
}

/// One local day of a body of air.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DayRow {
    /// Which.
    pub date: NaiveDate,
    /// Sensor hours that should have been recorded, and those that were.
    pub span_h: f64,
    /// See there.
    pub covered_h: f64,
    /// Mean by time, lowest and highest of any sensor, C.
    pub temperature: Option<[f64; 3]>,
    /// The same, percent.
    pub humidity: Option<[f64; 3]>,
    /// Sensor hours judged, and of these within the band.
    pub judged_h: f64,
    /// See there.
    pub in_band_h: f64,
    /// Sensor hours cold, warm, dry and damp.
    pub outside_h: [f64; 4],
    /// Mean vapour pressure deficit over the time that is known, kPa.
    pub deficit_kpa: Option<f64>,
}

/// The air of a room, or of a part of it: the mean of its sensors, from days in any order.
#[derive(Debug)]
pub struct Body {
    days: Vec<(LocalDay, DaySums)>,
    tens: Vec<[(i64, u32); 2]>,
}

#[derive(Debug, Clone, Default)]
struct DaySums {
    hours: Vec<[(i64, i64); 2]>,
    low: [Option<i32>; 2],
    high: [Option<i32>; 2],
    covered_ms: i64,
    span_ms: i64,
    judged: [i64; 2],
    out: [i64; 4],
    deficit: i64,
    both_ms: i64,
}

impl Body {
    /// Of these days, without a gap between them.
    pub fn new(days: impl IntoIterator<Item = LocalDay>) -> Self {
        let days: Vec<_> = days
            .into_iter()
            .map(|day| {
                let sums = DaySums {
                    hours: vec![[(0, 0); 2]; day.hours()],
                    ..DaySums::default()
                };
                (day, sums)
            })
            .collect();
        let length = match (days.first(), days.last()) {
            (Some((first, _)), Some((last, _))) => last.to.since(first.from),
            _ => 0,
        };
        let tens = usize::try_from((length + TEN_MS - 1) / TEN_MS).unwrap_or_default();
        Self {
            days,
            tens: vec![[(0, 0); 2]; tens],
        }
    }

    fn place(&self, day: &LocalDay) -> Option<usize> {
        self.days
            .binary_search_by_key(&day.date, |(d, _)| d.date)
            .ok()
    }

    /// What one of its sensors should have recorded on a day, in milliseconds.
    pub fn expect(&mut self, day: &LocalDay, span_ms: i64) {
        if let Some(place) = self.place(day) {
            self.days[place].1.span_ms += span_ms;
        }
    }

    /// A day of one of its sensors, which over its whole time here told humidity (`humid`) or did not: within
    /// the band is what is known to be so of both.
    pub fn add(&mut self, day: &LocalDay, sheet: &Sheet, humid: bool) {
        let Some(place) = self.place(day) else { return };
        let first = self.days[0].0.from;
        let sums = &mut self.days[place].1;
        let of = |hour: &Hour| [hour.temperature, hour.humidity];
        for (own, hour) in sums.hours.iter_mut().zip(&sheet.hours) {
            for (axis, sum) in of(hour).iter().enumerate() {
                own[axis].0 += sum.sum;
                own[axis].1 += sum.ms;
                if let Some(low) = sum.low {
                    sums.low[axis] = Some(sums.low[axis].map_or(low.value, |v| v.min(low.value)));
                }
                if let Some(high) = sum.high {
                    sums.high[axis] =
                        Some(sums.high[axis].map_or(high.value, |v| v.max(high.value)));
                }
            }
            sums.deficit += hour.deficit;
            sums.both_ms += hour.both_ms;
        }
        sums.covered_ms += (sheet.covered.iter())
            .map(|(a, b)| i64::from(b - a))
            .sum::<i64>();
        let j = &sheet.judged;
        let (judged, within) = if humid {
            (j.both_ms, j.both_in_ms)
        } else {
            (j.temperature_ms, j.temperature_in_ms)
        };
        sums.judged[0] += judged;
        sums.judged[1] += within;
        for side in 0..4 {
            sums.out[side] += j.out_ms[side];
        }
        // Days that are no whole number of ten minutes long are of zones long gone; their last stretch
        // goes to the one in which it begins.
        let offset = usize::try_from(day.from.since(first) / TEN_MS).unwrap_or_default();
        for (i, ten) in sheet.tens.iter().enumerate() {
            let Some(own) = self.tens.get_mut(offset + i) else {
                break;
            };
            for (axis, value) in [ten.temperature, ten.humidity].into_iter().enumerate() {
                if let Some(value) = value {
                    own[axis].0 += i64::from(value);
                    own[axis].1 += 1;
                }
            }
        }
    }

    /// Its hours, in order.
    pub fn hours(&self, calendar: &Calendar) -> Vec<HourRow> {
        let mut rows = Vec::new();
        for (day, sums) in &self.days {
            for (i, own) in sums.hours.iter().enumerate() {
                let at = day.from.plus(i as i64 * HOUR_MS);
                let mean = |(sum, ms): (i64, i64)| {
                    (ms != 0).then(|| thousandths(sum as f64 / ms as f64 / 1000.0))
                };
                rows.push(HourRow {
                    at: at.to_utc(),
                    date: day.date,
                    hour: calendar.clock_hour(at),
                    temperature: mean(own[0]),
                    humidity: mean(own[1]),
                });
            }
        }
        rows
    }

    /// Its days, in order.
    pub fn days(&self) -> Vec<DayRow> {
        let row = |(day, sums): &(LocalDay, DaySums)| {
            let three = |axis: usize| {
                let (sum, ms) =
                    (sums.hours.iter()).fold((0, 0), |(s, m), h| (s + h[axis].0, m + h[axis].1));
                let mean = (ms != 0).then(|| thousandths(sum as f64 / ms as f64 / 1000.0))?;
                let (low, high) = sums.low[axis].zip(sums.high[axis])?;
                Some([mean, f64::from(low) / 1000.0, f64::from(high) / 1000.0])
            };
            DayRow {
                date: day.date,
                span_h: thousandths(hours(sums.span_ms)),
                covered_h: thousandths(hours(sums.covered_ms)),
                temperature: three(0),
                humidity: three(1),
                judged_h: thousandths(hours(sums.judged[0])),
                in_band_h: thousandths(hours(sums.judged[1])),
                outside_h: sums.out.map(|ms| thousandths(hours(ms))),
                deficit_kpa: (sums.both_ms != 0)
                    .then(|| thousandths(sums.deficit as f64 / sums.both_ms as f64 / 1e6)),
            }
        };
        self.days.iter().map(row).collect()
    }

    /// Its means over ten minutes from the first day's beginning: temperature in C and humidity in percent.
    /// Where there is no temperature there is none.
    pub fn tens(&self) -> Vec<Option<(f64, Option<f64>)>> {
        let mean = |(sum, n): (i64, u32)| (n != 0).then(|| sum as f64 / f64::from(n) / 1000.0);
        let each = self.tens.iter();
        each.map(|[t, rh]| Some((mean(*t)?, mean(*rh)))).collect()
    }
}
