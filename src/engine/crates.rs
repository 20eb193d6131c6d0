//! The stock before the judge: what people enter, and crates that others changed beside the daemon.

use std::collections::BTreeMap;

use tracing::error;

use super::live::Engine;
use crate::{
    climate::Packing,
    inbox::Receipt,
    stock::{
        CrateCode, Form,
        ledger::{Asked, Deed, Doubt, Entry, EntryId, LARGEST_CHANGE, Outcome},
        list::Crate,
    },
    store::{StoreError, Tx, ledger::Request},
    watch::{
        Act, CrateFacts, Stamp,
        act::{Stood, Unweighed, Weighed},
    },
};

/// How often it is looked whether the stock has changed, in milliseconds; whoever changes it may do so
/// beside the daemon.
const EVERY_MS: i64 = 5000;

/// No clump makes more divisions than this: an additional digit (judgement; four are common, and growers
/// tell of a dozen).
const LARGEST_YIELD: u32 = 20;

impl Engine {
    /// Looks at the stock if it is time to: whoever changes it beside the recorder is noticed within seconds.
    pub async fn notice_stock(&mut self) {
        let at = self.now();
        // Time in which nobody looked is noted first, by the next tick.
        if self.gap.is_some() || at.since(self.stock.1) < EVERY_MS {
            return;
        }
        self.look_or_say(at).await;
    }

    /// Looks at the stock; what cannot be read changes nothing and is said.
    pub(super) async fn look_or_say(&mut self, at: Stamp) {
        let before = self.memory.clone();
        if let Err(error) = self.look_at_stock(at).await {
            error!(error = ?error, "the crates could not be looked at");
            self.memory = before;
        }
    }

    /// Tells the judge of every crate that came, changed or went.
    async fn look_at_stock(&mut self, at: Stamp) -> Result<(), StoreError> {
        self.stock.1 = at;
        let revision = self.store.stock_revision().await?;
        if self.stock.0 == Some(revision) {
            return Ok(());
        }
        let listed = self.store.crates().await?;
        let mut tx = self.store.begin().await?;
        if self.stood(&mut tx, at, "crate list", &listed).await? {
            tx.set_alive(at).await?;
            tx.commit().await?;
            self.last_alive = at;
            self.publish(None);
        } else {
            tx.commit().await?;
        }
        self.stock.0 = Some(revision);
        Ok(())
    }

    /// Tells the judge how the crates stand, if that is news to it.
    async fn stood(
        &mut self,
        tx: &mut Tx,
        at: Stamp,
        who: &str,
        listed: &[Crate],
    ) -> Result<bool, StoreError> {
        let listed = listed.iter().map(facts).collect();
        let Some((changed, gone)) = self.memory.judge.models().differing(listed) else {
            return Ok(false);
        };
        self.act(tx, at, who, Act::Crates(Stood { changed, gone }))
            .await?;
        Ok(true)
    }

    /// Enters what people ask for, and lets the judge see what it means for the crates.
    pub(super) async fn enter(
        &mut self,
        tx: &mut Tx,
        at: Stamp,
        asked: &[Asked],
        together: bool,
        who: &str,
    ) -> Result<Receipt, StoreError> {
        let before = last_weights(tx, asked).await?;
        let doubt = |deed: &Deed| doubted(&before, deed);
        let request = Request {
            asked,
            together,
            at,
            who,
            doubt: &doubt,
        };
        let (outcomes, stock, entries) = tx.enter(&request).await?;
        if entries.is_empty() {
            return Ok(Receipt {
                entered: outcomes,
                ..Receipt::default()
            });
        }
        self.stood(tx, at, who, &stock.list()).await?;
        for entry in &entries {
            let krate = match &entry.deed {
                Deed::Weighed { krate, .. } => krate,
                Deed::Undone { entry: earlier } => {
                    self.unweighed(tx, at, *earlier, &entry.who).await?;
                    continue;
                }
                _ => continue,
            };
            let nth = outcomes
                .iter()
                .position(|o| *o == Outcome::Entered(entry.id));
            let sure = nth.and_then(|nth| asked.get(nth)).is_some_and(|a| a.sure);
            let anew = before.get(krate).is_some_and(Option::is_none);
            self.weighed(tx, at, entry, sure || anew).await?;
        }
        Ok(Receipt {
            entered: outcomes,
            ..Receipt::default()
        })
    }

