//! What people, the configuration and the program itself do, as it is kept in the log.

use serde::{Deserialize, Serialize};

use super::{
    alert::Occurrence,
    correction::Offset,
    crates::CrateFacts,
    input::Input,
    reading::{SensorName, Stamp},
    settings::{Settings, Stage},
};

/// An input that is not a reading.
#[derive(Debug, Clone, PartialEq)]
pub enum Act {
    /// Rooms, sensors or limits changed.
    Settings(Settings),
    /// The recorder started; between the two it was off.
    Started(Started),
    /// A person has seen an alert.
    Acknowledge(Named),
    /// A person puts an alert on the shelf.
    Shelve(Shelve),
    /// A person takes it off again.
    Unshelve(Named),
    /// A person has done what a latched alert asks for.
    Reset(Named),
    /// A person takes a sensor out of service or returns it.
    Service(Service),
    /// A person says what a room is doing.
    Stage(Staged),
    /// A channel could not deliver, or delivers again.
    Channel(Delivery),
    /// Crates came, changed or went.
    Crates(Stood),
    /// A crate was weighed.
    Weighed(Weighed),
    /// A weighing was taken back.
    Unweighed(Unweighed),
    /// A sensor was found to be off.
    Corrected(Corrected),
}

/// Crates as they stand from here on.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Stood {
    /// New ones, and those that changed.
    pub changed: Vec<CrateFacts>,
    /// Codes of those that are gone.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub gone: Vec<String>,
}

/// One crate on a scale.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Weighed {
    /// Which crate.
    #[serde(rename = "crate")]
    pub krate: String,
    /// When.
    pub weighed_at: Stamp,
    /// Grams, of the tubers alone or always with the same crate and packing.
    pub grams: u32,
    /// Something was taken out or put in since the last time: earlier weighings count no more.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub anew: bool,
}

/// A weighing that was written down wrongly.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Unweighed {
    /// Which crate.
    #[serde(rename = "crate")]
    pub krate: String,
    /// When it was said to stand on the scale.
    pub weighed_at: Stamp,
}

/// What a sensor was found to be off by; one of nothing ends or takes back what held.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Corrected {
    /// Which sensor.
    pub sensor: SensorName,
    /// From the first reading that was measured then or later.
    pub from: Stamp,
    /// To be added to what it says, in thousandths of a kelvin.
    pub temperature_mk: i32,
    /// To be added to what it says, in thousandths of a point of humidity.
    pub humidity_mpct: i32,
    /// Why: what it was compared with, and what came of it.
    pub why: String,
}

/// When the recorder was last known to run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Started {
    /// The end of what was watched.
    pub off_from: Stamp,
    /// Only the computer's clock was set forward; nobody slept.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub stepped: bool,
}

/// One occurrence of an alert.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Named {
    /// Which raising.
    pub occurrence: Occurrence,
}

/// A time on the shelf.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Shelve {
    /// Which raising.
    pub occurrence: Occurrence,
    /// When it ends.
    pub until: Stamp,
    /// It also ends when the condition does.
    pub one_shot: bool,
    /// Why.
    pub reason: String,
}

/// A sensor and whether it is listened to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Service {
    /// Which sensor.
    pub sensor: SensorName,
    /// Why it is out of service; `None` returns it.
    pub out: Option<String>,
}

/// What a room is doing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Staged {
    /// Which room.
    pub room: String,
    /// From here on.
    pub stage: Stage,
}

/// How a channel delivers.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Delivery {
    /// Which channel.
    pub channel: String,
    /// Since when nothing is delivered; `None` when it works.
    pub failing_since: Option<Stamp>,
}

