//! The stock ledger: every count is the sum of its entries, and tubers neither appear nor vanish.
//!
//! What people do ([`Deed`]) is worked out against the stock as it stands into [`Change`]s, which are kept
//! with it. The stock is the changes of all entries, one after the other; it can be made again from them
//! at any time, by any later version. Nothing is edited: taking an entry back is an entry with the
//! opposite changes.

use std::{collections::BTreeMap, fmt};

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};

use super::{CrateCode, Finding, Form, Prepared, list};

mod apply;
mod asked;
mod back;
mod deed;
mod enter;
pub mod file;
mod refusal;
#[cfg(test)]
pub(crate) mod tests;

use apply::Draft;
pub use asked::{Asked, Doubt, LARGEST_CHANGE, Outcome, bad_key, hand};
pub use deed::{Deed, To};
pub use refusal::Refusal;

/// Most tubers one lot can hold, and the most that one deed can move.
pub const MOST: u32 = 100_000;

macro_rules! id {
    ($name:ident, $doc:literal) => {
        #[doc = $doc]
        #[derive(
            Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
        )]
        #[serde(transparent)]
        pub struct $name(pub i64);
    };
}
id!(CrateId, "Key of a crate; given out once.");
id!(LotId, "Key of a lot; given out once.");
id!(EntryId, "Place of an entry in the ledger, from 1.");

/// A labelled container, empty or not.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Crate {
    /// What stands on the label.
    pub code: CrateCode,
    /// The room it stands in.
    pub room: String,
    /// Where in the room; may be empty.
    pub place: String,
    /// The medium and container around the tubers; may be empty.
    pub packing: String,
    /// How far its content has come from the field.
    #[serde(default, skip_serializing_if = "Steps::is_none")]
    pub steps: Steps,
}

/// When each step from the field to the bed was done to what is in a crate, where that was said.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Steps {
    /// Dug.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lifted: Option<DateTime<Utc>>,
    /// Washed or brushed; free of soil.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cleaned: Option<DateTime<Utc>>,
    /// Dipped against rot.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dipped: Option<DateTime<Utc>>,
    /// Cut apart.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub divided: Option<DateTime<Utc>>,
    /// Skins dry to the hand.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub skins_dry: Option<DateTime<Utc>>,
    /// Cut surfaces dry to the hand.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cuts_dry: Option<DateTime<Utc>>,
    /// In its packing.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub packed: Option<DateTime<Utc>>,
    /// In the warm.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub woken: Option<DateTime<Utc>>,
}

impl Steps {
    fn is_none(&self) -> bool {
        *self == Self::default()
    }
}

/// Tubers of one variety, one form and one dig in one crate.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Lot {
    /// The crate it lies in.
    #[serde(rename = "crate")]
    pub krate: CrateId,
    /// The variety's name.
    pub variety: String,
    /// Clump, division or pot tuber.
    pub form: Form,
    /// The day it was dug, when known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dug: Option<NaiveDate>,
    /// Mean weight of one in micrograms, when the lot was weighed: so fine, that a lot's weight in grams
    /// comes back as it was written.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub each_ug: Option<i64>,
    /// The grower's remark.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub note: String,
    /// What was done to them before they were packed.
    #[serde(default, skip_serializing_if = "Prepared::is_none")]
    pub prepared: Prepared,
}

impl Lot {
    /// Weight of so many, in grams.
    pub fn weight_g(&self, count: u32) -> Option<u32> {
        weight_of(self.each_ug?, count)
    }

    /// So many of it, as a list has them.
    pub fn listed(&self, count: u32) -> list::Lot {
        list::Lot {
            variety: self.variety.clone(),
            form: self.form,
            count,
            dug: self.dug,
            weight_g: self.weight_g(count),
            note: self.note.clone(),
            prepared: self.prepared,
        }
    }

    /// What makes tubers of two lots alike enough to lie in one.
    fn is_alike(&self, other: &Self) -> bool {
        self.variety.eq_ignore_ascii_case(&other.variety)
            && self.form == other.form
            && self.dug == other.dug
            && self.prepared == other.prepared
    }
}

