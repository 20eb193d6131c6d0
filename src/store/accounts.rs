//! How far everything has moved on that an account is made from.

use super::{Store, StoreError};

/// The ends of what is append-only; equal where nothing came.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Moved {
    readings: i64,
    acts: i64,
    stock: i64,
    transitions: i64,
}

impl Moved {
    /// People, or the configuration, did something since.
    pub fn by_people(&self, before: &Self) -> bool {
        (self.acts, self.stock) != (before.acts, before.stock)
    }
}

impl Store {
    /// How far everything has moved on.
    pub async fn moved_on(&self) -> Result<Moved, StoreError> {
        let row = sqlx::query!(
            r#"select (select coalesce(max(last_seq), 0) from arrival) as "readings!: i64",
                      (select coalesce(max(seq), 0) from act) as "acts!: i64",
                      (select revision from stock_revision) as "stock!: i64",
                      (select coalesce(max(transition_id), 0) from transition) as "transitions!: i64""#
        )
        .fetch_one(&self.read)
        .await?;
        Ok(Moved {
            readings: row.readings,
            acts: row.acts,
            stock: row.stock,
            transitions: row.transitions,
        })
    }
}
