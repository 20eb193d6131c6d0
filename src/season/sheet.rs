//! One sensor's local day, summed up: what an account is made from.
//!
//! A reading holds from when it was measured until the next one of the same quantity, at most for its
//! *hold*. What comes after is not covered and is never filled in. Sums are whole numbers, thousandths
//! times milliseconds, so that it is all one in how many pieces a day was read.

use serde::{Deserialize, Serialize};
use thiserror::Error;

use super::calendar::LocalDay;
use crate::watch::reading::MINUTE_MS;

mod folding;

pub use folding::{Folding, OutOfOrder};

/// Raised when the same readings come to another sheet.
pub const FORMAT: u32 = 1;
/// Crates are reckoned in steps of so many milliseconds.
pub const TEN_MS: i64 = 10 * MINUTE_MS;

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

    /// The further out of two values.
    fn further(self, a: i32, b: i32) -> i32 {
        match self {
            Self::Cold | Self::Dry => a.min(b),
            Self::Warm | Self::Damp => a.max(b),
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
    fn add(&mut self, value: i32, at: u32, ms: i64) {
        self.ms += ms;
        self.sum += i64::from(value) * ms;
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
    /// It goes on from the day before; of no length where nothing more was known at midnight.
    pub from_yesterday: bool,
    /// It had not ended with the day.
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
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Sheet {
    /// Readings measured on it, parts of one instant counted as one.
    pub readings: u32,
    /// The first and the last of them, in milliseconds since the day began.
    pub heard: Option<(u32, u32)>,
    /// Its hours, as many as it has.
    pub hours: Vec<Hour>,
    /// Its stretches of ten minutes.
    pub tens: Vec<Ten>,
    /// Stretches in which any quantity held, in milliseconds since the day began.
    pub covered: Vec<(u32, u32)>,
    /// Time against the band.
    pub judged: Judged,
    /// Stretches outside the band, in order of their ends.
    pub pieces: Vec<Piece>,
}

/// Why a sheet could not be read; it can be made again.
#[derive(Debug, Error)]
#[error("a sheet of a day cannot be read")]
pub struct BadSheet(#[from] postcard::Error);

impl Sheet {
    fn blank(day: &LocalDay) -> Self {
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

    /// As it is kept.
    pub fn encode(&self) -> Vec<u8> {
        postcard::to_stdvec(self).expect("plain numbers always encode")
    }

    /// From what was kept.
    pub fn decode(bytes: &[u8]) -> Result<Self, BadSheet> {
        Ok(postcard::from_bytes(bytes)?)
    }
}
