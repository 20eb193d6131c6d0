//! Entries of the ledger as they are shown and summed up.

use std::collections::BTreeMap;

use sqlx::{Row as _, sqlite::SqliteRow};

use super::{
    Store, StoreError,
    ledger::{entry, json},
};
use crate::{
    stock::ledger::{CrateId, Entry, EntryId},
    watch::Stamp,
};

/// An entry as a history shows it.
#[derive(Debug, Clone, PartialEq)]
pub struct Told {
    /// The entry.
    pub entry: Entry,
    /// It was taken back later.
    pub undone: bool,
}

impl Store {
    /// The newest entries about a crate, newest first, at most so many.
    pub async fn history(&self, krate: CrateId, most: u32) -> Result<Vec<Told>, StoreError> {
        let rows = sqlx::query(
            "select g.*, exists (select 1 from ledger u where u.undoes = g.entry_id) as undone
             from ledger_crate c join ledger g using (entry_id)
             where c.crate_id = ?1 order by c.entry_id desc limit ?2",
        )
        .bind(krate.0)
        .bind(most)
        .fetch_all(&self.read)
        .await?;
        let told = |row: &SqliteRow| {
            Ok(Told {
                entry: entry(row)?,
                undone: row.try_get("undone")?,
            })
        };
        rows.iter().map(told).collect()
    }

    /// The newest entry about each crate.
    pub async fn newest_entries(&self) -> Result<BTreeMap<CrateId, EntryId>, StoreError> {
        let rows = sqlx::query!(
            r#"select crate_id as "krate!: i64", max(entry_id) as "newest!: i64"
               from ledger_crate group by crate_id"#
        )
        .fetch_all(&self.read)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| (CrateId(r.krate), EntryId(r.newest)))
            .collect())
    }

    /// Entries after one, in order, at most so many.
    pub async fn entries_after(&self, after: EntryId, most: u32) -> Result<Vec<Entry>, StoreError> {
        let rows =
            sqlx::query("select * from ledger where ?1 < entry_id order by entry_id limit ?2")
                .bind(after.0)
                .bind(most)
                .fetch_all(&self.read)
                .await?;
        rows.iter().map(entry).collect()
    }

    /// The newest entries before one, newest first, with the crates they are about.
    pub async fn latest(
        &self,
        before: Option<EntryId>,
        most: u32,
    ) -> Result<Vec<(Told, Vec<CrateId>)>, StoreError> {
        let rows = sqlx::query(
            "select g.*, exists (select 1 from ledger u where u.undoes = g.entry_id) as undone,
                 (select json_group_array(crate_id) from ledger_crate c where c.entry_id = g.entry_id) as about
             from ledger g where g.entry_id < ?1 order by g.entry_id desc limit ?2",
        )
        .bind(before.map_or(i64::MAX, |e| e.0))
        .bind(most)
        .fetch_all(&self.read)
        .await?;
        let told = |row: &SqliteRow| {
            let told = Told {
                entry: entry(row)?,
                undone: row.try_get("undone")?,
            };
            Ok((told, json(row.try_get("about")?)?))
        };
        rows.iter().map(told).collect()
    }

    /// Tubers that came and went between two instants, by variety and account. A variety is called what
    /// its lot is called now, or was when it was taken back.
    pub async fn moved(
        &self,
        from: Stamp,
        to: Stamp,
    ) -> Result<BTreeMap<String, BTreeMap<String, i64>>, StoreError> {
        let rows = sqlx::query!(
            r#"select coalesce(l.variety, 'taken back') as "variety!: String", p.account,
                      sum(p.tubers) as "tubers!: i64"
               from ledger g join posting p using (entry_id) left join lot l using (lot_id)
               where ?1 <= g.at and g.at < ?2
               group by 1, 2"#,
            from.0,
            to.0
        )
        .fetch_all(&self.read)
        .await?;
        let mut moved: BTreeMap<String, BTreeMap<String, i64>> = BTreeMap::new();
        for row in rows {
            moved
                .entry(row.variety)
                .or_default()
                .insert(row.account, row.tubers);
        }
        Ok(moved)
    }
}
