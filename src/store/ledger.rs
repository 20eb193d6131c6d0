//! The stock ledger on disk: entries, and the crates, lots and wishes that they come to.

use std::{collections::BTreeMap, sync::Arc};

use chrono::{DateTime, TimeDelta, Utc};
use sqlx::{Row as _, SqliteConnection, sqlite::SqliteRow};

use super::{Store, StoreError, Tx};
use crate::{
    stock::{
        CrateCode,
        ledger::{
            Asked, Change, Crate, CrateId, Deed, Doubt, Entry, EntryId, Lot, LotId, Outcome,
            Refusal, Stock, hand,
        },
    },
    watch::Stamp,
};

/// Entries of others that are told when a crate changed under somebody's hands; the newest.
const TOLD: usize = 20;

/// What was asked together of the ledger.
pub struct Request<'a> {
    /// In this order.
    pub asked: &'a [Asked],
    /// All or nothing.
    pub together: bool,
    /// When.
    pub at: Stamp,
    /// By whom.
    pub who: &'a str,
    /// What can hardly be; asked of what nobody says to be sure of.
    pub doubt: &'a (dyn Fn(&Deed) -> Option<Doubt> + Sync),
}

/// How long something may lie on a phone before it is sent; what claims to be older comes from a clock that
/// is wrong, and is taken to be of now.
const NOTED_BACK: TimeDelta = TimeDelta::days(60);

fn damaged(what: impl std::fmt::Display) -> StoreError {
    StoreError::Packed(format!("the stock ledger: {what}"))
}

pub(super) fn json<T: serde::de::DeserializeOwned>(text: &str) -> Result<T, StoreError> {
    serde_json::from_str(text).map_err(damaged)
}

fn text<T: serde::Serialize>(value: &T) -> String {
    serde_json::to_string(value).expect("plain data always encodes")
}

pub(super) fn instant(ms: i64) -> Result<DateTime<Utc>, StoreError> {
    DateTime::from_timestamp_millis(ms).ok_or_else(|| damaged("an instant beyond the calendar"))
}

pub(super) fn entry(row: &SqliteRow) -> Result<Entry, StoreError> {
    let noted: Option<i64> = row.try_get("noted_at")?;
    Ok(Entry {
        id: EntryId(row.try_get("entry_id")?),
        at: instant(row.try_get("at")?)?,
        noted_at: noted.map(instant).transpose()?,
        who: row.try_get("who")?,
        key: row.try_get("key")?,
        note: row.try_get("note")?,
        deed: json(row.try_get("deed")?)?,
        changes: json(row.try_get("changes")?)?,
    })
}

