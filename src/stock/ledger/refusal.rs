//! Why an entry cannot be made, and what to do.

use thiserror::Error;

use super::{EntryId, Lot, LotId, MOST};
use crate::stock::CrateCode;

/// Why an entry cannot be made.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum Refusal {
    /// No crate has this code.
    #[error("there is no crate {0}")]
    NoCrate(CrateCode),
    /// No such lot.
    #[error("there is no lot {}", .0.0)]
    NoLot(LotId),
    /// The lot lies in another crate than the one named.
    #[error("this lot is not in crate {0}")]
    Elsewhere(CrateCode),
    /// More than there are.
    #[error("there are {have} {of}, not {asked}")]
    TooFew {
        /// Variety and form.
        of: String,
        /// How many there are.
        have: u32,
        /// How many were to leave.
        asked: u64,
    },
    /// A count that no lot can have.
    #[error("a lot holds at most {MOST}")]
    TooMany,
    /// Nothing is done to none.
    #[error("the count is 0")]
    Nothing,
    /// A new crate needs a room.
    #[error("there is no crate {0} yet, and no room is named to put a new one into")]
    NoRoom(CrateCode),
    /// A name is missing.
    #[error("no {0} is named")]
    Missing(&'static str),
    /// A name or remark that cannot be kept.
    #[error("{why}")]
    Words {
        /// What is wrong with it.
        why: String,
        /// What to do.
        remedy: String,
    },
    /// There is nothing in it.
    #[error("crate {0} is empty")]
    Empty(CrateCode),
    /// From a crate into itself.
    #[error("that is the same crate")]
    SameCrate,
    /// Only clumps are divided.
    #[error("only clumps are divided; these are {0}s")]
    NotAClump(super::Form),
    /// Nothing would change.
    #[error("that is how it stands already")]
    AsItStands,
    /// No entry has this number.
    #[error("there is no entry {}", .0.0)]
    NoEntry(EntryId),
    /// It was taken back before.
    #[error("that was taken back already")]
    TakenBack,
    /// Taking back is itself not taken back: enter it again.
    #[error("what took something back is not itself taken back")]
    IsUndo,
    /// The key stands for something else already.
    #[error("this page has noted something else already")]
    OtherWords,
    /// Something since rests on it.
    #[error("what came after it rests on it")]
    NotAsItWas,
}

impl Refusal {
    pub(super) fn count(lot: &Lot, have: u32, by: i64) -> Self {
        if by < 0 {
            Self::TooFew {
                of: format!("{} ({}s)", lot.variety, lot.form),
                have,
                asked: by.unsigned_abs(),
            }
        } else {
            Self::TooMany
        }
    }

    /// What to do about it.
    pub fn remedy(&self) -> &str {
        match self {
            Self::NoCrate(_) => "Look at the label again, or find the crate on the page Crates.",
            Self::NoLot(_) | Self::Elsewhere(_) => {
                "Load the page of the crate again and choose from what stands there."
            }
            Self::TooFew { .. } => {
                "Count again. If there are fewer than the list says, note the right count first."
            }
            Self::TooMany => "Write the count without other figures.",
            Self::Nothing => "Write how many, from 1 up.",
            Self::NoRoom(_) => "Name the room, or the code of a crate that is there.",
            Self::Missing(_) => "Write it in.",
            Self::Words { remedy, .. } => remedy,
            Self::Empty(_) => "Choose another crate.",
            Self::SameCrate => "Name another crate.",
            Self::NotAClump(_) => "To put some of them into another crate, split the lot instead.",
            Self::AsItStands => "Nothing needs to be noted.",
            Self::NoEntry(_) | Self::TakenBack => "Load the page again.",
            Self::OtherWords => "Look at what stands there now, and send it again.",
            Self::IsUndo => "Enter what was right again.",
            Self::NotAsItWas => {
                "Take back the later entries first, the newest one to begin with, or correct the count."
            }
        }
    }
}
