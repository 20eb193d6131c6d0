//! Quantities as people write them in the configuration and on the command line: `40F`, `75 %`, `12h`,
//! `2.7F` of difference, `60m3`, `300 cfm`.

use std::time::Duration;

use chrono::NaiveDate;

use crate::climate::{Celsius, Unit};

/// The international foot in metres, exact (agreement of 1959; NIST SP 811, appendix B).
const FOOT_M: f64 = 0.3048;
/// The international pound in kilograms, exact (agreement of 1959; NIST SP 811, appendix B).
const POUND_KG: f64 = 0.453_592_37;
/// The US gallon of 231 cubic inches in litres, exact (NIST SP 811, appendix B).
pub(crate) const GALLON_L: f64 = 3.785_411_784;
/// The British thermal unit of the International Table in joules, exact (from the pound and the calorie
/// of 4.1868 J of the Fifth International Conference on the Properties of Steam, 1956; NIST SP 811,
/// appendix B).
pub(crate) const BTU_J: f64 = 1_055.055_852_62;
const CUBIC_FOOT_M3: f64 = FOOT_M * FOOT_M * FOOT_M;

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

/// The same in hours.
pub(super) fn hours(text: &str) -> Result<f64, String> {
    Ok(duration_ms(text)? as f64 / 3_600_000.0)
}

/// The same in days.
pub(super) fn days(text: &str) -> Result<f64, String> {
    Ok(hours(text)? / 24.0)
}

/// The mould index, 0 to 6, a number alone.
pub(super) fn mould_index(text: &str) -> Result<f64, String> {
    let value = text.trim().parse::<f64>().ok();
    value.filter(|v| (0.0..=6.0).contains(v)).ok_or_else(|| {
        format!(
            "`{text}` is no mould index, a number from 0 to 6 without a unit: 1 is growth under the microscope, 3 what the eye sees"
        )
    })
}

/// Warmth that adds up over days, `190C day` or `342F day`, in C day.
pub(super) fn degree_days(text: &str) -> Result<f64, String> {
    let such_as = "such as `190C day` or `342F day`";
    let of = text.trim().strip_suffix("day").map(str::trim_end);
    let warmth = of
        .and_then(|of| degrees(of).ok())
        .map(|(v, unit)| match unit {
            Unit::C => v,
            Unit::F => v / 1.8,
        });
    match warmth {
        // Tubers at 50 F gather some 600 C day until the middle of May.
        Some(c_day) if (0.0..=2000.0).contains(&c_day) => Ok(c_day),
        Some(_) => Err(format!("`{text}` is outside 0 to 2000 C day")),
        None => Err(format!("`{text}` is no warmth in degree days, {such_as}")),
    }
}

/// A day of every year, `05-15`, as month and day.
pub(super) fn month_day(text: &str) -> Result<(u32, u32), String> {
    let wrong =
        || format!("`{text}` is no day of the year, written month-day such as `05-15` for 15 May");
    let (month, day) = text.trim().split_once('-').ok_or_else(wrong)?;
    let two = |part: &str| {
        let digits = part.len() == 2 && part.bytes().all(|b| b.is_ascii_digit());
        part.parse::<u32>().ok().filter(|_| digits)
    };
    let (month, day) = two(month).zip(two(day)).ok_or_else(wrong)?;
    if (month, day) == (2, 29) {
        return Err(format!(
            "`{text}` is not in every year; write `02-28` or `03-01`"
        ));
    }
    // Any year without a leap day.
    NaiveDate::from_ymd_opt(2001, month, day)
        .map(|_| (month, day))
        .ok_or_else(wrong)
}

/// A height above the sea, `300m` or `1000ft`, in metres.
pub(super) fn altitude_m(text: &str) -> Result<f64, String> {
    // Where a store can stand; the lowest shore is some 430 m below the sea.
    let within = Within(-450.0, 5000.0, "m");
    amount(
        text,
        &[("m", 1.0), ("ft", FOOT_M)],
        &within,
        "300m` or `1000ft",
    )
}

