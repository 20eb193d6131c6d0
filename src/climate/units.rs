//! Quantities that cannot be wrong once made: each constructor checks its range.

use std::fmt;

use serde::{Deserialize, Serialize};
use thiserror::Error;

/// The unit of a temperature; never guessed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Unit {
    /// Degrees Celsius.
    C,
    /// Degrees Fahrenheit.
    F,
}

/// A number that no storage room can produce, with the range it should have had.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub struct OutOfRange {
    /// What was being read, in words.
    pub quantity: &'static str,
    /// The refused number.
    pub value: f64,
    /// Smallest number accepted.
    pub low: f64,
    /// Largest number accepted.
    pub high: f64,
    /// Unit of the three numbers.
    pub unit: &'static str,
}

impl fmt::Display for OutOfRange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self {
            quantity,
            value,
            low,
            high,
            unit,
        } = self;
        // Written out, 1e300 has three hundred digits.
        if value.abs() < 1e15 {
            write!(f, "{quantity} {value} ")?;
        } else {
            write!(f, "{quantity} {value:e} ")?;
        }
        if 0.0 < *low && *low <= f64::MIN_POSITIVE {
            write!(f, "is not above 0 and up to {high} {unit}")
        } else {
            write!(f, "is outside {low} to {high} {unit}")
        }
    }
}

fn within(
    quantity: &'static str,
    unit: &'static str,
    value: f64,
    low: f64,
    high: f64,
) -> Result<f64, OutOfRange> {
    // Written so that NaN fails: every comparison with it is false.
    if low <= value && value <= high {
        Ok(value)
    } else {
        Err(OutOfRange {
            quantity,
            value,
            low,
            high,
            unit,
        })
    }
}

/// A temperature in degrees Celsius, -100 to 100.
///
/// The type covers everything the equations meet (a dew point may be far below a reading); what a
/// sensor may report is narrower, see [`Celsius::from_sensor`].
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(try_from = "f64", into = "f64")]
pub struct Celsius(f64);

impl Celsius {
    /// The freezing point of water, 0 C (32 F).
    pub const FREEZING: Self = Self(0.0);

    /// Takes degrees Celsius between -100 and 100.
    pub fn new(degrees: f64) -> Result<Self, OutOfRange> {
        within("temperature", "C", degrees, -100.0, 100.0).map(Self)
    }

    /// Takes what a sensor said, in degrees Celsius between -40 and 85: the span in which common
    /// digital humidity sensors are specified (their data sheets agree; common practice).
    pub fn from_sensor(degrees: f64) -> Result<Self, OutOfRange> {
        within("temperature", "C", degrees, -40.0, 85.0).map(Self)
    }

    /// Takes degrees Fahrenheit; `C = (F - 32) / 1.8` exactly.
    pub fn from_fahrenheit(degrees: f64) -> Result<Self, OutOfRange> {
        within("temperature", "F", degrees, -148.0, 212.0).map(|f| Self((f - 32.0) / 1.8))
    }

    /// The same for a sensor that speaks Fahrenheit: -40 to 185.
    pub fn from_sensor_fahrenheit(degrees: f64) -> Result<Self, OutOfRange> {
        within("temperature", "F", degrees, -40.0, 185.0).and_then(Self::from_fahrenheit)
    }

    /// Degrees Celsius.
    pub fn degrees(self) -> f64 {
        self.0
    }

    /// Degrees Fahrenheit.
    pub fn fahrenheit(self) -> f64 {
        self.0 * 1.8 + 32.0
    }

    /// Kelvin.
    pub fn kelvin(self) -> f64 {
        self.0 + 273.15
    }

    /// For results of equations whose inputs were checked; clamps to the range of the type.
    pub(crate) fn computed(degrees: f64) -> Self {
        Self(degrees.clamp(-100.0, 100.0))
    }
}

impl TryFrom<f64> for Celsius {
    type Error = OutOfRange;
    fn try_from(degrees: f64) -> Result<Self, OutOfRange> {
        Self::new(degrees)
    }
}

impl From<Celsius> for f64 {
    fn from(t: Celsius) -> f64 {
        t.0
    }
}

/// Relative humidity in percent over liquid water at every temperature, as humidity sensors and
/// weather services report it (WMO-No. 8, chapter 4); above 0 and up to 100.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(try_from = "f64", into = "f64")]
pub struct RelativeHumidity(f64);

