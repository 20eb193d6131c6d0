//! What the models must know of a crate.

use serde::{Deserialize, Serialize};

use super::reading::Stamp;
use crate::climate::Packing;

/// A crate as far as the air can tell on it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CrateFacts {
    /// What stands on its label.
    pub code: String,
    /// The room it stands in.
    pub room: String,
    /// Where in the room.
    #[serde(default)]
    pub place: String,
    /// The medium around the tubers.
    pub packing: Packing,
    /// Weight of the tubers in grams, when it is known.
    #[serde(default)]
    pub tubers_g: Option<u32>,
    /// Tubers in it were cut apart before storing.
    #[serde(default)]
    pub divided: bool,
    /// They were washed.
    #[serde(default)]
    pub washed: bool,
    /// They were packed before their skins had dried.
    #[serde(default)]
    pub uncured: bool,
    /// When they were dug, if the list says so.
    #[serde(default)]
    pub since: Option<Stamp>,
}
