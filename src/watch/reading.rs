//! What a sensor said, when it measured it and when we heard it.

use std::fmt;

use chrono::{DateTime, SecondsFormat, Utc};
use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::climate::{Celsius, RelativeHumidity};

/// An instant in UTC, in milliseconds since 1970; the only form in which time travels inside.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize,
)]
#[serde(transparent)]
pub struct Stamp(pub i64);

/// One minute in milliseconds.
pub const MINUTE_MS: i64 = 60_000;
/// One hour in milliseconds.
pub const HOUR_MS: i64 = 60 * MINUTE_MS;

impl Stamp {
    /// Milliseconds from `earlier` to this instant; negative when `earlier` is later.
    pub fn since(self, earlier: Self) -> i64 {
        self.0.saturating_sub(earlier.0)
    }

    /// This instant moved by milliseconds.
    #[must_use]
    pub fn plus(self, ms: i64) -> Self {
        Self(self.0.saturating_add(ms))
    }

    /// The same instant for calendars and for printing.
    pub fn to_utc(self) -> DateTime<Utc> {
        DateTime::from_timestamp_millis(self.0).unwrap_or(DateTime::UNIX_EPOCH)
    }

    /// RFC 3339 with `Z`, milliseconds only where there are any.
    pub fn to_rfc3339(self) -> String {
        let form = if self.0 % 1000 == 0 {
            SecondsFormat::Secs
        } else {
            SecondsFormat::Millis
        };
        self.to_utc().to_rfc3339_opts(form, true)
    }
}

impl From<DateTime<Utc>> for Stamp {
    fn from(at: DateTime<Utc>) -> Self {
        Self(at.timestamp_millis())
    }
}

/// Key of a sensor in the store; small and dense.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct SensorId(pub u32);

/// Why a name was refused.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error(
    "`{0}` is no name: use 1 to 64 letters, digits or - _ . : / and begin with a letter or digit"
)]
pub struct BadName(pub String);

/// What a sensor or a source is called: 1 to 64 letters, digits or `- _ . : /`, so that it can
/// stand in a file name, an address or a line of text without quoting.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct SensorName(String);

impl SensorName {
    /// Takes a name if every character is allowed.
    pub fn new(name: &str) -> Result<Self, BadName> {
        let plain = |c: char| c.is_alphanumeric() || "-_.:/".contains(c);
        let good = (1..=64).contains(&name.chars().count())
            && name.starts_with(char::is_alphanumeric)
            && name.chars().all(plain);
        if good {
            Ok(Self(name.to_owned()))
        } else {
            let plain = |c: char| if c.is_control() { '\u{fffd}' } else { c };
            Err(BadName(name.chars().take(80).map(plain).collect()))
        }
    }

    /// The name.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for SensorName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl TryFrom<String> for SensorName {
    type Error = BadName;
    fn try_from(name: String) -> Result<Self, BadName> {
        Self::new(&name)
    }
}

impl From<SensorName> for String {
    fn from(name: SensorName) -> String {
        name.0
    }
}

/// The quantities of one reading in whole thousandths, so that equal readings compare equal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Values {
    /// Thousandths of a degree Celsius.
    pub temperature_mc: Option<i32>,
    /// Thousandths of a percent of relative humidity.
    pub humidity_mpct: Option<i32>,
    /// Percent of battery left.
    pub battery_pct: Option<u8>,
}

impl Values {
    /// Rounds checked quantities to thousandths.
    pub fn of(temperature: Option<Celsius>, humidity: Option<RelativeHumidity>) -> Self {
        Self {
            temperature_mc: temperature.map(|t| (t.degrees() * 1000.0).round() as i32),
            humidity_mpct: humidity.map(|rh| (rh.percent() * 1000.0).round() as i32),
            battery_pct: None,
        }
    }

    /// Nothing was said at all.
    pub fn is_empty(self) -> bool {
        self == Self::default()
    }

    /// The temperature as a checked quantity.
    pub fn temperature(self) -> Option<Celsius> {
        let t = f64::from(self.temperature_mc?) / 1000.0;
        Celsius::new(t).ok()
    }

    /// The humidity as a checked quantity.
    pub fn humidity(self) -> Option<RelativeHumidity> {
        let rh = f64::from(self.humidity_mpct?) / 1000.0;
        RelativeHumidity::new(rh).ok()
    }
}

/// What a source heard, before it is known whether it is new.
#[derive(Debug, Clone, PartialEq)]
pub struct Heard {
    /// The sensor as it called itself or as the source is configured.
    pub sensor: SensorName,
    /// When the device says it measured; absent when it has no clock.
    pub device_at: Option<Stamp>,
    /// When it was first heard, if that was recorded with it (an exported file); absent for live
    /// sources, whose readings are stamped by the writer.
    pub received_at: Option<Stamp>,
    /// What it measured; never empty.
    pub values: Values,
    /// Line, row or index in the input, for messages.
    pub line: u64,
}

/// Something that could not be understood or used: data like any other, counted, kept and shown.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Refused {
    /// Line, row or index in the input, from 1.
    pub line: u64,
    /// The beginning of what was said.
    pub text: String,
    /// What is wrong with it and what to do about it.
    pub reason: String,
}

