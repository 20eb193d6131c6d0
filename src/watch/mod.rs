//! Judging: what was said, whether it can be trusted, whether a person must act.
//!
//! Nothing here asks a clock or touches a file. Live operation, the rebuild at start and the replay of
//! old winters all use [`judge::Judge`].

pub mod act;
pub mod alert;
mod bench;
pub mod correction;
pub mod crates;
mod deeds;
pub mod dwell;
mod figures;
pub mod input;
pub mod judge;
mod layout;
pub mod life;
pub mod limits;
pub mod models;
pub mod reading;
pub mod recent;
pub mod rule;
pub mod settings;
pub mod standing;
mod swing;

pub use act::Act;
pub use alert::{Figures, Occurrence, State, Subject, Transition};
pub use correction::{Correction, Offset, Offsets};
pub use crates::CrateFacts;
pub use deeds::Refusal;
pub use input::Input;
pub use judge::Judge;
pub use limits::{Band, Kind, Limits, Priority, Step, Swings};
pub use models::Models;
pub use reading::{Heard, Reading, SensorId, SensorName, Stamp, Values};
pub use rule::Quantity;
pub use settings::{
    Arrives, Equipment, Handling, Role, RoomSettings, SensorSettings, Settings, Stage,
};
pub use standing::{Out, SensorNow, Shelf, Standing};
