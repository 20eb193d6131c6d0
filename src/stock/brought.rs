//! What bringing a list in would do, crate by crate, before anything is entered.

use std::fmt;

use chrono::{DateTime, Utc};

use super::{
    CrateCode,
    ledger::{CrateId, Deed, Refusal, Stock},
    list,
    sheet::Mapping,
};

/// What would become of one crate of a list.
#[derive(Debug, Clone, PartialEq)]
pub struct Foreseen {
    /// Which.
    pub code: CrateCode,
    /// Pieces the list says it holds.
    pub count: u32,
    /// What would happen.
    pub fate: Fate,
}

/// What a list would do to a crate.
#[derive(Debug, Clone, PartialEq)]
pub enum Fate {
    /// There is none of this code yet.
    New,
    /// It is there, and would be what the list says.
    Changed {
        /// Pieces in it now.
        was: u32,
        /// What else would be another: `room`, `place`, `packing` or `what is written of its lots`.
        other: Vec<&'static str>,
    },
    /// It is there as the list says.
    Same,
    /// It cannot be.
    Refused(Refusal),
}

impl fmt::Display for Foreseen {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { code, count, fate } = self;
        match fate {
            Fate::New => write!(f, "{code}: new, {}", pieces(*count)),
            Fate::Changed { was, other } => {
                let pieces = if was == count {
                    pieces(*count)
                } else {
                    format!("{was} -> {}", pieces(*count))
                };
                write!(f, "{code}: {pieces}")?;
                match other.as_slice() {
                    [] => Ok(()),
                    other => write!(f, "; changed: {}", other.join(", ")),
                }
            }
            Fate::Same => write!(f, "{code}: as before, {}", pieces(*count)),
            Fate::Refused(why) => write!(f, "{code}: {why}"),
        }
    }
}

fn pieces(n: u32) -> String {
    format!("{n} {}", if n == 1 { "piece" } else { "pieces" })
}

/// Lets crates keep their place and packing where a sheet has no column for them and nothing was said
/// instead: what it does not speak of, it does not change.
pub fn keep_unsaid(crates: &mut [list::Crate], mapping: &Mapping, stock: &Stock) {
    let has = |field: &str| mapping.columns.contains_key(field);
    for krate in crates {
        let Some((_, was)) = stock.find(&krate.code) else {
            continue;
        };
        if !has("place") {
            krate.place.clone_from(&was.place);
        }
        if !has("packing") && mapping.packing.is_empty() {
            krate.packing.clone_from(&was.packing);
        }
    }
}

/// What a list would do to the stock, in the order of the list.
pub fn foresee(stock: &Stock, crates: &[list::Crate], at: DateTime<Utc>) -> Vec<Foreseen> {
    let mut draft = stock.clone();
    let fate = |krate: &list::Crate| {
        let known = stock.find(&krate.code);
        let deed = Deed::Listed {
            krate: krate.clone(),
        };
        match draft.enter(&deed, at) {
            Err(Refusal::AsItStands) => Fate::Same,
            Err(why) => Fate::Refused(why),
            Ok(_) => known.map_or(Fate::New, |(id, was)| changed(stock, id, was, krate)),
        }
    };
    let fates: Vec<Fate> = crates.iter().map(fate).collect();
    (crates.iter().zip(fates))
        .map(|(krate, fate)| Foreseen {
            code: krate.code.clone(),
            count: krate.lots.iter().map(|lot| lot.count).sum(),
            fate,
        })
        .collect()
}

fn changed(stock: &Stock, id: CrateId, was: &super::ledger::Crate, now: &list::Crate) -> Fate {
    let mut other = Vec::new();
    let said = [
        ("room", &was.room, &now.room),
        ("place", &was.place, &now.place),
        ("packing", &was.packing, &now.packing),
    ];
    other.extend(said.iter().filter(|(_, was, now)| was != now).map(|s| s.0));
    let lots = |all: &mut dyn Iterator<Item = list::Lot>| {
        let mut lots: Vec<_> = all
            .map(|lot| format!("{:?}", list::Lot { count: 0, ..lot }))
            .collect();
        lots.sort();
        lots
    };
    let kept = lots(&mut stock.content(id).map(|(_, lot, count)| lot.listed(count)));
    if kept != lots(&mut now.lots.iter().cloned()) {
        other.push("what is written of its lots");
    }
    Fate::Changed {
        was: stock.content(id).map(|(.., count)| count).sum(),
        other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stock::list::parse;

    const HEADER: &str = "code,room,place,variety,form,packing,count,dug,weight\n";

    fn listed(rows: &str) -> Vec<list::Crate> {
        let parsed = parse(&format!("{HEADER}{rows}"));
        assert_eq!(parsed.faults, []);
        parsed.crates
    }

    #[test]
    fn what_a_list_would_do_is_told_crate_by_crate() {
        let mut stock = Stock::default();
        let at = DateTime::UNIX_EPOCH;
        for krate in listed(
            "B-07,cellar,wall,Brindolet,clump,peat,24,,\n\
             B-08,cellar,wall,Quenbrisk,clump,peat,12,,\n\
             B-09,cellar,wall,Quenbrisk,clump,peat,1,,2 kg\n",
        ) {
            stock.enter(&Deed::Listed { krate }, at).unwrap();
        }
        let before = stock.clone();
        let list = listed(
            "b-07,cellar,wall,Brindolet,clump,peat,30,,\n\
             B-08,back room,wall,Quenbrisk,clump,peat,12,2026-10-21,\n\
             B-09,cellar,wall,Quenbrisk,clump,peat,1,,2 kg\n\
             B-10,cellar,wall,Quenbrisk,clump,peat,1,,\n",
        );
        let lines: Vec<_> = foresee(&stock, &list, at)
            .iter()
            .map(ToString::to_string)
            .collect();
        assert_eq!(
            lines,
            [
                "b-07: 24 -> 30 pieces",
                "B-08: 12 pieces; changed: room, what is written of its lots",
                "B-09: as before, 1 piece",
                "B-10: new, 1 piece",
            ]
        );
        assert_eq!(stock, before);
    }
}
