//! The life of an alert, after ANSI/ISA-18.2 and IEC 62682: two memories, active and
//! unacknowledged, from which the state follows.

use std::{fmt, str::FromStr};

use chrono::NaiveDateTime;
use serde::{Deserialize, Deserializer, Serialize, Serializer, de::Error as _};
use thiserror::Error;

use super::{
    limits::{Kind, Priority},
    reading::Stamp,
    rule::Quantity,
};

/// Where an alert stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// Nothing to do.
    Normal,
    /// New; nobody has seen it.
    Unacknowledged,
    /// Seen, not solved.
    Acknowledged,
    /// Came and went, not seen yet.
    ReturnedUnacknowledged,
    /// It is over, but what happened matters more than the present value; not seen yet.
    LatchedUnacknowledged,
    /// The same, seen; stands until a person resets it.
    LatchedAcknowledged,
    /// A person silenced it for a limited time; it goes on being judged.
    Shelved,
    /// It rests on sensors in fault alone, whose own alert names the cause; it goes on being judged.
    Suppressed,
    /// It rests on sensors out of service alone.
    OutOfService,
}

impl State {
    /// Every state.
    pub const ALL: [Self; 9] = [
        Self::Normal,
        Self::Unacknowledged,
        Self::Acknowledged,
        Self::ReturnedUnacknowledged,
        Self::LatchedUnacknowledged,
        Self::LatchedAcknowledged,
        Self::Shelved,
        Self::Suppressed,
        Self::OutOfService,
    ];

    /// The state that the two memories give; `latched` is the reset that is still owed.
    pub fn of(active: bool, acknowledged: bool, latched: bool) -> Self {
        match (active, acknowledged, latched) {
            (true, false, _) => Self::Unacknowledged,
            (true, true, _) => Self::Acknowledged,
            (false, false, true) => Self::LatchedUnacknowledged,
            (false, true, true) => Self::LatchedAcknowledged,
            (false, false, false) => Self::ReturnedUnacknowledged,
            (false, true, false) => Self::Normal,
        }
    }

    /// Nobody is told of it while it stands so.
    pub fn is_masked(self) -> bool {
        matches!(self, Self::Shelved | Self::Suppressed | Self::OutOfService)
    }

    /// It is going on and people are told of it.
    pub fn is_sounding(self) -> bool {
        matches!(self, Self::Unacknowledged | Self::Acknowledged)
    }

    /// A person still has to say that they have seen it.
    pub fn wants_acknowledgement(self) -> bool {
        matches!(
            self,
            Self::Unacknowledged | Self::ReturnedUnacknowledged | Self::LatchedUnacknowledged
        )
    }

    /// The word used in files and on the command line.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Normal => "normal",
            Self::Unacknowledged => "unacknowledged",
            Self::Acknowledged => "acknowledged",
            Self::ReturnedUnacknowledged => "returned-unacknowledged",
            Self::LatchedUnacknowledged => "latched-unacknowledged",
            Self::LatchedAcknowledged => "latched-acknowledged",
            Self::Shelved => "shelved",
            Self::Suppressed => "suppressed",
            Self::OutOfService => "out-of-service",
        }
    }

    /// The state with that word.
    pub fn parse(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|s| s.as_str() == word)
    }
}

/// What an alert is about.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Subject {
    /// The air of a room.
    Room(String),
    /// One crate, by its code.
    Crate(String),
    /// One sensor.
    Sensor(String),
    /// The recorder itself.
    Recorder,
    /// One way by which messages leave, by its name.
    Channel(String),
}

impl Subject {
    fn parse(text: &str) -> Option<Self> {
        if text == "recorder" {
            return Some(Self::Recorder);
        }
        let (what, name) = text.split_once(' ')?;
        let name = name.to_owned();
        match what {
            "room" => Some(Self::Room(name)),
            "crate" => Some(Self::Crate(name)),
            "sensor" => Some(Self::Sensor(name)),
            "channel" => Some(Self::Channel(name)),
            _ => None,
        }
    }
}

impl fmt::Display for Subject {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Room(name) => write!(f, "room {name}"),
            Self::Crate(code) => write!(f, "crate {code}"),
            Self::Sensor(name) => write!(f, "sensor {name}"),
            Self::Recorder => f.write_str("recorder"),
            Self::Channel(name) => write!(f, "channel {name}"),
        }
    }
}

impl Serialize for Subject {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.collect_str(self)
    }
}

/// One raising of one alert: what an acknowledgement names, so that it can never reach a later one.
///
/// It follows from the readings alone, so a rebuild gives the same occurrence the same name. In
/// text: `20261201T021000000Z dry-out 1 room cellar`, the number being the rung reached.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Occurrence {
    /// When it was raised.
    pub raised_at: Stamp,
    /// What kind of alert.
    pub kind: Kind,
    /// The rung, from 1.
    pub level: u8,
    /// What it is about.
    pub subject: Subject,
}