impl Refused {
    /// Keeps the first 200 characters of the text.
    pub fn new(line: u64, text: &str, reason: impl fmt::Display) -> Self {
        Self {
            line,
            text: text.chars().take(200).collect(),
            reason: reason.to_string(),
        }
    }
}

const NOT_CONFIGURED: &str = "is not in the configuration; add a [[sensor]] with that name";

impl Refused {
    /// A reading of a sensor that nobody knows.
    pub fn unknown_sensor(line: u64, name: &SensorName) -> Self {
        let why = format_args!("sensor `{name}` {NOT_CONFIGURED}");
        Self::new(line, name.as_str(), why)
    }

    /// The sensor that nobody knows, if that was the reason.
    pub fn unknown_name(&self) -> Option<&str> {
        self.reason
            .ends_with(NOT_CONFIGURED)
            .then_some(self.text.as_str())
    }
}

/// One stored reading, as the judge sees it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reading {
    /// Place in the order of arrival, from 1.
    pub seq: u64,
    /// Who said it.
    pub sensor: SensorId,
    /// Rules dwell, exposure and audits.
    pub measured_at: Stamp,
    /// Rules silence and telling.
    pub received_at: Stamp,
    /// What it said.
    pub values: Values,
}

/// A device clock this far ahead of ours is wrong and not merely fast.
pub const AHEAD_MS: i64 = 5 * MINUTE_MS;

/// Stamps before 2015 come from a board that has not been told the time: without a clock battery
/// they start at 1970, 1980 or 2000 (common practice of real-time clocks).
pub const CLOCK_UNSET_BEFORE: Stamp = Stamp(1_420_070_400_000);

/// Whether a device's own stamp can be used, seen from the time of hearing it.
pub fn clock_is_wrong(device_at: Stamp, received_at: Stamp) -> bool {
    device_at < CLOCK_UNSET_BEFORE || AHEAD_MS < device_at.since(received_at)
}

/// What becomes of a reading whose sensor and instant are already known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Merge {
    /// It says something that was not said before; only these values are stored.
    New(Values),
    /// All of it was said before.
    Duplicate,
}

/// Compares what was said for one sensor and instant with what is said now. Temperature and
/// humidity may arrive apart; a differing value is a conflict and the first is kept.
///
/// Returns what is left to store and whether anything differed.
pub fn merge(known: Values, said: Values) -> (Merge, bool) {
    fn one<T: PartialEq>(known: Option<T>, said: Option<T>) -> (Option<T>, bool) {
        match (known, said) {
            (None, said) => (said, false),
            (Some(k), Some(s)) => (None, k != s),
            (Some(_), None) => (None, false),
        }
    }
    let (temperature_mc, t) = one(known.temperature_mc, said.temperature_mc);
    let (humidity_mpct, rh) = one(known.humidity_mpct, said.humidity_mpct);
    let (battery_pct, b) = one(known.battery_pct, said.battery_pct);
    let left = Values {
        temperature_mc,
        humidity_mpct,
        battery_pct,
    };
    let fate = if left.is_empty() {
        Merge::Duplicate
    } else {
        Merge::New(left)
    };
    (fate, t || rh || b)
}

/// Both together; the values of `known` stand.
#[must_use]
pub fn union(known: Values, more: Values) -> Values {
    Values {
        temperature_mc: known.temperature_mc.or(more.temperature_mc),
        humidity_mpct: known.humidity_mpct.or(more.humidity_mpct),
        battery_pct: known.battery_pct.or(more.battery_pct),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn values(t: Option<i32>, rh: Option<i32>) -> Values {
        Values {
            temperature_mc: t,
            humidity_mpct: rh,
            battery_pct: None,
        }
    }

    #[test]
    fn the_first_word_stands() {
        let t = values(Some(9800), None);
        let rh = values(None, Some(81_400));
        let both = values(Some(9800), Some(81_400));
        let other = values(Some(9900), Some(81_400));
        for (known, said, expected) in [
            (t, rh, (Merge::New(rh), false)),
            (t, both, (Merge::New(rh), false)),
            (both, both, (Merge::Duplicate, false)),
            (both, t, (Merge::Duplicate, false)),
            (both, other, (Merge::Duplicate, true)),
            (t, other, (Merge::New(rh), true)),
        ] {
            assert_eq!(merge(known, said), expected, "{known:?} then {said:?}");
        }
    }

    #[test]
    fn a_board_without_a_clock_battery_is_noticed() {
        let now = Stamp(1_780_000_000_000);
        assert!(clock_is_wrong(Stamp(3_600_000), now));
        assert!(clock_is_wrong(Stamp(946_684_800_000), now), "2000-01-01");
        assert!(clock_is_wrong(now.plus(AHEAD_MS + 1), now));
        assert!(!clock_is_wrong(now.plus(AHEAD_MS), now));
        assert!(
            !clock_is_wrong(now.plus(-90 * 24 * HOUR_MS), now),
            "a logger"
        );
    }

    #[test]
    fn names_can_stand_anywhere() {
        for good in ["north", "gw-1/7", "28:ff.0a", "é1"] {
            assert!(SensorName::new(good).is_ok(), "{good}");
        }
        for bad in ["", " north", "a b", "a\nb", "-x", "<b>", &"n".repeat(65)] {
            assert!(SensorName::new(bad).is_err(), "{bad}");
        }
    }
}
