//! What is held against what: kinds of alert, their limits, delays and priorities.

use std::fmt;

use serde::{Deserialize, Serialize};

use super::{
    reading::{HOUR_MS, MINUTE_MS},
    settings::Stage,
};

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
    /// The battery of a sensor runs down.
    Battery,
    /// In and out of the band again and again, each time too short for an alert of its own.
    Swinging,
    /// Nobody was looking for a while.
    RecorderOff,
    /// Messages cannot be delivered.
    ChannelFailing,
    /// The air is on its way to freezing, if it goes on so.
    FrostAhead,
    /// Outside air would wet the tubers if it were let in.
    Thaw,
    /// Crates will have lost too much weight by planting.
    Shrink,
    /// Mould is on its way, by the days that have been.
    Mould,
    /// Enough warmth since 1 January for the first eyes.
    Waking,
}

impl Kind {
    /// Every kind, the most urgent first.
    pub const ALL: [Self; 16] = [
        Self::Frost,
        Self::FrostAhead,
        Self::Sweating,
        Self::Mould,
        Self::RotRisk,
        Self::Shrink,
        Self::DryOut,
        Self::Warm,
        Self::Cold,
        Self::Thaw,
        Self::Waking,
        Self::Silent,
        Self::RecorderOff,
        Self::ChannelFailing,
        Self::Swinging,
        Self::Battery,
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
            Self::Battery => "battery",
            Self::Swinging => "swinging",
            Self::RecorderOff => "recorder-off",
            Self::ChannelFailing => "channel-failing",
            Self::FrostAhead => "frost-ahead",
            Self::Thaw => "thaw",
            Self::Shrink => "shrink",
            Self::Mould => "mould",
            Self::Waking => "waking",
        }
    }

    /// What happened matters more than the present value: it stands until a person resets it
    /// (ANSI/ISA-18.2 calls that latching). Of ordinary band alerts it would only make stale ones.
    pub fn latches(self) -> bool {
        matches!(self, Self::Frost | Self::RecorderOff)
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
    /// In the unit of the kind: C, percent, kelvin, hours, days, C day, or the mould index.
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

/// When short excursions add up: single-event rules alone would let ten of fifty minutes pass.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Swings {
    /// Time outside the band within 24 hours, in milliseconds.
    pub outside_ms: i64,
    /// In so many separate pieces or more.
    pub pieces: u32,
}

