//! The demonstration's earlier winter, lived through in a moment: the recorder hears every reading, is told of
//! every crate, and people see to what it raises; then the rooms stand empty until the autumn.

use anyhow::Context as _;

use super::{
    batches, commit,
    earlier_stock::{self, Visit},
    sensor_name,
    winter::{self, Said, When},
};
use crate::{
    climate::{Celsius, RelativeHumidity},
    clock::Clock,
    config::Config,
    engine::{Engine, Opening},
    inbox::Message,
    watch::{
        Act, Heard, Kind, SensorName, Settings, Stage, Stamp, State, Values,
        act::{Corrected, Named, Service, Shelve, Staged, Started},
        reading::{HOUR_MS, MINUTE_MS},
    },
};

/// The crate in which the probe lay that winter.
const PROBED: &str = "T-01";
/// Times of day at which somebody looks at what stands: in the morning, and when the day's work is done.
const LOOKED: [(u32, u32); 2] = [(7, 30), (18, 30)];
/// What was raised so shortly before is left for the next time.
const SEEN_AFTER_MS: i64 = HOUR_MS;
/// A part for the humidifier is on its way; until it is there the drought is no news.
const SHELVED: (When, &str) = (
    When(1, 21, 7, 30),
    "the part for the humidifier comes tomorrow",
);

