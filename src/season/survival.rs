//! What a winter's ledger tells of losses: how many of how many, where, and how sure that is.
//!
//! A tuber is *at risk* in a stratum (one packing, one room, one variety ...) when it came into it during
//! the winter or stood in it when the winter began; it is *lost* there when it was thrown away while in
//! it. What comes back to a stratum that it left is not counted again, as far as the ledger tells which
//! tubers those are. Clumps that are cut apart lived; the divisions made of them are at risk anew. What
//! was corrected away and back again was there all the time; what an entry did that was taken back never
//! was.

pub use months::Month;
use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};

use super::{period::Period, proportion::Interval};
use crate::stock::{Finding, ledger::Entry};

mod compare;
mod fold;
mod months;
mod tally;
#[cfg(test)]
mod tests;

/// How sure the intervals are.
pub const CONFIDENCE: f64 = 0.95;
/// Fewer crates than these tell nothing of how crates differ. A figure of this project.
pub const FEW_CRATES: u64 = 3;
/// Fewer tubers than these are shown, but not compared. A figure of this project: of 20 the interval of a
/// share is still up to 40 points wide.
pub const FEW_TUBERS: u64 = 20;
/// Two groups whose tubers stayed this many times longer in one than in the other had not the same time to
/// be lost in. A figure of this project.
pub const ALIKE_STAY: f64 = 2.0;

/// By what the stock is divided.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Dimension {
    /// The packing of the crate.
    Packing,
    /// The variety.
    Variety,
    /// The room.
    Room,
    /// Rack and shelf in the room.
    Place,
    /// The day of the dig.
    Dug,
    /// Divided or whole.
    Form,
    /// The crate itself.
    Crate,
}

impl Dimension {
    /// All of them.
    pub const ALL: [Self; 7] = [
        Self::Packing,
        Self::Variety,
        Self::Room,
        Self::Place,
        Self::Dug,
        Self::Form,
        Self::Crate,
    ];

    /// Whether each group is compared with each other one. The number of pairs grows with the square of
    /// the groups, and so do the intervals; where there are many, each is compared with all the rest.
    pub fn pairwise(self) -> bool {
        matches!(self, Self::Packing | Self::Room | Self::Form)
    }
}

/// What the tubers of a group have in common.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Name {
    /// Nobody said it.
    NotSaid,
    /// A packing, a variety, a room or a crate's code, as last written.
    Text(String),
    /// The day on which they were dug.
    Day(NaiveDate),
    /// Clumps and pot tubers.
    Whole,
    /// Divisions.
    Divided,
    /// A place; rack or shelf are empty where they are not said.
    Place {
        /// The room.
        room: String,
        /// The rack or wall.
        rack: String,
        /// The shelf.
        shelf: String,
    },
    /// All other groups together.
    Rest,
}

impl Name {
    fn text(text: &str) -> Self {
        match text.trim() {
            "" => Self::NotSaid,
            text => Self::Text(text.to_owned()),
        }
    }

    /// Whether anybody said what it is.
    pub fn is_said(&self) -> bool {
        match self {
            Self::NotSaid => false,
            Self::Place { rack, shelf, .. } => !rack.is_empty() || !shelf.is_empty(),
            _ => true,
        }
    }
}

/// The losses of one winter, in tubers (clumps, divisions and pot tubers alike).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Losses {
    /// Whether anybody noted a look or took anything out. If not, nobody knows what was lost.
    pub kept: bool,
    /// How they came.
    pub came: Came,
    /// All that were at risk: what came, and what stood there when the period began.
    pub at_risk: u64,
    /// Thrown away.
    pub lost: u64,
    /// Lost of those at risk, 0 to 1; none where there were none.
    pub share: Option<f64>,
    /// Wilson's interval of the share at 95 %, as if every tuber had a fate of its own.
    pub interval: Interval,
    /// The same by crates; none with fewer than three.
    pub by_crate: Option<ByCrate>,
    /// The same month by month.
    pub by_month: Vec<Month>,
    /// Lost by what was found.
    pub by_finding: BTreeMap<Finding, u64>,
    /// What became of the others.
    pub out: Out,
    /// Divided in every way, in the order of [`Dimension::ALL`].
    pub breakdowns: Vec<Breakdown>,
    /// Every crate that held anything, in the order of their codes.
    pub crates: Vec<CrateLoss>,
}

/// How tubers came to be at risk.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Came {
    /// Stood there when the period began.
    pub stood: u64,
    /// Dug.
    pub lifted: u64,
    /// Brought in by a list.
    pub listed: u64,
    /// Cut from clumps.
    pub divided: u64,
    /// Found to be more than was thought.
    pub corrected: u64,
}

