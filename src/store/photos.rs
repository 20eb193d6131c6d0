//! Pictures of crates.

use super::{Store, StoreError};
use crate::{stock::ledger::CrateId, watch::Stamp};

/// Pictures that are kept of one crate, and of all: about a gigabyte.
const OF_ONE: i64 = 200;
const OF_ALL: i64 = 5000;

/// A picture to be kept.
pub struct Photo {
    /// What the sender calls it: a second sending keeps nothing.
    pub key: String,
    /// Of which crate.
    pub krate: CrateId,
    /// When it came.
    pub at: Stamp,
    /// From whom.
    pub who: String,
    /// Its bytes.
    pub jpeg: Vec<u8>,
}

/// What came of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kept {
    /// It is kept.
    New,
    /// It was kept before.
    Known,
    /// Another picture was kept under its key.
    Other,
    /// No more are taken.
    Full,
}

/// A picture without its bytes.
pub struct Taken {
    /// Its number.
    pub id: i64,
    /// When it came.
    pub at: Stamp,
    /// From whom.
    pub who: String,
}

impl Store {
    /// Keeps a picture.
    pub async fn keep_photo(&self, photo: &Photo) -> Result<Kept, StoreError> {
        let mut tx = self.begin().await?;
        let known = sqlx::query_scalar!(
            r#"select crate_id = ?2 and jpeg = ?3 as "same!: bool" from photo where key = ?1"#,
            photo.key,
            photo.krate.0,
            photo.jpeg
        )
        .fetch_optional(&mut *tx.0)
        .await?;
        let counted = sqlx::query!(
            r#"select count(*) as "all!: i64", coalesce(sum(crate_id = ?1), 0) as "own!: i64"
               from photo"#,
            photo.krate.0
        )
        .fetch_one(&mut *tx.0)
        .await?;
        let kept = if let Some(same) = known {
            if same { Kept::Known } else { Kept::Other }
        } else if OF_ONE <= counted.own || OF_ALL <= counted.all {
            Kept::Full
        } else {
            sqlx::query!(
                "insert or ignore into photo (key, crate_id, at, who, jpeg) values (?1, ?2, ?3, ?4, ?5)",
                photo.key,
                photo.krate.0,
                photo.at.0,
                photo.who,
                photo.jpeg
            )
            .execute(&mut *tx.0)
            .await?;
            Kept::New
        };
        tx.commit().await?;
        Ok(kept)
    }

    /// Pictures of a crate, newest first.
    pub async fn photos(&self, krate: CrateId) -> Result<Vec<Taken>, StoreError> {
        let rows = sqlx::query!(
            r#"select photo_id as "id!: i64", at, who from photo where crate_id = ?1
               order by photo_id desc"#,
            krate.0
        )
        .fetch_all(&self.read)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| Taken {
                id: r.id,
                at: Stamp(r.at),
                who: r.who,
            })
            .collect())
    }

    /// The bytes of a picture.
    pub async fn photo(&self, id: i64) -> Result<Option<Vec<u8>>, StoreError> {
        let jpeg = sqlx::query_scalar!("select jpeg from photo where photo_id = ?1", id)
            .fetch_optional(&self.read)
            .await?;
        Ok(jpeg)
    }
}
