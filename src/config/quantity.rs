//! Quantities as people write them in the configuration and on the command line: `40F`, `75 %`, `12h`,
//! `2.7F` of difference, `60m3`, `300 cfm`, `220lb`.

use std::time::Duration;

use crate::climate::{Celsius, Unit};

/// `40F` or `4.4 C`, in degrees Celsius.
pub(super) fn temperature(text: &str) -> Result<f64, String> {
    let (value, unit) = degrees(text)?;
    let t = match unit {
        Unit::C => Celsius::from_sensor(value),
        Unit::F => Celsius::from_sensor_fahrenheit(value),
    };
    t.map(Celsius::degrees).map_err(|e| e.to_string())
}

/// A difference of temperatures, `1F` or `0.5 C`, in kelvin.
pub(super) fn difference(text: &str) -> Result<f64, String> {
    let (value, unit) = degrees(text)?;
    let kelvin = match unit {
        Unit::C => value,
        Unit::F => value / 1.8,
    };
    if (-20.0..=20.0).contains(&kelvin) {
        Ok(kelvin)
    } else {
        Err(format!("`{text}` is no difference within a storage room"))
    }
}

fn degrees(text: &str) -> Result<(f64, Unit), String> {
    let text = text.trim();
    let unit = match text.chars().last() {
        Some('C' | 'c') => Unit::C,
        Some('F' | 'f') => Unit::F,
        _ => {
            return Err(format!(
                "`{text}` has no unit; write `{text}F` or `{text}C`"
            ));
        }
    };
    let digits = text[..text.len() - 1].trim_end_matches([' ', '°']);
    let value = digits.parse::<f64>().ok().filter(|v| v.is_finite());
    Ok((
        value.ok_or_else(|| format!("`{text}` is no temperature"))?,
        unit,
    ))
}

/// `75%` or `75`, in percent.
pub(super) fn percent(text: &str) -> Result<f64, String> {
    let digits = text.trim().trim_end_matches('%').trim_end();
    match digits.parse::<f64>() {
        Ok(value) if (0.0..=100.0).contains(&value) => Ok(value),
        _ => Err(format!(
            "`{text}` is no percentage from 0 to 100, such as `75%`"
        )),
    }
}

/// `12h`, `90s`, `1h 30min`.
pub(super) fn duration(text: &str) -> Result<Duration, String> {
    humantime::parse_duration(text.trim())
        .map_err(|e| format!("`{text}` is no duration, such as `15min` or `12h`: {e}"))
}

/// The same in milliseconds.
pub(super) fn duration_ms(text: &str) -> Result<i64, String> {
    let ms = duration(text)?.as_millis();
    // A season is the longest anything here can mean.
    if ms <= 366 * 24 * 3_600_000 {
        Ok(ms as i64)
    } else {
        Err(format!("`{text}` is longer than a year"))
    }
}

/// One quantity with the units that it is written in.
struct Measure {
    /// As in "`5` is no volume".
    name: &'static str,
    /// The unit and what one of it comes to; several spellings of one stand side by side.
    units: &'static [(&'static str, f64)],
    /// Two ways to write it, for the remedy.
    such_as: [&'static str; 2],
    /// The largest that a storage room can have, in the first unit; a slip of the pen lies beyond.
    most: f64,
}

/// Exactly, from the inch of 25.4 mm.
const CUBIC_FOOT_M3: f64 = 0.028_316_846_592;
/// The avoirdupois pound, exactly.
const POUND_KG: f64 = 0.453_592_37;
/// Litres of a gallon of the United States, exactly.
pub(crate) const GALLON_L: f64 = 3.785_411_784;
/// Joules of a BTU of the International Table; a watt-hour is 3.412 of them.
pub(crate) const BTU_J: f64 = 1_055.055_852_62;

const VOLUME: Measure = Measure {
    name: "volume",
    units: &[("m3", 1.0), ("ft3", CUBIC_FOOT_M3), ("cuft", CUBIC_FOOT_M3)],
    such_as: ["60m3", "2100ft3"],
    most: 100_000.0,
};

const FLOW: Measure = Measure {
    name: "flow of air",
    units: &[
        ("m3/h", 1.0),
        ("cfm", 60.0 * CUBIC_FOOT_M3),
        ("ft3/min", 60.0 * CUBIC_FOOT_M3),
    ],
    such_as: ["300m3/h", "180cfm"],
    most: 1_000_000.0,
};

const WEIGHT: Measure = Measure {
    name: "weight",
    units: &[
        ("kg", 1.0),
        ("g", 0.001),
        ("lb", POUND_KG),
        ("lbs", POUND_KG),
    ],
    such_as: ["100kg", "220lb"],
    most: 1_000_000.0,
};

const POWER: Measure = Measure {
    name: "power",
    units: &[
        ("w", 1.0),
        ("kw", 1000.0),
        ("btu/h", BTU_J / 3600.0),
        ("btu/hr", BTU_J / 3600.0),
    ],
    such_as: ["1500W", "5000BTU/h"],
    most: 10_000_000.0,
};

const WATER_RATE: Measure = Measure {
    name: "flow of water",
    units: &[
        ("g/h", 1.0),
        ("ml/h", 1.0),
        ("l/h", 1000.0),
        ("l/day", 1000.0 / 24.0),
        ("gal/h", 1000.0 * GALLON_L),
        ("gal/day", 1000.0 * GALLON_L / 24.0),
    ],
    such_as: ["500ml/h", "3gal/day"],
    most: 10_000_000.0,
};

