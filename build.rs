//! Applies the migrations to a scratch database, so that every query is checked against the schema
//! while the program is built and no file has to be kept in step by hand.

use std::{env, fs, path::PathBuf};

use sqlx::{
    ConnectOptions, Connection,
    migrate::Migrator,
    sqlite::{SqliteConnectOptions, SqliteJournalMode},
};

fn main() {
    println!("cargo::rerun-if-changed=migrations");
    println!("cargo::rerun-if-changed=static");
    println!("cargo::rerun-if-changed=build.rs");
    let scratch = PathBuf::from(env::var_os("OUT_DIR").expect("set by cargo")).join("schema.db");
    let _ = fs::remove_file(&scratch);
    tokio::runtime::Builder::new_current_thread()
        .build()
        .expect("a runtime for the build")
        .block_on(async {
            let mut db = SqliteConnectOptions::new()
                .filename(&scratch)
                .create_if_missing(true)
                .journal_mode(SqliteJournalMode::Delete)
                .connect()
                .await
                .expect("a scratch database in OUT_DIR");
            Migrator::new(PathBuf::from("migrations"))
                .await
                .expect("readable migrations")
                .run(&mut db)
                .await
                .expect("migrations that apply to an empty database");
            db.close().await.expect("a closed scratch database");
        });
    println!(
        "cargo::rustc-env=DATABASE_URL=sqlite://{}",
        scratch.display()
    );
}