/// How often the stock has changed, as this transaction sees it.
pub(super) async fn revision(connection: &mut SqliteConnection) -> Result<i64, StoreError> {
    let revision =
        sqlx::query_scalar!(r#"select revision as "revision!: i64" from stock_revision"#)
            .fetch_one(connection)
            .await?;
    Ok(revision)
}

async fn load(connection: &mut SqliteConnection) -> Result<Stock, StoreError> {
    let crates = sqlx::query("select crate_id, code, room, place, packing, steps from crate")
        .fetch_all(&mut *connection)
        .await?;
    let crates = crates.iter().map(|row| {
        let code: &str = row.try_get(1)?;
        let krate = Crate {
            code: code
                .parse()
                .map_err(|e| damaged(format!("`{code}`: {e}")))?,
            room: row.try_get(2)?,
            place: row.try_get(3)?,
            packing: row.try_get(4)?,
            steps: json(row.try_get(5)?)?,
        };
        Ok((CrateId(row.try_get(0)?), krate))
    });
    let crates: Vec<_> = crates.collect::<Result<_, StoreError>>()?;
    let lots = sqlx::query(
        "select lot_id, crate_id, variety, form, dug, each_ug, note, prepared, tubers from lot",
    )
    .fetch_all(&mut *connection)
    .await?;
    let lots = lots.iter().map(|row| {
        let form: &str = row.try_get(3)?;
        let dug: Option<&str> = row.try_get(4)?;
        let prepared: &str = row.try_get(7)?;
        let count: i64 = row.try_get(8)?;
        let lot = Lot {
            krate: CrateId(row.try_get(1)?),
            variety: row.try_get(2)?,
            form: form.parse().map_err(damaged)?,
            dug: dug.map(|d| d.parse().map_err(damaged)).transpose()?,
            each_ug: row.try_get(5)?,
            note: row.try_get(6)?,
            prepared: prepared.parse().map_err(damaged)?,
        };
        let count = u32::try_from(count).map_err(damaged)?;
        Ok((LotId(row.try_get(0)?), lot, count))
    });
    let lots: Vec<_> = lots.collect::<Result<_, StoreError>>()?;
    let wishes = sqlx::query!("select variety, body from wish")
        .fetch_all(&mut *connection)
        .await?;
    let wishes = wishes.into_iter().map(|w| Ok((w.variety, json(&w.body)?)));
    let wishes: Vec<_> = wishes.collect::<Result<_, StoreError>>()?;
    let seasons = sqlx::query!(r#"select winter as "winter!: i32", body from season"#)
        .fetch_all(&mut *connection)
        .await?;
    let seasons = seasons.into_iter().map(|s| Ok((s.winter, json(&s.body)?)));
    let seasons: Vec<_> = seasons.collect::<Result<_, StoreError>>()?;
    let last = sqlx::query!("select crate_id, lot_id from stock_key")
        .fetch_one(&mut *connection)
        .await?;
    let last = (CrateId(last.crate_id), LotId(last.lot_id));
    Ok(Stock::new(crates, lots, wishes, seasons, last))
}

/// An entry that is to be written, the crates it is about, and the one it takes back.
pub(super) struct Written {
    pub(super) entry: Entry,
    pub(super) about: Vec<CrateId>,
    pub(super) undoes: Option<EntryId>,
}

impl Tx {
    /// The stock as this transaction sees it.
    pub async fn stock(&mut self) -> Result<Stock, StoreError> {
        load(&mut self.0).await
    }

    /// Enters deeds into the ledger, one after the other; what came of each stands in the same order.
    /// Gives back the stock as it stands then, and what was entered.
    pub async fn enter(
        &mut self,
        request: &Request<'_>,
    ) -> Result<(Vec<Outcome>, Stock, Vec<Entry>), StoreError> {
        let before = load(&mut self.0).await?;
        let mut stock = before.clone();
        let mut next = self.last_entry().await?.0 + 1;
        let mut keys: BTreeMap<&str, (EntryId, Deed)> = BTreeMap::new();
        let mut outcomes = Vec::with_capacity(request.asked.len());
        let mut written: Vec<Written> = Vec::new();
        for asked in request.asked {
            let known = match asked.key.as_deref() {
                Some(key) if !keys.contains_key(key) => self.entry_of_key(key).await?,
                Some(key) => keys.get(key).cloned(),
                None => None,
            };
            if let Some((id, deed)) = known {
                outcomes.push(if deed == asked.deed {
                    Outcome::Known(id)
                } else {
                    Outcome::Refused(Refusal::OtherWords)
                });
                continue;
            }
            let outcome = self
                .work_out(request, asked, &mut stock, next, &mut written)
                .await?;
            if let Outcome::Entered(id) = &outcome {
                next += 1;
                if let Some(key) = asked.key.as_deref() {
                    keys.insert(key, (*id, asked.deed.clone()));
                }
            }
            outcomes.push(outcome);
        }
        let stands = |o: &Outcome| matches!(o, Outcome::Entered(_) | Outcome::Known(_));
        if request.together && !outcomes.iter().all(stands) {
            for outcome in &mut outcomes {
                if matches!(outcome, Outcome::Entered(_)) {
                    *outcome = Outcome::NotAlone;
                }
            }
            return Ok((outcomes, before, Vec::new()));
        }
        let mut entries = Vec::with_capacity(written.len());
        for one in written {
            self.write(&one).await?;
            entries.push(one.entry);
        }
        Ok((outcomes, stock, entries))
    }

    async fn work_out(
        &mut self,
        request: &Request<'_>,
        asked: &Asked,
        stock: &mut Stock,
        id: i64,
        written: &mut Vec<Written>,
    ) -> Result<Outcome, StoreError> {
        if let (Some(seen), Some(krate), false) = (
            asked.seen,
            stock.starts_from(&asked.deed),
            asked.deed.only_adds(),
        ) && let Some(changed) = self.changed_since(krate, seen, asked.hand()).await?
        {
            return Ok(changed);
        }
        if !asked.sure
            && let Some(why) = (request.doubt)(&asked.deed)
        {
            return Ok(Outcome::Doubted(why));
        }
        let at = request.at.to_utc();
        let noted_at = asked
            .noted_at
            .filter(|noted| *noted < at && at - *noted < NOTED_BACK);
        let done_at = noted_at.unwrap_or(at);
        let mut undoes = None;
        let mut about = Vec::new();
        let changes = if let Deed::Undone { entry } = &asked.deed {
            let earlier = written
                .iter()
                .find(|w| w.entry.id == *entry)
                .map(|w| w.entry.clone());
            let earlier = match earlier {
                Some(earlier) => Some(earlier),
                None => self.entry(*entry).await?,
            };
            let Some(earlier) = earlier else {
                return Ok(Outcome::Refused(Refusal::NoEntry(*entry)));
            };
            let again = written.iter().any(|w| w.undoes == Some(*entry));
            if again || self.is_undone(*entry).await? {
                return Ok(Outcome::Refused(Refusal::TakenBack));
            }
            undoes = Some(*entry);
            about = stock.about(&earlier.deed, &earlier.changes);
            stock.take_back(&earlier)
        } else {
            stock.enter(&asked.deed, done_at)
        };
        let changes = match changes {
            Ok(changes) => changes,
            Err(refusal) => return Ok(Outcome::Refused(refusal)),
        };
        about.extend(stock.about(&asked.deed, &changes));
        let id = EntryId(id);
        written.push(Written {
            entry: Entry {
                id,
                at,
                noted_at,
                who: request.who.to_owned(),
                key: asked.key.clone(),
                note: asked.note.clone(),
                deed: asked.deed.clone(),
                changes,
            },
            about,
            undoes,
        });
        Ok(Outcome::Entered(id))
    }

    /// What others entered about a crate since somebody looked, if anything.
    async fn changed_since(
        &mut self,
        krate: CrateId,
        seen: EntryId,
        own: Option<&str>,
    ) -> Result<Option<Outcome>, StoreError> {
        let rows = sqlx::query(
            "select g.* from ledger_crate c join ledger g using (entry_id)
             where c.crate_id = ?1 and ?2 < c.entry_id order by c.entry_id",
        )
        .bind(krate.0)
        .bind(seen.0)
        .fetch_all(&mut *self.0)
        .await?;
        let since: Vec<Entry> = rows.iter().map(entry).collect::<Result<_, _>>()?;
        let is_own = |e: &Entry| own.is_some() && e.key.as_deref().and_then(hand) == own;
        let newest = since.last().map(|e| e.id);
        let mut since: Vec<Entry> = since
            .into_iter()
            .filter(|e| !e.deed.only_adds() && !is_own(e))
            .collect();
        since.drain(..since.len().saturating_sub(TOLD));
        Ok(newest
            .filter(|_| !since.is_empty())
            .map(|newest| Outcome::Changed { since, newest }))
    }

    pub(super) async fn write(&mut self, one: &Written) -> Result<(), StoreError> {
        let Written {
            entry,
            about,
            undoes,
        } = one;
        let (id, at) = (entry.id.0, Stamp::from(entry.at).0);
        let noted_at = entry.noted_at.map(|at| Stamp::from(at).0);
        let (kind, undoes) = (entry.deed.kind(), undoes.map(|e| e.0));
        let (deed, changes) = (text(&entry.deed), text(&entry.changes));
        sqlx::query!(
            "insert into ledger (entry_id, at, noted_at, who, key, kind, note, deed, changes, undoes)
             values (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
            id,
            at,
            noted_at,
            entry.who,
            entry.key,
            kind,
            entry.note,
            deed,
            changes,
            undoes
        )
        .execute(&mut *self.0)
        .await?;
        for krate in about {
            sqlx::query!(
                "insert or ignore into ledger_crate (crate_id, entry_id) values (?1, ?2)",
                krate.0,
                id
            )
            .execute(&mut *self.0)
            .await?;
        }
        for change in &entry.changes {
            self.make(id, change).await?;
        }
        Ok(())
    }

    /// Makes one change of an entry to what is derived from it.
    async fn make(&mut self, entry: i64, change: &Change) -> Result<(), StoreError> {
        let connection = &mut *self.0;
        match change {
            Change::Crate {
                id,
                after: Some(krate),
                ..
            } => {
                let (code, steps) = (krate.code.as_str(), text(&krate.steps));
                sqlx::query!(
                    "insert into crate (crate_id, code, room, place, packing, steps)
                     values (?1, ?2, ?3, ?4, ?5, ?6)
                     on conflict (crate_id) do update set
                         code = ?2, room = ?3, place = ?4, packing = ?5, steps = ?6",
                    id.0,
                    code,
                    krate.room,
                    krate.place,
                    krate.packing,
                    steps
                )
                .execute(&mut *connection)
                .await?;
                sqlx::query!("update stock_key set crate_id = max(crate_id, ?1)", id.0)
                    .execute(connection)
                    .await?;
            }
            Change::Crate {
                id, after: None, ..
            } => {
                sqlx::query!("delete from crate where crate_id = ?1", id.0)
                    .execute(connection)
                    .await?;
            }
            Change::Lot {
                id,
                after: Some(lot),
                ..
            } => {
                let (form, prepared) = (lot.form.to_string(), lot.prepared.to_string());
                let dug = lot.dug.map(|d| d.to_string());
                sqlx::query!(
                    "insert into lot (lot_id, crate_id, variety, form, dug, each_ug, note, prepared)
                     values (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)
                     on conflict (lot_id) do update set crate_id = ?2, variety = ?3, form = ?4,
                         dug = ?5, each_ug = ?6, note = ?7, prepared = ?8",
                    id.0,
                    lot.krate.0,
                    lot.variety,
                    form,
                    dug,
                    lot.each_ug,
                    lot.note,
                    prepared
                )
                .execute(&mut *connection)
                .await?;
                sqlx::query!("update stock_key set lot_id = max(lot_id, ?1)", id.0)
                    .execute(connection)
                    .await?;
            }
            Change::Lot {
                id, after: None, ..
            } => {
                sqlx::query!("delete from lot where lot_id = ?1", id.0)
                    .execute(connection)
                    .await?;
            }
            Change::Tubers { lot, by, account } => {
                let account = account.to_string();
                sqlx::query!(
                    "insert into posting (entry_id, lot_id, account, tubers) values (?1, ?2, ?3, ?4)",
                    entry,
                    lot.0,
                    account,
                    by
                )
                .execute(&mut *connection)
                .await?;
                sqlx::query!(
                    "update lot set tubers = tubers + ?2 where lot_id = ?1",
                    lot.0,
                    by
                )
                .execute(connection)
                .await?;
            }
            Change::Wish { variety, after, .. } => {
                // The database tells capitals from small letters outside of ASCII.
                let known = sqlx::query_scalar!("select variety from wish")
                    .fetch_all(&mut *connection)
                    .await?;
                let same = |known: &String| known.to_lowercase() == variety.to_lowercase();
                for known in known.into_iter().filter(same) {
                    sqlx::query!("delete from wish where variety = ?1", known)
                        .execute(&mut *connection)
                        .await?;
                }
                if let Some(wish) = after {
                    let body = text(wish);
                    sqlx::query!(
                        "insert into wish (variety, body) values (?1, ?2)",
                        variety,
                        body
                    )
                    .execute(connection)
                    .await?;
                }
            }
            Change::Season { winter, after, .. } => {
                let body = text(after);
                sqlx::query!(
                    "insert into season (winter, body) values (?1, ?2)
                     on conflict (winter) do update set body = ?2",
                    winter,
                    body
                )
                .execute(connection)
                .await?;
            }
        }
        Ok(())
    }

    /// The newest entry, 0 when there is none.
    pub(super) async fn last_entry(&mut self) -> Result<EntryId, StoreError> {
        let last =
            sqlx::query_scalar!(r#"select coalesce(max(entry_id), 0) as "last!: i64" from ledger"#)
                .fetch_one(&mut *self.0)
                .await?;
        Ok(EntryId(last))
    }

    async fn entry_of_key(&mut self, key: &str) -> Result<Option<(EntryId, Deed)>, StoreError> {
        let found = sqlx::query!(
            r#"select entry_id as "id!: i64", deed from ledger where key = ?1"#,
            key
        )
        .fetch_optional(&mut *self.0)
        .await?;
        found
            .map(|f| Ok((EntryId(f.id), json(&f.deed)?)))
            .transpose()
    }

    /// An entry by its number.
    pub async fn entry(&mut self, id: EntryId) -> Result<Option<Entry>, StoreError> {
        let row = sqlx::query("select * from ledger where entry_id = ?1")
            .bind(id.0)
            .fetch_optional(&mut *self.0)
            .await?;
        row.as_ref().map(entry).transpose()
    }

    async fn is_undone(&mut self, id: EntryId) -> Result<bool, StoreError> {
        let undone = sqlx::query_scalar!(
            r#"select exists (select 1 from ledger where undoes = ?1) as "yes!: bool""#,
            id.0
        )
        .fetch_one(&mut *self.0)
        .await?;
        Ok(undone)
    }

    /// What a crate weighed last, in grams.
    pub async fn last_weight(&mut self, krate: &CrateCode) -> Result<Option<u32>, StoreError> {
        let code = krate.as_str();
        let grams = sqlx::query_scalar!(
            r#"select json_extract(g.deed, '$.grams') as "grams!: u32"
               from crate join ledger_crate c using (crate_id) join ledger g using (entry_id)
               where crate.code = ?1 and g.kind = 'weighed'
                 and not exists (select 1 from ledger u where u.undoes = g.entry_id)
               order by g.entry_id desc limit 1"#,
            code
        )
        .fetch_optional(&mut *self.0)
        .await?;
        Ok(grams)
    }

    /// Whether anything came into a crate, left it or was packed anew since it was last weighed.
    pub async fn changed_since_weighed(&mut self, krate: &CrateCode) -> Result<bool, StoreError> {
        let code = krate.as_str();
        let changed = sqlx::query_scalar!(
            r#"with about as (
                   select g.entry_id, g.kind from crate
                   join ledger_crate c using (crate_id) join ledger g using (entry_id)
                   where crate.code = ?1
               ), weighed as (
                   select max(entry_id) as last from about where kind = 'weighed'
                     and not exists (select 1 from ledger u where u.undoes = about.entry_id)
               )
               select exists (
                   select 1 from about, weighed where last < about.entry_id and (kind = 'packed' or exists (
                       select 1 from posting p join lot l using (lot_id) join crate using (crate_id)
                       where p.entry_id = about.entry_id and crate.code = ?1
                   ))
               ) as "yes!: bool""#,
            code
        )
        .fetch_one(&mut *self.0)
        .await?;
        Ok(changed)
    }
}

impl Store {
    /// The stock as it stands. Read anew only when it has changed, whoever changed it.
    pub async fn stock(&self) -> Result<Arc<Stock>, StoreError> {
        let mut tx = self.read.begin().await?;
        let revision = revision(&mut tx).await?;
        if let Some(stock) = self.stock.of(revision) {
            return Ok(stock);
        }
        let stock = load(&mut tx).await?;
        Ok(self.stock.keep(revision, stock))
    }
}
