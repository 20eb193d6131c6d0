//! Changes made to the stock: all of an entry or none.

use std::collections::BTreeSet;

use super::{Change, CrateId, MOST, Refusal, Season, Stock};

impl Stock {
    /// Crates whose content, place or course these changes touch.
    pub fn touched(&self, changes: &[Change]) -> BTreeSet<CrateId> {
        let mut touched = BTreeSet::new();
        for change in changes {
            match change {
                Change::Crate { id, .. } => {
                    touched.insert(*id);
                }
                Change::Lot { before, after, .. } => {
                    touched.extend(before.iter().chain(after).map(|lot| lot.krate));
                }
                Change::Tubers { lot, .. } => {
                    touched.extend(self.lots.get(lot).map(|(lot, _)| lot.krate));
                }
                Change::Wish { .. } | Change::Season { .. } => {}
            }
        }
        touched
    }

    /// Makes the changes of an entry. What cannot be (a count below none, a crate that is not as it was)
    /// is refused, and nothing is changed.
    pub fn apply(&mut self, changes: &[Change]) -> Result<(), Refusal> {
        self.all_or_nothing(|draft| changes.iter().try_for_each(|c| draft.make(c.clone())))?;
        Ok(())
    }

    /// Lets `work` change the stock; when it fails, everything is put back.
    pub(super) fn all_or_nothing(
        &mut self,
        work: impl FnOnce(&mut Draft<'_>) -> Result<(), Refusal>,
    ) -> Result<Vec<Change>, Refusal> {
        let last = self.last;
        let mut draft = Draft {
            stock: self,
            changes: Vec::new(),
        };
        let done = work(&mut draft);
        let changes = draft.changes;
        if let Err(refusal) = done {
            for change in changes.into_iter().rev() {
                self.make(&change.reversed())
                    .expect("what was just done can be put back");
            }
            self.last = last;
            return Err(refusal);
        }
        Ok(changes)
    }

    fn make(&mut self, change: &Change) -> Result<(), Refusal> {
        match change {
            Change::Crate { id, before, after } => {
                if self.crates.get(id) != before.as_ref() {
                    return Err(Refusal::NotAsItWas);
                }
                if let Some(krate) = before {
                    self.codes.remove(&krate.code);
                }
                if let Some(krate) = after {
                    if self.codes.insert(krate.code.clone(), *id).is_some() {
                        return Err(Refusal::NotAsItWas);
                    }
                    self.crates.insert(*id, krate.clone());
                } else {
                    self.crates.remove(id);
                }
                self.last.0 = self.last.0.max(id.0);
            }
            Change::Lot { id, before, after } => {
                if self.lots.get(id).map(|(lot, _)| lot) != before.as_ref() {
                    return Err(Refusal::NotAsItWas);
                }
                match after {
                    Some(lot) => {
                        self.lots.entry(*id).or_insert_with(|| (lot.clone(), 0)).0 = lot.clone();
                    }
                    None if self.lots.get(id).is_some_and(|(_, count)| *count != 0) => {
                        return Err(Refusal::NotAsItWas);
                    }
                    None => {
                        self.lots.remove(id);
                    }
                }
                self.last.1 = self.last.1.max(id.0);
            }
            Change::Tubers { lot, by, .. } => {
                let (named, count) = self.lots.get_mut(lot).ok_or(Refusal::NoLot(*lot))?;
                let left = i64::from(*count) + by;
                *count = u32::try_from(left)
                    .ok()
                    .filter(|left| *left <= MOST)
                    .ok_or_else(|| Refusal::count(named, *count, *by))?;
            }
            Change::Wish {
                variety,
                before,
                after,
            } => {
                let key = variety.to_lowercase();
                if self.wishes.get(&key).map(|(_, w)| w) != before.as_ref() {
                    return Err(Refusal::NotAsItWas);
                }
                match after {
                    Some(wish) => self.wishes.insert(key, (variety.clone(), wish.clone())),
                    None => self.wishes.remove(&key),
                };
            }
            Change::Season {
                winter,
                before,
                after,
            } => {
                if self.season(*winter) != *before {
                    return Err(Refusal::NotAsItWas);
                }
                if *after == Season::default() {
                    self.seasons.remove(winter);
                } else {
                    self.seasons.insert(*winter, *after);
                }
            }
        }
        Ok(())
    }
}

/// Changes in the making.
pub(super) struct Draft<'a> {
    pub(super) stock: &'a mut Stock,
    pub(super) changes: Vec<Change>,
}

impl Draft<'_> {
    pub(super) fn make(&mut self, change: Change) -> Result<(), Refusal> {
        self.stock.make(&change)?;
        self.changes.push(change);
        Ok(())
    }
}

impl Change {
    pub(super) fn reversed(self) -> Self {
        match self {
            Self::Crate { id, before, after } => Self::Crate {
                id,
                before: after,
                after: before,
            },
            Self::Lot { id, before, after } => Self::Lot {
                id,
                before: after,
                after: before,
            },
            Self::Tubers { lot, by, account } => Self::Tubers {
                lot,
                by: -by,
                account,
            },
            Self::Wish {
                variety,
                before,
                after,
            } => Self::Wish {
                variety,
                before: after,
                after: before,
            },
            Self::Season {
                winter,
                before,
                after,
            } => Self::Season {
                winter,
                before: after,
                after: before,
            },
        }
    }
}