/// A text that names no occurrence.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error("`{0}` names no occurrence of an alert")]
pub struct BadOccurrence(String);

const OCCURRENCE_TIME: &str = "%Y%m%dT%H%M%S%3fZ";

impl fmt::Display for Occurrence {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{} {} {} {}",
            self.raised_at.to_utc().format(OCCURRENCE_TIME),
            self.kind,
            self.level,
            self.subject
        )
    }
}

impl FromStr for Occurrence {
    type Err = BadOccurrence;

    fn from_str(text: &str) -> Result<Self, BadOccurrence> {
        let parse = || {
            let mut parts = text.splitn(4, ' ');
            let at = NaiveDateTime::parse_from_str(parts.next()?, OCCURRENCE_TIME).ok()?;
            Some(Self {
                raised_at: at.and_utc().into(),
                kind: Kind::parse(parts.next()?)?,
                level: parts.next()?.parse().ok()?,
                subject: Subject::parse(parts.next()?)?,
            })
        };
        parse().ok_or_else(|| BadOccurrence(text.chars().take(120).collect()))
    }
}

impl Serialize for Occurrence {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Occurrence {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        let text = String::deserialize(from)?;
        text.parse().map_err(D::Error::custom)
    }
}

/// The numbers behind a transition. Temperatures in C, humidity in percent, margins in kelvin;
/// `value`, `limit` and `worst` are in the unit of the kind.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Figures {
    /// The sensor that was heard.
    pub sensor: String,
    /// First reading beyond the limit, or the last word of a silent sensor (RFC 3339).
    pub since: String,
    /// First reading of the run that ended it (RFC 3339).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub until: Option<String>,
    /// Hours beyond the limit that were covered by readings.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hours_beyond: Option<f64>,
    /// Separate excursions counted, for a room that swings.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pieces: Option<u32>,
    /// The last value held against the limit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value: Option<f64>,
    /// The limit then in force.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub limit: Option<f64>,
    /// The value furthest beyond.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub worst: Option<f64>,
    /// Air temperature last heard from that sensor.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<f64>,
    /// Relative humidity last heard from that sensor.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub humidity_pct: Option<f64>,
    /// Dew point of the two.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dew_point_c: Option<f64>,
    /// What `value` is, where it was computed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub measure: Option<Quantity>,
    /// Low end of 90 % around `value`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub low: Option<f64>,
    /// High end of 90 % around `value`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub high: Option<f64>,
    /// When it will come to pass, as far as can be said (RFC 3339).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// Forecasts of this kind that came true here, and how many are decided.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub record: Option<(u32, u32)>,
    /// Codes of the crates it is about, the worst first; empty for all of a room.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub crates: Vec<String>,
}

/// One change of one alert, in the order in which it happened.
#[derive(Debug, Clone, PartialEq)]
pub struct Transition {
    /// The deadline that was crossed, or the time of the input that did it.
    pub at: Stamp,
    /// The room it happened in; empty for what is about the recorder or a channel.
    pub room: String,
    /// What it is about.
    pub subject: Subject,
    /// What kind of alert.
    pub kind: Kind,
    /// The priority after the change.
    pub priority: Priority,
    /// Before.
    pub from: State,
    /// After.
    pub to: State,
    /// The condition holds, whatever people are told of it.
    pub active: bool,
    /// Which raising.
    pub occurrence: Occurrence,
    /// The numbers behind it.
    pub figures: Figures,
}

impl Transition {
    /// A raising, not a later change of one. Of two within one millisecond the second is named a
    /// millisecond later.
    pub fn raises(&self) -> bool {
        self.active && self.at <= self.occurrence.raised_at && self.to != State::Acknowledged
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_occurrence_survives_being_written_down() {
        let occurrence = Occurrence {
            raised_at: Stamp(1_796_000_000_123),
            kind: Kind::DryOut,
            level: 2,
            subject: Subject::Room("back room by the door".to_owned()),
        };
        let text = occurrence.to_string();
        assert_eq!(text.parse(), Ok(occurrence.clone()), "{text}");
        for subject in [Subject::Recorder, Subject::Channel("mail".to_owned())] {
            let occurrence = Occurrence {
                subject,
                ..occurrence.clone()
            };
            assert_eq!(occurrence.to_string().parse(), Ok(occurrence));
        }
        for bad in ["", "20261201T021000000Z dry-out x room a", "a b c d"] {
            assert!(bad.parse::<Occurrence>().is_err(), "{bad}");
        }
    }
}
