//! Who may open the pages: the passphrase's hash, signed-in devices, one-time links, and the log.

use std::path::Path;

use sqlx::{ConnectOptions as _, Connection as _, sqlite::SqliteConnectOptions};

use super::{Store, StoreError, Tx};
use crate::watch::{Stamp, reading::HOUR_MS};

/// A device that was not seen for this long has to sign in again, in milliseconds (30 days).
pub const IDLE_MS: i64 = 30 * 24 * HOUR_MS;
/// No device stays signed in for longer than this, in milliseconds (180 days).
pub const ABSOLUTE_MS: i64 = 180 * 24 * HOUR_MS;
/// How long a one-time link holds, in milliseconds (10 minutes).
pub const LINK_MS: i64 = 10 * 60_000;
/// Devices signed in at the same time; one more ends the one that was not seen for longest.
pub const MOST_DEVICES: i64 = 50;

/// SHA-256 of a token; the token itself is nowhere kept.
pub type Digest = [u8; 32];

/// A device that is signed in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Device {
    /// Its key.
    pub id: i64,
    /// Whose it is.
    pub person: String,
    /// What it says of itself.
    pub description: String,
    /// Since when it is signed in.
    pub made_at: Stamp,
    /// When it was last seen, to a few minutes.
    pub last_seen_at: Stamp,
}

/// A line of the access log.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Logged {
    /// When.
    pub at: Stamp,
    /// A person's name, an address, or `the command line`.
    pub who: String,
    /// What was done.
    pub what: String,
    /// More about it; never anything secret.
    pub detail: String,
}

fn device((id, person, description, made_at, seen): (i64, String, String, i64, i64)) -> Device {
    Device {
        id,
        person,
        description,
        made_at: Stamp(made_at),
        last_seen_at: Stamp(seen),
    }
}

/// Whether a passphrase is set in a database that may not be there; makes and changes nothing.
pub async fn passphrase_is_set(path: &Path) -> Result<bool, StoreError> {
    if !path.exists() {
        return Ok(false);
    }
    let mut db = SqliteConnectOptions::new()
        .filename(path)
        .read_only(true)
        .connect()
        .await?;
    let known: i64 =
        sqlx::query_scalar("select count(*) from sqlite_master where name = 'passphrase'")
            .fetch_one(&mut db)
            .await?;
    let mut set = 0;
    if known != 0 {
        set = sqlx::query_scalar!("select count(*) from passphrase")
            .fetch_one(&mut db)
            .await?;
    }
    db.close().await?;
    Ok(set != 0)
}

impl Store {
    /// The hash of the passphrase, if one is set.
    pub async fn passphrase(&self) -> Result<Option<String>, StoreError> {
        Ok(sqlx::query_scalar!("select hash from passphrase")
            .fetch_optional(&self.read)
            .await?)
    }

    /// The device with this token, if it is signed in at `now`.
    pub async fn device(&self, token: &Digest, now: Stamp) -> Result<Option<Device>, StoreError> {
        let token = &token[..];
        let (idle, oldest) = (now.0 - IDLE_MS, now.0 - ABSOLUTE_MS);
        let row = sqlx::query!(
            "select device_id, person, description, made_at, last_seen_at from device
             where token_sha256 = ?1 and ended_at is null and ?2 < last_seen_at and ?3 < made_at",
            token,
            idle,
            oldest
        )
        .fetch_optional(&self.read)
        .await?;
        Ok(row.map(|r| {
            device((
                r.device_id,
                r.person,
                r.description,
                r.made_at,
                r.last_seen_at,
            ))
        }))
    }

