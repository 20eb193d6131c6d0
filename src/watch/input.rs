//! What moves the judge.

use super::{
    alert::Occurrence,
    correction::Offset,
    crates::CrateFacts,
    reading::{Reading, SensorName, Stamp},
    settings::{Settings, Stage},
};

/// Everything that can move the judge. The order of arrival is the order of folding.
#[derive(Debug, Clone, PartialEq)]
pub enum Input {
    /// A stored reading.
    Reading(Reading),
    /// A person has seen an occurrence.
    Acknowledge {
        /// When.
        at: Stamp,
        /// Which raising; a later one is never reached.
        occurrence: Occurrence,
    },
    /// A person silences an occurrence for a limited time, up to the rung it is on.
    Shelve {
        /// When.
        at: Stamp,
        /// Which raising; it must be the one that stands.
        occurrence: Occurrence,
        /// When the shelf ends.
        until: Stamp,
        /// It also ends when the condition does.
        one_shot: bool,
        /// Why.
        reason: String,
        /// Who.
        by: String,
    },
    /// A person takes an occurrence off its shelf.
    Unshelve {
        /// When.
        at: Stamp,
        /// Which raising.
        occurrence: Occurrence,
    },
    /// A person has done what a latched occurrence asks for.
    Reset {
        /// When.
        at: Stamp,
        /// Which raising.
        occurrence: Occurrence,
    },
    /// A person takes a sensor out of service, or returns it.
    Service {
        /// When.
        at: Stamp,
        /// Which sensor.
        sensor: SensorName,
        /// Why and by whom it is out; `None` returns it.
        out: Option<(String, String)>,
    },
    /// A person says what a room is doing.
    Stage {
        /// When.
        at: Stamp,
        /// Which room.
        room: String,
        /// What it does from here on, until the configuration says something else.
        stage: Stage,
    },
    /// A channel could not deliver, or delivers again.
    Channel {
        /// When this was noticed.
        at: Stamp,
        /// Which channel.
        channel: String,
        /// Since when nothing has been delivered; `None` when it works.
        failing_since: Option<Stamp>,
    },
    /// Crates as they stand from here on, as far as the air can tell on them.
    Crates {
        /// When.
        at: Stamp,
        /// New ones, and those that changed.
        changed: Vec<CrateFacts>,
        /// Codes of those that are gone.
        gone: Vec<String>,
    },
    /// A crate was weighed.
    Weighed {
        /// When this was written down.
        at: Stamp,
        /// Which crate.
        krate: String,
        /// When it stood on the scale.
        weighed_at: Stamp,
        /// Grams.
        grams: u32,
        /// Something was taken out or put in since the last time: earlier weighings count no more.
        anew: bool,
    },
    /// A weighing was taken back.
    Unweighed {
        /// When this was written down.
        at: Stamp,
        /// Which crate.
        krate: String,
        /// When it was said to stand on the scale.
        weighed_at: Stamp,
    },
    /// A sensor was found to be off; what arrives from here on is corrected.
    Correct {
        /// When this was written down.
        at: Stamp,
        /// Which sensor.
        sensor: SensorName,
        /// What is to be added, and from which measuring on.
        offset: Offset,
        /// Why.
        why: String,
    },
    /// Time has passed and nothing else.
    Tick {
        /// The time now.
        at: Stamp,
    },
    /// Rooms, sensors or limits are as given from here on.
    Settings {
        /// When.
        at: Stamp,
        /// All of them.
        settings: Settings,
    },
    /// The recorder runs again after having been off.
    Started {
        /// When it started.
        at: Stamp,
        /// When it was last known to run; between the two nobody was looking.
        off_from: Stamp,
        /// It ran all the time: the computer's clock was set forward by as much.
        stepped: bool,
    },
}

impl Input {
    /// When it came.
    pub fn at(&self) -> Stamp {
        match self {
            Self::Reading(reading) => reading.received_at,
            Self::Acknowledge { at, .. }
            | Self::Shelve { at, .. }
            | Self::Unshelve { at, .. }
            | Self::Reset { at, .. }
            | Self::Service { at, .. }
            | Self::Stage { at, .. }
            | Self::Channel { at, .. }
            | Self::Crates { at, .. }
            | Self::Weighed { at, .. }
            | Self::Unweighed { at, .. }
            | Self::Correct { at, .. }
            | Self::Tick { at }
            | Self::Settings { at, .. }
            | Self::Started { at, .. } => *at,
        }
    }
}
