//! The demonstration keeps its promise: within the first minute, a day of the store, damp and drought
//! are told, and one of them ends; with the default limits and delays, only the clock is faster. Before
//! that nothing was told for weeks, and each crate has a past of its own.

use std::{
    io::{BufRead, BufReader},
    path::Path,
    process::{Child, Command, Stdio},
    time::{Duration, Instant},
};

use nix::{
    sys::signal::{Signal, kill},
    unistd::Pid,
};
use overwinter::{
    cli::demo::{BEFORE_HOURS, SENSORS, Story, WEIGHED},
    climate::{Celsius, RelativeHumidity},
    config::Config,
    engine::{crates::facts, replay::Replay},
    notify::{channel::Post, telling::Telling},
    stock::list,
    watch::{
        Heard, Input, Kind, Limits, Priority, SensorName, Stamp, State, Transition, Values,
        models::Known, reading::HOUR_MS,
    },
};

const CONFIG: &str = include_str!("../demo-sensors/overwinter.toml");
const CRATES: &str = include_str!("../demo-sensors/crates.csv");
/// 2027-01-12T05:00:00Z.
const START: Stamp = Stamp(1_799_730_000_000);

fn config() -> Config {
    let text = CONFIG
        .replace("@LISTEN@", "127.0.0.1:0")
        .replace("@TOKEN_SHA256@", &"a".repeat(64))
        .replace("@PORT@", "/dev/null")
        .replace("@FOLDER@", "/tmp");
    Config::parse(&text, Path::new(".")).expect("a right configuration")
}

/// The demonstration by the hours of its story, from the first reading on: what was told.
fn told(until_hour: i64) -> (Vec<Transition>, Replay) {
    let stories: Vec<(SensorName, Story)> = SENSORS
        .into_iter()
        .map(|name| {
            let story = Story::of(name).unwrap_or_else(|e| panic!("{e:?}"));
            (SensorName::new(name).expect("a name"), story)
        })
        .collect();
    let mut replay = Replay::new(config().watch, &Telling::default());
    let mut told = Vec::new();
    let first = -BEFORE_HOURS * 6;
    for step in (first..0).map(|s| s * 2).chain(0..=until_hour * 12) {
        let at = START.plus(step * HOUR_MS / 12);
        for (sensor, story) in &stories {
            let Some((f, rh)) = story.at(step as f64 / 12.0) else {
                continue;
            };
            let t = Celsius::from_fahrenheit(f).expect("a temperature");
            let rh = RelativeHumidity::new(rh).expect("a humidity");
            let heard = Heard {
                sensor: sensor.clone(),
                device_at: Some(at),
                received_at: None,
                values: Values::of(Some(t), Some(rh)),
                line: 0,
            };
            told.extend(replay.feed(&heard).expect("a known sensor"));
        }
        if step == first * 2 {
            let changed = list::parse(CRATES).crates.iter().map(facts).collect();
            let gone = Vec::new();
            told.extend(replay.act(&Input::Crates { at, changed, gone }));
        }
        if step == -2 {
            for (_, krate, hour, grams) in WEIGHED {
                told.extend(replay.act(&Input::Weighed {
                    at,
                    krate: krate.to_owned(),
                    weighed_at: START.plus(hour * HOUR_MS),
                    grams,
                    anew: false,
                }));
            }
        }
    }
    (told, replay)
}

/// The hour of the story at which a kind was first raised.
fn raised(told: &[Transition], kind: Kind) -> Option<f64> {
    let first = told
        .iter()
        .find(|t| t.kind == kind && t.to == State::Unacknowledged)?;
    Some(first.at.since(START) as f64 / HOUR_MS as f64)
}

#[test]
fn the_first_minute_brings_damp_and_drought_and_ends_one() {
    for room in &config().watch.rooms {
        assert_eq!(room.limits, Limits::default(), "the defaults hold");
    }
    let (told, _) = told(24);
    assert!(told.iter().all(|t| START < t.at), "quiet before: {told:?}");
    for kind in [Kind::RotRisk, Kind::DryOut] {
        assert!(raised(&told, kind).is_some(), "{told:?}");
    }
    assert!(
        told.iter().any(|t| t.to == State::ReturnedUnacknowledged),
        "{told:?}"
    );
}

