//! The only SQL: one file, one writer, a small read-only pool.

pub mod access;
pub mod accounts;
pub mod alerts;
mod corrections;
pub mod entries;
pub mod given;
pub mod ledger;
pub mod log;
pub mod looks;
pub mod outbox;
pub mod packed;
pub mod photos;
pub mod responses;
pub mod restore;
pub mod sheets;
pub mod sources;
pub mod stock;
pub mod trail;
pub mod winters;

use std::{
    path::Path,
    sync::{Arc, Mutex, PoisonError},
    time::Duration,
};

use sqlx::{
    Sqlite, SqlitePool,
    migrate::{MigrateError, Migrator},
    pool::PoolConnection,
    sqlite::{SqliteConnectOptions, SqliteJournalMode, SqlitePoolOptions, SqliteSynchronous},
};
use thiserror::Error;

use crate::stock::ledger::Stock;
use looks::Visits;

static MIGRATIONS: Migrator = sqlx::migrate!();

/// Connections for pages and exports; a page asks a handful of short questions.
const READERS: u32 = 3;
/// How long a second writer (an import beside the daemon) waits for its turn.
const BUSY: Duration = Duration::from_secs(10);

/// Why the store did not do what it was asked.
#[derive(Debug, Error)]
pub enum StoreError {
    /// Written by a later version of this program.
    #[error("the database was written by a newer version of overwinter")]
    Newer,
    /// Another program holds the write lock.
    #[error("the database is busy")]
    Busy,
    /// No room left on the device.
    #[error("the disk is full")]
    Full,
    /// Not a database, or damaged.
    #[error("the database is damaged")]
    Corrupt,
    /// Everything else.
    #[error("the database cannot be used")]
    Other(#[source] sqlx::Error),
    /// A schema step failed; nothing of it remains.
    #[error("the database cannot be brought up to date")]
    Migrate(#[source] MigrateError),
    /// A derived table holds what this version cannot read.
    #[error("the packed log cannot be read: {0}")]
    Packed(String),
}

impl From<sqlx::Error> for StoreError {
    fn from(error: sqlx::Error) -> Self {
        // SQLite's primary result codes, sqlite.org/rescode.html.
        let code = error
            .as_database_error()
            .and_then(sqlx::error::DatabaseError::code)
            .and_then(|c| c.parse::<i32>().ok())
            .map(|c| c & 0xff);
        match code {
            Some(5 | 6) => Self::Busy,
            Some(13) => Self::Full,
            Some(11 | 26) => Self::Corrupt,
            _ => Self::Other(error),
        }
    }
}

impl From<MigrateError> for StoreError {
    fn from(error: MigrateError) -> Self {
        match error {
            MigrateError::VersionMissing(_) | MigrateError::VersionTooNew(..) => Self::Newer,
            MigrateError::Execute(error) => error.into(),
            other => Self::Migrate(other),
        }
    }
}

/// An open database.
#[derive(Debug, Clone)]
pub struct Store {
    write: SqlitePool,
    read: SqlitePool,
    stock: Kept<Stock>,
    visits: Kept<Visits>,
    sums: Arc<tokio::sync::Mutex<()>>,
}

/// Something worked out from the stock, kept until the stock changes.
#[derive(Debug)]
struct Kept<T>(Arc<Mutex<Option<Of<T>>>>);

/// A value, and the revision of the stock it was worked out from.
type Of<T> = (i64, Arc<T>);

impl<T> Clone for Kept<T> {
    fn clone(&self) -> Self {
        Self(self.0.clone())
    }
}

impl<T> Default for Kept<T> {
    fn default() -> Self {
        Self(Arc::default())
    }
}

impl<T> Kept<T> {
    /// What is kept of this revision of the stock.
    fn of(&self, revision: i64) -> Option<Arc<T>> {
        let kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let (of, value) = kept.as_ref()?;
        (*of == revision).then(|| value.clone())
    }

    fn keep(&self, revision: i64, value: T) -> Arc<T> {
        let value = Arc::new(value);
        let mut kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        *kept = Some((revision, value.clone()));
        value
    }
}

/// Everything written through one of these is on disk together or not at all.
///
/// Dropped without [`Tx::commit`], it closes its connection: SQLite may have rolled back on its own (on
/// a full disk, for one), and only a new connection is sure to know where it stands.
pub struct Tx(PoolConnection<Sqlite>, End);

#[derive(PartialEq, Eq)]
enum End {
    Open,
    Committed,
}

impl Drop for Tx {
    fn drop(&mut self) {
        if self.1 == End::Open {
            self.0.close_on_drop();
        }
    }
}

impl Store {
    /// Opens the file, making it if it is not there, and brings its schema up to date.
    pub async fn open(path: &Path) -> Result<Self, StoreError> {
        // Every pragma by name; the reasons stand in DEVELOPERS.md.
        let options = SqliteConnectOptions::new()
            .filename(path)
            .create_if_missing(true)
            .journal_mode(SqliteJournalMode::Wal)
            .synchronous(SqliteSynchronous::Full)
            .foreign_keys(true)
            .busy_timeout(BUSY)
            .pragma("journal_size_limit", "16777216")
            .pragma("cache_size", "-4096");
        let write = SqlitePoolOptions::new()
            .max_connections(1)
            .idle_timeout(None)
            .max_lifetime(None)
            .connect_with(options.clone())
            .await?;
        MIGRATIONS.run(&write).await?;
        let read = SqlitePoolOptions::new()
            .max_connections(READERS)
            .connect_with(
                options
                    .create_if_missing(false)
                    .pragma("cache_size", "-2048")
                    .pragma("query_only", "on"),
            )
            .await?;
        Ok(Self {
            write,
            read,
            stock: Kept::default(),
            visits: Kept::default(),
            sums: Arc::default(),
        })
    }

    /// Begins writing at once: a transaction that reads first and writes after somebody else did
    /// would fail whatever the busy timeout.
    pub async fn begin(&self) -> Result<Tx, StoreError> {
        let mut connection = self.write.acquire().await?;
        sqlx::query("begin immediate")
            .execute(&mut *connection)
            .await?;
        Ok(Tx(connection, End::Open))
    }

    /// Waits for readers and closes the file.
    pub async fn close(&self) {
        self.read.close().await;
        self.write.close().await;
    }
}

impl Tx {
    /// Puts everything on disk; when this returns it survives a power cut.
    pub async fn commit(mut self) -> Result<(), StoreError> {
        sqlx::query("commit").execute(&mut *self.0).await?;
        self.1 = End::Committed;
        Ok(())
    }
}
