//! Accounts of winters that were given out, and which winters there is anything of.

use std::collections::BTreeMap;

use super::{Store, StoreError, Tx};
use crate::watch::Stamp;

/// One account, table or file of readings that was given out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Given {
    /// When.
    pub at: Stamp,
    /// By whom; empty where nobody signed in.
    pub who: String,
    /// The year in which the winter begins.
    pub winter: i32,
    /// The form: `page`, `json` or the name of a table.
    pub what: String,
    /// Of its data.
    pub sha256: [u8; 32],
    /// Program, period and units, in words.
    pub detail: String,
}

impl Tx {
    /// Remembers what was given out.
    pub async fn note_given(&mut self, given: &Given) -> Result<(), StoreError> {
        let hash = given.sha256.as_slice();
        sqlx::query!(
            "insert into given_out (at, who, winter, what, sha256, detail) values (?1, ?2, ?3, ?4, ?5, ?6)",
            given.at.0,
            given.who,
            given.winter,
            given.what,
            hash,
            given.detail
        )
        .execute(&mut *self.0)
        .await?;
        Ok(())
    }
}

impl Store {
    /// Every time these data were given out, oldest first.
    pub async fn given(&self, sha256: &[u8; 32]) -> Result<Vec<Given>, StoreError> {
        let hash = sha256.as_slice();
        let rows = sqlx::query!(
            "select at, who, winter, what, detail from given_out where sha256 = ?1 order by given_id",
            hash
        )
        .fetch_all(&self.read)
        .await?;
        let given = rows.into_iter().map(|row| Given {
            at: Stamp(row.at),
            who: row.who,
            winter: i32::try_from(row.winter).unwrap_or_default(),
            what: row.what,
            sha256: *sha256,
            detail: row.detail,
        });
        Ok(given.collect())
    }

    /// Of these stretches those in which a sensor said anything or anybody entered anything.
    pub async fn known_in(
        &self,
        stretches: &BTreeMap<i32, (Stamp, Stamp)>,
    ) -> Result<Vec<i32>, StoreError> {
        let mut known = Vec::new();
        for (winter, (from, to)) in stretches {
            let any = sqlx::query_scalar!(
                r#"select (exists (select 1 from ledger where ?1 <= at and at < ?2)
                       or exists (select 1 from sensor s where exists (
                           select 1 from reading r
                           where r.sensor_id = s.sensor_id and ?1 <= r.measured_at and r.measured_at < ?2
                       ))) as "any!: bool""#,
                from.0,
                to.0
            )
            .fetch_one(&self.read)
            .await?;
            if any {
                known.push(*winter);
            }
        }
        Ok(known)
    }

    /// The first and the last instant of anything that is kept.
    pub async fn reach(&self) -> Result<Option<(Stamp, Stamp)>, StoreError> {
        let row = sqlx::query!(
            r#"select min(first) as "first: i64", max(last) as "last: i64" from (
                   select (select min(measured_at) from reading r where r.sensor_id = s.sensor_id) as first,
                          (select max(measured_at) from reading r where r.sensor_id = s.sensor_id) as last
                   from sensor s
                   union all
                   select min(at), max(at) from ledger
               )"#
        )
        .fetch_one(&self.read)
        .await?;
        Ok(row
            .first
            .zip(row.last)
            .map(|(first, last)| (Stamp(first), Stamp(last))))
    }
}
