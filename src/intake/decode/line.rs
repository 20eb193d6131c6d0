//! One line from a serial port: `id=north T=49.8F RH=81.4%`, `9.8,81.4`, or a JSON object.

use super::{Fields, json, number, shown};
use crate::climate::Unit;
use crate::watch::{Heard, SensorName};

/// What the configuration says where a line does not.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct LineShape {
    /// The sensor of lines that name none.
    pub sensor: Option<SensorName>,
    /// The unit of temperatures that carry none.
    pub unit: Option<Unit>,
}

/// Decodes one line.
pub fn decode(text: &str, line: u64, shape: &LineShape) -> Result<Heard, String> {
    let text = text.trim();
    if text.starts_with('{') {
        return json::object(text, line, shape.sensor.as_ref());
    }
    let mut fields = Fields::default();
    if text.contains('=') {
        let separators = |c: char| c.is_whitespace() || c == ',' || c == ';';
        for pair in text.split(separators).filter(|p| !p.is_empty()) {
            let Some((key, value)) = pair.split_once('=') else {
                return Err(format!("`{}` is no `name=value`", shown(pair)));
            };
            one(&mut fields, key, value, shape)?;
        }
    } else {
        let values: Vec<&str> = text.split([',', ';']).map(str::trim).collect();
        let ([t] | [t, _]) = values[..] else {
            return Err(
                "is neither `id=north T=49.8F RH=81.4%` nor `9.8,81.4` nor a JSON object"
                    .to_owned(),
            );
        };
        fields.temperature = Some(temperature(t, shape.unit)?);
        if let Some(rh) = values.get(1) {
            fields.humidity_pct = Some(percent(rh)?);
        }
    }
    fields.check(line, shape.sensor.as_ref())
}

fn one<'a>(
    fields: &mut Fields<'a>,
    key: &str,
    value: &'a str,
    shape: &LineShape,
) -> Result<(), String> {
    match key.to_ascii_lowercase().as_str() {
        "id" | "sensor" | "name" => fields.sensor = Some(value),
        "t" | "temp" | "temperature" => {
            fields.temperature = Some(temperature(value, shape.unit)?);
        }
        "temperature_c" | "t_c" => fields.temperature = Some(temperature(value, Some(Unit::C))?),
        "temperature_f" | "t_f" => fields.temperature = Some(temperature(value, Some(Unit::F))?),
        "rh" | "h" | "hum" | "humidity" | "humidity_pct" => {
            fields.humidity_pct = Some(percent(value)?);
        }
        // A voltage is no percentage, and what it means depends on the battery.
        "bat" | "battery" | "battery_pct" if !value.ends_with(['V', 'v']) => {
            fields.battery_pct = Some(percent(value)?);
        }
        _ => {}
    }
    Ok(())
}

fn temperature(text: &str, unit: Option<Unit>) -> Result<(f64, Unit), String> {
    let text = text.trim();
    let (digits, said) = match text.chars().last() {
        Some('C' | 'c') => (&text[..text.len() - 1], Some(Unit::C)),
        Some('F' | 'f') => (&text[..text.len() - 1], Some(Unit::F)),
        _ => (text, None),
    };
    let value = number(digits.trim_end_matches(['°', ' ']), false)?;
    match said.or(unit) {
        Some(unit) => Ok((value, unit)),
        None => Err(format!(
            "`{text}` has no unit; send `{text}C` or `{text}F`, or set `unit` for this source"
        )),
    }
}

fn percent(text: &str) -> Result<f64, String> {
    number(text.trim().trim_end_matches('%'), false)
}
