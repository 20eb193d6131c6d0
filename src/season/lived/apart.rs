//! How far bodies of air of one room lie apart, and how long one was surely outside of its band: what is to be
//! done about it, if anything, follows from these.

use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, StudentsT};

use super::{BIN_H, Bands, Body, bin_at, middle, walk::InForce};
use crate::{season::proportion::Interval, watch::reading::Stamp};

/// A day is compared where both were known for half of it: less leans to the hours of the day that happen to
/// be covered. A figure of this project.
const LEAST_OF_A_DAY: f64 = 0.5;
/// Days of a block. Days hang together as weather does, which changes within about a week; means of weeks
/// hardly do. A figure of this project.
const BLOCK_DAYS: usize = 7;
/// Days compared that a block needs to count. A figure of this project.
const LEAST_DAYS: usize = 4;
/// Of the interval.
const CONFIDENCE: f64 = 0.95;
/// Below a kelvin a place is no colder than others for tubers: crates are known to no better (see the
/// errors in `climate::tuber`). A figure of this project.
pub const TELLING_K: f64 = 1.0;
/// The same of humidity, in points: about two sensors' errors together. A figure of this project.
pub const TELLING_PCT: f64 = 5.0;

/// How much one body of air had more than another of one quantity, in the mean.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Difference {
    /// Mean of the days that were compared, the first less the second: kelvin, or points of humidity.
    pub mean: f64,
    /// Days that were compared.
    pub days: usize,
    /// Weeks of these from which the interval was made.
    pub weeks: usize,
    /// 95 % interval of the mean by chance alone, from the means of weeks; none with fewer than two weeks.
    pub interval: Option<(f64, f64)>,
    /// What the sensors may be off together: their errors added up, the worst case. No number of days makes
    /// it smaller.
    pub error: f64,
    /// The difference can be told from none: the interval, widened by the error on both sides, leaves out
    /// 0, and the mean is larger than [`TELLING_K`] or [`TELLING_PCT`].
    pub tells: bool,
}

/// One body of air against another of the same room.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Apart {
    /// The room.
    pub room: String,
    /// How the places of the first begin; none is the whole room.
    pub near: Option<String>,
    /// The same of the second.
    pub other: Option<String>,
    /// Of temperature, kelvin; none where no day could be compared.
    pub temperature_k: Option<Difference>,
    /// Of humidity, points.
    pub humidity_pct: Option<Difference>,
}

/// Compares every two bodies of air of each room that speak for a part of it. `days` are the ends of local
/// days with the start of the first day before them. The air of the whole room is compared with none: its
/// parts are in it.
pub fn apart(bodies: &[Body], days: &[Stamp]) -> Vec<Apart> {
    let mut all = Vec::new();
    for (n, a) in bodies.iter().enumerate().filter(|(_, b)| b.near.is_some()) {
        for b in bodies[n + 1..].iter().filter(|b| b.near.is_some()) {
            if a.room.trim().eq_ignore_ascii_case(b.room.trim()) {
                all.push(between(a, b, days));
            }
        }
    }
    all
}

/// Compares two bodies of air by the days on which both were known for half of the day. Both are paired bin by
/// bin, so that a day of which one covers the night alone makes no difference.
pub fn between(a: &Body, b: &Body, days: &[Stamp]) -> Apart {
    Apart {
        room: a.room.clone(),
        near: a.near.clone(),
        other: b.near.clone(),
        temperature_k: difference(
            &by_day(a, b, days, |(t, _)| Some(t)),
            a.error.temperature_k + b.error.temperature_k,
            TELLING_K,
        ),
        humidity_pct: difference(
            &by_day(a, b, days, |(_, rh)| rh),
            a.error.humidity_pct + b.error.humidity_pct,
            TELLING_PCT,
        ),
    }
}

/// The mean difference of every day; none of those that are not compared.
fn by_day(
    a: &Body,
    b: &Body,
    days: &[Stamp],
    of: impl Fn((f64, Option<f64>)) -> Option<f64>,
) -> Vec<Option<f64>> {
    let each = days.windows(2).map(|day| {
        let bins = bin_at(a.start, day[0])..bin_at(a.start, day[1]);
        let whole = bins.len();
        let (mut sum, mut n) = (0.0, 0);
        for bin in bins {
            let other = bin_at(b.start, middle(a.start, bin));
            let pair = a.bins.get(bin).zip(b.bins.get(other));
            let pair = pair.and_then(|(a, b)| Some((of((*a)?)?, of((*b)?)?)));
            if let Some((a, b)) = pair {
                sum += a - b;
                n += 1;
            }
        }
        let enough = 0 < n && LEAST_OF_A_DAY * whole as f64 <= f64::from(n);
        enough.then(|| sum / f64::from(n))
    });
    each.collect()
}

