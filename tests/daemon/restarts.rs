//! Stopping and starting, rebuilding and replaying all end in the same alerts.

use overwinter::{
    cli::data::write_readings,
    engine::live::Answer as Came,
    engine::{Engine, Opening, replay::Replay},
    inbox::{Batch, Message},
    intake::decode::table::{self, TableShape},
    watch::{
        Act, Heard, Input, Judge, SensorName, Stage, Stamp, Values,
        act::{Delivery, Named, Service, Shelve, Staged},
    },
};
use sqlx::{Connection, SqliteConnection};

use crate::farm::{Answer, Daemon, Farm, START, STEP_MS, encoded, hour, minute, object};

/// Three rooms' worth of trouble in twenty hours: damp and dry air, a frost, a sensor that stops, a
/// late batch, a repeat and halves.
async fn a_bad_day(farm: &Farm, daemon: &Daemon) {
    let mut at = START;
    while at <= hour(20) {
        farm.clock.set(at);
        let hours = at.since(START) / 3_600_000;
        let t = if (14..15).contains(&hours) { 0.9 } else { 9.0 };
        let rh = if hours < 9 { 93.0 } else { 80.0 };
        daemon.say("north", at, t, rh).await;
        if !(10..12).contains(&hours) {
            let part = |name: &str, v: f64| {
                let at = at.to_rfc3339();
                format!(r#"{{"sensor":"south","measured_at":"{at}","{name}":{v}}}"#)
            };
            for half in [part("temperature_c", 9.2), part("humidity_pct", rh)] {
                let answer = daemon.post("application/json", half).await;
                assert_eq!(answer.counts(), [1, 0, 0, 0], "{}", answer.text);
            }
        }
        daemon.say("back", at, 9.0, 68.0).await;
        at = at.plus(STEP_MS);
    }
    // From a logger's memory: it fills the record and raises nothing.
    let late: Vec<String> = (1..20)
        .map(|n| object("south", hour(10).plus(n * 300_000), 0.0, 80.0))
        .collect();
    let body = format!("[{}]", late.join(","));
    for counts in [[19, 0, 0, 0], [0, 19, 0, 0]] {
        let answer = daemon.post("application/json", body.clone()).await;
        assert_eq!(answer.counts(), counts, "{}", answer.text);
    }
}

type Told = (String, String, String);

async fn told(daemon: &Daemon) -> Vec<Told> {
    let all = daemon.store().transitions().await.unwrap();
    all.into_iter()
        .map(|(o, _, from, to)| (o, from, to))
        .collect()
}

fn untagged(page: &str) -> String {
    let start = page.find("<main").unwrap();
    page[start..].to_owned()
}

/// How often settings were taken in.
async fn settings_acts(farm: &Farm) -> i64 {
    let url = format!("sqlite://{}", farm.config().database.display());
    let mut db = SqliteConnection::connect(&url).await.unwrap();
    let acts = sqlx::query_scalar("select count(*) from act where kind = 'settings'");
    let acts = acts.fetch_one(&mut db).await.unwrap();
    db.close().await.unwrap();
    acts
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_stands_stands_after_a_restart_and_nothing_is_told_again() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    a_bad_day(&farm, &daemon).await;
    let alerts = daemon.get("/api/alerts").await.json();
    let dry = alerts
        .as_array()
        .unwrap()
        .iter()
        .find(|a| a["kind"] == "dry-out")
        .unwrap_or_else(|| panic!("{alerts}"));
    let occurrence = dry["occurrence"].as_str().unwrap().to_owned();
    let form = daemon
        .client
        .post(format!("{}/alerts/acknowledge", daemon.base))
        .header("content-type", "application/x-www-form-urlencoded")
        .body(encoded(&[("occurrence", &occurrence)]));
    assert_eq!(Answer::of(form).await.status, 303);

    let alerts = daemon.get("/api/alerts").await.json();
    assert!(1 < alerts.as_array().unwrap().len(), "{alerts}");
    let status = daemon.get("/api/status").await.json();
    let pages = [daemon.get("/").await.text, daemon.get("/alerts").await.text];
    assert!(pages[0].contains("Seen by the grower"), "{}", pages[0]);
    let changes = daemon.store().transitions().await.unwrap();
    daemon.running.finish().await;

    for _ in 0..3 {
        let daemon = farm.start().await;
        assert_eq!(daemon.get("/api/alerts").await.json(), alerts);
        assert_eq!(settings_acts(&farm).await, 1, "nobody changed the settings");
        let now = daemon.get("/api/status").await.json();
        assert_eq!(now["sensors"], status["sensors"]);
        assert_eq!(now["rooms"], status["rooms"]);
        let again = [daemon.get("/").await.text, daemon.get("/alerts").await.text];
        for (before, after) in pages.iter().zip(&again) {
            assert_eq!(untagged(before), untagged(after));
        }
        assert_eq!(daemon.store().transitions().await.unwrap(), changes);
        daemon.running.finish().await;
    }

    // Off for two hours: written down, and what stood still stands.
    farm.clock.set(hour(22));
    let daemon = farm.start().await;
    let page = daemon.get("/alerts").await.text;
    assert!(
        page.contains("Tue 1 Dec, 20:00 to Tue 1 Dec, 22:00"),
        "{page}"
    );
    let now = daemon.get("/api/alerts").await.json();
    let names = |of: &serde_json::Value| -> Vec<serde_json::Value> {
        of.as_array()
            .unwrap()
            .iter()
            .map(|a| a["occurrence"].clone())
            .collect()
    };
    let of_the_gap = |name: &&serde_json::Value| name.as_str().unwrap().contains("recorder-off");
    let others: Vec<_> = names(&now)
        .into_iter()
        .filter(|n| !of_the_gap(&n))
        .collect();
    assert_eq!(others, names(&alerts), "nobody looked, so nothing changed");
    // But for the gap itself, which is over as soon as it is told and stands until somebody looked.
    let after = daemon.store().transitions().await.unwrap();
    let gap: Vec<_> = after[changes.len()..]
        .iter()
        .map(|(o, at, from, to)| (o.as_str(), *at, from.as_str(), to.as_str()))
        .collect();
    let name = "20261201T220000000Z recorder-off 1 recorder";
    assert_eq!(
        gap,
        [
            (name, hour(22), "normal", "unacknowledged"),
            (name, hour(22), "unacknowledged", "latched-unacknowledged")
        ]
    );
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_packed_log_can_be_made_again() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    a_bad_day(&farm, &daemon).await;
    let changes = daemon.store().transitions().await.unwrap();
    daemon.running.finish().await;

    let engine = farm.engine().await.unwrap();
    let standing = engine.judge().standing();
    assert!(1 < standing.len(), "{standing:?}");
    let sensors: Vec<_> = engine.judge().sensors().collect();
    let mut tx = engine.store().begin().await.unwrap();
    tx.rebuild_packed().await.unwrap();
    tx.commit().await.unwrap();
    engine.close().await;

    let url = format!("sqlite://{}", farm.config().database.display());
    for damage in [
        "select 1",
        "update arrival set body = x'00ff'",
        "delete from arrival",
    ] {
        let mut db = SqliteConnection::connect(&url).await.unwrap();
        sqlx::query(damage).execute(&mut db).await.unwrap();
        db.close().await.unwrap();
        let engine = farm.engine().await.unwrap();
        let judge = engine.judge();
        assert_eq!(judge.standing(), standing, "{damage}");
        assert!(judge.sensors().eq(sensors.iter().cloned()), "{damage}");
        let told = engine.store().transitions().await.unwrap();
        assert_eq!(told, changes, "{damage}");
        engine.close().await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_was_told_live_is_what_a_replay_tells() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    a_bad_day(&farm, &daemon).await;
    let live = told(&daemon).await;
    let mut text = Vec::new();
    let written = write_readings(daemon.store(), &mut text).await.unwrap();
    assert_eq!(
        written,
        u64::try_from(daemon.store().count_readings().await.unwrap()).unwrap()
    );
    daemon.running.finish().await;

    let decoded = table::body(&text, &TableShape::default()).unwrap();
    assert_eq!(decoded.refused, []);
    let mut replay = Replay::new(
        farm.config().watch,
        &overwinter::notify::telling::Telling::default(),
    );
    let mut again: Vec<Told> = Vec::new();
    let mut last = Stamp::default();
    for heard in &decoded.heard {
        last = heard.received_at.unwrap();
        for t in replay.feed(heard).unwrap() {
            let word = |s: overwinter::watch::State| s.as_str().to_owned();
            again.push((t.occurrence.to_string(), word(t.from), word(t.to)));
        }
    }
    assert_eq!(last, hour(20));
    let kinds: Vec<bool> = ["frost", "rot-risk", "dry-out", "silent"]
        .map(|kind| live.iter().any(|(o, ..)| o.contains(kind)))
        .to_vec();
    assert_eq!(kinds, [true; 4], "{live:?}");
    assert_eq!(again, live);
}

/// What one source heard of `north` at an instant, without a time of its own.
fn waiting(at: Option<Stamp>, t: i32) -> Message {
    Message::Readings(Batch {
        source: SensorName::new("line").unwrap(),
        heard: vec![Heard {
            sensor: SensorName::new("north").unwrap(),
            device_at: None,
            received_at: at,
            values: Values {
                temperature_mc: Some(t),
                ..Values::default()
            },
            line: 1,
        }],
        refused: Vec::new(),
        position: None,
    })
}

async fn watching(farm: &Farm) -> Engine {
    let config = farm.config();
    let clock = farm.clock.clone();
    Engine::open(&config.database, config.watch, clock, Opening::Daemon)
        .await
        .unwrap()
}

/// `at kind from>to` of every change recorded, `at` in minutes.
async fn changes(engine: &Engine) -> Vec<(i64, String)> {
    let all = engine.store().transitions().await.unwrap();
    all.into_iter()
        .map(|(o, at, from, to)| {
            let words: Vec<_> = o.split(' ').collect();
            let (kind, of) = (words[1], words.get(4).copied().unwrap_or("recorder"));
            (at.since(START) / 60_000, format!("{kind} {of} {from}>{to}"))
        })
        .collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_waited_for_the_store_arrives_after_the_deadlines_that_passed() {
    let farm = Farm::new("");
    let mut engine = watching(&farm).await;
    engine.commit(vec![waiting(None, 9000)]).await.unwrap();
    farm.clock.set(minute(40));
    engine.tick().await;
    // Heard at minute 20, stored at minute 41: the silence of minute 35 stands in the record.
    farm.clock.set(minute(41));
    let late = waiting(Some(minute(20)), 9100);
    engine.commit(vec![late]).await.unwrap();
    let live = changes(&engine).await;
    let north: Vec<_> = live.iter().filter(|c| c.1.contains("north")).collect();
    assert_eq!(north[0].0, 35, "{live:?}");
    assert!(35 <= north[1].0, "over before it began: {live:?}");
    let standing = engine.judge().standing();
    engine.close().await;

    let rebuilt = farm.engine().await.unwrap();
    assert_eq!(rebuilt.judge().standing(), standing);
    let sensor = rebuilt.judge().sensors().next().unwrap();
    assert_eq!(sensor.temperature, Some((minute(20), 9.1)));
    rebuilt.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_start_with_the_clock_set_back_loses_no_alert() {
    let farm = Farm::new("");
    let mut engine = watching(&farm).await;
    engine.commit(vec![waiting(None, 9000)]).await.unwrap();
    farm.clock.set(minute(40));
    engine.tick().await;
    let standing = engine.judge().standing();
    assert_eq!(standing.len(), 3, "every sensor is silent");
    engine.close().await;

    farm.clock.set(minute(10));
    let engine = watching(&farm).await;
    assert_eq!(engine.judge().standing(), standing);
    assert_eq!(engine.store().open_alerts().await.unwrap().len(), 3);
    engine.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nothing_is_lost_while_the_clock_is_behind() {
    let farm = Farm::new("");
    let mut engine = watching(&farm).await;
    farm.clock.set(minute(60));
    engine.commit(vec![waiting(None, 9000)]).await.unwrap();
    // The clock is set back by half an hour; a device without a clock goes on speaking, and comes
    // back to what it said.
    for (n, t) in (30..).zip([500, 400, 500, 600, 9000]) {
        farm.clock.set(minute(n));
        let receipt = engine.commit(vec![waiting(None, t)]).await.unwrap();
        assert_eq!(stored(&receipt[0]), (1, 0), "{t}");
        farm.clock.set(minute(n).plus(1000));
        let line = waiting(Some(minute(n).plus(1000)), t + 1);
        let receipt = engine.commit(vec![line]).await.unwrap();
        assert_eq!(stored(&receipt[0]), (1, 0), "{t}");
        let north = engine.judge().sensors().next().unwrap();
        let heard = north.temperature.map(|t| (t.1 * 1000.0).round() as i32);
        assert_eq!(heard, Some(t + 1));
    }
    engine.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_import_watches_nobody() {
    let farm = Farm::new("");
    let mut import = farm.engine().await.unwrap();
    import
        .commit(vec![waiting(Some(minute(0)), 9000)])
        .await
        .unwrap();
    import.close().await;
    // Nobody looked between the last reading of the past and the first start.
    farm.clock.set(hour(10));
    let mut engine = watching(&farm).await;
    assert_eq!(engine.judge().standing(), []);
    farm.clock.set(hour(10).plus(60_000));
    engine.tick().await;
    engine.close().await;

    // Nor between a stop and an import, nor between that and the next start.
    farm.clock.set(hour(20));
    let mut import = farm.engine().await.unwrap();
    import
        .commit(vec![waiting(Some(minute(1)), 9100)])
        .await
        .unwrap();
    import.close().await;
    farm.clock.set(hour(30));
    let engine = watching(&farm).await;
    // The first start follows nothing; the gap before the import and the one after it are told.
    let gaps: Vec<_> = changes(&engine)
        .await
        .into_iter()
        .map(|(at, _)| at / 60)
        .collect();
    assert_eq!(gaps, [20, 20, 30, 30]);
    let offs: Vec<_> = engine.store().offs(9).await.unwrap();
    let hours: Vec<_> = offs
        .iter()
        .map(|o| [o.from, o.to].map(|at| at.since(START) / 3_600_000))
        .collect();
    assert_eq!(hours, [[20, 30], [10, 20], [0, 10]]);
    engine.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn devices_without_the_time_never_stop_the_writer() {
    let farm = Farm::new("");
    let mut engine = watching(&farm).await;
    let odd = |t: i32| {
        let Message::Readings(mut batch) = waiting(None, t) else {
            unreachable!()
        };
        batch.heard[0].device_at = Some(Stamp(i64::from(t)));
        Message::Readings(batch)
    };
    // The clock stands still or is set back: all of them arrive at one instant.
    for t in 1..6 {
        let receipt = engine.commit(vec![odd(t)]).await.unwrap();
        assert_eq!(stored(&receipt[0]).0, 1, "{t}");
    }
    assert_eq!(engine.store().count_readings().await.unwrap(), 5);
    engine.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn of_two_rungs_reached_at_one_instant_the_worse_stands() {
    let farm = Farm::new("");
    let mut engine = watching(&farm).await;
    // A gateway delivers six hours at once; what they come to falls due before they are heard.
    let (first, last) = (minute(0), minute(355));
    farm.clock.set(last.plus(20 * 60_000));
    let heard = (0..=71).map(|n| Heard {
        sensor: SensorName::new("north").unwrap(),
        device_at: Some(first.plus(n * 300_000)),
        received_at: None,
        values: Values {
            temperature_mc: Some(10_000),
            humidity_mpct: Some(if n == 0 { 89_000 } else { 93_000 }),
            battery_pct: None,
        },
        line: 1,
    });
    engine
        .commit(vec![Message::Readings(Batch {
            source: SensorName::new("gateway").unwrap(),
            heard: heard.collect(),
            refused: Vec::new(),
            position: None,
        })])
        .await
        .unwrap();
    let standing: Vec<String> = engine
        .judge()
        .standing()
        .iter()
        .map(|s| s.occurrence.to_string())
        .collect();
    let open = engine.store().open_alerts().await.unwrap();
    let open: Vec<String> = open.iter().map(|a| a.occurrence.to_string()).collect();
    assert!(open.iter().any(|o| o.contains("rot-risk 2")), "{open:?}");
    let rot = |o: &&String| o.contains("rot-risk");
    assert_eq!(
        open.iter().filter(rot).collect::<Vec<_>>(),
        standing.iter().filter(rot).collect::<Vec<_>>()
    );
    engine.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn whatever_the_clock_does_a_rebuild_tells_what_was_told() {
    for seed in (1..=9u64).chain([27, 83, 148]) {
        let farm = Farm::new("");
        let mut engine = watching(&farm).await;
        let mut state = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15);
        let mut dice = |sides: i64| {
            // A linear congruential generator with Knuth's constants (MMIX).
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            ((state >> 33) as i64) % sides
        };
        let mut now = 0;
        for _ in 0..120 {
            now += match dice(12) {
                0 => -dice(90),
                1 => dice(200),
                _ => dice(12),
            };
            farm.clock.set(minute(now));
            let t = if dice(3) == 0 {
                9000
            } else {
                500 + dice(9) as i32
            };
            match dice(20) {
                0 => {
                    engine.close().await;
                    engine = watching(&farm).await;
                }
                1 => {
                    engine.close().await;
                    let mut import = farm.engine().await.unwrap();
                    if dice(2) == 0 {
                        let past = waiting(Some(minute(now - dice(300))), t);
                        import.commit(vec![past]).await.unwrap();
                    }
                    import.close().await;
                    engine = watching(&farm).await;
                }
                2..6 => engine.tick().await,
                6..9 => {
                    let heard = Some(minute(now - dice(60)));
                    engine.commit(vec![waiting(heard, t)]).await.unwrap();
                }
                9 => {
                    let seen = engine.judge().standing();
                    let pick = seen.get(dice(3) as usize).or(seen.first());
                    let named = pick.map(|s| Named {
                        occurrence: s.occurrence.clone(),
                    });
                    let act = match (dice(8), named) {
                        (0 | 1, Some(named)) => Act::Acknowledge(named),
                        (2, Some(named)) => Act::Shelve(Shelve {
                            occurrence: named.occurrence,
                            until: farm.clock.now().plus((1 + dice(300)) * 60_000),
                            one_shot: dice(2) == 0,
                            reason: "a valve is on its way".to_owned(),
                        }),
                        (3, Some(named)) => Act::Unshelve(named),
                        (4, Some(named)) => Act::Reset(named),
                        (5, _) => Act::Service(Service {
                            sensor: SensorName::new("north").unwrap(),
                            out: (dice(2) == 0).then(|| "its cable is mended".to_owned()),
                        }),
                        (6, _) => Act::Stage(Staged {
                            room: "cellar".to_owned(),
                            stage: Stage::ALL[dice(4) as usize],
                        }),
                        _ => Act::Channel(Delivery {
                            channel: "mail".to_owned(),
                            failing_since: (dice(2) == 0).then(|| farm.clock.now()),
                        }),
                    };
                    let ask = Message::Act {
                        act,
                        who: "the grower".to_owned(),
                    };
                    // What is refused changes nothing, here or in a rebuild.
                    let _ = engine.commit(vec![ask]).await.unwrap();
                }
                _ => {
                    engine.commit(vec![waiting(None, t)]).await.unwrap();
                }
            }
        }
        // What fell due before the last commit is told with the next tick.
        engine.tick().await;
        let alive = engine.store().alive().await.unwrap().unwrap();
        let (mut judge, mut folded) = (Judge::new(), Vec::new());
        let mut step = |input: &Input| {
            for t in judge.step(input) {
                let change = (
                    t.occurrence.to_string(),
                    t.at,
                    t.from.as_str(),
                    t.to.as_str(),
                );
                // The same change twice within one millisecond is one on record.
                if !folded.contains(&change) {
                    folded.push(change);
                }
            }
        };
        engine.store().fold(&mut step).await.unwrap();
        step(&Input::Tick { at: alive });
        let told = engine.store().transitions().await.unwrap();
        let told: Vec<_> = told
            .iter()
            .map(|(o, at, from, to)| (o.clone(), *at, from.as_str(), to.as_str()))
            .collect();
        let differ = told.iter().zip(&folded).find(|(a, b)| a != b);
        assert_eq!(differ, None, "seed {seed}");
        assert_eq!(
            told.len(),
            folded.len(),
            "seed {seed}: {:?} {:?}",
            told.last(),
            folded.last()
        );
        let back = told.windows(2).find(|pair| pair[1].1 < pair[0].1);
        assert_eq!(back, None, "seed {seed}");
        assert_eq!(engine.judge().standing(), judge.standing(), "seed {seed}");
        let open = engine.store().open_alerts().await.unwrap();
        assert_eq!(open.len(), judge.standing().len(), "seed {seed}");
        engine.close().await;
    }
}

/// Stored and contradicting readings of one message.
fn stored(told: &Came) -> (u64, u64) {
    let receipt = told.as_ref().unwrap();
    (receipt.stored, receipt.conflict)
}