/// Grams of so many, each of so many micrograms in the mean.
pub fn weight_of(each_ug: i64, count: u32) -> Option<u32> {
    let grams = (each_ug * i64::from(count) + 500_000) / 1_000_000;
    u32::try_from(grams).ok()
}

/// What is wanted of a variety next summer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Wish {
    /// Plants.
    pub plants: u32,
    /// The bed they go to, when it was worked out from one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bed: Option<Bed>,
}

/// A bed as the grower measures it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Bed {
    /// Length of a row in millimetres.
    pub length_mm: u32,
    /// Rows.
    pub rows: u32,
    /// Between two plants of a row, in millimetres.
    pub spacing_mm: u32,
}

/// The days of one winter that the grower settles.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Season {
    /// The frost that killed the tops.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub killing_frost: Option<NaiveDate>,
    /// Planting out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub planting: Option<NaiveDate>,
    /// Last day to order what is short.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub order_by: Option<NaiveDate>,
    /// Weeks in the warm before planting.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wake_weeks: Option<u32>,
}

/// Where tubers come from and go to. All postings of an entry together come to nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Account {
    /// The beds, in autumn.
    Lifted,
    /// Stock that was there before the ledger, or that a list says.
    Listed,
    /// New tubers by cutting clumps apart.
    Divided,
    /// Thrown away.
    Culled(Finding),
    /// The beds, in spring.
    Planted,
    /// Buyers.
    Sold,
    /// Friends.
    Given,
    /// Nobody knows: the count was wrong.
    Corrected,
    /// Another lot; comes to nothing within the entry.
    Lot,
}

impl fmt::Display for Account {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Lifted => f.pad("lifted"),
            Self::Listed => f.pad("listed"),
            Self::Divided => f.pad("divided"),
            Self::Culled(finding) => write!(f, "culled/{}", finding.key()),
            Self::Planted => f.pad("planted"),
            Self::Sold => f.pad("sold"),
            Self::Given => f.pad("given"),
            Self::Corrected => f.pad("corrected"),
            Self::Lot => f.pad("lot"),
        }
    }
}

/// What one entry does to the stock.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
// A handful of them live at a time.
#[allow(clippy::large_enum_variant)]
pub enum Change {
    /// A crate came, changed or, when the entry that brought it is taken back, went.
    Crate {
        /// Which.
        id: CrateId,
        /// As it was.
        before: Option<Crate>,
        /// As it is.
        after: Option<Crate>,
    },
    /// The same of a lot, apart from its count.
    Lot {
        /// Which.
        id: LotId,
        /// As it was.
        before: Option<Lot>,
        /// As it is.
        after: Option<Lot>,
    },
    /// Tubers came to a lot or left it.
    Tubers {
        /// Which lot.
        lot: LotId,
        /// How many; negative when they left.
        by: i64,
        /// Where they came from or went to.
        account: Account,
    },
    /// A wish.
    Wish {
        /// Of which variety.
        variety: String,
        /// As it was.
        before: Option<Wish>,
        /// As it is.
        after: Option<Wish>,
    },
    /// The days of a winter.
    Season {
        /// The year in which it begins.
        winter: i32,
        /// As they were.
        before: Season,
        /// As they are.
        after: Season,
    },
}

/// One line of the ledger, as it is kept for ever.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// Its place.
    pub id: EntryId,
    /// When it was entered.
    pub at: DateTime<Utc>,
    /// When it was done or seen, where that was earlier.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub noted_at: Option<DateTime<Utc>>,
    /// By whom.
    pub who: String,
    /// What the sender calls it, so that a second sending is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub key: Option<String>,
    /// A remark; may be empty.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub note: String,
    /// What was asked.
    pub deed: Deed,
    /// What it did.
    pub changes: Vec<Change>,
}

impl Entry {
    /// When it was done.
    pub fn done_at(&self) -> DateTime<Utc> {
        self.noted_at.unwrap_or(self.at)
    }
}

/// The stock as it stands.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Stock {
    crates: BTreeMap<CrateId, Crate>,
    codes: BTreeMap<CrateCode, CrateId>,
    lots: BTreeMap<LotId, (Lot, u32)>,
    wishes: BTreeMap<String, (String, Wish)>,
    seasons: BTreeMap<i32, Season>,
    /// Keys that were ever given out; what was taken back keeps its key.
    last: (i64, i64),
}

