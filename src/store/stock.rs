//! Crates and lots; counts are sums of ledger entries.

use sqlx::Row as _;

use super::{Store, StoreError, Tx};
use crate::{
    stock::{
        CrateCode, Form,
        list::{Crate, Lot},
    },
    watch::Stamp,
};

/// What an imported list changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Imported {
    /// Crates that were not known.
    pub new_crates: u64,
    /// Crates whose place, packing or content differs from before.
    pub changed_crates: u64,
    /// Crates that are as they were.
    pub unchanged_crates: u64,
}

impl Tx {
    /// Makes the listed crates what the list says; crates that are not in it stay as they are.
    /// Differences of counts become ledger entries.
    pub async fn import_crates(
        &mut self,
        crates: &[Crate],
        at: Stamp,
        who: &str,
    ) -> Result<Imported, StoreError> {
        let mut imported = Imported::default();
        for krate in crates {
            let code = krate.code.as_str();
            let known = sqlx::query!(
                r#"select crate_id as "id!", room, place, packing from crate where code = ?1"#,
                code
            )
            .fetch_optional(&mut *self.0)
            .await?;
            let (id, mut changed) = if let Some(k) = &known {
                let before = (k.room.as_str(), k.place.as_str(), k.packing.as_str());
                (k.id, before != (&krate.room, &krate.place, &krate.packing))
            } else {
                let id = sqlx::query_scalar!(
                    "insert into crate (code, room, place, packing) values (?1, ?2, ?3, ?4)
                     returning crate_id as \"id!: i64\"",
                    code,
                    krate.room,
                    krate.place,
                    krate.packing
                )
                .fetch_one(&mut *self.0)
                .await?;
                (id, true)
            };
            if known.is_some() && changed {
                sqlx::query!(
                    "update crate set room = ?2, place = ?3, packing = ?4 where crate_id = ?1",
                    id,
                    krate.room,
                    krate.place,
                    krate.packing
                )
                .execute(&mut *self.0)
                .await?;
            }
            changed |= self.import_lots(id, &krate.lots, at, who).await?;
            if known.is_none() {
                imported.new_crates += 1;
            } else if changed {
                imported.changed_crates += 1;
            } else {
                imported.unchanged_crates += 1;
            }
        }
        Ok(imported)
    }

    async fn import_lots(
        &mut self,
        crate_id: i64,
        lots: &[Lot],
        at: Stamp,
        who: &str,
    ) -> Result<bool, StoreError> {
        let mut known = sqlx::query!(
            r#"select lot_id as "id!: i64", variety as "variety!: String", form as "form!: String",
                      dug, weight_g, note as "note!: String", prepared as "prepared!: String",
                      coalesce((select sum(tubers) from entry e where e.lot_id = l.lot_id), 0) as "count!: i64"
               from lot l where crate_id = ?1"#,
            crate_id
        )
        .fetch_all(&mut *self.0)
        .await?;
        let mut changed = false;
        for lot in lots {
            let form = lot.form.to_string();
            let dug = lot.dug.map(|d| d.to_string());
            let weight = lot.weight_g.map(i64::from);
            let prepared = lot.prepared.to_string();
            // A list that gives a date where none was known tells more of the same lot.
            let same = known.iter().position(|k| {
                k.variety.eq_ignore_ascii_case(&lot.variety)
                    && k.form == form
                    && (k.dug == dug || k.dug.is_none() || dug.is_none())
            });
            let (id, count) = if let Some(same) = same {
                let k = known.swap_remove(same);
                let before = (&k.dug, k.weight_g, &k.note, &k.prepared);
                if before != (&dug, weight, &lot.note, &prepared) {
                    changed = true;
                    sqlx::query!(
                        "update lot set dug = ?2, weight_g = ?3, note = ?4, prepared = ?5
                         where lot_id = ?1",
                        k.id,
                        dug,
                        weight,
                        lot.note,
                        prepared
                    )
                    .execute(&mut *self.0)
                    .await?;
                }
                (k.id, Some(k.count))
            } else {
                let id = sqlx::query_scalar!(
                    "insert into lot (crate_id, variety, form, dug, weight_g, note, prepared)
                     values (?1, ?2, ?3, ?4, ?5, ?6, ?7) returning lot_id as \"id!: i64\"",
                    crate_id,
                    lot.variety,
                    form,
                    dug,
                    weight,
                    lot.note,
                    prepared
                )
                .fetch_one(&mut *self.0)
                .await?;
                (id, None)
            };
            let kind = if count.is_none() {
                "packed"
            } else {
                "corrected"
            };
            let tubers = i64::from(lot.count) - count.unwrap_or(0);
            if tubers != 0 {
                changed = true;
                self.enter(id, at, who, kind, tubers, "crate list").await?;
            }
        }
        for gone in known.iter().filter(|k| k.count != 0) {
            changed = true;
            self.enter(
                gone.id,
                at,
                who,
                "corrected",
                -gone.count,
                "no longer on the crate list",
            )
            .await?;
        }
        Ok(changed)
    }

    async fn enter(
        &mut self,
        lot: i64,
        at: Stamp,
        who: &str,
        kind: &str,
        tubers: i64,
        note: &str,
    ) -> Result<(), StoreError> {
        sqlx::query!(
            "insert into entry (lot_id, at, who, kind, tubers, note) values (?1, ?2, ?3, ?4, ?5, ?6)",
            lot,
            at.0,
            who,
            kind,
            tubers,
            note
        )
        .execute(&mut *self.0)
        .await?;
        Ok(())
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

    /// Every crate with the lots that hold any tubers, in the order of their codes.
    pub async fn crates(&self) -> Result<Vec<Crate>, StoreError> {
        let rows = sqlx::query(
            "select c.code, c.room, c.place, c.packing,
                    l.variety, l.form, l.dug, l.weight_g, l.note,
                    (select sum(tubers) from entry e where e.lot_id = l.lot_id) as tubers,
                    l.prepared
             from crate c left join lot l on l.crate_id = c.crate_id
             order by c.code, l.lot_id",
        )
        .fetch_all(&self.read)
        .await?;
        let fault = |what: &str| StoreError::Packed(format!("a crate: {what}"));
        let mut crates: Vec<Crate> = Vec::new();
        for row in rows {
            let code: String = row.try_get(0)?;
            let code: CrateCode = code.parse().map_err(|_| fault(&code))?;
            if crates.last().is_none_or(|c| c.code != code) {
                crates.push(Crate {
                    code,
                    room: row.try_get(1)?,
                    place: row.try_get(2)?,
                    packing: row.try_get(3)?,
                    lots: Vec::new(),
                });
            }
            let tubers: Option<i64> = row.try_get(9)?;
            let Some(count) = tubers
                .and_then(|t| u32::try_from(t).ok())
                .filter(|&t| t != 0)
            else {
                continue;
            };
            let form: String = row.try_get(5)?;
            let dug: Option<String> = row.try_get(6)?;
            let form: Form = form.parse().map_err(|_| fault(&form))?;
            let prepared: String = row.try_get(10)?;
            let lot = Lot {
                variety: row.try_get(4)?,
                form,
                count,
                dug: dug.map(|d| d.parse().map_err(|_| fault(&d))).transpose()?,
                weight_g: row.try_get(7)?,
                note: row.try_get(8)?,
                prepared: prepared.parse().map_err(|_| fault(&prepared))?,
            };
            crates.last_mut().expect("just pushed").lots.push(lot);
        }
        Ok(crates)
    }
}
