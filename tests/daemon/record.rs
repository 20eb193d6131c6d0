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

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_database_of_the_first_version_goes_on() {
    use sqlx::migrate::Migrator;
    let farm = Farm::new("");
    // As the first version made it, with its settings, a frost that came and went, and who saw what.
    let all: Migrator = sqlx::migrate!();
    let first = Migrator {
        migrations: vec![all.iter().next().unwrap().clone()].into(),
        ..Migrator::DEFAULT
    };
    let url = format!("sqlite://{}?mode=rwc", farm.config().database.display());
    let mut db = SqliteConnection::connect(&url).await.unwrap();
    first.run(&mut db).await.unwrap();
    let mut settings = serde_json::to_value(&farm.config().watch).unwrap();
    settings.as_object_mut().unwrap().remove("handling");
    for (n, sensor) in settings["sensors"]
        .as_array_mut()
        .unwrap()
        .iter_mut()
        .enumerate()
    {
        sensor["id"] = (n + 1).into();
    }
    for room in settings["rooms"].as_array_mut().unwrap() {
        let room = room.as_object_mut().unwrap();
        room.remove("stage");
        room.remove("stages");
        let limits = room["limits"].as_object_mut().unwrap();
        limits.remove("battery");
        limits.remove("swings");
    }
    let frost = "20261201T001500000Z frost 1 room cellar";
    for (n, name) in (1..).zip(["north", "south", "back"]) {
        sqlx::query("insert into sensor values (?, ?, ?)")
            .bind(n)
            .bind(name)
            .bind(START.0)
            .execute(&mut db)
            .await
            .unwrap();
    }
    let acts = [
        (1, "configuration", "settings", settings.to_string()),
        (
            2,
            "recorder",
            "started",
            format!(r#"{{"off_from":{}}}"#, START.0),
        ),
        (
            20,
            "the grower",
            "acknowledge",
            format!(r#"{{"occurrence":"{frost}"}}"#),
        ),
    ];
    for (seq, who, kind, body) in acts {
        let at = if seq == 20 { minute(30) } else { START };
        sqlx::query("insert into act values (?, ?, ?, ?, ?)")
            .bind(seq)
            .bind(at.0)
            .bind(who)
            .bind(kind)
            .bind(body)
            .execute(&mut db)
            .await
            .unwrap();
    }
    // Frost from the beginning, fine after half an hour.
    for n in 0..12_i64 {
        let (seq, at) = (if n < 4 { 3 + n } else { 21 + n }, minute(n * 10));
        let t = if n < 4 { 500 } else { 9000 };
        sqlx::query("insert into reading values (1, ?, 0, ?, 80000, null, ?, ?)")
            .bind(at.0)
            .bind(t)
            .bind(seq)
            .bind(at.0)
            .execute(&mut db)
            .await
            .unwrap();
    }
    sqlx::query("insert into alive values (1, ?)")
        .bind(minute(110).0)
        .execute(&mut db)
        .await
        .unwrap();
    sqlx::query("insert into tally values ('gateway', 'north', 12, 0, 0, 0, ?)")
        .bind(minute(110).0)
        .execute(&mut db)
        .await
        .unwrap();
    db.close().await.unwrap();

    farm.clock.set(minute(112));
    let daemon = farm.start().await;
    let alerts = daemon.get("/api/alerts").await.json();
    let found = alerts
        .as_array()
        .unwrap()
        .iter()
        .find(|a| a["occurrence"] == frost);
    let found = found.unwrap_or_else(|| panic!("{alerts}"));
    // What was frost stands until somebody has looked, from here on.
    assert_eq!(found["state"], "latched-acknowledged");
    assert_eq!(daemon.store().count_readings().await.unwrap(), 12);
    assert_eq!(daemon.store().deeds(9).await.unwrap().len(), 1);
    daemon.running.finish().await;
}
