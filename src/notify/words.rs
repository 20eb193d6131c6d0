//! Quantities, spans and moments as a person says them, in the site's unit and time zone.

use chrono::{Datelike, TimeZone, Timelike};
use chrono_tz::Tz;

use crate::{
    climate::{Celsius, Unit},
    watch::{
        Stamp,
        limits::{TARGET_C, TARGET_PCT},
        reading::HOUR_MS,
    },
};

/// Keeps a number and its unit on one line.
pub const NB: char = '\u{a0}';

/// Longer ago than half a year a day without its year could be of either winter. A figure of this project.
const LONG_AGO_MS: i64 = 182 * 24 * HOUR_MS;

/// How a site wants to read things.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Manner {
    /// Days and hours follow it.
    pub zone: Tz,
    /// Of temperatures.
    pub unit: Unit,
}

impl Manner {
    /// The letter of the unit.
    pub fn letter(self) -> &'static str {
        match self.unit {
            Unit::C => "C",
            Unit::F => "F",
        }
    }

    /// Degrees Celsius as a number in the site's unit.
    pub fn degrees(self, celsius: f64) -> f64 {
        match self.unit {
            Unit::C => celsius,
            Unit::F => Celsius::new(celsius).map_or(celsius, Celsius::fahrenheit),
        }
    }

    /// `49.6`.
    pub fn degrees_text(self, celsius: f64) -> String {
        format!("{:.1}", self.degrees(celsius))
    }

    /// `49.6 F`.
    pub fn temperature(self, celsius: f64) -> String {
        format!("{}{NB}{}", self.degrees_text(celsius), self.letter())
    }

    /// A limit, without the decimal where there is none: `40 F`.
    pub fn limit(self, celsius: f64) -> String {
        let degrees = (self.degrees(celsius) * 10.0).round() / 10.0;
        format!("{degrees}{NB}{}", self.letter())
    }

    /// A difference in kelvin: `5.9 F`.
    pub fn difference(self, kelvin: f64) -> String {
        let value = match self.unit {
            Unit::C => kelvin,
            Unit::F => kelvin * 1.8,
        };
        format!("{value:.1}{NB}{}", self.letter())
    }

    /// `14:05`.
    pub fn clock(self, at: Stamp) -> String {
        let local = self.zone.from_utc_datetime(&at.to_utc().naive_utc());
        format!("{}:{:02}", local.hour(), local.minute())
    }

    /// `Wed 25 Nov, 14:05`.
    pub fn day_and_clock(self, at: Stamp) -> String {
        let local = self.zone.from_utc_datetime(&at.to_utc().naive_utc());
        format!(
            "{} {}, {}",
            local.format("%a"),
            local.format("%-d %b"),
            self.clock(at)
        )
    }

    /// `Wed 25 Nov, 14:05`, and `Wed 25 Nov 2026, 14:05` when that is long ago.
    pub fn day_long_ago(self, at: Stamp, now: Stamp) -> String {
        if now.since(at) < LONG_AGO_MS {
            return self.day_and_clock(at);
        }
        let local = self.zone.from_utc_datetime(&at.to_utc().naive_utc());
        format!("{}, {}", local.format("%a %-d %b %Y"), self.clock(at))
    }

    /// `2:10 in the night` for today, else with the day.
    pub fn moment(self, at: Stamp, now: Stamp) -> String {
        let local = |s: Stamp| self.zone.from_utc_datetime(&s.to_utc().naive_utc());
        let (then, today) = (local(at), local(now));
        let clock = self.clock(at);
        match (
            today.num_days_from_ce() - then.num_days_from_ce(),
            then.hour(),
        ) {
            (0, 0..5) => format!("{clock} in the night"),
            (0, 5..12) => format!("{clock} in the morning"),
            // From noon on the number says it.
            (0, _) => clock,
            (1, _) => format!("yesterday, {clock}"),
            _ => self.day_and_clock(at),
        }
    }

    /// `14 Mar`, by the site's calendar.
    pub fn day(self, at: Stamp) -> String {
        let local = self.zone.from_utc_datetime(&at.to_utc().naive_utc());
        local.format("%-d %b").to_string()
    }

    /// A sum of warmth in the site's degrees and days: `195 C day`.
    pub fn warmth(self, celsius_days: f64) -> String {
        let value = match self.unit {
            Unit::C => celsius_days,
            Unit::F => celsius_days * 1.8,
        };
        format!("{value:.0}{NB}{}{NB}day", self.letter())
    }

    /// What growers aim at: `50 F and 80 %`.
    pub fn target(self) -> String {
        format!("{} and {}", self.limit(TARGET_C), percent(TARGET_PCT))
    }

    /// RFC 3339 with the site's offset.
    pub fn iso(self, at: Stamp) -> String {
        self.zone
            .from_utc_datetime(&at.to_utc().naive_utc())
            .to_rfc3339_opts(chrono::SecondsFormat::Secs, false)
    }
}

