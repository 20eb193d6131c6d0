//! One sensor's local day, summed up: what an account is made from.
//!
//! Sums are whole numbers, thousandths times milliseconds, so that it is all one in how many pieces a day
//! was read. How they are made stands in `season::folding`.

use serde::{Deserialize, Serialize};
use thiserror::Error;

use super::calendar::LocalDay;
use crate::watch::reading::{HOUR_MS, MINUTE_MS};

/// Raised when the same readings come to another sheet.
pub const FORMAT: u32 = 1;
/// Crates are reckoned in steps of so many milliseconds.
pub const TEN_MS: i64 = 10 * MINUTE_MS;
/// The longest day that a zone makes of one date, with a clock put back by a day, in hours.
const MOST_HOURS: usize = 50;

/// On which side of the band.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Side {
    /// Below its temperatures.
    Cold,
    /// Above them.
    Warm,
    /// Below its humidities.
    Dry,
    /// Above them.
    Damp,
}

impl Side {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Cold, Self::Warm, Self::Dry, Self::Damp];

    /// It is one of temperature.
    pub fn is_thermal(self) -> bool {
        matches!(self, Self::Cold | Self::Warm)
    }

    /// Whether one value lies further out than another.
    pub fn is_further(self, value: i32, than: i32) -> bool {
        match self {
            Self::Cold | Self::Dry => value < than,
            Self::Warm | Self::Damp => than < value,
        }
    }
}

/// A lowest or highest value, and when it was first reached in milliseconds since the day began.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Extreme {
    /// Thousandths.
    pub value: i32,
    /// Milliseconds since the day began.
    pub at: u32,
}

/// One quantity over a stretch of time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Sum {
    /// Covered milliseconds.
    pub ms: i64,
    /// Thousandths times milliseconds.
    pub sum: i64,
    /// The lowest.
    pub low: Option<Extreme>,
    /// The highest.
    pub high: Option<Extreme>,
}

impl Sum {
    /// Takes in a value that holds from an instant of the day on.
    pub(super) fn reach(&mut self, value: i32, at: u32) {
        let extreme = Extreme { value, at };
        if self.low.is_none_or(|low| value < low.value) {
            self.low = Some(extreme);
        }
        if self.high.is_none_or(|high| high.value < value) {
            self.high = Some(extreme);
        }
    }

    /// The mean by time, in thousandths.
    pub fn mean(&self) -> Option<f64> {
        (self.ms != 0).then(|| self.sum as f64 / self.ms as f64)
    }
}

/// One hour, counted from the beginning of the day.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Hour {
    /// Temperature in thousandths of a degree Celsius.
    pub temperature: Sum,
    /// Humidity in thousandths of a percent.
    pub humidity: Sum,
    /// Milliseconds in which both held.
    pub both_ms: i64,
    /// Vapour pressure deficit, thousandths of a pascal times milliseconds.
    pub deficit: i64,
    /// Least distance of the air from its own dew point, thousandths of a kelvin.
    pub spread: Option<Extreme>,
}

/// A mean over ten minutes, in thousandths.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Ten {
    /// Of a degree Celsius.
    pub temperature: Option<i32>,
    /// Of a percent.
    pub humidity: Option<i32>,
}

/// An unbroken stretch on one side outside the band, within one day.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Piece {
    /// On which side.
    pub side: Side,
    /// Milliseconds since the day began.
    pub from: u32,
    /// Milliseconds since the day began.
    pub to: u32,
    /// The value furthest outside, thousandths, and when it was first reached.
    pub peak: Extreme,
    /// Thousandths beyond the limit times milliseconds.
    pub area: i64,
    /// Nobody knows what was before.
    pub after_gap: bool,
    /// Nobody knows what was after.
    pub before_gap: bool,
    /// It goes on from the day before.
    pub from_yesterday: bool,
    /// It goes on on the next day.
    pub into_tomorrow: bool,
}