impl Default for Swings {
    /// More than two hours in four pieces or more, two days running: a setting of this project, after
    /// the cumulative alarms of WHO PQS E006 recorders.
    fn default() -> Self {
        Self {
            outside_ms: 2 * HOUR_MS,
            pieces: 4,
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
    /// Percent of battery left, at or below.
    #[serde(default = "battery")]
    pub battery: Rungs,
    /// Hours to freezing by the trend, within.
    #[serde(default = "frost_ahead")]
    pub frost_ahead: Rungs,
    /// The same in a room that is below its band.
    #[serde(default = "frost_ahead_below")]
    pub frost_ahead_below: Rungs,
    /// Kelvin by which the outdoor dew point lies above the coldest crate, above.
    #[serde(default = "thaw")]
    pub thaw: Rungs,
    /// Points of weight lost by planting beyond what 50 F and 80 % would take, above.
    #[serde(default = "shrink")]
    pub shrink: Rungs,
    /// Percent of weight lost by planting, for crates that were weighed, above.
    #[serde(default = "shrink_weighed")]
    pub shrink_weighed: Rungs,
    /// Days to mould index 1 as the last days went on, within.
    #[serde(default = "mould_ahead")]
    pub mould_ahead: Rungs,
    /// Mould index, above.
    #[serde(default = "mould")]
    pub mould: Rungs,
    /// Warmth since 1 January, C day, above.
    #[serde(default = "waking")]
    pub waking: Rungs,
    /// Cumulative rule of the band; none where the band means nothing.
    #[serde(default = "swings")]
    pub swings: Option<Swings>,
}

/// A fifth of the battery left gives days to weeks to change it (common practice).
fn battery() -> Rungs {
    Rungs {
        steps: vec![step(20.0, HOUR_MS, Priority::Low)],
        deadband: 10.0,
        off_delay_ms: HOUR_MS,
    }
}

fn rungs(steps: Vec<Step>, deadband: f64, off_delay_ms: i64) -> Rungs {
    Rungs {
        steps,
        deadband,
        off_delay_ms,
    }
}

/// Six hours ahead, the horizon of the published comparison; about half of such warnings come true,
/// so the priority is low.
fn frost_ahead() -> Rungs {
    rungs(vec![step(6.0, 0, Priority::Low)], 0.5, HOUR_MS)
}

/// A room that is out of its band has less to lose by a false one.
fn frost_ahead_below() -> Rungs {
    rungs(vec![step(6.0, 0, Priority::Medium)], 0.5, HOUR_MS)
}

/// Half an hour, as for sweating itself; the off-delay keeps a day of showers one notice.
fn thaw() -> Rungs {
    rungs(
        vec![step(0.0, 30 * MINUTE_MS, Priority::Low)],
        1.0,
        6 * HOUR_MS,
    )
}

/// Five and ten points beyond what the target itself takes: judgement. Growers note 5 % lost, are
/// warned by 10 and act at 15 to 20 (common practice, no source). Never high: water leaves over weeks,
/// and nothing is won by waking anybody.
fn shrink() -> Rungs {
    let day = 24 * HOUR_MS;
    let of = |points| step(points, day, Priority::Medium);
    rungs(vec![of(5.0), of(10.0)], 1.0, day)
}

/// The total is only believed of crates that were weighed: 15 to 20 % is where growers act (common
/// practice, no source).
fn shrink_weighed() -> Rungs {
    let day = 24 * HOUR_MS;
    let of = |percent| step(percent, day, Priority::Medium);
    rungs(vec![of(15.0), of(20.0)], 1.0, day)
}

/// Two months ahead leaves time to air and dry (judgement); within a month it would have begun before
/// the next look, since stores are gone through monthly (University of Minnesota Extension).
fn mould_ahead() -> Rungs {
    use Priority::{Low, Medium};
    let day = 24 * HOUR_MS;
    rungs(
        vec![step(60.0, day, Low), step(30.0, day, Medium)],
        15.0,
        day,
    )
}

/// Index 1 is growth under the microscope, 3 what the eye sees (Hukka & Viitanen 1999). Never high, for
/// the reason that drying is not.
fn mould() -> Rungs {
    let of = |index| step(index, HOUR_MS, Priority::Medium);
    rungs(vec![of(1.0), of(3.0)], 0.2, 24 * HOUR_MS)
}

/// About a week before the 220 C day at which early varieties show eyes at 50 F (derived from growers'
/// reports, see the warmth model).
fn waking() -> Rungs {
    rungs(vec![step(190.0, HOUR_MS, Priority::Low)], 10.0, HOUR_MS)
}

// What a configuration stored by an earlier version did not say.
#[allow(clippy::unnecessary_wraps)]
fn swings() -> Option<Swings> {
    Some(Swings::default())
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
                // What was wet takes hours to dry, and a day of showers is one alert.
                off_delay_ms: 6 * HOUR_MS,
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
            battery: battery(),
            frost_ahead: frost_ahead(),
            frost_ahead_below: frost_ahead_below(),
            thaw: thaw(),
            shrink: shrink(),
            shrink_weighed: shrink_weighed(),
            mould_ahead: mould_ahead(),
            mould: mould(),
            waking: waking(),
            swings: swings(),
        }
    }

