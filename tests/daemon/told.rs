//! Who is told what does not depend on how often the program was started anew.

use overwinter::{
    engine::{Engine, Opening, Teller},
    inbox::{Batch, Message},
    notify::words::Manner,
    watch::{
        Act, Heard, SensorName, Stage, Values,
        act::{Delivery, Named, Service, Shelve, Staged},
    },
};

use crate::farm::{Farm, minute};

const TELLING: &str = r#"
[[command]]
name = "siren"
run = ["true"]

[[command]]
name = "phone"
run = ["true"]

[[contact]]
name = "Odile"
channels = ["phone"]
quiet = ["22:00", "6:00"]

[[contact]]
name = "Bram"
channels = ["siren", "phone"]
hears = "high"
"#;

async fn telling(farm: &Farm) -> Engine {
    let config = farm.config();
    let (path, clock) = (&config.database, farm.clock.clone());
    let mut engine = Engine::open(path, config.watch, clock, Opening::Daemon)
        .await
        .unwrap();
    let teller = Teller {
        telling: config.telling,
        site: config.site,
        manner: Manner {
            zone: config.zone,
            unit: config.unit,
        },
        address: None,
    };
    engine.tell_by(teller).await.unwrap();
    engine
}

/// A generator with Knuth's constants (MMIX).
struct Dice(u64);

impl Dice {
    fn roll(&mut self, sides: i64) -> i64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 33) as i64) % sides
    }
}

fn say(name: &str, (t, rh): (i32, i32)) -> Message {
    Message::Readings(Batch {
        source: SensorName::new("gateway").unwrap(),
        heard: vec![Heard {
            sensor: SensorName::new(name).unwrap(),
            device_at: None,
            received_at: None,
            values: Values {
                temperature_mc: Some(t),
                humidity_mpct: Some(rh),
                battery_pct: None,
            },
            line: 1,
        }],
        refused: Vec::new(),
        position: None,
    })
}

fn act(engine: &Engine, farm: &Farm, dice: &mut Dice) -> Act {
    let standing = engine.judge().standing();
    let pick = dice.roll(4) as usize;
    let named = standing.get(pick).or(standing.first()).map(|s| Named {
        occurrence: s.occurrence.clone(),
    });
    let (which, hours, even) = (dice.roll(9), 1 + dice.roll(20), dice.roll(2) == 0);
    match (which, named) {
        (0..3, Some(named)) => Act::Acknowledge(named),
        (3, Some(named)) => Act::Shelve(Shelve {
            occurrence: named.occurrence,
            until: farm.clock.now().plus(hours * 3_600_000),
            one_shot: even,
            reason: "a valve is on its way".to_owned(),
        }),
        (4, Some(named)) => Act::Unshelve(named),
        (5, Some(named)) => Act::Reset(named),
        (6, _) => Act::Service(Service {
            sensor: SensorName::new("north").unwrap(),
            out: even.then(|| "its cable is mended".to_owned()),
        }),
        (7, _) => Act::Stage(Staged {
            room: "cellar".to_owned(),
            stage: Stage::ALL[(dice.roll(8) as usize).clamp(1, 3) - usize::from(!even)],
        }),
        _ => Act::Channel(Delivery {
            channel: "siren".to_owned(),
            failing_since: even.then(|| farm.clock.now()),
        }),
    }
}

/// What stands at the end of some days, and every message that was owed meanwhile.
async fn days(seed: u64, restarts: bool) -> (Vec<String>, Vec<String>) {
    let farm = Farm::new(TELLING);
    let mut engine = telling(&farm).await;
    let mut dice = Dice(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15));
    let mut again = Dice(seed + 77);
    let mut air = [Some((9000, 80_000)); 3];
    for n in 1..=600 {
        farm.clock.set(minute(n * 10));
        engine.tick().await;
        if dice.roll(12) == 0 {
            let t = [500, 3000, 9000, 12_000, 14_000, 18_000][dice.roll(6) as usize];
            let rh = [68_000, 80_000, 80_000, 93_000][dice.roll(4) as usize];
            air[dice.roll(3) as usize] = (dice.roll(8) != 0).then_some((t, rh));
        }
        for (name, air) in ["north", "south", "back"].iter().zip(air) {
            if let Some(air) = air {
                engine.commit(vec![say(name, air)]).await.unwrap();
            }
        }
        if dice.roll(8) == 0 {
            let act = act(&engine, &farm, &mut dice);
            let who = "the grower".to_owned();
            let _ = engine
                .commit(vec![Message::Act { act, who }])
                .await
                .unwrap();
        }
        // What fell due with the last input is told with the next tick, or at the start.
        engine.tick().await;
        if restarts && again.roll(6) == 0 {
            engine.close().await;
            engine = telling(&farm).await;
        }
    }
    let standing = engine.judge().standing();
    let standing = standing.iter().map(|s| format!("{s:?}")).collect();
    let rows = engine.store().messages(100_000).await.unwrap();
    let rows = rows.iter().map(|m| {
        let (at, to, by) = (m.at.to_rfc3339(), &m.contact, &m.channel);
        format!(
            "{at} {} {to} {by} {} {:?}",
            m.purpose, m.room, m.occurrences
        )
    });
    let mut rows: Vec<String> = rows.collect();
    rows.sort();
    engine.close().await;
    (standing, rows)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn however_often_it_is_started_people_are_told_the_same() {
    for seed in [8, 17] {
        let (stands, told) = days(seed, false).await;
        let (stands_too, told_too) = days(seed, true).await;
        assert_eq!(stands, stands_too, "seed {seed}");
        let lost: Vec<_> = told.iter().filter(|m| !told_too.contains(m)).collect();
        let new: Vec<_> = told_too.iter().filter(|m| !told.contains(m)).collect();
        assert!(
            lost.is_empty() && new.is_empty(),
            "seed {seed}\nlost {lost:#?}\nnew {new:#?}"
        );
        assert!(20 < told.len(), "{told:#?}");
    }
}