/// `81 %`.
pub fn percent(value: f64) -> String {
    format!("{value:.0}{NB}%")
}

/// `40 seconds`, `12 minutes`, `9 hours`, `3 days`.
pub fn span(ms: i64) -> String {
    let count = |n: i64, one: &str| {
        let s = if n == 1 { "" } else { "s" };
        format!("{n}{NB}{one}{s}")
    };
    let seconds = ms.max(0) / 1000;
    match seconds {
        0..90 => count(seconds, "second"),
        90..5400 => count((seconds + 30) / 60, "minute"),
        5400..129_600 => count((seconds + 1800) / 3600, "hour"),
        _ => count((seconds + 43_200) / 86_400, "day"),
    }
}

/// `3 h 20 min`, exact to the minute.
pub fn span_exact(ms: i64) -> String {
    let minutes = ms.max(0) / 60_000;
    match (minutes / 60, minutes % 60) {
        (0, m) => format!("{m}{NB}min"),
        (h, 0) if h < 48 => format!("{h}{NB}h"),
        (h, m) if h < 48 => format!("{h}{NB}h {m}{NB}min"),
        _ => span(ms),
    }
}

/// `2 minutes ago`, `just now`; something ahead of the clock counts as now.
pub fn ago(at: Stamp, now: Stamp) -> String {
    let ms = now.since(at);
    if ms < 10_000 {
        "just now".to_owned()
    } else {
        format!("{} ago", span(ms))
    }
}

/// `1,460`.
pub fn thousands(n: i64) -> String {
    let digits = n.unsigned_abs().to_string();
    let groups: Vec<&str> = digits
        .as_bytes()
        .rchunks(3)
        .rev()
        .map(|g| std::str::from_utf8(g).unwrap_or_default())
        .collect();
    let sign = if n < 0 { "-" } else { "" };
    format!("{sign}{}", groups.join(","))
}

/// `1 crate`, `6 crates`.
pub fn count(n: usize, one: &str, many: &str) -> String {
    let word = if n == 1 { one } else { many };
    format!("{}{NB}{word}", thousands(n as i64))
}

/// Hours as milliseconds, for figures that are told in hours.
pub fn hours_ms(hours: f64) -> i64 {
    (hours * HOUR_MS as f64) as i64
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono_tz::{Europe::Berlin, UTC};

    #[test]
    fn time_is_told_the_way_people_tell_it() {
        let manner = Manner {
            zone: Berlin,
            unit: Unit::F,
        };
        let night = Stamp(1_796_087_400_000); // 2026-12-01T01:10:00Z
        assert_eq!(
            manner.moment(night, night.plus(7 * HOUR_MS)),
            "2:10 in the night"
        );
        assert_eq!(
            manner.moment(night, night.plus(24 * HOUR_MS)),
            "yesterday, 2:10"
        );
        assert_eq!(
            manner.moment(night, night.plus(48 * HOUR_MS)),
            "Tue 1 Dec, 2:10"
        );
        for (days, said) in [(181, "Tue 1 Dec, 2:10"), (182, "Tue 1 Dec 2026, 2:10")] {
            let now = night.plus(days * 24 * HOUR_MS);
            assert_eq!(manner.day_long_ago(night, now), said, "{days}");
        }
        let noon = night.plus(11 * HOUR_MS);
        assert_eq!(manner.moment(noon, noon), "13:10");
        assert_eq!(span(59_000), "59\u{a0}seconds");
        assert_eq!(span(3_600_000), "60\u{a0}minutes");
        assert_eq!(span(3 * 86_400_000), "3\u{a0}days");
        assert_eq!(span_exact(12_000_000), "3\u{a0}h 20\u{a0}min");
        assert_eq!(thousands(1_234_567), "1,234,567");
    }

    #[test]
    fn the_unit_is_the_site_s() {
        let f = Manner {
            zone: UTC,
            unit: Unit::F,
        };
        let c = Manner { unit: Unit::C, ..f };
        assert_eq!(f.temperature(10.0), "50.0\u{a0}F");
        assert_eq!(f.limit(40.0_f64.mul_add(1.0, -32.0) / 1.8), "40\u{a0}F");
        assert_eq!(c.temperature(10.0), "10.0\u{a0}C");
        assert_eq!(f.difference(1.5), "2.7\u{a0}F");
    }
}
