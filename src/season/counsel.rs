//! What the figures of a winter counsel for the next: only what is beyond chance, in numbers. The words are
//! made elsewhere.

use serde::{Deserialize, Serialize};

use super::{
    pattern::Pattern,
    proportion::Interval,
    sheet::Side as Outside,
    survival::{Breakdown, Difference, Dimension, FEW_CRATES, FEW_TUBERS, Losses, Name, Side},
};

/// One counsel, with all the numbers on which it rests.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "about")]
pub enum Advice {
    /// One packing lost more than another.
    Packing(Compared),
    /// Divided tubers lost more than whole ones, or the other way round.
    Form(Compared),
    /// One room lost more than another.
    Room(Compared),
    /// One place lost more than all others together.
    Place(Compared),
    /// One variety lost more than all others together.
    Variety(Compared),
    /// What was dug on one day lost more than all else.
    Dug(Compared),
    /// Two parts of a room were not equally warm.
    ColderPlace {
        /// The room.
        room: String,
        /// Where it is colder; empty for the room as a whole.
        place: String,
        /// Beside what.
        beside: String,
        /// By how much in the mean, K.
        by_k: f64,
        /// Hours in which both were known.
        hours: f64,
        /// What losses say to it, where enough crates were kept.
        pattern: Option<Pattern>,
    },
    /// The air of a room was outside its band for long.
    OutsideBand {
        /// The room.
        room: String,
        /// On which side.
        side: Outside,
        /// Hours outside.
        hours: f64,
        /// Of so many hours that were judged.
        of_hours: f64,
    },
    /// Crates that lived through more of something lost more, or fewer.
    Pattern(Pattern),
}

/// Two groups of which one lost more than chance explains.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Compared {
    /// The one that lost more.
    pub worse: Side,
    /// The one that lost less.
    pub better: Side,
    /// Share lost of the worse less that of the better, 0 to 1.
    pub difference: f64,
    /// Its interval, above 0 as a whole.
    pub interval: Interval,
    /// How sure this interval is.
    pub confidence: f64,
    /// Whether crates were counted rather than tubers.
    pub by_crate: bool,
    /// Tubers that would have lived if the worse had lost no larger a share than the better.
    pub saved: f64,
}

impl Advice {
    /// The two groups that it compares; none where it is of no groups.
    pub fn compared(&self) -> Option<&Compared> {
        match self {
            Self::Packing(c)
            | Self::Form(c)
            | Self::Room(c)
            | Self::Place(c)
            | Self::Variety(c)
            | Self::Dug(c) => Some(c),
            Self::ColderPlace { .. } | Self::OutsideBand { .. } | Self::Pattern(_) => None,
        }
    }

    /// Tubers that it would have saved; none where that cannot be said.
    pub fn saved(&self) -> Option<f64> {
        self.compared().map(|c| c.saved)
    }
}

/// Orders counsels by the tubers that each would have saved, the most first; of the others what came first
/// stays first.
pub fn order(advice: &mut [Advice]) {
    advice.sort_by(|a, b| {
        let saved = |one: &Advice| one.saved().unwrap_or(0.0);
        saved(b).total_cmp(&saved(a))
    });
}

/// What the losses of a winter counsel. Nothing where nobody kept a record of them.
pub fn of_losses(losses: &Losses) -> Vec<Advice> {
    if !losses.kept {
        return Vec::new();
    }
    let mut advice: Vec<Advice> = losses.breakdowns.iter().flat_map(of_breakdown).collect();
    order(&mut advice);
    advice
}

fn of_breakdown(breakdown: &Breakdown) -> Vec<Advice> {
    let about: fn(Compared) -> Advice = match breakdown.dimension {
        Dimension::Packing => Advice::Packing,
        Dimension::Form => Advice::Form,
        Dimension::Room => Advice::Room,
        Dimension::Place => Advice::Place,
        Dimension::Variety => Advice::Variety,
        Dimension::Dug => Advice::Dug,
        // What one crate lost counsels nothing for the next winter.
        Dimension::Crate => return Vec::new(),
    };
    (breakdown.differences.iter())
        .filter(|difference| holds(difference))
        .map(|difference| about(compared(difference)))
        .collect()
}

/// Whether a difference is more than chance counted by crates, of enough crates and tubers on either side, and
/// of tubers that had the same time to be lost in and mostly others. That all the rest lost more than a group
/// says no more than that some group in it did.
fn holds(difference: &Difference) -> bool {
    let enough = |side: &Side| FEW_CRATES <= side.crates && FEW_TUBERS <= side.at_risk;
    difference.excludes_none
        && difference.is_fair()
        && difference.by_crate
        && enough(&difference.a)
        && enough(&difference.b)
        && (difference.b.name != Name::Rest || 0.0 < difference.difference)
}

fn compared(of: &Difference) -> Compared {
    let turned = of.difference < 0.0;
    let (worse, better) = if turned {
        (&of.b, &of.a)
    } else {
        (&of.a, &of.b)
    };
    let interval = if turned {
        Interval {
            low: -of.interval.high,
            high: -of.interval.low,
        }
    } else {
        of.interval
    };
    let difference = of.difference.abs();
    Compared {
        worse: worse.clone(),
        better: better.clone(),
        difference,
        interval,
        confidence: of.confidence,
        by_crate: of.by_crate,
        saved: difference * worse.at_risk as f64,
    }
}