/// From days to what they tell.
fn difference(days: &[Option<f64>], error: f64, telling: f64) -> Option<Difference> {
    let known: Vec<f64> = days.iter().flatten().copied().collect();
    if known.is_empty() {
        return None;
    }
    let mean = known.iter().sum::<f64>() / known.len() as f64;
    let weeks: Vec<f64> = (days.chunks(BLOCK_DAYS))
        .filter_map(|week| {
            let known: Vec<f64> = week.iter().flatten().copied().collect();
            let n = known.len();
            (LEAST_DAYS <= n).then(|| known.iter().sum::<f64>() / n as f64)
        })
        .collect();
    let interval = interval(&weeks);
    let beyond = interval.is_some_and(|i| error < i.low || i.high < -error);
    Some(Difference {
        mean,
        days: known.len(),
        weeks: weeks.len(),
        interval: interval.map(|i| (i.low, i.high)),
        error,
        tells: beyond && telling < mean.abs(),
    })
}

/// Student's interval of a mean; none with fewer than two values.
fn interval(values: &[f64]) -> Option<Interval> {
    let n = values.len();
    if n < 2 {
        return None;
    }
    let mean = values.iter().sum::<f64>() / n as f64;
    let squares = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>();
    let sd = (squares / (n - 1) as f64).sqrt();
    let t = StudentsT::new(0.0, 1.0, (n - 1) as f64).ok()?;
    let half = t.inverse_cdf(f64::midpoint(1.0, CONFIDENCE)) * sd / (n as f64).sqrt();
    Some(Interval {
        low: mean - half,
        high: mean + half,
    })
}

/// Hours of one body of air outside of the band in force.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Outside {
    /// The room.
    pub room: String,
    /// How its places begin; none is the whole room.
    pub near: Option<String>,
    /// Hours with a temperature that were held against a band.
    pub judged_h: f64,
    /// Hours with a humidity that were.
    pub humid_h: f64,
    /// Outside by the means as they are.
    pub out: Sides,
    /// Of these, surely: by more than the sensors' error.
    pub sure: Sides,
}

/// Hours by the side on which the air was outside.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Sides {
    /// Below the lower limit of temperature.
    pub cold_h: f64,
    /// Above the upper one.
    pub warm_h: f64,
    /// Below the lower limit of humidity.
    pub dry_h: f64,
    /// Above the upper one.
    pub damp_h: f64,
}

impl Sides {
    fn temperature(&mut self, t: f64, low: f64, high: f64) {
        self.cold_h += if t < low { BIN_H } else { 0.0 };
        self.warm_h += if high < t { BIN_H } else { 0.0 };
    }

    fn humidity(&mut self, rh: f64, low: f64, high: f64) {
        self.dry_h += if rh < low { BIN_H } else { 0.0 };
        self.damp_h += if high < rh { BIN_H } else { 0.0 };
    }
}

/// Shares of the judged hours, 0 to 1; 0 where none were judged.
impl Outside {
    /// Surely too cold.
    pub fn cold(&self) -> f64 {
        share(self.sure.cold_h, self.judged_h)
    }

    /// Surely too warm.
    pub fn warm(&self) -> f64 {
        share(self.sure.warm_h, self.judged_h)
    }

    /// Surely too dry.
    pub fn dry(&self) -> f64 {
        share(self.sure.dry_h, self.humid_h)
    }

    /// Surely too damp.
    pub fn damp(&self) -> f64 {
        share(self.sure.damp_h, self.humid_h)
    }
}

fn share(part: f64, whole: f64) -> f64 {
    if 0.0 < whole { part / whole } else { 0.0 }
}

/// Holds the means of a body of air against the band in force, within a period.
pub fn outside(body: &Body, bands: &[Bands], (from, to): (Stamp, Stamp)) -> Outside {
    let mut outside = Outside {
        room: body.room.clone(),
        near: body.near.clone(),
        ..Outside::default()
    };
    let mut band = InForce::new(bands, &body.room);
    let (first, end) = (bin_at(body.start, from), bin_at(body.start, to));
    for (n, bin) in body.bins.iter().enumerate().take(end).skip(first) {
        let (Some((t, rh)), Some(band)) = (*bin, band.at(middle(body.start, n))) else {
            continue;
        };
        let (k, points) = (body.error.temperature_k, body.error.humidity_pct);
        outside.judged_h += BIN_H;
        outside.out.temperature(t, band.low_c, band.high_c);
        (outside.sure).temperature(t, band.low_c - k, band.high_c + k);
        if let Some(rh) = rh {
            outside.humid_h += BIN_H;
            outside.out.humidity(rh, band.low_pct, band.high_pct);
            (outside.sure).humidity(rh, band.low_pct - points, band.high_pct + points);
        }
    }
    outside
}