    /// Every device that is signed in at `now`, the last seen first.
    pub async fn devices(&self, now: Stamp) -> Result<Vec<Device>, StoreError> {
        let (idle, oldest) = (now.0 - IDLE_MS, now.0 - ABSOLUTE_MS);
        let rows = sqlx::query!(
            "select device_id, person, description, made_at, last_seen_at from device
             where ended_at is null and ?1 < last_seen_at and ?2 < made_at
             order by last_seen_at desc, device_id desc",
            idle,
            oldest
        )
        .fetch_all(&self.read)
        .await?;
        let each = rows.into_iter();
        Ok(each
            .map(|r| {
                device((
                    r.device_id,
                    r.person,
                    r.description,
                    r.made_at,
                    r.last_seen_at,
                ))
            })
            .collect())
    }

    /// Whether a one-time link can still be used at `now`; uses nothing up.
    pub async fn link_holds(&self, token: &Digest, now: Stamp) -> Result<bool, StoreError> {
        let token = &token[..];
        let found = sqlx::query_scalar!(
            "select count(*) from link where token_sha256 = ?1 and used_at is null and ?2 < expires_at",
            token,
            now.0
        )
        .fetch_one(&self.read)
        .await?;
        Ok(found != 0)
    }

    /// The newest lines of the access log, the latest first.
    pub async fn access_log(&self, limit: i64) -> Result<Vec<Logged>, StoreError> {
        let rows = sqlx::query!(
            "select at, who, what, detail from access_log order by log_id desc limit ?1",
            limit
        )
        .fetch_all(&self.read)
        .await?;
        let each = rows.into_iter();
        Ok(each
            .map(|r| Logged {
                at: Stamp(r.at),
                who: r.who,
                what: r.what,
                detail: r.detail,
            })
            .collect())
    }
}

impl Tx {
    /// Writes a line of the access log.
    pub async fn log_access(
        &mut self,
        at: Stamp,
        who: &str,
        what: &str,
        detail: &str,
    ) -> Result<(), StoreError> {
        sqlx::query!(
            "insert into access_log (at, who, what, detail) values (?1, ?2, ?3, ?4)",
            at.0,
            who,
            what,
            detail
        )
        .execute(&mut *self.0)
        .await?;
        Ok(())
    }

    /// The hash of the passphrase as this transaction sees it.
    pub async fn passphrase(&mut self) -> Result<Option<String>, StoreError> {
        Ok(sqlx::query_scalar!("select hash from passphrase")
            .fetch_optional(&mut *self.0)
            .await?)
    }

    /// Sets the first passphrase; `false` when there is one already.
    pub async fn set_first_passphrase(
        &mut self,
        hash: &str,
        at: Stamp,
        who: &str,
    ) -> Result<bool, StoreError> {
        let set = sqlx::query!(
            "insert into passphrase (one, hash, set_at) values (1, ?1, ?2) on conflict do nothing",
            hash,
            at.0
        )
        .execute(&mut *self.0)
        .await?;
        if set.rows_affected() == 0 {
            return Ok(false);
        }
        self.log_access(at, who, "passphrase set", "").await?;
        Ok(true)
    }

    /// Sets or changes the passphrase, ends every device and every link, and counts the devices.
    pub async fn change_passphrase(
        &mut self,
        hash: &str,
        at: Stamp,
        who: &str,
    ) -> Result<u64, StoreError> {
        if self.set_first_passphrase(hash, at, who).await? {
            return Ok(0);
        }
        sqlx::query!("update passphrase set hash = ?1, set_at = ?2", hash, at.0)
            .execute(&mut *self.0)
            .await?;
        self.log_access(at, who, "passphrase changed", "").await?;
        self.void_links(at).await?;
        self.end_devices(None, at, who, "the passphrase was changed")
            .await
    }