/// A volume of air, `60m3` or `2100ft3`, in cubic metres.
pub(crate) fn volume_m3(text: &str) -> Result<f64, String> {
    let units = [("m3", 1.0), ("ft3", CUBIC_FOOT_M3), ("cuft", CUBIC_FOOT_M3)];
    let within = Within(0.1, 100_000.0, "m3");
    amount(text, &units, &within, "60m3` or `2100ft3")
}

/// A flow of air, `300m3/h` or `180cfm`, in cubic metres an hour.
pub(crate) fn flow_m3_h(text: &str) -> Result<f64, String> {
    let cfm = 60.0 * CUBIC_FOOT_M3;
    let units = [("m3/h", 1.0), ("cfm", cfm), ("ft3/min", cfm), ("l/s", 3.6)];
    let within = Within(1.0, 1_000_000.0, "m3/h");
    amount(text, &units, &within, "300m3/h` or `180cfm")
}

/// A weight, `120kg` or `260lb`, in kilograms.
pub(crate) fn weight_kg(text: &str) -> Result<f64, String> {
    let units = [
        ("kg", 1.0),
        ("g", 0.001),
        ("t", 1000.0),
        ("lb", POUND_KG),
        ("lbs", POUND_KG),
    ];
    let within = Within(0.001, 100_000.0, "kg");
    amount(text, &units, &within, "120kg` or `260lb")
}

/// What a heater gives, `1500W`, `1.5kW` or `5000BTU/h`, in watts.
pub(crate) fn power_w(text: &str) -> Result<f64, String> {
    let units = [
        ("w", 1.0),
        ("kw", 1000.0),
        ("btu/h", BTU_J / 3600.0),
        ("btu/hr", BTU_J / 3600.0),
    ];
    let within = Within(1.0, 1_000_000.0, "W");
    amount(text, &units, &within, "1500W`, `1.5kW` or `5000BTU/h")
}

/// What a humidifier gives, `500ml/h` or `3gal/day`, in grams an hour, a litre taken as a kilogram.
pub(crate) fn water_g_h(text: &str) -> Result<f64, String> {
    let gallon = 1000.0 * GALLON_L;
    let units = [
        ("ml/h", 1.0),
        ("g/h", 1.0),
        ("l/h", 1000.0),
        ("kg/h", 1000.0),
        ("l/day", 1000.0 / 24.0),
        ("gal/h", gallon),
        ("gal/day", gallon / 24.0),
    ];
    let within = Within(1.0, 1_000_000.0, "g/h");
    amount(text, &units, &within, "500ml/h` or `3gal/day")
}