impl Act {
    /// The word under which it is kept.
    pub fn kind(&self) -> &'static str {
        match self {
            Self::Settings(_) => "settings",
            Self::Started(_) => "started",
            Self::Acknowledge(_) => "acknowledge",
            Self::Shelve(_) => "shelve",
            Self::Unshelve(_) => "unshelve",
            Self::Reset(_) => "reset",
            Self::Service(_) => "service",
            Self::Stage(_) => "stage",
            Self::Channel(_) => "channel",
            Self::Crates(_) => "crates",
            // The log takes these words and no others; a weighing taken back has no grams.
            Self::Weighed(_) | Self::Unweighed(_) => "weighed",
            Self::Corrected(_) => "corrected",
        }
    }

    /// The same as JSON.
    pub fn body(&self) -> String {
        let json = match self {
            Self::Settings(b) => serde_json::to_string(b),
            Self::Started(b) => serde_json::to_string(b),
            Self::Acknowledge(b) | Self::Unshelve(b) | Self::Reset(b) => serde_json::to_string(b),
            Self::Shelve(b) => serde_json::to_string(b),
            Self::Service(b) => serde_json::to_string(b),
            Self::Stage(b) => serde_json::to_string(b),
            Self::Channel(b) => serde_json::to_string(b),
            Self::Crates(b) => serde_json::to_string(b),
            Self::Weighed(b) => serde_json::to_string(b),
            Self::Unweighed(b) => serde_json::to_string(b),
            Self::Corrected(b) => serde_json::to_string(b),
        };
        json.expect("plain data always encodes")
    }

    /// The act that was kept under this word as this JSON.
    pub fn parse(kind: &str, body: &str) -> Result<Self, serde_json::Error> {
        use serde::de::Error as _;
        Ok(match kind {
            "settings" => Self::Settings(serde_json::from_str(body)?),
            "started" => Self::Started(serde_json::from_str(body)?),
            "acknowledge" => Self::Acknowledge(serde_json::from_str(body)?),
            "shelve" => Self::Shelve(serde_json::from_str(body)?),
            "unshelve" => Self::Unshelve(serde_json::from_str(body)?),
            "reset" => Self::Reset(serde_json::from_str(body)?),
            "service" => Self::Service(serde_json::from_str(body)?),
            "stage" => Self::Stage(serde_json::from_str(body)?),
            "channel" => Self::Channel(serde_json::from_str(body)?),
            "crates" => Self::Crates(serde_json::from_str(body)?),
            "weighed" => match serde_json::from_str(body) {
                Ok(unweighed) => Self::Unweighed(unweighed),
                Err(_) => Self::Weighed(serde_json::from_str(body)?),
            },
            "corrected" => Self::Corrected(serde_json::from_str(body)?),
            other => {
                let what = format!("there is no act `{other}`");
                return Err(serde_json::Error::custom(what));
            }
        })
    }

    /// The same as an input of the judge.
    pub fn into_input(self, at: Stamp, who: &str) -> Input {
        let by = who.to_owned();
        match self {
            Self::Settings(settings) => Input::Settings { at, settings },
            Self::Started(Started { off_from, stepped }) => Input::Started {
                at,
                off_from,
                stepped,
            },
            Self::Acknowledge(Named { occurrence }) => Input::Acknowledge { at, occurrence },
            Self::Unshelve(Named { occurrence }) => Input::Unshelve { at, occurrence },
            Self::Reset(Named { occurrence }) => Input::Reset { at, occurrence },
            Self::Shelve(Shelve {
                occurrence,
                until,
                one_shot,
                reason,
            }) => Input::Shelve {
                at,
                occurrence,
                until,
                one_shot,
                reason,
                by,
            },
            Self::Service(Service { sensor, out }) => Input::Service {
                at,
                sensor,
                out: out.map(|reason| (reason, by)),
            },
            Self::Stage(Staged { room, stage }) => Input::Stage { at, room, stage },
            Self::Channel(Delivery {
                channel,
                failing_since,
            }) => Input::Channel {
                at,
                channel,
                failing_since,
            },
            Self::Crates(Stood { changed, gone }) => Input::Crates { at, changed, gone },
            Self::Weighed(Weighed {
                krate,
                weighed_at,
                grams,
                anew,
            }) => Input::Weighed {
                at,
                krate,
                weighed_at,
                grams,
                anew,
            },
            Self::Unweighed(Unweighed { krate, weighed_at }) => Input::Unweighed {
                at,
                krate,
                weighed_at,
            },
            Self::Corrected(Corrected {
                sensor,
                from,
                temperature_mk,
                humidity_mpct,
                why,
            }) => Input::Correct {
                at,
                sensor,
                offset: Offset {
                    from,
                    temperature_mk,
                    humidity_mpct,
                },
                why,
            },
        }
    }
}
