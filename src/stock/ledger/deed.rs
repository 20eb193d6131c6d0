//! What people do with tubers, as it is asked for and kept.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use super::{EntryId, LotId, Season, Wish};
use crate::stock::{CrateCode, Finding, Form, Prepared, Treatment, list};

/// One deed; `kind` names it in JSON.
///
/// Counts are whole tubers (or clumps, or pot tubers), 1 to 100 000.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Deed {
    /// Dug from the bed into a crate, which is made when there is none of this code. The first lot that
    /// goes into an empty crate begins its way from the field anew.
    Lifted {
        /// Into which crate.
        into: To,
        /// What.
        variety: String,
        /// As clumps, if nothing else is said.
        #[serde(default = "clump")]
        form: Form,
        /// How many.
        count: u32,
        /// On which day; today if nothing else is said.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        dug: Option<NaiveDate>,
    },
    /// Taken over from a list: the crate holds these lots and no others.
    Listed {
        /// The crate as the list has it.
        #[serde(rename = "crate")]
        krate: list::Crate,
    },
    /// Put into its packing for the winter.
    Packed {
        /// Which crate.
        #[serde(rename = "crate")]
        krate: CrateCode,
        /// The medium and container.
        packing: String,
        /// Whether the skins were dry, by the grower's hand.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        skins_dry: Option<bool>,
    },
    /// A crate that now stands elsewhere.
    Moved {
        /// Which crate.
        #[serde(rename = "crate")]
        krate: CrateCode,
        /// The room.
        room: String,
        /// Where in it.
        #[serde(default)]
        place: String,
    },
    /// Clumps cut apart: so many taken, so many new tubers counted.
    Divided {
        /// Which lot.
        lot: LotId,
        /// Clumps taken.
        count: u32,
        /// Divisions made of them; those that are no good are not counted.
        yielded: u32,
        /// Where they went; the same crate if nothing else is said.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        into: Option<To>,
    },
    /// All that is in one crate put to another.
    Merged {
        /// The crate that is emptied.
        #[serde(rename = "crate")]
        krate: CrateCode,
        /// The one that is filled.
        into: CrateCode,
    },
    /// Some of a lot put into another crate.
    Split {
        /// Which lot.
        lot: LotId,
        /// How many.
        count: u32,
        /// Where to.
        into: To,
    },
    /// Taken out and thrown away.
    Culled {
        /// Which lot.
        lot: LotId,
        /// Why.
        finding: Finding,
        /// How many.
        count: u32,
    },
    /// Looked at.
    Looked {
        /// Which crate.
        #[serde(rename = "crate")]
        krate: CrateCode,
        /// Which lot, when not the whole crate.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        lot: Option<LotId>,
        /// What was seen.
        finding: Finding,
        /// On how many, when counted. They stay in the crate.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        count: Option<u32>,
    },
    /// Something was done to all in a crate.
    Treated {
        /// Which crate.
        #[serde(rename = "crate")]
        krate: CrateCode,
        /// What.
        how: Treatment,
    },
    /// A crate was on the scale.
    Weighed {
        /// Which crate.
        #[serde(rename = "crate")]
        krate: CrateCode,
        /// Grams.
        grams: u32,
    },
    /// Brought into the warm to sprout.
    Woken {
        /// Which crate.
        #[serde(rename = "crate")]
        krate: CrateCode,
    },
    /// Planted out.
    Planted {
        /// Which lot.
        lot: LotId,
        /// How many.
        count: u32,
        /// In which bed.
        #[serde(default, skip_serializing_if = "String::is_empty")]
        bed: String,
    },
    /// Sold.
    Sold {
        /// Which lot.
        lot: LotId,
        /// How many.
        count: u32,
    },
    /// Given away.
    Given {
        /// Which lot.
        lot: LotId,
        /// How many.
        count: u32,
    },
    /// Counted again, or written wrongly before. What is not said stays.
    Corrected {
        /// Which lot.
        lot: LotId,
        /// How many there are; none is allowed here.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        count: Option<u32>,
        /// The right name.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        variety: Option<String>,
        /// The right form.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        form: Option<Form>,
        /// The right day of digging.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        dug: Option<NaiveDate>,
        /// The right remark.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        note: Option<String>,
        /// What was done to them before packing.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        prepared: Option<Prepared>,
    },
    /// What is wanted of a variety next summer; nothing takes the wish back.
    Planned {
        /// Of which variety.
        variety: String,
        /// The wish.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        wish: Option<Wish>,
    },
    /// The days of a winter that the grower settles.
    Season {
        /// The year in which it begins.
        winter: i32,
        /// Its days.
        season: Season,
    },
    /// An entry taken back.
    Undone {
        /// Which.
        entry: EntryId,
    },
}

fn clump() -> Form {
    Form::Clump
}

/// A crate to put things into; room, place and packing count when there is none of this code yet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct To {
    /// Its code.
    #[serde(rename = "crate")]
    pub code: CrateCode,
    /// The room of a new one.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub room: String,
    /// The place of a new one.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub place: String,
    /// The packing of a new one.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub packing: String,
}

impl Deed {
    /// The word under which it is kept.
    pub fn kind(&self) -> &'static str {
        match self {
            Self::Lifted { .. } => "lifted",
            Self::Listed { .. } => "listed",
            Self::Packed { .. } => "packed",
            Self::Moved { .. } => "moved",
            Self::Divided { .. } => "divided",
            Self::Merged { .. } => "merged",
            Self::Split { .. } => "split",
            Self::Culled { .. } => "culled",
            Self::Looked { .. } => "looked",
            Self::Treated { .. } => "treated",
            Self::Weighed { .. } => "weighed",
            Self::Woken { .. } => "woken",
            Self::Planted { .. } => "planted",
            Self::Sold { .. } => "sold",
            Self::Given { .. } => "given",
            Self::Corrected { .. } => "corrected",
            Self::Planned { .. } => "planned",
            Self::Season { .. } => "season",
            Self::Undone { .. } => "undone",
        }
    }

    /// Whether it adds to what is known and takes nothing from what others did: noted without
    /// asking again, whoever was there in between.
    pub fn only_adds(&self) -> bool {
        matches!(
            self,
            Self::Looked { .. } | Self::Treated { .. } | Self::Weighed { .. } | Self::Woken { .. }
        )
    }
}
