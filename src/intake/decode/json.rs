//! Readings as JSON: one object, an array of them, or one to a line.

use serde::{Deserialize, de::IgnoredAny};
use serde_json::value::RawValue;

use super::{Decoded, Fields, TimeShape};
use crate::climate::Unit;
use crate::watch::{Heard, SensorName};

/// The fields that are read; others are passed over, because gateways add their own.
#[derive(Deserialize)]
struct Record<'a> {
    #[serde(borrow)]
    sensor: Option<std::borrow::Cow<'a, str>>,
    #[serde(borrow)]
    measured_at: Option<std::borrow::Cow<'a, str>>,
    temperature_c: Option<f64>,
    temperature_f: Option<f64>,
    humidity_pct: Option<f64>,
    battery_pct: Option<f64>,
    // Without a unit in the name nobody knows what these mean.
    temperature: Option<IgnoredAny>,
    humidity: Option<IgnoredAny>,
}

/// Decodes one object.
pub fn object(text: &str, line: u64, sensor: Option<&SensorName>) -> Result<Heard, String> {
    let record: Record<'_> =
        serde_json::from_str(text).map_err(|e| format!("is no JSON reading: {e}"))?;
    if record.temperature.is_some() {
        return Err("`temperature` has no unit; call it temperature_c or temperature_f".to_owned());
    }
    if record.humidity.is_some() {
        return Err("`humidity` has no unit; call it humidity_pct, 0 to 100".to_owned());
    }
    let temperature = match (record.temperature_c, record.temperature_f) {
        (Some(_), Some(_)) => {
            return Err("has temperature_c and temperature_f; send one of them".to_owned());
        }
        (Some(c), None) => Some((c, Unit::C)),
        (None, Some(f)) => Some((f, Unit::F)),
        (None, None) => None,
    };
    let measured_at = record
        .measured_at
        .map(|text| TimeShape::default().parse(&text))
        .transpose()
        .map_err(|e| format!("measured_at: {e}"))?;
    Fields {
        sensor: record.sensor.as_deref(),
        measured_at,
        received_at: None,
        temperature,
        humidity_pct: record.humidity_pct,
        battery_pct: record.battery_pct,
    }
    .check(line, sensor)
}

/// Decodes complete lines, one object to each; empty ones are passed over but counted.
pub fn lines(text: &[u8], first_line: u64, sensor: Option<&SensorName>) -> Decoded {
    let mut decoded = Decoded::default();
    for (line, bytes) in (first_line..).zip(text.split_inclusive(|&b| b == b'\n')) {
        let text = String::from_utf8_lossy(bytes.trim_ascii());
        if !text.is_empty() {
            decoded.push(line, &text, object(&text, line, sensor));
        }
    }
    decoded
}

/// Decodes a body: one object or an array of them, each on its own. `Err` when it is no JSON at all.
pub fn body(text: &str, sensor: Option<&SensorName>) -> Result<Decoded, String> {
    let mut decoded = Decoded::default();
    if text.trim_start().starts_with('[') {
        let items: Vec<&RawValue> =
            serde_json::from_str(text).map_err(|e| format!("is no JSON: {e}"))?;
        for (line, item) in (1..).zip(items) {
            decoded.push(line, item.get(), object(item.get(), line, sensor));
        }
    } else {
        let item: &RawValue = serde_json::from_str(text).map_err(|e| format!("is no JSON: {e}"))?;
        decoded.push(1, item.get(), object(item.get(), 1, sensor));
    }
    Ok(decoded)
}
