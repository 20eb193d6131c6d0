//! Taking an entry back: the opposite of what it did, as far as nothing rests on it.

use super::{Change, Crate, Deed, Draft, Entry, Lot, Refusal, Steps, Stock};

impl Stock {
    /// Does the opposite of an entry. Refused where something later rests on what it did.
    pub fn take_back(&mut self, entry: &Entry) -> Result<Vec<Change>, Refusal> {
        if matches!(entry.deed, Deed::Undone { .. }) {
            return Err(Refusal::IsUndo);
        }
        self.all_or_nothing(|draft| {
            let reversed = entry.changes.iter().rev().cloned().map(Change::reversed);
            for change in reversed {
                if let Some(change) = draft.rebased(change)? {
                    draft.make(change)?;
                }
            }
            Ok(())
        })
    }
}

impl Draft<'_> {
    /// A reversed change as it applies to what stands now: fields that it does not touch may have moved
    /// on since. Nothing where a crate that it brought is in use by others.
    fn rebased(&self, change: Change) -> Result<Option<Change>, Refusal> {
        Ok(match change {
            Change::Crate {
                id,
                before: Some(made),
                after: None,
            } => {
                let in_use = self.stock.lots.values().any(|(lot, _)| lot.krate == id);
                let same = self.stock.krate(id) == Some(&made);
                (same && !in_use).then_some(Change::Crate {
                    id,
                    before: Some(made),
                    after: None,
                })
            }
            Change::Crate {
                id,
                before: Some(from),
                after: Some(to),
            } => {
                let now = self.stock.krate(id).ok_or(Refusal::NotAsItWas)?;
                let after = Crate {
                    code: now.code.clone(),
                    room: back(&now.room, &from.room, &to.room)?,
                    place: back(&now.place, &from.place, &to.place)?,
                    packing: back(&now.packing, &from.packing, &to.packing)?,
                    steps: Steps {
                        lifted: back(&now.steps.lifted, &from.steps.lifted, &to.steps.lifted)?,
                        cleaned: back(&now.steps.cleaned, &from.steps.cleaned, &to.steps.cleaned)?,
                        dipped: back(&now.steps.dipped, &from.steps.dipped, &to.steps.dipped)?,
                        divided: back(&now.steps.divided, &from.steps.divided, &to.steps.divided)?,
                        skins_dry: back(
                            &now.steps.skins_dry,
                            &from.steps.skins_dry,
                            &to.steps.skins_dry,
                        )?,
                        cuts_dry: back(
                            &now.steps.cuts_dry,
                            &from.steps.cuts_dry,
                            &to.steps.cuts_dry,
                        )?,
                        packed: back(&now.steps.packed, &from.steps.packed, &to.steps.packed)?,
                        woken: back(&now.steps.woken, &from.steps.woken, &to.steps.woken)?,
                    },
                };
                Some(Change::Crate {
                    id,
                    before: Some(now.clone()),
                    after: Some(after),
                })
            }
            Change::Lot {
                id,
                before: Some(from),
                after: Some(to),
            } => {
                let (now, _) = self.stock.lot(id).ok_or(Refusal::NotAsItWas)?;
                let after = Lot {
                    krate: now.krate,
                    variety: back(&now.variety, &from.variety, &to.variety)?,
                    form: back(&now.form, &from.form, &to.form)?,
                    dug: back(&now.dug, &from.dug, &to.dug)?,
                    each_ug: back(&now.each_ug, &from.each_ug, &to.each_ug)?,
                    note: back(&now.note, &from.note, &to.note)?,
                    prepared: back(&now.prepared, &from.prepared, &to.prepared)?,
                };
                Some(Change::Lot {
                    id,
                    before: Some(now.clone()),
                    after: Some(after),
                })
            }
            // A lot that was described anew since stays, with none in it.
            Change::Lot {
                id,
                before: Some(made),
                after: None,
            } => {
                let same = self.stock.lot(id) == Some((&made, 0));
                same.then_some(Change::Lot {
                    id,
                    before: Some(made),
                    after: None,
                })
            }
            other => Some(other),
        })
    }
}

/// One field taken back: as it was, if this entry changed it and nobody has since.
fn back<T: PartialEq + Clone>(now: &T, from: &T, to: &T) -> Result<T, Refusal> {
    if from == to {
        Ok(now.clone())
    } else if now == from {
        Ok(to.clone())
    } else {
        Err(Refusal::NotAsItWas)
    }
}