/// Time against the band, in milliseconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Judged {
    /// Temperature held and there was a band.
    pub temperature_ms: i64,
    /// Humidity held and there was a band.
    pub humidity_ms: i64,
    /// Both.
    pub both_ms: i64,
    /// Temperature within.
    pub temperature_in_ms: i64,
    /// Humidity within.
    pub humidity_in_ms: i64,
    /// Both within.
    pub both_in_ms: i64,
    /// Outside, by side.
    pub out_ms: [i64; 4],
    /// Outside by more than the sensor may be off, by side.
    pub sure_ms: [i64; 4],
    /// Thousandths beyond the limit times milliseconds, by side.
    pub area: [i64; 4],
}

/// One sensor's local day.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Sheet {
    /// Readings measured on it, parts of one instant counted as one; also those that are not counted,
    /// because the room was empty or the sensor out of service.
    pub readings: u32,
    /// The first and the last of them, in milliseconds since the day began.
    pub heard: Option<(u32, u32)>,
    /// Its hours, as many as it has.
    pub hours: Vec<Hour>,
    /// Its stretches of ten minutes.
    pub tens: Vec<Ten>,
    /// Stretches in which any quantity held and was counted, in milliseconds since the day began.
    pub covered: Vec<(u32, u32)>,
    /// Time against the band.
    pub judged: Judged,
    /// Stretches outside the band, in order of their ends; of two that end together that of temperature
    /// first.
    pub pieces: Vec<Piece>,
}

/// Why a sheet could not be read; it can be made again.
#[derive(Debug, Error)]
pub enum BadSheet {
    /// The bytes say nothing.
    #[error("a sheet of a day cannot be read")]
    Bytes(#[from] postcard::Error),
    /// There is no such day.
    #[error("a sheet of a day has {0} hours")]
    Hours(usize),
}

/// A sheet as it is kept: most of a day is as the ten minutes before, a covered hour is whole.
#[derive(Serialize, Deserialize)]
struct Packed {
    readings: u32,
    heard: Option<(u32, u32)>,
    hours: Vec<PackedHour>,
    tens: Vec<PackedTen>,
    covered: Vec<(u32, u32)>,
    judged: Judged,
    pieces: Vec<Piece>,
}

#[derive(Serialize, Deserialize)]
struct PackedSum {
    missing_ms: i64,
    sum: i64,
    low: Option<PackedExtreme>,
    high: Option<PackedExtreme>,
}

/// A value as its distance from the hour's mean, an instant as its distance from the hour's beginning.
#[derive(Serialize, Deserialize)]
struct PackedExtreme(i32, i32);

#[derive(Serialize, Deserialize)]
struct PackedHour {
    temperature: PackedSum,
    humidity: PackedSum,
    missing_ms: i64,
    deficit: i64,
    spread: Option<(i32, i32)>,
}

/// Differences from the ten minutes before that had one.
#[derive(Serialize, Deserialize)]
struct PackedTen(Option<i32>, Option<i32>);

/// What an extreme is told from: the rounded mean, and when the hour begins.
fn origin(sum: &Sum, hour: usize) -> (i32, i32) {
    let mean = sum.sum.checked_div(sum.ms).unwrap_or_default() as i32;
    (mean, begins(hour))
}

fn begins(hour: usize) -> i32 {
    (hour as i64 * HOUR_MS) as i32
}

fn pack_sum(sum: &Sum, hour: usize) -> PackedSum {
    let (mean, begins) = origin(sum, hour);
    let near = |e: Extreme| {
        PackedExtreme(
            e.value.wrapping_sub(mean),
            (e.at as i32).wrapping_sub(begins),
        )
    };
    PackedSum {
        missing_ms: HOUR_MS.wrapping_sub(sum.ms),
        sum: sum.sum,
        low: sum.low.map(near),
        high: sum.high.map(near),
    }
}

fn unpack_sum(packed: &PackedSum, hour: usize) -> Sum {
    let mut sum = Sum {
        ms: HOUR_MS.wrapping_sub(packed.missing_ms),
        sum: packed.sum,
        ..Sum::default()
    };
    let (mean, begins) = origin(&sum, hour);
    let far = |e: &PackedExtreme| Extreme {
        value: e.0.wrapping_add(mean),
        at: e.1.wrapping_add(begins) as u32,
    };
    sum.low = packed.low.as_ref().map(far);
    sum.high = packed.high.as_ref().map(far);
    sum
}

/// Values of one quantity as differences from the one before that is there.
fn steps(values: impl Iterator<Item = Option<i32>>) -> impl Iterator<Item = Option<i32>> {
    values.scan(0i32, |last, value| {
        let step = value.map(|v| v.wrapping_sub(*last));
        *last = value.unwrap_or(*last);
        Some(step)
    })
}

fn unstep(last: &mut i32, step: Option<i32>) -> Option<i32> {
    let value = last.wrapping_add(step?);
    *last = value;
    Some(value)
}

impl Sheet {
    pub(super) fn blank(day: &LocalDay) -> Self {
        let tens = (day.length_ms() + TEN_MS - 1) / TEN_MS;
        Self {
            hours: vec![Hour::default(); day.hours()],
            tens: vec![Ten::default(); usize::try_from(tens).unwrap_or_default()],
            ..Self::default()
        }
    }