/// What became of those that were not lost.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Out {
    /// Planted.
    pub planted: u64,
    /// Sold.
    pub sold: u64,
    /// Given away.
    pub given: u64,
    /// Clumps that were cut apart.
    pub divided: u64,
    /// Found to be fewer than was thought, by a count or a list: nobody knows where they are.
    pub corrected: u64,
    /// Put into another group and not back; none of the stock as a whole.
    pub elsewhere: u64,
    /// Still there when the period ends.
    pub standing: u64,
    /// Of these, in lots that nobody looked at, took anything from as bad, or had in hands to divide or put
    /// elsewhere during the period: whether they live is not known.
    pub unseen: u64,
}

/// Losses by one dimension.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Breakdown {
    /// Which.
    pub dimension: Dimension,
    /// Every group that had any at risk, in a fixed order; what nobody said comes last.
    pub groups: Vec<Group>,
    /// Groups compared. Those with fewer than 20 tubers and what nobody said are not.
    pub differences: Vec<Difference>,
}

/// The tubers that have something in common.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Group {
    /// What.
    pub name: Name,
    /// Crates in which their course ended, or from which they left the group.
    pub crates: u64,
    /// How many were at risk.
    pub at_risk: u64,
    /// How many of them were lost while they belonged to it.
    pub lost: u64,
    /// Lost of those at risk, 0 to 1.
    pub share_lost: f64,
    /// Wilson's interval at 95 %, as if every tuber had a fate of its own.
    pub interval: Interval,
    /// The same by crates; none with fewer than three.
    pub by_crate: Option<ByCrate>,
    /// What became of the others.
    pub out: Out,
    /// Days within the period that one of them stayed in the group, in the mean; those that were lost as if
    /// they had stayed to the period's end, so that losses make no stay seem short.
    pub stay_days: f64,
    /// Fewer than three crates (but for a crate itself) or fewer than 20 tubers: an odd one changes much.
    pub small: bool,
}

/// A share judged by crates: tubers of one crate share their fate, and tell less than as many apart.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ByCrate {
    /// How many times less they tell (Rao and Scott 1992). None where none or all were lost: the crates
    /// then do not show how far they differ.
    pub design_effect: Option<f64>,
    /// As many tubers, each with a fate of its own, would tell as much. Where the group's own design
    /// effect cannot be seen, that of all groups of the dimension together is taken, but never fewer
    /// than there are crates; where that cannot be seen either, each crate counts as one tuber.
    pub effective: f64,
    /// Wilson's interval at 95 % with these.
    pub interval: Interval,
    /// Crates.
    pub crates: u64,
}

/// Two groups beside each other.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Difference {
    /// One.
    pub a: Side,
    /// The other, or all the rest.
    pub b: Side,
    /// Share lost of the first less that of the second, -1 to 1.
    pub difference: f64,
    /// Newcombe's interval.
    pub interval: Interval,
    /// How sure this one is, so that all of its dimension together are at 95 % (Bonferroni).
    pub confidence: f64,
    /// Whether crates were counted rather than tubers: both sides have three or more.
    pub by_crate: bool,
    /// Whether the interval excludes that there is none.
    pub excludes_none: bool,
    /// Whether tubers of both had about the same time to be lost in ([`ALIKE_STAY`]).
    pub alike_stay: bool,
    /// Tubers that were on both sides, one after the other.
    pub on_both: u64,
}

impl Difference {
    /// Whether the two can be held against each other: tubers of both had about the same time to be lost
    /// in, and no more than half of the smaller side was on the other as well. What all went from one
    /// room to the next was lost in the later one in part for what it met in the earlier. Half is a
    /// figure of this project.
    pub fn is_fair(&self) -> bool {
        self.alike_stay && self.on_both * 2 <= self.a.at_risk.min(self.b.at_risk)
    }
}

/// One side of a comparison.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Side {
    /// Which.
    pub name: Name,
    /// Lost.
    pub lost: u64,
    /// At risk. Of the rest, tubers that went from one of its groups to another count once.
    pub at_risk: u64,
    /// Crates.
    pub crates: u64,
    /// Mean days that one stayed, as in [`Group::stay_days`].
    pub stay_days: f64,
}

/// What a crate lost.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CrateLoss {
    /// What stands on its label.
    pub code: String,
    /// The room it stood in at last.
    pub room: String,
    /// Where in it.
    pub place: String,
    /// Its packing at last; may be empty.
    pub packing: String,
    /// Varieties of which anything lay in it, as last written.
    pub varieties: Vec<String>,
    /// Tubers that were in it.
    pub at_risk: u64,
    /// Thrown away out of it.
    pub lost: u64,
    /// Lost by what was found.
    pub by_finding: BTreeMap<Finding, u64>,
    /// What became of the others.
    pub out: Out,
}

/// The losses of a winter, by all entries of the ledger in order. `day` tells the local day of an instant;
/// an entry counts on the day on which it was done.
pub fn losses(
    entries: &[Entry],
    period: Period,
    day: impl Fn(DateTime<Utc>) -> NaiveDate,
) -> Losses {
    Losses {
        by_month: months::months(entries, period, &day),
        ..compare::account(&fold::fold(entries, period, day))
    }
}
