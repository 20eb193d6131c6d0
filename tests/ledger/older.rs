//! A database from before the ledger.

use std::path::Path;

use overwinter::store::Store;
use sqlx::{ConnectOptions as _, Connection as _, SqliteConnection, sqlite::SqliteConnectOptions};

/// Runs statements on a database file, beside the program.
pub(super) async fn shell(path: &Path, statements: &'static str) -> Result<(), sqlx::Error> {
    let options = SqliteConnectOptions::new()
        .filename(path)
        .create_if_missing(true);
    let mut connection: SqliteConnection = options.connect().await?;
    sqlx::raw_sql(statements).execute(&mut connection).await?;
    connection.close().await
}

#[tokio::test]
async fn an_older_database_finds_its_way_into_the_ledger() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("store.db");
    // The four steps as they landed, and what a grower had in them.
    for step in [
        include_str!("../../migrations/0001_first_winter.sql"),
        include_str!("../../migrations/0002_told.sql"),
        include_str!("../../migrations/0003_access.sql"),
        include_str!("../../migrations/0004_crates_and_air.sql"),
    ] {
        shell(&path, step).await.unwrap();
    }
    shell(
        &path,
        "insert into crate values (1, 'A-1', 'cellar', 'north wall / shelf 1 / 2', 'shavings'),
             (2, 'A-2', 'cellar', '', 'peat');
         insert into lot values (1, 1, 'Amber Lantern', 'clump', '2025-10-20', 12400, 'firm', 'washed; cured'),
             (2, 1, 'Blue Hour', 'division', null, null, '', ''), (3, 2, 'Chalk Hill', 'pot tuber', null, null, '', '');
         insert into entry values (1, 1, 1000, 'crate list', 'packed', 30, 'crate list'),
             (2, 2, 1000, 'crate list', 'packed', 8, 'crate list'), (3, 3, 2000, 'crate list', 'packed', 4, 'crate list'),
             (4, 1, 3000, 'Ada', 'corrected', -3, 'crate list'), (5, 3, 4000, 'Ada', 'corrected', -4, 'no longer on the crate list');",
    )
    .await
    .unwrap();
    let mut migrator = sqlx::migrate!();
    migrator.set_ignore_missing(true);
    adopt(&path, &migrator).await;
    let store = Store::open(&path).await.unwrap();
    let stock = store.stock().await.unwrap();
    assert_eq!(*stock, super::folded(&store).await);
    let crates = stock.list();
    // 30 - 3 and 8; the lot of A-2 is empty, so the crate is no longer on the list.
    let counts: Vec<u32> = crates
        .iter()
        .flat_map(|c| &c.lots)
        .map(|l| l.count)
        .collect();
    assert_eq!((crates.len(), counts), (1, vec![27, 8]));
    assert_eq!(crates[0].lots[0].weight_g, Some(12_400));
    assert_eq!(crates[0].lots[0].prepared.to_string(), "washed; cured");
    assert_eq!(store.crates().await.unwrap(), crates);
    let krate = stock.find(&"a-2".parse().unwrap()).unwrap().0;
    let kinds: Vec<&str> = store
        .history(krate, 9)
        .await
        .unwrap()
        .iter()
        .map(|t| t.entry.deed.kind())
        .collect();
    assert_eq!(kinds, ["corrected", "listed"]);
    store.close().await;
}

/// Notes the first four steps as taken, as the version that took them did.
async fn adopt(path: &Path, migrator: &sqlx::migrate::Migrator) {
    use sqlx::migrate::Migrate as _;
    let options = SqliteConnectOptions::new().filename(path);
    let mut connection: SqliteConnection = options.connect().await.unwrap();
    connection
        .ensure_migrations_table("_sqlx_migrations")
        .await
        .unwrap();
    for step in migrator.iter().filter(|m| m.version <= 4) {
        sqlx::query(
            "insert into _sqlx_migrations (version, description, success, checksum, execution_time) values (?1, ?2, 1, ?3, 0)",
        )
        .bind(step.version)
        .bind(&*step.description)
        .bind(&*step.checksum)
        .execute(&mut connection)
        .await
        .unwrap();
    }
    connection.close().await.unwrap();
}
