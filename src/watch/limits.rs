//! What is held against what: kinds of alert, their limits, delays and priorities.

use std::fmt;

use serde::{Deserialize, Serialize};

use super::reading::{HOUR_MS, MINUTE_MS};

/// What an alert is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// Tubers are about to freeze.
    Frost,
    /// Below the band; nothing is lost yet.
    Cold,
    /// Above the band: tubers shrivel and wake.
    Warm,
    /// The air draws water out of the tubers.
    DryOut,
    /// Damp enough for mould on packing and skins.
    RotRisk,
    /// A surface is at or near the dew point of the air.
    Sweating,
    /// A sensor says nothing.
    Silent,
}

impl Kind {
    /// Every kind, the most urgent first.
    pub const ALL: [Self; 7] = [
        Self::Frost,
        Self::Sweating,
        Self::RotRisk,
        Self::DryOut,
        Self::Warm,
        Self::Cold,
        Self::Silent,
    ];

    /// The word used in files and on the command line.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Frost => "frost",
            Self::Cold => "cold",
            Self::Warm => "warm",
            Self::DryOut => "dry-out",
            Self::RotRisk => "rot-risk",
            Self::Sweating => "sweating",
            Self::Silent => "silent",
        }
    }

    /// The kind with that word.
    pub fn parse(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|k| k.as_str() == word)
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

/// How soon a person must act; three levels, as ANSI/ISA-18.2 advises for a small site.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Priority {
    /// Look soon.
    Low,
    /// Act today.
    Medium,
    /// Act now; may wake the grower.
    High,
}

impl Priority {
    /// The word used in files and on the command line.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Low => "low",
            Self::Medium => "medium",
            Self::High => "high",
        }
    }

    /// The priority with that word.
    pub fn parse(word: &str) -> Option<Self> {
        [Self::Low, Self::Medium, Self::High]
            .into_iter()
            .find(|p| p.as_str() == word)
    }
}

/// One rung of a kind: beyond `limit` for `delay_ms` gives an alert of `priority`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Step {
    /// C, percent, or kelvin above the dew point, by kind.
    pub limit: f64,
    /// On-delay: time beyond the limit, in milliseconds, before it counts.
    pub delay_ms: i64,
    /// What it is worth.
    pub priority: Priority,
}

/// The rungs of one kind, and how it ends.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Rungs {
    /// From the mildest to the worst.
    pub steps: Vec<Step>,
    /// Deadband: how far back inside the limit a reading must be to count as returned.
    pub deadband: f64,
    /// Off-delay: how long it must stay there, in milliseconds.
    pub off_delay_ms: i64,
}

/// The range a room should stay in.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Band {
    /// C.
    pub low_c: f64,
    /// C.
    pub high_c: f64,
    /// Percent relative humidity.
    pub low_pct: f64,
    /// Percent relative humidity.
    pub high_pct: f64,
}

/// What growers aim at for dahlia tubers in store, 50 F: common practice.
pub const TARGET_C: f64 = 10.0;
/// What growers aim at for dahlia tubers in store, 80 % relative humidity: common practice.
pub const TARGET_PCT: f64 = 80.0;

const FAHRENHEIT_DEGREE: f64 = 1.0 / 1.8;

fn fahrenheit(f: f64) -> f64 {
    (f - 32.0) / 1.8
}

impl Default for Band {
    /// 40 to 52 F: extension services advise 40 to 50 F (Iowa State University Extension; University
    /// of Minnesota Extension), so there is more room below the 50 F target than above it. 75 to
    /// 85 %: common practice.
    fn default() -> Self {
        Self {
            low_c: fahrenheit(40.0),
            high_c: fahrenheit(52.0),
            low_pct: 75.0,
            high_pct: 85.0,
        }
    }
}

/// Everything an air sensor of a room is held against.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Limits {
    /// The range the others were derived from; drawn on the pages.
    pub band: Band,
    /// C, at or below.
    pub frost: Rungs,
    /// C, below.
    pub cold: Rungs,
    /// C, above.
    pub warm: Rungs,
    /// Percent, below.
    pub dry_out: Rungs,
    /// Percent, above; never below the mould line at the temperature of the air.
    pub rot_risk: Rungs,
    /// Kelvin between the coldest surface and the dew point, at or below.
    pub sweating: Rungs,
    /// Percent, below, in the air inside a crate.
    pub crate_dry: Rungs,
    /// Percent, above, in the air inside a crate.
    pub crate_damp: Rungs,
}

fn step(limit: f64, delay_ms: i64, priority: Priority) -> Step {
    Step {
        limit,
        delay_ms,
        priority,
    }
}

impl Limits {
    /// The default rules of the storing stage around a band.
    ///
    /// Delays are chosen against harm (tubers in crates follow the air over hours, common practice)
    /// and against door openings; 35 F is the practical line for getting up (common practice), as
    /// tubers freeze a few degrees below. Deadbands follow EEMUA 191 as commonly quoted: 1 % of span
    /// for temperature, widened to 1 F, and 2 points of humidity.
    pub fn storing(band: Band) -> Self {
        use Priority::{High, Low, Medium};
        let f = FAHRENHEIT_DEGREE;
        let half_hour = 30 * MINUTE_MS;
        Self {
            band,
            frost: Rungs {
                steps: vec![step(fahrenheit(35.0), 15 * MINUTE_MS, High)],
                deadband: f,
                off_delay_ms: half_hour,
            },
            cold: Rungs {
                steps: vec![step(band.low_c, 60 * MINUTE_MS, Low)],
                deadband: f,
                off_delay_ms: half_hour,
            },
            warm: Rungs {
                steps: vec![
                    step(band.high_c, 6 * HOUR_MS, Low),
                    step(band.high_c + 3.0 * f, 24 * HOUR_MS, Medium),
                    step(band.high_c + 8.0 * f, 6 * HOUR_MS, High),
                ],
                deadband: f,
                off_delay_ms: half_hour,
            },
            dry_out: Rungs {
                steps: vec![
                    step(band.low_pct, 12 * HOUR_MS, Low),
                    step(band.low_pct - 5.0, 24 * HOUR_MS, Medium),
                ],
                deadband: 2.0,
                off_delay_ms: half_hour,
            },
            rot_risk: Rungs {
                steps: vec![
                    step(band.high_pct, 6 * HOUR_MS, Low),
                    step(band.high_pct + 5.0, 6 * HOUR_MS, Medium),
                ],
                deadband: 2.0,
                off_delay_ms: half_hour,
            },
            sweating: Rungs {
                steps: vec![
                    step(1.5, 30 * MINUTE_MS, Medium),
                    step(0.0, 30 * MINUTE_MS, High),
                ],
                deadband: 0.5,
                off_delay_ms: half_hour,
            },
            // In a lined crate the air is often 10 to 40 points damper than the room's: common
            // practice, hence a band of its own.
            crate_dry: Rungs {
                steps: vec![step(80.0, 12 * HOUR_MS, Low)],
                deadband: 2.0,
                off_delay_ms: half_hour,
            },
            crate_damp: Rungs {
                steps: vec![step(95.0, 6 * HOUR_MS, Low)],
                deadband: 2.0,
                off_delay_ms: half_hour,
            },
        }
    }
}

impl Default for Limits {
    fn default() -> Self {
        Self::storing(Band::default())
    }
}
