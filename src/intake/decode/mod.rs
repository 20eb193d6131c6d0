//! From text to readings. A record that cannot be understood is data: it comes back with what is
//! wrong and what to do about it, and the others are read all the same.

pub mod json;
pub mod line;
pub mod senml;
pub mod table;

use chrono::{DateTime, FixedOffset, LocalResult, NaiveDateTime, TimeZone};
use chrono_tz::Tz;

use crate::{
    climate::{Celsius, RelativeHumidity, Unit},
    watch::{Heard, SensorName, Stamp, Values, reading::Refused},
};

/// What came out of a piece of input.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Decoded {
    /// Understood.
    pub heard: Vec<Heard>,
    /// Not understood.
    pub refused: Vec<Refused>,
}

impl Decoded {
    pub(crate) fn push(&mut self, line: u64, text: &str, result: Result<Heard, String>) {
        match result {
            Ok(heard) => self.heard.push(heard),
            Err(why) => self.refused.push(Refused::new(line, text, why)),
        }
    }
}

/// One record before its fields are checked.
#[derive(Debug, Default)]
struct Fields<'a> {
    sensor: Option<&'a str>,
    measured_at: Option<Stamp>,
    received_at: Option<Stamp>,
    temperature: Option<(f64, Unit)>,
    humidity_pct: Option<f64>,
    battery_pct: Option<f64>,
}

impl Fields<'_> {
    /// Checks every field; `fallback` names the sensor where the record does not.
    fn check(self, line: u64, fallback: Option<&SensorName>) -> Result<Heard, String> {
        let heard = self.check_any(line, fallback)?;
        if heard.values.temperature_mc.is_none() && heard.values.humidity_mpct.is_none() {
            return Err("holds neither a temperature nor a humidity".to_owned());
        }
        Ok(heard)
    }

    /// The same for a record that may hold nothing but the state of a battery.
    fn check_any(self, line: u64, fallback: Option<&SensorName>) -> Result<Heard, String> {
        let sensor = match (
            self.sensor.map(str::trim).filter(|s| !s.is_empty()),
            fallback,
        ) {
            (Some(name), _) => SensorName::new(name).map_err(|e| e.to_string())?,
            (None, Some(fallback)) => fallback.clone(),
            (None, None) => {
                return Err(
                    "names no sensor; add the field `sensor`, or `sensor = \"...\"` to the source"
                        .to_owned(),
                );
            }
        };
        let temperature = self
            .temperature
            .map(|(value, unit)| {
                let t = match unit {
                    Unit::C => Celsius::from_sensor(value),
                    Unit::F => Celsius::from_sensor_fahrenheit(value),
                };
                t.map_err(|e| format!("{e}; look at the sensor and its wiring"))
            })
            .transpose()?;
        let humidity = self
            .humidity_pct
            .map(|rh| {
                RelativeHumidity::from_sensor(rh)
                    .map_err(|e| format!("{e}; look at the sensor and its wiring"))
            })
            .transpose()?;
        let battery_pct = self
            .battery_pct
            .map(|b| {
                if (0.0..=100.0).contains(&b) {
                    Ok(b.round() as u8)
                } else {
                    Err(format!("battery {b} is outside 0 to 100 %"))
                }
            })
            .transpose()?;
        let values = Values {
            battery_pct,
            ..Values::of(temperature, humidity)
        };
        Ok(Heard {
            sensor,
            device_at: self.measured_at,
            received_at: self.received_at,
            values,
            line,
        })
    }
}

/// How times are written where they are not RFC 3339.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct TimeShape {
    /// As in the C function `strftime`; RFC 3339 when absent.
    pub format: Option<String>,
    /// Of the times in the file, when they carry none.
    pub offset: Option<FixedOffset>,
    /// Time zone of the times in the file, when they carry none.
    pub zone: Option<Tz>,
}

impl TimeShape {
    fn parse(&self, text: &str) -> Result<Stamp, String> {
        let text = text.trim();
        let Some(format) = &self.format else {
            return DateTime::parse_from_rfc3339(text)
                .map(|at| at.to_utc().into())
                .map_err(|_| {
                    let text = shown(text);
                    format!("`{text}` is no RFC 3339 time with offset, such as 2026-11-25T09:10:00+01:00; for another form set `time_format` and `utc_offset` or `time_zone`")
                });
        };
        if let Ok(at) = DateTime::parse_from_str(text, format) {
            return Ok(at.to_utc().into());
        }
        let local = NaiveDateTime::parse_from_str(text, format)
            .map_err(|e| format!("`{}` is no time of the form `{format}`: {e}", shown(text)))?;
        let found = match (self.offset, self.zone) {
            (Some(offset), _) => offset.from_local_datetime(&local).map(|t| t.to_utc()),
            (None, Some(zone)) => zone.from_local_datetime(&local).map(|t| t.to_utc()),
            (None, None) => {
                return Err(format!(
                    "`{text}` carries no offset; set `utc_offset` or `time_zone` for this source"
                ));
            }
        };
        match found {
            LocalResult::Single(at) => Ok(at.into()),
            // The hour that comes twice in autumn; the first of the two.
            LocalResult::Ambiguous(first, _) => Ok(first.into()),
            LocalResult::None => Err(format!("`{text}` does not exist: the clocks skip it")),
        }
    }
}

/// The beginning of a text for a message, without anything that could upset a terminal.
fn shown(text: &str) -> String {
    const LONGEST: usize = 100;
    let mut shown: String = text
        .chars()
        .take(LONGEST)
        .map(|c| if c.is_control() { '\u{fffd}' } else { c })
        .collect();
    if text.chars().nth(LONGEST).is_some() {
        shown.push_str("...");
    }
    shown
}

/// A number, with a comma for the point where the source says so.
pub(crate) fn number(text: &str, decimal_comma: bool) -> Result<f64, String> {
    let text = text.trim();
    let parsed = if decimal_comma {
        text.replace(',', ".").parse::<f64>()
    } else {
        text.parse::<f64>()
    };
    match parsed {
        Ok(value) if value.is_finite() => Ok(value),
        _ if text.contains(',') && !decimal_comma => Err(format!(
            "`{}` is no number; for a decimal comma set `decimal_comma = true`",
            shown(text)
        )),
        _ => Err(format!("`{}` is no number", shown(text))),
    }
}