impl Stock {
    /// The stock of these crates and lots (with their counts), wishes and winters. `last` are the highest
    /// keys of crates and lots that were ever given out.
    pub fn new(
        crates: impl IntoIterator<Item = (CrateId, Crate)>,
        lots: impl IntoIterator<Item = (LotId, Lot, u32)>,
        wishes: impl IntoIterator<Item = (String, Wish)>,
        seasons: impl IntoIterator<Item = (i32, Season)>,
        last: (CrateId, LotId),
    ) -> Self {
        let crates: BTreeMap<_, _> = crates.into_iter().collect();
        Self {
            codes: crates.iter().map(|(id, c)| (c.code.clone(), *id)).collect(),
            crates,
            lots: (lots.into_iter())
                .map(|(id, lot, count)| (id, (lot, count)))
                .collect(),
            wishes: (wishes.into_iter())
                .map(|(v, w)| (v.to_lowercase(), (v, w)))
                .collect(),
            seasons: seasons.into_iter().collect(),
            last: (last.0.0, last.1.0),
        }
    }

    /// A crate by its code.
    pub fn find(&self, code: &CrateCode) -> Option<(CrateId, &Crate)> {
        let id = *self.codes.get(code)?;
        Some((id, self.crates.get(&id)?))
    }

    /// A crate by its key.
    pub fn krate(&self, id: CrateId) -> Option<&Crate> {
        self.crates.get(&id)
    }

    /// Every crate, empty ones too, in the order in which they came.
    pub fn crates(&self) -> impl Iterator<Item = (CrateId, &Crate)> {
        self.crates.iter().map(|(id, c)| (*id, c))
    }

    /// A lot and how many it holds.
    pub fn lot(&self, id: LotId) -> Option<(&Lot, u32)> {
        self.lots.get(&id).map(|(lot, count)| (lot, *count))
    }

    /// Every lot that was ever there, with its count.
    pub fn lots(&self) -> impl Iterator<Item = (LotId, &Lot, u32)> {
        self.lots
            .iter()
            .map(|(id, (lot, count))| (*id, lot, *count))
    }

    /// What a crate holds now, in the order in which it came.
    pub fn content(&self, krate: CrateId) -> impl Iterator<Item = (LotId, &Lot, u32)> {
        self.lots()
            .filter(move |(_, lot, count)| lot.krate == krate && *count != 0)
    }

    /// Wishes by variety, as they were written.
    pub fn wishes(&self) -> impl Iterator<Item = (&str, &Wish)> {
        self.wishes
            .values()
            .map(|(variety, wish)| (variety.as_str(), wish))
    }

    /// The days of a winter.
    pub fn season(&self, winter: i32) -> Season {
        self.seasons.get(&winter).copied().unwrap_or_default()
    }

    /// All tubers in store.
    pub fn tubers(&self) -> u64 {
        self.lots.values().map(|(_, count)| u64::from(*count)).sum()
    }

    /// Highest keys of crates and lots ever given out.
    pub fn last_keys(&self) -> (CrateId, LotId) {
        (CrateId(self.last.0), LotId(self.last.1))
    }

    /// What every crate holds now, each in the order in which it came.
    pub fn contents(&self) -> BTreeMap<CrateId, Vec<(LotId, &Lot, u32)>> {
        let mut contents: BTreeMap<_, Vec<_>> = BTreeMap::new();
        for (id, lot, count) in self.lots().filter(|(.., count)| *count != 0) {
            contents
                .entry(lot.krate)
                .or_default()
                .push((id, lot, count));
        }
        contents
    }

    /// The crates that hold anything, as a list has them, in the order of their codes.
    pub fn list(&self) -> Vec<list::Crate> {
        let contents = self.contents();
        let held = |id: &CrateId| {
            let (krate, lots) = (self.crates.get(id)?, contents.get(id)?);
            Some(list::Crate {
                code: krate.code.clone(),
                room: krate.room.clone(),
                place: krate.place.clone(),
                packing: krate.packing.clone(),
                lots: lots
                    .iter()
                    .map(|(_, lot, count)| lot.listed(*count))
                    .collect(),
            })
        };
        self.codes.values().filter_map(held).collect()
    }
}
