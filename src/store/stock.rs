//! Crates as lists have them: brought in, and as they stand.

use sqlx::Row as _;

use super::{Store, StoreError, Tx, ledger::Request};
use crate::{
    stock::{
        CrateCode, Form,
        ledger::{Asked, Deed, Outcome, Refusal, weight_of},
        list::{Crate, Lot},
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
        let revision =
            sqlx::query_scalar!(r#"select revision as "revision!: i64" from stock_revision"#)
                .fetch_one(&self.read)
                .await?;
        Ok(revision)
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
        let rows = sqlx::query(
            "select c.code, c.room, c.place, c.packing,
                    l.variety, l.form, l.dug, l.note, l.tubers, l.prepared, l.each_ug
             from crate c join lot l using (crate_id)
             where l.tubers <> 0
             order by c.code, l.lot_id",
        )
        .fetch_all(&self.read)
        .await?;
        let fault = |what: &str| StoreError::Packed(format!("a crate: {what}"));
        let mut crates: Vec<Crate> = Vec::new();
        for row in rows {
            let code: &str = row.try_get(0)?;
            let code: CrateCode = code.parse().map_err(|_| fault(code))?;
            if crates.last().is_none_or(|c| c.code != code) {
                crates.push(Crate {
                    code,
                    room: row.try_get(1)?,
                    place: row.try_get(2)?,
                    packing: row.try_get(3)?,
                    lots: Vec::new(),
                });
            }
            let form: &str = row.try_get(5)?;
            let dug: Option<&str> = row.try_get(6)?;
            let form: Form = form.parse().map_err(|_| fault(form))?;
            let count: u32 = row.try_get(8)?;
            let prepared: &str = row.try_get(9)?;
            let each_ug: Option<i64> = row.try_get(10)?;
            let lot = Lot {
                variety: row.try_get(4)?,
                form,
                count,
                dug: dug.map(|d| d.parse().map_err(|_| fault(d))).transpose()?,
                weight_g: each_ug.and_then(|each| weight_of(each, count)),
                note: row.try_get(7)?,
                prepared: prepared.parse().map_err(|_| fault(prepared))?,
            };
            crates.last_mut().expect("just pushed").lots.push(lot);
        }
        Ok(crates)
    }
}
