//! The ledger of another store taken over whole, with its numbers, keys, times and names.

use std::collections::BTreeMap;

use thiserror::Error;

use super::{
    Store, StoreError, Tx,
    ledger::{Written, entry},
};
use crate::{
    stock::ledger::{Asked, CrateId, Deed, Entry, EntryId, Refusal, Stock},
    watch::Stamp,
};

/// Entries that are read at once.
const AT_ONCE: u32 = 500;

/// What became of a ledger that was taken over.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Restored {
    /// Entries that were there already.
    pub known: u64,
    /// Entries that came.
    pub new: u64,
}

/// Why nothing of a ledger was taken over; each names the entry.
#[derive(Debug, Error)]
pub enum NotRestored {
    /// This store went another way.
    #[error("entry {0} is another one in this store")]
    Other(i64),
    /// This store knows more.
    #[error("this store has an entry {0}, which the file does not have")]
    Missing(i64),
    /// Numbers that do not follow each other.
    #[error("entry {found} stands where entry {wanted} should be")]
    Order {
        /// What stands there.
        found: i64,
        /// What should.
        wanted: i64,
    },
    /// A key that another entry has, or that is none.
    #[error("entry {0} has a key that cannot be")]
    Key(i64),
    /// Finer than a thousandth of a second, which no store keeps.
    #[error("entry {0} has a time that cannot be kept")]
    Time(i64),
    /// It takes back what is not there, or was taken back before.
    #[error("entry {0} takes back an entry that cannot be taken back")]
    Undoes(i64),
    /// What it says it changed cannot be.
    #[error("entry {0} cannot be: {1}")]
    Changes(i64, Refusal),
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
}

impl From<sqlx::Error> for NotRestored {
    fn from(error: sqlx::Error) -> Self {
        Self::Store(error.into())
    }
}

impl Tx {
    /// Takes a whole ledger over: entries that are there already are passed over, and any other
    /// difference refuses all of it.
    pub async fn restore(&mut self, entries: &[Entry]) -> Result<Restored, NotRestored> {
        let mut restored = Restored::default();
        let mut stock = Stock::default();
        let mut keys: BTreeMap<&str, i64> = BTreeMap::new();
        let mut undone: BTreeMap<i64, i64> = BTreeMap::new();
        let last = self.last_entry().await?.0;
        let mut kept = Vec::new();
        for (wanted, entry) in (1..).zip(entries) {
            let id = entry.id.0;
            if id != wanted {
                return Err(NotRestored::Order { found: id, wanted });
            }
            if wanted <= last {
                if kept.is_empty() {
                    kept = self.kept(wanted).await?;
                }
                if kept.pop().as_ref() != Some(entry) {
                    return Err(NotRestored::Other(id));
                }
            }
            sound(entry, &mut keys)?;
            let (about, undoes) = take(entry, entries, &mut stock)?;
            if let Some(earlier) = undoes
                && undone.insert(earlier.0, id).is_some()
            {
                return Err(NotRestored::Undoes(id));
            }
            if wanted <= last {
                restored.known += 1;
                continue;
            }
            let entry = entry.clone();
            let one = Written {
                entry,
                about,
                undoes,
            };
            self.write(&one).await?;
            restored.new += 1;
        }
        if (entries.len() as i64) < last {
            return Err(NotRestored::Missing(entries.len() as i64 + 1));
        }
        Ok(restored)
    }

    /// Entries from one on, the first of them last.
    async fn kept(&mut self, from: i64) -> Result<Vec<Entry>, NotRestored> {
        let rows =
            sqlx::query("select * from ledger where ?1 <= entry_id order by entry_id limit ?2")
                .bind(from)
                .bind(AT_ONCE)
                .fetch_all(&mut *self.0)
                .await?;
        let kept: Result<Vec<Entry>, StoreError> = rows.iter().rev().map(entry).collect();
        Ok(kept?)
    }
}

/// What an entry says of itself.
fn sound<'a>(entry: &'a Entry, keys: &mut BTreeMap<&'a str, i64>) -> Result<(), NotRestored> {
    let id = entry.id.0;
    if let Some(key) = &entry.key {
        let asked = Asked {
            key: Some(key.clone()),
            ..Asked::from(entry.deed.clone())
        };
        if asked.bad_key().is_some() || keys.insert(key, id).is_some() {
            return Err(NotRestored::Key(id));
        }
    }
    let kept = |at: chrono::DateTime<chrono::Utc>| Stamp::from(at).to_utc() == at;
    if !kept(entry.at) || entry.noted_at.is_some_and(|at| !kept(at)) {
        return Err(NotRestored::Time(id));
    }
    Ok(())
}

/// Makes the changes of an entry; the crates it is about, and the entry it takes back.
fn take(
    entry: &Entry,
    all: &[Entry],
    stock: &mut Stock,
) -> Result<(Vec<CrateId>, Option<EntryId>), NotRestored> {
    let id = entry.id.0;
    let mut about = Vec::new();
    let mut undoes = None;
    if let Deed::Undone { entry: earlier } = &entry.deed {
        let nth = usize::try_from(earlier.0 - 1).ok();
        let earlier = nth.and_then(|nth| all.get(nth)).filter(|e| e.id < entry.id);
        let earlier = earlier.ok_or(NotRestored::Undoes(id))?;
        about = stock.about(&earlier.deed, &earlier.changes);
        undoes = Some(earlier.id);
    }
    let made = stock.apply(&entry.changes);
    made.map_err(|refusal| NotRestored::Changes(id, refusal))?;
    about.extend(stock.about(&entry.deed, &entry.changes));
    Ok((about, undoes))
}

impl Store {
    /// Number of the newest entry, 0 when there is none.
    pub async fn newest_entry(&self) -> Result<EntryId, StoreError> {
        let last =
            sqlx::query_scalar!(r#"select coalesce(max(entry_id), 0) as "last!: i64" from ledger"#)
                .fetch_one(&self.read)
                .await?;
        Ok(EntryId(last))
    }
}
