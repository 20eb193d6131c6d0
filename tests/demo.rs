//! The demonstration keeps its promise: within the first minute, a day of the store, damp and drought
//! are told, and one of them ends; with the default limits and delays, only the clock is faster.

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
    cli::demo::Story,
    climate::{Celsius, RelativeHumidity},
    config::Config,
    engine::replay::Replay,
    notify::{channel::Post, telling::Telling},
    watch::{Heard, Kind, Limits, SensorName, Stamp, State, Values, reading::HOUR_MS},
};

const CONFIG: &str = include_str!("../demo-sensors/overwinter.toml");
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

#[test]
fn the_first_minute_brings_damp_and_drought_and_ends_one() {
    let config = config();
    for room in &config.watch.rooms {
        assert_eq!(room.limits, Limits::default(), "the defaults hold");
    }
    let stories: Vec<(SensorName, Story)> = ["north", "south", "back"]
        .into_iter()
        .map(|name| {
            let story = Story::of(name).unwrap_or_else(|e| panic!("{e:?}"));
            (SensorName::new(name).expect("a name"), story)
        })
        .collect();
    let mut replay = Replay::new(config.watch, &Telling::default());
    let mut told = Vec::new();
    // Every five minutes, from two days before until a day after the watching begins.
    for step in -48 * 12..=24 * 12 {
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
    }
    assert!(told.iter().all(|t| START < t.at), "quiet before: {told:?}");
    let raised = |kind| {
        told.iter()
            .any(|t| t.kind == kind && t.to == State::Unacknowledged)
    };
    assert!(raised(Kind::RotRisk) && raised(Kind::DryOut), "{told:?}");
    assert!(
        told.iter().any(|t| t.to == State::ReturnedUnacknowledged),
        "{told:?}"
    );
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
        let deadline = Instant::now() + Duration::from_secs(30);
        loop {
            let body = async {
                reqwest::get(format!("{address}api/status"))
                    .await?
                    .text()
                    .await
            };
            let body = body.await.unwrap_or_default();
            let heard = body.matches("\"heard_at\":\"2027-").count();
            if heard == 3 || deadline < Instant::now() {
                return (heard, body);
            }
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    });
    assert_eq!(heard.0, 3, "{}", heard.1);
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