/// The least and the most that makes sense, and in which unit.
struct Within(f64, f64, &'static str);

/// A number and one of these units, whatever its capitals, times what the unit is worth.
fn amount(
    text: &str,
    units: &[(&str, f64)],
    &Within(least, most, unit): &Within,
    such_as: &str,
) -> Result<f64, String> {
    let text = text.trim();
    let number = |c: char| c.is_ascii_digit() || matches!(c, '.' | '-' | '+' | ',');
    let (digits, own) = text.split_at(text.find(|c| !number(c)).unwrap_or(text.len()));
    if digits.contains(',') {
        return Err(format!(
            "`{text}` has a comma in its number; write decimals with a point and thousands without a sign"
        ));
    }
    let value = digits
        .parse::<f64>()
        .map_err(|_| format!("`{text}` is no number with its unit, such as `{such_as}`"))?;
    let own: String = own
        .chars()
        .filter(|c| !c.is_whitespace())
        .flat_map(char::to_lowercase)
        .map(|c| if c == '³' { '3' } else { c })
        .collect();
    if own.is_empty() {
        return Err(format!(
            "`{text}` has no unit; write it such as `{such_as}`"
        ));
    }
    let Some((_, worth)) = units.iter().find(|(name, _)| *name == own) else {
        return Err(format!(
            "`{text}` is in no unit known here; write it such as `{such_as}`"
        ));
    };
    let amount = value * worth;
    if (least..=most).contains(&amount) {
        Ok(amount)
    } else {
        Err(format!(
            "`{text}` is outside {least} to {most} {unit}; correct it, or leave it out where it is not known"
        ))
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
    fn amounts_are_exact_in_every_unit() {
        type Read = fn(&str) -> Result<f64, String>;
        let reads: [(Read, &str, f64); 25] = [
            (volume_m3, "60m3", 60.0),
            (volume_m3, "60 m³", 60.0),
            (volume_m3, "1000 cu ft", 28.316_846_592),
            // 0.3048 cubed.
            (volume_m3, "1000 ft3", 28.316_846_592),
            (flow_m3_h, "300m3/h", 300.0),
            (flow_m3_h, "100 cfm", 169.901_079_552),
            (flow_m3_h, "100CFM", 169.901_079_552),
            (flow_m3_h, "10 l/s", 36.0),
            (weight_kg, "120kg", 120.0),
            (weight_kg, "900 g", 0.9),
            (weight_kg, "1.5t", 1500.0),
            (weight_kg, "100 lb", 45.359_237),
            (weight_kg, "100lbs", 45.359_237),
            (power_w, "1500W", 1500.0),
            (power_w, "1.5 kW", 1500.0),
            (power_w, "3600 BTU/h", 1_055.055_852_62),
            (water_g_h, "500ml/h", 500.0),
            (water_g_h, "0.5 l/h", 500.0),
            (water_g_h, "24 gal/day", 3_785.411_784),
            (altitude_m, "300m", 300.0),
            (altitude_m, "1000 ft", 304.8),
            (altitude_m, "-3m", -3.0),
            (degree_days, "190C day", 190.0),
            (degree_days, "342 F day", 190.0),
            (hours, "1h 30min", 1.5),
        ];
        for (read, text, want) in reads {
            let found = read(text).unwrap();
            assert!((found - want).abs() < 1e-9, "{text}: {found}");
        }
        for (read, text, what) in [
            (volume_m3 as Read, "60", "has no unit"),
            (volume_m3, "60 m2", "in no unit known here"),
            (volume_m3, "2,100 ft3", "has a comma"),
            (volume_m3, "0m3", "outside 0.1 to 100000 m3"),
            (volume_m3, "big", "no number with its unit"),
            (volume_m3, "", "no number with its unit"),
            (volume_m3, "infm3", "no number with its unit"),
            (volume_m3, "1e9m3", "in no unit known here"),
            (flow_m3_h, "300", "such as `300m3/h` or `180cfm`"),
            (weight_kg, "-5kg", "leave it out"),
            (power_w, "1500 C", "such as `1500W`"),
            (water_g_h, "5l", "such as `500ml/h`"),
            (altitude_m, "9000m", "outside -450 to 5000 m"),
            (degree_days, "190", "degree days"),
            (degree_days, "190C", "such as `190C day`"),
            (degree_days, "-5C day", "outside 0 to 2000"),
            (mould_index, "7", "from 0 to 6"),
            (mould_index, "1%", "without a unit"),
        ] {
            let told = read(text).unwrap_err();
            assert!(told.contains(what), "{text}: {told}");
        }
    }

    #[test]
    fn a_day_of_the_year_has_one_form() {
        assert_eq!(month_day("05-15"), Ok((5, 15)));
        for bad in [
            "15 May", "5-15", "05/15", "13-01", "04-31", "00-10", "+5-15", "", "05-15-01",
        ] {
            assert!(
                month_day(bad).unwrap_err().contains("`05-15` for 15 May"),
                "{bad}"
            );
        }
        assert!(month_day("02-29").unwrap_err().contains("03-01"));
    }
}
