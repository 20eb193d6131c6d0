//! The record defends itself: nobody changes what was written, no older program touches it.

use overwinter::store::StoreError;
use sqlx::{Connection, SqliteConnection};

use crate::farm::{Farm, START, encoded, minute, object};

async fn database(farm: &Farm) -> SqliteConnection {
    let url = format!("sqlite://{}", farm.config().database.display());
    SqliteConnection::connect(&url).await.unwrap()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn readings_acts_and_changes_are_append_only() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    // Frost for twenty minutes, so that there is a change to defend.
    daemon.say("north", START, 0.5, 80.0).await;
    farm.clock.set(minute(20));
    daemon.say("north", minute(20), 0.5, 80.0).await;
    let alerts = daemon.get("/api/alerts").await.json();
    let occurrence = alerts[0]["occurrence"].as_str().unwrap().to_owned();
    let form = daemon
        .client
        .post(format!("{}/alerts/acknowledge", daemon.base))
        .header("content-type", "application/x-www-form-urlencoded")
        .body(encoded(&[("occurrence", &occurrence)]));
    assert_eq!(form.send().await.unwrap().status().as_u16(), 303);
    assert_eq!(daemon.store().transitions().await.unwrap().len(), 2);

    let mut db = database(&farm).await;
    for (sql, table) in [
        ("update reading set temperature_mc = 9000", "readings"),
        ("update reading set received_at = received_at", "readings"),
        ("delete from reading", "readings"),
        ("delete from reading where seq = 3", "readings"),
        ("update act set who = 'nobody'", "acts"),
        ("delete from act", "acts"),
        ("update transition set state_to = 'normal'", "transitions"),
        ("delete from transition", "transitions"),
    ] {
        let refused = sqlx::query(sql)
            .execute(&mut db)
            .await
            .unwrap_err()
            .to_string();
        assert!(
            refused.contains(&format!("{table} are append-only")),
            "{sql}: {refused}"
        );
    }
    db.close().await.unwrap();
    assert_eq!(daemon.store().count_readings().await.unwrap(), 2);
    assert_eq!(daemon.store().transitions().await.unwrap().len(), 2);
    let again = object("north", START, 0.5, 80.0);
    assert_eq!(
        daemon.post("application/json", again).await.counts(),
        [0, 1, 0, 0]
    );
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_database_of_a_newer_version_is_left_alone() {
    let farm = Farm::new("");
    farm.engine().await.unwrap().close().await;
    let mut db = database(&farm).await;
    sqlx::query(
        "insert into _sqlx_migrations (version, description, success, checksum, execution_time)
         values (9001, 'of another winter', true, x'00', 0)",
    )
    .execute(&mut db)
    .await
    .unwrap();
    db.close().await.unwrap();

    let Err(refused) = farm.engine().await else {
        panic!("opened a database of a newer version");
    };
    assert!(matches!(refused, StoreError::Newer), "{refused:?}");

    std::fs::write(farm.path("overwinter.toml"), farm.text()).unwrap();
    for verb in [
        ["run", "--config"].as_slice(),
        &["export", "readings", "--config"],
    ] {
        let ended = std::process::Command::new(env!("CARGO_BIN_EXE_overwinter"))
            .args(verb)
            .arg(farm.path("overwinter.toml"))
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&ended.stderr);
        assert_eq!(ended.status.code(), Some(2), "{verb:?}: {said}");
        assert!(
            said.contains("newer version of overwinter"),
            "{verb:?}: {said}"
        );
    }
    let mut db = database(&farm).await;
    let acts: i64 = sqlx::query_scalar("select count(*) from act")
        .fetch_one(&mut db)
        .await
        .unwrap();
    assert_eq!(acts, 0, "nothing was written");
    db.close().await.unwrap();
}
