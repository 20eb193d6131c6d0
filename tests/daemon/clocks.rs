//! The computer's clock is set forward, or back: no false silence, and no frost that goes unnoticed.

use overwinter::{
    engine::{Engine, Opening, telling::Teller},
    inbox::{Batch, Message},
    notify::words::Manner,
    watch::{Act, Heard, Kind, SensorName, Stamp, Values, act::Delivery, reading::MINUTE_MS},
};

use sqlx::{Connection, SqliteConnection};

use crate::farm::{Farm, START, minute};

async fn watching(farm: &Farm) -> Engine {
    let config = farm.config();
    let clock = farm.clock.clone();
    Engine::open(&config.database, config.watch, clock, Opening::Daemon)
        .await
        .unwrap()
}

/// Every sensor speaks; `north` may know the time itself.
async fn speak(engine: &mut Engine, north_at: Option<Stamp>, north_mc: i32) {
    let heard = ["north", "south", "back"].map(|name| Heard {
        sensor: SensorName::new(name).unwrap(),
        device_at: north_at.filter(|_| name == "north"),
        received_at: None,
        values: Values {
            temperature_mc: Some(if name == "north" { north_mc } else { 9000 }),
            humidity_mpct: Some(80_000),
            battery_pct: None,
        },
        line: 1,
    });
    let batch = Batch {
        source: SensorName::new("gateway").unwrap(),
        heard: heard.into(),
        refused: Vec::new(),
        position: None,
    };
    let told = engine.commit(vec![Message::Readings(batch)]).await.unwrap();
    assert_eq!(told[0].as_ref().unwrap().stored, 3);
}

