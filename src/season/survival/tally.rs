//! What makes a stratum, and what became of the tubers in it.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;

use super::Out;
use crate::stock::{
    CrateCode, Finding,
    ledger::{Account, CrateId},
    place::Place,
};

/// What makes tubers of one stratum; the order is that in which strata are shown.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Key {
    All,
    Packing(String),
    Variety(String),
    Room(String),
    Place(String, Place),
    Dug(Option<NaiveDate>),
    Divided(bool),
    Crate(CrateId),
}

/// A stratum: a number given out in the order in which they were met.
pub(super) type Stratum = usize;

/// What became of the tubers of one crate in one stratum.
#[derive(Debug, Clone, Default)]
pub(super) struct Tally {
    pub(super) lost: BTreeMap<Finding, u64>,
    pub(super) planted: u64,
    pub(super) sold: u64,
    pub(super) given: u64,
    pub(super) divided: u64,
    pub(super) corrected: u64,
    pub(super) standing: u64,
    pub(super) unseen: u64,
    /// Into which other strata of the same way; less what came back.
    pub(super) left: BTreeMap<Stratum, u64>,
    /// Tubers times days; lost ones as if they had stayed to the end.
    pub(super) days: i64,
}

impl Tally {
    pub(super) fn lost(&self) -> u64 {
        self.lost.values().sum()
    }

    /// All that did not go to another stratum.
    pub(super) fn ended(&self) -> u64 {
        let went = self.planted + self.sold + self.given + self.divided + self.corrected;
        self.lost() + went + self.standing
    }

    pub(super) fn at_risk(&self) -> u64 {
        self.ended() + self.left.values().sum::<u64>()
    }

    pub(super) fn add(&mut self, other: &Self) {
        for (finding, lost) in &other.lost {
            *self.lost.entry(*finding).or_default() += lost;
        }
        for (to, left) in &other.left {
            *self.left.entry(*to).or_default() += left;
        }
        self.planted += other.planted;
        self.sold += other.sold;
        self.given += other.given;
        self.divided += other.divided;
        self.corrected += other.corrected;
        self.standing += other.standing;
        self.unseen += other.unseen;
        self.days += other.days;
    }

    pub(super) fn out(&self) -> Out {
        Out {
            planted: self.planted,
            sold: self.sold,
            given: self.given,
            divided: self.divided,
            corrected: self.corrected,
            elsewhere: self.left.values().sum(),
            standing: self.standing,
            unseen: self.unseen,
        }
    }

    pub(super) fn outcome(&mut self, account: Account) -> &mut u64 {
        match account {
            Account::Culled(finding) => self.lost.entry(finding).or_default(),
            Account::Planted => &mut self.planted,
            Account::Sold => &mut self.sold,
            Account::Given => &mut self.given,
            Account::Divided => &mut self.divided,
            // A list that speaks of fewer does not say where they are.
            Account::Corrected | Account::Listed | Account::Lifted | Account::Lot => {
                &mut self.corrected
            }
        }
    }
}

/// A crate as it was last described.
#[derive(Debug, Clone)]
pub(super) struct Held {
    pub(super) code: CrateCode,
    pub(super) room: String,
    pub(super) place: String,
    pub(super) packing: String,
    /// Varieties that lay in it, folded.
    pub(super) varieties: BTreeSet<String>,
}

/// Tubers that came into store, by how.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct In {
    pub(super) stood: i64,
    pub(super) lifted: u64,
    pub(super) listed: u64,
    pub(super) divided: u64,
    pub(super) corrected: u64,
}