/// `60m3` or `2100 cu ft`, in cubic metres.
pub(crate) fn volume(text: &str) -> Result<f64, String> {
    measure(&VOLUME, text)
}

/// `300m3/h` or `180 cfm`, in cubic metres an hour.
pub(crate) fn flow(text: &str) -> Result<f64, String> {
    measure(&FLOW, text)
}

/// `100kg` or `220 lb`, in kilograms.
pub(crate) fn weight(text: &str) -> Result<f64, String> {
    measure(&WEIGHT, text)
}

/// `1500W`, `1.5 kW` or `5000 BTU/h`, in watts.
pub(crate) fn power(text: &str) -> Result<f64, String> {
    measure(&POWER, text)
}

/// `500ml/h`, `0.5 l/h` or `3 gal/day` of water, in grams an hour.
pub(crate) fn water_rate(text: &str) -> Result<f64, String> {
    measure(&WATER_RATE, text)
}

/// A number above 0 and its unit, which is never guessed. A remedy follows after `; `.
fn measure(of: &Measure, text: &str) -> Result<f64, String> {
    let text = text.trim();
    let name = of.name;
    let [one, other] = of.such_as;
    let remedy = format!("write it such as `{one}` or `{other}`");
    let end = text
        .find(|c: char| !(c.is_ascii_digit() || "+-.".contains(c)))
        .unwrap_or(text.len());
    let (digits, unit) = text.split_at(end);
    let value = digits
        .parse::<f64>()
        .map_err(|_| format!("`{text}` is no {name}; {remedy}"))?;
    let unit: String = unit
        .chars()
        .filter(|c| !c.is_whitespace())
        .flat_map(char::to_lowercase)
        .map(|c| if c == '³' { '3' } else { c })
        .collect();
    if unit.is_empty() {
        return Err(format!("`{text}` has no unit; {remedy}"));
    }
    let Some((_, factor)) = of.units.iter().find(|(u, _)| *u == unit) else {
        return Err(format!("`{text}` is in no unit of {name}; {remedy}"));
    };
    let value = value * factor;
    if value <= 0.0 {
        Err(format!("`{text}` is not above 0; {remedy}"))
    } else if of.most < value {
        Err(format!(
            "`{text}` is more than a storage room has; {remedy}"
        ))
    } else {
        Ok(value)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn units_are_asked_for_and_never_guessed() {
        assert!((temperature("50 F").unwrap() - 10.0).abs() < 1e-12);
        assert!((temperature("4.5°C").unwrap() - 4.5).abs() < 1e-12);
        assert!((difference("1.8F").unwrap() - 1.0).abs() < 1e-12);
        assert!((percent("75 %").unwrap() - 75.0).abs() < 1e-12);
        assert_eq!(duration_ms("1h 30min"), Ok(5_400_000));
        for bad in ["50", "", "F", "five F", "900F", "NaNC"] {
            assert!(temperature(bad).is_err(), "{bad}");
        }
        for bad in ["175%", "-1", "dry"] {
            assert!(percent(bad).is_err(), "{bad}");
        }
        for bad in ["12", "soon", "9999 weeks"] {
            assert!(duration_ms(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn quantities_of_a_room_come_in_the_units_of_both_worlds() {
        type Parse = fn(&str) -> Result<f64, String>;
        // Conversions from any printed table (exact definitions, rounded).
        let rows: [(Parse, &str, f64); 18] = [
            (volume, "60m3", 60.0),
            (volume, "60 m³", 60.0),
            (volume, "1000 ft3", 28.3168),
            (volume, "1000 cu ft", 28.3168),
            (flow, "300 m3/h", 300.0),
            (flow, "100CFM", 169.9011),
            (flow, "100 ft3/min", 169.9011),
            (weight, "100kg", 100.0),
            (weight, "220 lb", 99.7903),
            (weight, "1 lbs", 0.4536),
            (weight, "500 g", 0.5),
            (power, "1500W", 1500.0),
            (power, "1.5kW", 1500.0),
            (power, "5000 BTU/h", 1465.3554),
            (water_rate, "0.5 l/h", 500.0),
            (water_rate, "500 mL/h", 500.0),
            (water_rate, "3 gal/day", 473.1765),
            (water_rate, "12 l/day", 500.0),
        ];
        for (parse, text, value) in rows {
            let found = parse(text).unwrap();
            assert!((found - value).abs() < 1e-4 * value, "{text}: {found}");
        }
    }

    #[test]
    fn a_number_alone_is_refused_with_the_remedy() {
        for (found, said) in [
            (
                volume("60"),
                "`60` has no unit; write it such as `60m3` or `2100ft3`",
            ),
            (
                volume("60 kg"),
                "`60 kg` is in no unit of volume; write it such as `60m3` or `2100ft3`",
            ),
            (
                flow("300"),
                "`300` has no unit; write it such as `300m3/h` or `180cfm`",
            ),
            (
                weight("heavy"),
                "`heavy` is no weight; write it such as `100kg` or `220lb`",
            ),
            (
                power("0W"),
                "`0W` is not above 0; write it such as `1500W` or `5000BTU/h`",
            ),
            (
                water_rate("-1l/h"),
                "`-1l/h` is not above 0; write it such as `500ml/h` or `3gal/day`",
            ),
        ] {
            assert_eq!(found, Err(said.to_owned()));
        }
        for bad in [
            "",
            "m3",
            "1e9m3",
            "1,500m3",
            "1.2.3m3",
            "99999999m3",
            "NaNm3",
            "--",
        ] {
            assert!(volume(bad).is_err(), "{bad}");
        }
    }
}