    /// The rungs of a kind that a room's own configuration can change; `None` for the others.
    pub fn rungs_mut(&mut self, kind: Kind) -> Option<&mut Rungs> {
        match kind {
            Kind::Frost => Some(&mut self.frost),
            Kind::Cold => Some(&mut self.cold),
            Kind::Warm => Some(&mut self.warm),
            Kind::DryOut => Some(&mut self.dry_out),
            Kind::RotRisk => Some(&mut self.rot_risk),
            Kind::Sweating => Some(&mut self.sweating),
            Kind::Battery => Some(&mut self.battery),
            Kind::FrostAhead => Some(&mut self.frost_ahead),
            Kind::Thaw => Some(&mut self.thaw),
            Kind::Shrink => Some(&mut self.shrink),
            Kind::Mould => Some(&mut self.mould),
            Kind::Waking => Some(&mut self.waking),
            Kind::Silent | Kind::Swinging | Kind::RecorderOff | Kind::ChannelFailing => None,
        }
    }

    /// The default rules of a stage; `storing` are those of the storing stage, whose frost, sweating
    /// and battery rules hold in every stage but the empty one.
    pub fn of_stage(stage: Stage, storing: &Self) -> Self {
        use Priority::{Low, Medium};
        let rungs = |steps: Vec<Step>, deadband: f64| Rungs {
            steps,
            deadband,
            off_delay_ms: 30 * MINUTE_MS,
        };
        let f = FAHRENHEIT_DEGREE;
        let none = || rungs(Vec::new(), f);
        match stage {
            Stage::Storing => storing.clone(),
            // Tubers are dried a day or more in airy shade before they are packed (Iowa State
            // University Extension; University of Minnesota Extension); the air may be warm and dry
            // meanwhile, but not so damp that they stay wet. The figures are common practice.
            Stage::Curing => Self {
                band: Band {
                    low_c: fahrenheit(40.0),
                    high_c: fahrenheit(75.0),
                    low_pct: 40.0,
                    high_pct: 85.0,
                },
                cold: rungs(vec![step(fahrenheit(40.0), HOUR_MS, Low)], f),
                warm: rungs(
                    vec![
                        step(fahrenheit(75.0), 6 * HOUR_MS, Low),
                        step(fahrenheit(85.0), 6 * HOUR_MS, Medium),
                    ],
                    f,
                ),
                dry_out: none(),
                rot_risk: rungs(vec![step(90.0, 12 * HOUR_MS, Low)], 2.0),
                crate_dry: none(),
                crate_damp: none(),
                shrink: none(),
                shrink_weighed: none(),
                mould_ahead: none(),
                mould: none(),
                waking: none(),
                swings: None,
                ..storing.clone()
            },
            // Woken at about 70 F in damp packing four to six weeks before planting (common practice).
            Stage::Waking => Self {
                band: Band {
                    low_c: fahrenheit(55.0),
                    high_c: fahrenheit(80.0),
                    low_pct: 40.0,
                    high_pct: 95.0,
                },
                cold: rungs(vec![step(fahrenheit(55.0), 12 * HOUR_MS, Low)], f),
                warm: rungs(
                    vec![
                        step(fahrenheit(80.0), 6 * HOUR_MS, Low),
                        step(fahrenheit(90.0), 2 * HOUR_MS, Medium),
                    ],
                    f,
                ),
                dry_out: rungs(vec![step(40.0, 24 * HOUR_MS, Low)], 2.0),
                rot_risk: rungs(vec![step(95.0, 24 * HOUR_MS, Low)], 2.0),
                sweating: none(),
                crate_dry: none(),
                crate_damp: none(),
                thaw: none(),
                shrink: none(),
                shrink_weighed: none(),
                mould_ahead: none(),
                mould: none(),
                waking: none(),
                swings: None,
                ..storing.clone()
            },
            Stage::Empty => Self {
                band: storing.band,
                frost: none(),
                cold: none(),
                warm: none(),
                dry_out: none(),
                rot_risk: none(),
                sweating: none(),
                crate_dry: none(),
                crate_damp: none(),
                battery: none(),
                frost_ahead: none(),
                frost_ahead_below: none(),
                thaw: none(),
                shrink: none(),
                shrink_weighed: none(),
                mould_ahead: none(),
                mould: none(),
                waking: none(),
                swings: None,
            },
        }
    }
}

impl Default for Limits {
    fn default() -> Self {
        Self::storing(Band::default())
    }
}