    /// Nothing was said or held on it.
    pub fn is_blank(&self) -> bool {
        self.readings == 0 && self.covered.is_empty()
    }

    /// As it is kept, about 2 kB.
    pub fn encode(&self) -> Vec<u8> {
        let hours = self.hours.iter().enumerate().map(|(n, h)| PackedHour {
            temperature: pack_sum(&h.temperature, n),
            humidity: pack_sum(&h.humidity, n),
            missing_ms: HOUR_MS.wrapping_sub(h.both_ms),
            deficit: h.deficit,
            spread: h
                .spread
                .map(|e| (e.value, (e.at as i32).wrapping_sub(begins(n)))),
        });
        let temperatures = steps(self.tens.iter().map(|t| t.temperature));
        let humidities = steps(self.tens.iter().map(|t| t.humidity));
        let packed = Packed {
            readings: self.readings,
            heard: self.heard,
            hours: hours.collect(),
            tens: temperatures
                .zip(humidities)
                .map(|(t, rh)| PackedTen(t, rh))
                .collect(),
            covered: self.covered.clone(),
            judged: self.judged,
            pieces: self.pieces.clone(),
        };
        postcard::to_stdvec(&packed).expect("plain numbers always encode")
    }

    /// From what was kept.
    pub fn decode(bytes: &[u8]) -> Result<Self, BadSheet> {
        let packed: Packed = postcard::from_bytes(bytes)?;
        if MOST_HOURS < packed.hours.len() {
            return Err(BadSheet::Hours(packed.hours.len()));
        }
        let hours = packed.hours.iter().enumerate().map(|(n, h)| Hour {
            temperature: unpack_sum(&h.temperature, n),
            humidity: unpack_sum(&h.humidity, n),
            both_ms: HOUR_MS.wrapping_sub(h.missing_ms),
            deficit: h.deficit,
            spread: h.spread.map(|(value, at)| Extreme {
                value,
                at: at.wrapping_add(begins(n)) as u32,
            }),
        });
        let (mut t, mut rh) = (0, 0);
        let tens = packed.tens.iter().map(|ten| Ten {
            temperature: unstep(&mut t, ten.0),
            humidity: unstep(&mut rh, ten.1),
        });
        Ok(Self {
            readings: packed.readings,
            heard: packed.heard,
            hours: hours.collect(),
            tens: tens.collect(),
            covered: packed.covered,
            judged: packed.judged,
            pieces: packed.pieces,
        })
    }
}
