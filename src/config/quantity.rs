//! Quantities as people write them in the configuration: `40F`, `75 %`, `12h`, `2.7F` of difference.

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
}