fn kinds(engine: &Engine) -> Vec<Kind> {
    let standing = engine.judge().standing();
    standing.iter().map(|s| s.occurrence.kind).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_clock_set_two_hours_forward_makes_nobody_silent() {
    let farm = Farm::new("");
    let mut engine = watching(&farm).await;
    for n in 0..6 {
        farm.clock.set(minute(n * 10));
        speak(&mut engine, None, 9000).await;
    }
    farm.clock.step(120 * MINUTE_MS);
    engine.tick().await;
    assert_eq!(kinds(&engine), []);
    let now = minute(50 + 120);
    for n in 1..=3 {
        farm.clock.set(now.plus(n * 10 * MINUTE_MS));
        engine.tick().await;
        assert_eq!(kinds(&engine), [], "{n}");
        if n < 3 {
            speak(&mut engine, None, 9000).await;
        }
    }
    // The step is on record as what it is: nobody was off.
    assert_eq!(engine.store().offs(9).await.unwrap().len(), 1);
    // From here on silence counts as ever.
    farm.clock.set(now.plus(60 * MINUTE_MS));
    engine.tick().await;
    assert_eq!(kinds(&engine), [Kind::Silent; 3]);
    let before = engine.judge().standing();
    engine.close().await;
    // A rebuild tells the same.
    let engine = watching(&farm).await;
    assert_eq!(engine.judge().standing(), before);
    engine.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn frost_is_noticed_though_the_clock_was_set_two_hours_back() {
    for knows_the_time in [false, true] {
        let farm = Farm::new("");
        let mut engine = watching(&farm).await;
        for n in 0..6 {
            farm.clock.set(minute(n * 10));
            let at = knows_the_time.then(|| minute(n * 10));
            speak(&mut engine, at, 9000).await;
        }
        farm.clock.step(-120 * MINUTE_MS);
        let now = minute(50 - 120);
        let mut noticed = None;
        for n in 1..=12 {
            let wall = now.plus(n * 5 * MINUTE_MS);
            farm.clock.set(wall);
            speak(&mut engine, knows_the_time.then_some(wall), 500).await;
            engine.tick().await;
            if noticed.is_none() && kinds(&engine).contains(&Kind::Frost) {
                noticed = Some(n * 5);
            }
        }
        // The quarter of an hour is at most doubled while the log waits to be caught up with.
        let noticed = noticed.expect("frost is noticed");
        assert!((15..=40).contains(&noticed), "after {noticed} minutes");
        assert!(
            !kinds(&engine).contains(&Kind::Silent),
            "{:?}",
            kinds(&engine)
        );
        // Everything is on record, and what is stamped never turns back.
        let all = engine.store().transitions().await.unwrap();
        assert!(all.windows(2).all(|w| w[0].1 <= w[1].1));
        let before = engine.judge().standing();
        engine.close().await;
        let engine = watching(&farm).await;
        assert_eq!(engine.judge().standing(), before);
        engine.close().await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_log_is_caught_up_with() {
    let farm = Farm::new("");
    let mut engine = watching(&farm).await;
    speak(&mut engine, None, 9000).await;
    farm.clock.step(-60 * MINUTE_MS);
    let behind = |engine: &Engine| engine.status().borrow().clock_behind_ms / MINUTE_MS;
    for n in 1..=130 {
        farm.clock.set(START.plus((n - 60) * MINUTE_MS));
        if n % 5 == 0 {
            speak(&mut engine, None, 9000).await;
        }
        engine.tick().await;
        if n == 60 {
            assert!((28..=32).contains(&behind(&engine)), "{}", behind(&engine));
        }
    }
    assert_eq!(behind(&engine), 0);
    assert_eq!(kinds(&engine), []);
    engine.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn frost_is_noticed_though_the_date_was_wrong_by_days() {
    for days in [1, 400] {
        let farm = Farm::new("");
        let mut engine = watching(&farm).await;
        farm.clock.step(days * 24 * 60 * MINUTE_MS);
        speak(&mut engine, None, 9000).await;
        engine.tick().await;
        farm.clock.step(-days * 24 * 60 * MINUTE_MS);
        let mut noticed = None;
        for n in 1..=12 {
            farm.clock.set(minute(n * 5));
            speak(&mut engine, None, 500).await;
            engine.tick().await;
            if noticed.is_none() && kinds(&engine).contains(&Kind::Frost) {
                noticed = Some(n * 5);
            }
        }
        let noticed = noticed.expect("frost is noticed");
        assert!((15..=40).contains(&noticed), "after {noticed} minutes");
        engine.close().await;
    }
}

/// Both stretches in which nobody looked are gaps, though the store could note neither at the time.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_steps_that_could_not_be_noted_are_one_gap() {
    let farm = Farm::new("");
    let mut engine = watching(&farm).await;
    speak(&mut engine, None, 9000).await;
    let url = format!("sqlite://{}", farm.config().database.display());
    let mut other = SqliteConnection::connect(&url).await.unwrap();
    let forbid = "create trigger full before insert on act begin select raise(abort, 'full'); end";
    sqlx::query(forbid).execute(&mut other).await.unwrap();
    for _ in 0..2 {
        farm.clock.step(120 * MINUTE_MS);
        engine.tick().await;
    }
    let allow = sqlx::query("drop trigger full");
    allow.execute(&mut other).await.unwrap();
    engine.tick().await;
    assert_eq!(kinds(&engine), [], "nobody was silent");
    engine.close().await;
}

/// A channel has something to send at once, although its clock stands before the time of the log.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn messages_do_not_wait_for_a_clock_that_was_set_back() {
    let farm = Farm::new(
        "[[command]]\nname = \"siren\"\nrun = [\"true\"]\n\n[[contact]]\nname = \"Odile\"\nchannels = [\"siren\"]\n",
    );
    let config = farm.config();
    let mut engine = watching(&farm).await;
    farm.clock.set(minute(130));
    engine.tick().await;
    farm.clock.step(-120 * MINUTE_MS);
    engine
        .tell_by(Teller {
            telling: config.telling.clone(),
            site: config.site.clone(),
            manner: Manner {
                zone: config.zone,
                unit: config.unit,
            },
            address: None,
        })
        .await
        .unwrap();
    let due = engine.store().is_due("siren", farm.clock.now()).await;
    assert!(due.unwrap(), "the alert that stands is sent now");
    engine.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_channel_fails_for_a_quarter_of_an_hour_though_the_clock_was_set_back() {
    let farm = Farm::new("");
    let mut engine = watching(&farm).await;
    farm.clock.set(minute(10));
    engine.tick().await;
    farm.clock.step(-120 * MINUTE_MS);
    let act = Act::Channel(Delivery {
        channel: "mail".to_owned(),
        failing_since: Some(farm.clock.now()),
    });
    let who = "courier".to_owned();
    engine
        .commit(vec![Message::Act { act, who }])
        .await
        .unwrap()
        .pop()
        .unwrap()
        .unwrap();
    engine.tick().await;
    assert_eq!(kinds(&engine), [], "it failed once");
    for n in 1..=32 {
        farm.clock.set(minute(10 - 120 + n));
        engine.tick().await;
        assert_eq!(kinds(&engine).is_empty(), n < 30, "after {n} minutes");
    }
    engine.close().await;
}
