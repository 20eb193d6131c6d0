//! Crates as the stock has them, brought before the judge when they change.

use tracing::error;

use super::live::Engine;
use crate::{
    climate::Packing,
    stock::{Form, list::Crate},
    store::StoreError,
    watch::{Act, CrateFacts, Stamp, act::Stood},
};

/// How often it is looked whether the stock has changed, in milliseconds; whoever changes it may do so
/// beside the daemon.
const EVERY_MS: i64 = 5000;

impl Engine {
    /// Looks at the stock if it is time to.
    pub(super) async fn notice_stock(&mut self) {
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
        let listed = self.store.crates().await?.iter().map(facts).collect();
        if let Some((changed, gone)) = self.memory.judge.models().differing(listed) {
            let mut tx = self.store.begin().await?;
            let act = Act::Crates(Stood { changed, gone });
            self.act(&mut tx, at, "crate list", act).await?;
            tx.set_alive(at).await?;
            tx.commit().await?;
            self.last_alive = at;
            self.publish(None);
        }
        self.stock.0 = Some(revision);
        Ok(())
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