/// What happens beside the readings.
enum Event {
    /// A room does something else from here on.
    Stage(&'static str, Stage),
    /// A sensor is taken away, with the reason, or comes back.
    Service(&'static str, Option<&'static str>),
    /// What a sensor was off by is entered, and since when.
    Corrected,
    /// The recorder runs again after a while in which it did not.
    Started(Stamp),
    /// Something is done with crates.
    Visit(Visit),
    /// Somebody looks at what stands.
    Look(&'static str),
    /// Nothing happens; what was heard is stored.
    Tick,
}

/// Plays it into an empty store, up to the moment before `until`; gives back the recorder, and the clock that
/// it goes by.
pub(super) async fn play(config: &Config, until: Stamp) -> anyhow::Result<(Engine, Clock)> {
    let clock = Clock::hand(winter::FIRST.at());
    let mut engine = Engine::open(
        &config.database,
        settings(&config.watch),
        clock.clone(),
        Opening::Daemon,
    )
    .await?;
    let mut said = winter::said()?.into_iter().peekable();
    let mut names = Vec::new();
    for sensor in super::SENSORS {
        names.push((sensor, sensor_name(sensor)?));
    }
    for (at, event) in events(until)? {
        let mut heard = Vec::new();
        while let Some(one) = said.next_if(|s| s.at < at) {
            heard.push(heard_of(&one, &names)?);
        }
        commit(&mut engine, batches(&heard)?).await?;
        clock.set(at);
        let messages = match event {
            Event::Tick => {
                engine.tick().await;
                continue;
            }
            Event::Stage(room, stage) => vec![asked(
                "Odile",
                Act::Stage(Staged {
                    room: room.to_owned(),
                    stage,
                }),
            )],
            Event::Service(sensor, out) => vec![asked(
                "Odile",
                Act::Service(Service {
                    sensor: sensor_name(sensor)?,
                    out: out.map(str::to_owned),
                }),
            )],
            Event::Corrected => corrected()?,
            Event::Started(off_from) => vec![asked(
                "recorder",
                Act::Started(Started {
                    off_from,
                    stepped: false,
                }),
            )],
            Event::Visit(visit) => {
                let stock = engine.store().stock().await?;
                vec![Message::Stock {
                    asked: visit.asked(&stock)?,
                    together: true,
                    who: visit.who,
                }]
            }
            Event::Look(who) => seen_to(&engine, at, who),
        };
        commit(&mut engine, messages)
            .await
            .with_context(|| at.to_rfc3339())?;
    }
    Ok((engine, clock))
}

/// As it is configured now; only the probe lay in another crate, and what changes slowly was asked less often.
fn settings(now: &Settings) -> Settings {
    let mut settings = now.clone();
    for sensor in &mut settings.sensors {
        if let Some(krate) = &mut sensor.crate_code {
            PROBED.clone_into(krate);
        }
        if winter::SLOW.contains(&sensor.name.as_str()) {
            sensor.interval_ms = 2 * winter::STEP_MS;
        }
    }
    settings
}

/// In the next autumn the rooms are in use again, and the recorder has the configuration of today; `then` knows
/// the keys that the sensors have in this store.
pub(super) fn autumn(then: &Settings, now: &Settings) -> Vec<Message> {
    let stored = now.rooms.iter().map(|room| {
        asked(
            "Odile",
            Act::Stage(Staged {
                room: room.name.clone(),
                stage: Stage::Storing,
            }),
        )
    });
    let mut settings = now.clone();
    for sensor in &mut settings.sensors {
        if let Some(same) = then.sensors.iter().find(|s| s.name == sensor.name) {
            sensor.id = same.id;
        }
    }
    let given = asked("configuration", Act::Settings(settings));
    stored.chain([given]).collect()
}

/// Beside the salt the sensor was found to be off, since the week after which it had begun to stand apart from
/// the others; it was cleaned, and is right from there on.
fn corrected() -> anyhow::Result<Vec<Message>> {
    let (sensor, winter::While(since, until), off_pct) = winter::OFF;
    let sensor = sensor_name(sensor)?;
    let of = |from: When, add_pct: f64, why: &str| {
        asked(
            "Odile",
            Act::Corrected(Corrected {
                sensor: sensor.clone(),
                from: from.at(),
                temperature_mk: 0,
                humidity_mpct: (add_pct * 1000.0).round() as i32,
                why: why.to_owned(),
            }),
        )
    };
    Ok(vec![
        of(
            since,
            -off_pct,
            "eight hours over table salt: 72 % where 75.5 % is right",
        ),
        of(until, 0.0, "its cap was dusty; cleaned, and right again"),
    ])
}

fn asked(who: &str, act: Act) -> Message {
    Message::Act {
        act,
        who: who.to_owned(),
    }
}

fn heard_of(said: &Said, names: &[(&str, SensorName)]) -> anyhow::Result<Heard> {
    let (_, name) = (names.iter().find(|(name, _)| *name == said.sensor))
        .with_context(|| format!("no sensor {}", said.sensor))?;
    let values = Values::of(
        Celsius::new(said.temperature_c).ok(),
        RelativeHumidity::new(said.humidity_pct).ok(),
    );
    Ok(super::said(name, said.at, values))
}

/// What somebody does who looks at what stands.
fn seen_to(engine: &Engine, at: Stamp, who: &str) -> Vec<Message> {
    let mut acts = Vec::new();
    for standing in engine.judge().standing() {
        let occurrence = standing.occurrence;
        if at.since(occurrence.raised_at) < SEEN_AFTER_MS {
            continue;
        }
        let named = || Named {
            occurrence: occurrence.clone(),
        };
        if SHELVED.0.at() == at && occurrence.kind == Kind::DryOut && standing.active {
            acts.push(asked(
                who,
                Act::Shelve(Shelve {
                    occurrence,
                    until: at.plus(24 * HOUR_MS),
                    one_shot: false,
                    reason: SHELVED.1.to_owned(),
                }),
            ));
            continue;
        }
        match standing.state {
            State::Unacknowledged | State::ReturnedUnacknowledged => {
                acts.push(asked(who, Act::Acknowledge(named())));
            }
            State::LatchedUnacknowledged => {
                acts.push(asked(who, Act::Acknowledge(named())));
                acts.push(asked(who, Act::Reset(named())));
            }
            State::LatchedAcknowledged => acts.push(asked(who, Act::Reset(named()))),
            _ => {}
        }
    }
    acts
}

/// Everything that happens beside the readings, in the order of time.
fn events(until: Stamp) -> anyhow::Result<Vec<(Stamp, Event)>> {
    use Event::{Service, Stage as Does, Started, Tick};
    let (off, on) = (winter::POWER_CUT.0.at(), winter::POWER_CUT.1.at());
    let checked = winter::OFF.1.1.at();
    let mut events = vec![
        (winter::FIRST.at(), Does("cellar", Stage::Curing)),
        (winter::FIRST.at(), Does("back room", Stage::Curing)),
        (winter::CELLAR_STORES.at(), Does("cellar", Stage::Storing)),
        (winter::BACK_STORES.at(), Does("back room", Stage::Storing)),
        (off, Tick),
        (on, Started(off)),
        (winter::BACK_WAKES.at(), Does("back room", Stage::Waking)),
        (
            checked.plus(-8 * HOUR_MS),
            Service(winter::OFF.0, Some("beside a salt, to see what it says")),
        ),
        (checked, Service(winter::OFF.0, None)),
        (checked.plus(5 * MINUTE_MS), Event::Corrected),
        (winter::CELLAR_EMPTY.at(), Does("cellar", Stage::Empty)),
        (winter::BACK_EMPTY.at(), Does("back room", Stage::Empty)),
        // The last reading is in, and the sensors are put away.
        (winter::LAST.at().plus(5 * MINUTE_MS), Tick),
        (until, Tick),
    ];
    for visit in earlier_stock::visits()? {
        events.push((visit.at.into(), Event::Visit(visit)));
    }
    let mut day = winter::FIRST.at().to_utc().date_naive();
    let last = winter::LAST.at().to_utc().date_naive();
    while day <= last {
        for ((hour, minute), who) in LOOKED.into_iter().zip(["Odile", "Wendel"]) {
            let at = day.and_hms_opt(hour, minute, 0);
            let at: Stamp = at.context("a time that exists")?.and_utc().into();
            if winter::FIRST.at() < at && at <= winter::LAST.at() {
                events.push((at, Event::Look(who)));
            }
        }
        day = day.succ_opt().context("the day after")?;
    }
    events.sort_by_key(|(at, _)| *at);
    Ok(events)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        store::alerts::AlertRow,
        watch::{Input, Priority},
    };

    /// When what stands in the store must have ended: the next autumn, before the sensors are hung up again.
    fn autumn_2026() -> Stamp {
        winter::LAST.at().plus(170 * 24 * HOUR_MS)
    }

    async fn lived_through(folder: &std::path::Path) -> (Engine, Clock, Config) {
        let text = super::super::CONFIG
            .replace("@LISTEN@", "127.0.0.1:0")
            .replace("@TOKEN_SHA256@", &"a".repeat(64))
            .replace("@PORT@", "/dev/null")
            .replace("@FOLDER@", &folder.display().to_string());
        let config = Config::parse(&text, folder).unwrap_or_else(|f| panic!("{}", f[0]));
        let (engine, clock) = play(&config, autumn_2026()).await.unwrap();
        (engine, clock, config)
    }

    #[tokio::test]
    async fn what_went_wrong_was_told_and_seen_to_and_the_summer_is_quiet() {
        let folder = tempfile::tempdir().unwrap();
        let (mut engine, clock, config) = lived_through(folder.path()).await;
        assert!(engine.judge().standing().is_empty());
        assert_eq!(engine.store().stock().await.unwrap().tubers(), 0);
        let all = engine.store().past_alerts(1000).await.unwrap();
        // Often enough that there is something to look back on, and no flood.
        assert!((40..90).contains(&all.len()), "{}", all.len());
        assert!(all.iter().all(|a| a.ended_at.is_some()));
        let last = all.iter().filter_map(|a| a.ended_at).max().unwrap();
        assert!(last <= winter::BACK_EMPTY.at(), "{}", last.to_rfc3339());
        let seen = all.iter().filter(|a| a.acknowledged_by.is_some()).count();
        assert!(all.len() * 8 / 10 < seen, "{seen} of {}", all.len());
        let raised = |kind: Kind, during: winter::While| -> Vec<&AlertRow> {
            let of = |a: &&AlertRow| {
                let at = a.occurrence.raised_at;
                a.occurrence.kind == kind && during.0.at() <= at && at <= during.1.at()
            };
            all.iter().filter(of).collect()
        };
        let cold = raised(Kind::Cold, winter::TRIPPED);
        assert_eq!(cold.len(), 1, "the night in which the heater tripped");
        assert_eq!(cold[0].room, "back room");
        assert!(!raised(Kind::DryOut, winter::DRY).is_empty());
        assert!(!raised(Kind::RotRisk, winter::THAW).is_empty());
        assert_eq!(raised(Kind::Silent, winter::SILENT.1).len(), 1);
        assert_eq!(raised(Kind::RecorderOff, winter::POWER_CUT).len(), 1);
        // Nobody was woken, and nothing froze.
        assert!(all.iter().all(|a| a.priority != Priority::High));
        assert!(all.iter().all(|a| a.occurrence.kind != Kind::Frost));

        // In autumn the rooms are in use again, with the sensors as they are configured now.
        clock.set(autumn_2026());
        let acts = autumn(engine.judge().given(), &config.watch);
        commit(&mut engine, acts).await.unwrap();
        let settings = engine.judge().settings();
        assert!(settings.rooms.iter().all(|r| r.stage == Stage::Storing));
        let probe = settings.sensors.iter().find(|s| s.crate_code.is_some());
        assert_eq!(probe.unwrap().crate_code.as_deref(), Some("C-01"));

        // What people did stands in the log in the order of time.
        let (mut last, mut shelved, mut corrected) = (Stamp(i64::MIN), 0, 0);
        let mut stages = Vec::new();
        let each = |input: &Input| {
            if !matches!(input, Input::Reading(_)) {
                assert!(last <= input.at());
                last = input.at();
            }
            match input {
                Input::Shelve { .. } => shelved += 1,
                Input::Correct { .. } => corrected += 1,
                Input::Stage { room, stage, .. } => stages.push((room.clone(), *stage)),
                _ => {}
            }
        };
        engine.store().fold(each).await.unwrap();
        assert_eq!((shelved, corrected), (1, 2));
        let of = |name: &str| -> Vec<Stage> {
            let own = stages.iter().filter(|(room, _)| room == name);
            own.map(|(_, stage)| *stage).collect()
        };
        use Stage::{Curing, Empty, Storing, Waking};
        assert_eq!(of("cellar"), [Curing, Storing, Empty, Storing]);
        assert_eq!(of("back room"), [Curing, Storing, Waking, Empty, Storing]);
        engine.close().await;
    }
}