    /// Signs a device in; at the limit the one that was not seen for longest is ended.
    pub async fn sign_in(
        &mut self,
        token: &Digest,
        person: &str,
        description: &str,
        at: Stamp,
    ) -> Result<i64, StoreError> {
        let token = &token[..];
        let id = sqlx::query_scalar!(
            "insert into device (token_sha256, person, description, made_at, last_seen_at)
             values (?1, ?2, ?3, ?4, ?4) returning device_id as \"id!: i64\"",
            token,
            person,
            description,
            at.0
        )
        .fetch_one(&mut *self.0)
        .await?;
        self.log_access(at, person, "signed in", description)
            .await?;
        let beyond = sqlx::query_scalar!(
            "select device_id from device where ended_at is null
             order by last_seen_at desc, device_id desc limit -1 offset ?1",
            MOST_DEVICES
        )
        .fetch_all(&mut *self.0)
        .await?;
        for old in beyond {
            let why = "there were too many devices";
            self.end_device(old, at, person, "device ended", why)
                .await?;
        }
        Ok(id)
    }

    /// Ends one device; `false` when it was over already.
    pub async fn end_device(
        &mut self,
        id: i64,
        at: Stamp,
        who: &str,
        what: &str,
        why: &str,
    ) -> Result<bool, StoreError> {
        let ended = sqlx::query!(
            "update device set ended_at = ?2 where device_id = ?1 and ended_at is null
             returning person, description",
            id,
            at.0
        )
        .fetch_optional(&mut *self.0)
        .await?;
        let Some(ended) = ended else {
            return Ok(false);
        };
        let why = if why.is_empty() {
            String::new()
        } else {
            format!(": {why}")
        };
        let detail = format!("{}, {}{why}", ended.person, ended.description);
        self.log_access(at, who, what, &detail).await?;
        Ok(true)
    }

    /// Ends every device but one, and counts them.
    pub async fn end_devices(
        &mut self,
        but: Option<i64>,
        at: Stamp,
        who: &str,
        why: &str,
    ) -> Result<u64, StoreError> {
        let all = sqlx::query_scalar!("select device_id from device where ended_at is null")
            .fetch_all(&mut *self.0)
            .await?;
        let mut ended = 0;
        for id in all.into_iter().filter(|id| Some(*id) != but) {
            ended += u64::from(self.end_device(id, at, who, "device ended", why).await?);
        }
        Ok(ended)
    }

    /// Notes that a device was seen.
    pub async fn device_seen(&mut self, id: i64, at: Stamp) -> Result<(), StoreError> {
        sqlx::query!(
            "update device set last_seen_at = max(last_seen_at, ?2) where device_id = ?1",
            id,
            at.0
        )
        .execute(&mut *self.0)
        .await?;
        Ok(())
    }

    /// Makes a one-time link. One holds at a time: earlier ones that were not used are void.
    pub async fn make_link(
        &mut self,
        token: &Digest,
        at: Stamp,
        who: &str,
    ) -> Result<(), StoreError> {
        self.void_links(at).await?;
        let token = &token[..];
        let expires_at = at.0 + LINK_MS;
        sqlx::query!(
            "insert into link (token_sha256, made_at, expires_at) values (?1, ?2, ?3)",
            token,
            at.0,
            expires_at
        )
        .execute(&mut *self.0)
        .await?;
        self.log_access(at, who, "link made", "").await
    }

    /// Uses a one-time link up; `false` when it was used before, is too old or was never made.
    pub async fn use_link(
        &mut self,
        token: &Digest,
        at: Stamp,
        who: &str,
    ) -> Result<bool, StoreError> {
        let token = &token[..];
        let used = sqlx::query!(
            "update link set used_at = ?2
             where token_sha256 = ?1 and used_at is null and ?2 < expires_at",
            token,
            at.0
        )
        .execute(&mut *self.0)
        .await?;
        if used.rows_affected() == 0 {
            return Ok(false);
        }
        self.log_access(at, who, "link used", "").await?;
        Ok(true)
    }

    async fn void_links(&mut self, at: Stamp) -> Result<(), StoreError> {
        sqlx::query!("update link set used_at = ?1 where used_at is null", at.0)
            .execute(&mut *self.0)
            .await?;
        Ok(())
    }
}