    /// Shows the judge what the scale said.
    async fn weighed(
        &mut self,
        tx: &mut Tx,
        at: Stamp,
        entry: &Entry,
        anew: bool,
    ) -> Result<(), StoreError> {
        let Deed::Weighed { krate, grams } = &entry.deed else {
            return Ok(());
        };
        let act = Act::Weighed(Weighed {
            krate: krate.to_string(),
            weighed_at: weighed_at(entry),
            grams: *grams,
            anew,
        });
        // A crate whose air is not watched has a weight in the ledger and no model to learn from it.
        if self
            .memory
            .judge
            .refuses(&act.clone().into_input(at, &entry.who))
            .is_none()
        {
            self.act(tx, at, &entry.who, act).await?;
        }
        Ok(())
    }

    /// Lets the judge forget a weighing that was taken back, if that is what was taken back.
    async fn unweighed(
        &mut self,
        tx: &mut Tx,
        at: Stamp,
        entry: EntryId,
        who: &str,
    ) -> Result<(), StoreError> {
        let Some(entry) = tx.entry(entry).await? else {
            return Ok(());
        };
        let Deed::Weighed { krate, .. } = &entry.deed else {
            return Ok(());
        };
        let act = Act::Unweighed(Unweighed {
            krate: krate.to_string(),
            weighed_at: weighed_at(&entry),
        });
        self.act(tx, at, who, act).await
    }
}

/// When a crate stood on the scale.
fn weighed_at(entry: &Entry) -> Stamp {
    Stamp::from(entry.done_at()).min(entry.at.into())
}

/// What crates on the scale weighed before; none where earlier weights count no more, because something came
/// or went since. Crates that were never weighed are not in it.
async fn last_weights(
    tx: &mut Tx,
    asked: &[Asked],
) -> Result<BTreeMap<CrateCode, Option<u32>>, StoreError> {
    let mut before = BTreeMap::new();
    if !asked
        .iter()
        .any(|one| matches!(one.deed, Deed::Weighed { .. }))
    {
        return Ok(before);
    }
    let stock = tx.stock().await?;
    for (nth, one) in asked.iter().enumerate() {
        let Deed::Weighed { krate, .. } = &one.deed else {
            continue;
        };
        let Some(last) = tx.last_weight(krate).await? else {
            continue;
        };
        let own = stock.find(krate).map(|(id, _)| id);
        let moved = |a: &Asked| !a.deed.only_adds() && stock.starts_from(&a.deed) == own;
        let anew = asked[..nth].iter().any(moved) || tx.changed_since_weighed(krate).await?;
        before.insert(krate.clone(), (!anew).then_some(last));
    }
    Ok(before)
}

/// What of a deed can hardly be.
fn doubted(before: &BTreeMap<CrateCode, Option<u32>>, deed: &Deed) -> Option<Doubt> {
    match deed {
        Deed::Weighed { krate, grams } => {
            let last = (*before.get(krate)?)?;
            let change = f64::from(*grams) / f64::from(last) - 1.0;
            (LARGEST_CHANGE < change.abs()).then(|| Doubt::Weight((change * 100.0).round() as i32))
        }
        Deed::Divided { count, yielded, .. } => {
            let each = yielded / (*count).max(1);
            (LARGEST_YIELD < each).then_some(Doubt::Yield(each))
        }
        _ => None,
    }
}

/// What the models must know of a crate.
pub fn facts(krate: &Crate) -> CrateFacts {
    let weights: Option<Vec<u32>> = krate.lots.iter().map(|l| l.weight_g).collect();
    // Filled over several days, it is whole from the last of them.
    let dug = krate.lots.iter().filter_map(|l| l.dug).max();
    let noon = dug.and_then(|d| d.and_hms_opt(12, 0, 0));
    CrateFacts {
        code: krate.code.to_string(),
        room: krate.room.trim().to_owned(),
        place: krate.place.clone(),
        packing: Packing::read(&krate.packing),
        tubers_g: weights
            .map(|w| w.iter().copied().fold(0, u32::saturating_add))
            .filter(|g| 0 < *g),
        divided: krate.lots.iter().any(|l| l.form == Form::Division),
        washed: krate.lots.iter().any(|l| l.prepared.washed),
        uncured: (krate.lots.iter()).any(|l| l.prepared.cured == Some(false)),
        since: noon.map(|n| n.and_utc().into()),
    }
}