impl RelativeHumidity {
    /// Takes percent, above 0 and up to 100.
    pub fn new(percent: f64) -> Result<Self, OutOfRange> {
        // The logarithm in the dew point has no value at 0.
        within("relative humidity", "%", percent, f64::MIN_POSITIVE, 100.0).map(Self)
    }

    /// Takes what a sensor said: 0.5 to 100.5 %, where 100 to 100.5 counts as 100. Below 0.5 % no
    /// store can be; such a figure is a broken sensor and not a reading.
    pub fn from_sensor(percent: f64) -> Result<Self, OutOfRange> {
        within("relative humidity", "%", percent, 0.5, 100.5).map(|rh| Self(rh.min(100.0)))
    }

    /// Percent.
    pub fn percent(self) -> f64 {
        self.0
    }

    /// Between 0 and 1.
    pub fn fraction(self) -> f64 {
        self.0 / 100.0
    }
}

impl TryFrom<f64> for RelativeHumidity {
    type Error = OutOfRange;
    fn try_from(percent: f64) -> Result<Self, OutOfRange> {
        Self::new(percent)
    }
}

impl From<RelativeHumidity> for f64 {
    fn from(rh: RelativeHumidity) -> f64 {
        rh.0
    }
}

/// A pressure in pascal, above 0.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Pascal(f64);

impl Pascal {
    /// The standard atmosphere, 101 325 Pa (ISO 2533:1975).
    pub const STANDARD_ATMOSPHERE: Self = Self(101_325.0);

    /// Takes pascal between 0 (excluded) and 200 000.
    pub fn new(pascal: f64) -> Result<Self, OutOfRange> {
        within("pressure", "Pa", pascal, f64::MIN_POSITIVE, 200_000.0).map(Self)
    }

    /// Standard pressure at an altitude in metres, -500 to 5000:
    /// `101325 (1 - 2.25577e-5 z)^5.2559` (ASHRAE Fundamentals 2017, chapter 1, eq. 3).
    pub fn at_altitude(metres: f64) -> Result<Self, OutOfRange> {
        within("altitude", "m", metres, -500.0, 5000.0)
            .map(|z| Self(101_325.0 * (1.0 - 2.255_77e-5 * z).powf(5.2559)))
    }

    /// Pascal.
    pub fn pascal(self) -> f64 {
        self.0
    }

    pub(crate) fn computed(pascal: f64) -> Self {
        Self(pascal)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fahrenheit_and_celsius_meet_at_their_fixed_points() {
        // 32 F = 0 C and 212 F = 100 C by definition; 50 F = 10 C follows.
        for (f, c) in [(32.0, 0.0), (50.0, 10.0), (212.0, 100.0), (-40.0, -40.0)] {
            let t = Celsius::from_fahrenheit(f).unwrap();
            assert!((t.degrees() - c).abs() < 1e-12);
            assert!((t.fahrenheit() - f).abs() < 1e-12);
        }
    }

    #[test]
    fn what_cannot_be_is_refused_and_says_its_range() {
        for bad in [f64::NAN, f64::INFINITY, -40.01, 85.01] {
            assert!(Celsius::from_sensor(bad).is_err(), "{bad}");
        }
        for bad in [f64::NAN, 0.49, -3.0, 100.51, f64::NEG_INFINITY] {
            assert!(RelativeHumidity::from_sensor(bad).is_err(), "{bad}");
        }
        assert!(RelativeHumidity::new(0.0).is_err());
        assert_eq!(
            RelativeHumidity::from_sensor(140.0)
                .unwrap_err()
                .to_string(),
            "relative humidity 140 is outside 0.5 to 100.5 %"
        );
        assert_eq!(
            Celsius::from_sensor_fahrenheit(185.1)
                .unwrap_err()
                .to_string(),
            "temperature 185.1 is outside -40 to 185 F"
        );
        assert_eq!(
            RelativeHumidity::new(0.0).unwrap_err().to_string(),
            "relative humidity 0 is not above 0 and up to 100 %"
        );
        assert_eq!(
            Celsius::new(-1e300).unwrap_err().to_string(),
            "temperature -1e300 is outside -100 to 100 C"
        );
        let fog = RelativeHumidity::from_sensor(100.4).unwrap();
        assert!((fog.percent() - 100.0).abs() < f64::EPSILON);
    }

    #[test]
    fn pressure_falls_with_altitude() {
        // ASHRAE Fundamentals 2017, chapter 1, table 1 (from memory): 1000 m is 89.875 kPa.
        let p = Pascal::at_altitude(1000.0).unwrap().pascal();
        assert!((p - 89_875.0).abs() < 5.0, "{p}");
    }
}
