//! Crates as lists have them: brought in, and as they stand.

use super::{
    Store, StoreError, Tx,
    ledger::{Request, revision},
};
use crate::{
    stock::{
        CrateCode,
        ledger::{Asked, Deed, Outcome, Refusal},
        list::Crate,
    },
    watch::Stamp,
};

/// What an imported list changed.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Imported {
    /// Crates that were not known.
    pub new_crates: u64,
    /// Crates whose place, packing or content differs from before.
    pub changed_crates: u64,
    /// Crates that are as they were.
    pub unchanged_crates: u64,
    /// Crates that could not be brought in, and why.
    pub refused: Vec<(CrateCode, Refusal)>,
}

impl Tx {
    /// Makes the listed crates what the list says, one entry to a crate; crates that are not in it stay as
    /// they are.
    pub async fn import_crates(
        &mut self,
        crates: &[Crate],
        at: Stamp,
        who: &str,
    ) -> Result<Imported, StoreError> {
        let known = self.stock().await?;
        let asked: Vec<Asked> = crates
            .iter()
            .map(|krate| {
                Deed::Listed {
                    krate: krate.clone(),
                }
                .into()
            })
            .collect();
        let request = Request {
            asked: &asked,
            together: false,
            at,
            who,
            doubt: &|_| None,
        };
        let (outcomes, ..) = self.enter(&request).await?;
        let mut imported = Imported::default();
        for (krate, outcome) in crates.iter().zip(outcomes) {
            match outcome {
                Outcome::Refused(Refusal::AsItStands) => imported.unchanged_crates += 1,
                Outcome::Refused(why) => imported.refused.push((krate.code.clone(), why)),
                _ if known.find(&krate.code).is_none() => imported.new_crates += 1,
                _ => imported.changed_crates += 1,
            }
        }
        Ok(imported)
    }
}

impl Store {
    /// How often the stock has changed.
    pub async fn stock_revision(&self) -> Result<i64, StoreError> {
        let mut connection = self.read.acquire().await?;
        revision(&mut connection).await
    }

    /// Every crate that holds nothing, in the order of their codes.
    pub async fn empty_crates(&self) -> Result<Vec<Crate>, StoreError> {
        let rows = sqlx::query!(
            "select code, room, place, packing from crate c
             where not exists (select 1 from lot l where l.crate_id = c.crate_id and l.tubers <> 0)
             order by code"
        )
        .fetch_all(&self.read)
        .await?;
        let empty = rows.into_iter().map(|row| {
            let bad = |_| StoreError::Packed(format!("a crate: {}", row.code));
            Ok(Crate {
                code: row.code.parse().map_err(bad)?,
                room: row.room,
                place: row.place,
                packing: row.packing,
                lots: Vec::new(),
            })
        });
        empty.collect()
    }

    /// Every crate that holds any tubers, with the lots that do, in the order of their codes.
    pub async fn crates(&self) -> Result<Vec<Crate>, StoreError> {
        Ok(self.stock().await?.list())
    }
}