#[test]
fn the_cold_crate_sweats_a_thaw_comes_and_a_freeze_is_seen_ahead() {
    let (told, _) = told(71);
    let at = |kind| raised(&told, kind).unwrap_or_else(|| panic!("{kind}: {told:?}"));
    assert!(at(Kind::Sweating) < 6.0, "within a quarter of a minute");
    let raisings = |kind, room: &str| {
        let all = told.iter().filter(|t| t.raises());
        all.filter(|t| t.kind == kind && t.room == room).count()
    };
    assert_eq!(raisings(Kind::Sweating, "cellar"), 1, "told of once");
    assert_eq!(raisings(Kind::Sweating, "back room"), 1, "as it warms");
    // Both by ten in the evening, so that somebody is told.
    assert!((13.0..17.0).contains(&at(Kind::Thaw)), "{}", at(Kind::Thaw));
    let (ahead, frost) = (at(Kind::FrostAhead), at(Kind::Frost));
    assert_eq!(raisings(Kind::FrostAhead, "back room"), 1);
    assert!(ahead + 1.0 < frost && ahead < 41.0, "{ahead} {frost}");
    let computed = [Kind::FrostAhead, Kind::Thaw, Kind::Shrink, Kind::Mould];
    let high = |t: &Transition| computed.contains(&t.kind) && t.priority == Priority::High;
    assert!(!told.iter().any(high), "{told:?}");
}

#[test]
fn every_crate_has_a_past_and_one_was_weighed() {
    let (_, replay) = told(0);
    let models = replay.judge().models();
    for krate in models.crates() {
        let stand = models.stand(krate, START).expect("a room that is watched");
        assert!(stand.loss.is_some(), "{}", krate.facts.code);
        assert!(60 <= stand.cohort.days.len(), "{}", krate.facts.code);
        let known = match krate.facts.code.as_str() {
            "B-04" => Known::Weighed(WEIGHED.len()),
            _ => Known::Assumed,
        };
        assert_eq!(krate.known, known, "{}", krate.facts.code);
    }
    let probed = models.krate("C-01").and_then(|k| models.stand(k, START));
    let probed = probed.expect("the crate with the probe");
    assert_eq!(probed.cohort.probed(), Some("C-01"));
    assert_eq!(probed.air.near.as_deref(), Some("north wall"));
    assert!(models.outdoor().is_some());
}

#[test]
fn it_starts_is_heard_over_all_three_ways_and_stops_when_asked() {
    // Puts the TLS primitives in place that any client looks for.
    Post::new();
    let started = Command::new(env!("CARGO_BIN_EXE_overwinter"))
        .args(["demo", "--listen", "127.0.0.1:0"])
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program");
    let mut demo = Ended(started);
    let mut lines = BufReader::new(demo.0.stderr.take().expect("a pipe")).lines();
    let address = lines
        .find_map(|l| Some(l.ok()?.split_once("Open ")?.1.trim().to_owned()))
        .expect("an address");
    let runtime = tokio::runtime::Runtime::new().expect("a runtime");
    let heard = runtime.block_on(async {
        let deadline = Instant::now() + Duration::from_secs(60);
        loop {
            let body = async {
                reqwest::get(format!("{address}api/status"))
                    .await?
                    .text()
                    .await
            };
            let body = body.await.unwrap_or_default();
            // Its past ends at five in the morning.
            let heard = body
                .split("\"heard_at\":\"")
                .filter(|rest| "2027-01-12T05:01" <= *rest && rest.starts_with("2027-"))
                .count();
            if heard == SENSORS.len() || deadline < Instant::now() {
                return (heard, body);
            }
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    });
    assert_eq!(heard.0, SENSORS.len(), "{}", heard.1);
    let id = i32::try_from(demo.0.id()).expect("a process");
    kill(Pid::from_raw(id), Signal::SIGINT).expect("a running program");
    assert!(demo.0.wait().expect("an end").success());
}

/// A program that does not outlive the test that started it.
struct Ended(Child);

impl Drop for Ended {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}
