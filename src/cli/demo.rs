//! `demo`: an invented store whose pretend sensors speak over a real file, a real socket and a real
//! pseudo-terminal; only the clock runs faster.

mod earlier;
mod earlier_stock;
mod room;
mod weather;
mod winter;

use std::{
    fs::{self, File, OpenOptions},
    io::Write as _,
    net::SocketAddr,
    os::{fd::OwnedFd, unix::fs::OpenOptionsExt as _},
    path::{Path, PathBuf},
    time::Duration,
};

use anyhow::Context as _;
use chrono::{TimeZone, Utc};
use clap::Args;
use nix::{
    fcntl::OFlag,
    pty::{PtyMaster, grantpt, posix_openpt, ptsname_r, unlockpt},
    sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr},
};
use serde::Deserialize;
use tokio::sync::watch;

use super::{
    Failure, Outcome, handled, log_to_stderr,
    run::{Running, asked_to_stop, runtime},
    setup::new_token,
};
use crate::{
    climate::{Celsius, RelativeHumidity},
    clock::Clock,
    config::Config,
    engine::Engine,
    inbox::{BATCH_READINGS, Batch, Message, stopping},
    intake::{decode::table::HEADER, sha256_hex},
    stock::{ledger::Outcome::Entered, list},
    store::Store,
    watch::{
        Act, Heard, SensorName, Stamp, Values,
        act::Weighed,
        reading::{HOUR_MS, MINUTE_MS},
    },
};

const CONFIG: &str = include_str!("../../demo-sensors/overwinter.toml");
const CRATES: &str = include_str!("../../demo-sensors/crates.csv");
const STORY: &str = include_str!("../../demo-sensors/story.csv");

/// A day in a minute.
const SPEED: f64 = 1440.0;
/// Time between two readings of a pretend sensor, on its own clock.
const EVERY_MS: i64 = 5 * MINUTE_MS;
/// After this the story begins anew.
const STORY_HOURS: f64 = 72.0;
/// What was recorded before the watching begins: from the last crate that was packed.
pub const BEFORE_HOURS: i64 = 66 * 24;
/// Time between two readings of what was recorded before.
const BEFORE_EVERY_MS: i64 = 2 * EVERY_MS;
/// Every pretend sensor.
pub const SENSORS: [&str; 5] = ["north", "cold-crate", "outside", "south", "back"];
/// Those that share the growing file.
const IN_FILE: [&str; 3] = ["north", "cold-crate", "outside"];
/// Who weighed it, which crate, at which hour of the story, and what it weighed in grams.
pub const WEIGHED: [(&str, &str, i64, u32); 3] = [
    ("Odile", "B-04", -1525, 4790),
    ("Odile", "B-04", -781, 4690),
    ("Odile", "B-04", -66, 4585),
];

/// How to run the demonstration.
#[derive(Args)]
pub struct Options {
    /// Where to serve the pages
    #[arg(long, default_value = "127.0.0.1:8480")]
    listen: SocketAddr,
    /// Keep everything in this folder instead of a temporary one
    #[arg(long, value_name = "FOLDER")]
    folder: Option<PathBuf>,
}

/// One point of the story; between two the air changes evenly.
#[derive(Debug, Clone, Deserialize)]
struct Waypoint {
    sensor: String,
    hour: f64,
    temperature_f: f64,
    humidity_pct: f64,
    /// How much the afternoon is warmer than the mean of the day.
    day_f: f64,
    silent: Option<String>,
}

/// What one pretend sensor goes through.
#[derive(Debug, Clone)]
pub struct Story(Vec<Waypoint>);

impl Story {
    /// The part of one sensor.
    pub fn of(sensor: &str) -> Result<Self, Failure> {
        let rows = csv::Reader::from_reader(STORY.as_bytes())
            .into_deserialize::<Waypoint>()
            .collect::<Result<Vec<_>, _>>()?;
        let own: Vec<Waypoint> = rows.into_iter().filter(|w| w.sensor == sensor).collect();
        if own.len() < 2 {
            return Err(anyhow::anyhow!("the story has no sensor {sensor}").into());
        }
        Ok(Self(own))
    }

    /// Temperature in F and humidity in percent at an hour of the story; `None` while it is silent.
    pub fn at(&self, hour: f64) -> Option<(f64, f64)> {
        let hour = if hour < 0.0 { hour } else { hour % STORY_HOURS };
        let next = self
            .0
            .iter()
            .position(|w| hour < w.hour)
            .unwrap_or(self.0.len() - 1);
        let (a, b) = (&self.0[next.saturating_sub(1)], &self.0[next]);
        if a.silent.is_some() {
            return None;
        }
        let part = ((hour - a.hour) / (b.hour - a.hour).max(1e-9)).clamp(0.0, 1.0);
        let between = |of: fn(&Waypoint) -> f64| of(a) + part * (of(b) - of(a));
        // A slow ripple, so that it looks like air and not like a ruler; the same every time.
        let ripple = (hour * 2.3).sin() * 0.12 + (hour * 7.9).sin() * 0.06;
        // Hour 0 is five in the morning, and three in the afternoon is the warmest.
        let day = ((hour - 4.0) / 24.0 * std::f64::consts::TAU).sin() * between(|w| w.day_f);
        Some((
            between(|w| w.temperature_f) + day + ripple,
            between(|w| w.humidity_pct) - 2.0 * ripple,
        ))
    }
}

/// `overwinter demo`.
pub fn demo(options: &Options) -> Outcome {
    log_to_stderr("warn");
    if !options.listen.ip().is_loopback() {
        return Err(Failure::input(
            format!(
                "the demonstration asks nobody who they are, and others could reach {}",
                options.listen
            ),
            "give an address of this computer alone, such as 127.0.0.1:8480",
        ));
    }
    let (folder, temporary) = match &options.folder {
        Some(folder) => (folder.clone(), false),
        None => (
            std::env::temp_dir().join(format!("overwinter-demo-{}", std::process::id())),
            true,
        ),
    };
    fs::create_dir_all(&folder)
        .map_err(|e| Failure::input(format!("cannot make `{}`: {e}", folder.display()), ""))?;
    let outcome = runtime()?.block_on(play(options.listen, &folder));
    if temporary {
        let _ = fs::remove_dir_all(&folder);
    }
    outcome
}

async fn play(listen: SocketAddr, folder: &Path) -> Outcome {
    // Five in the morning of an invented January day.
    let from: Stamp = Utc
        .with_ymd_and_hms(2027, 1, 12, 5, 0, 0)
        .single()
        .context("a day that exists")?
        .into();
    let cable = Cable::new()?;
    let token = new_token()?;
    fs::write(folder.join("logger.csv"), format!("{HEADER}\n"))?;

    // Another program may have the port; any other does as well.
    let listen = match std::net::TcpListener::bind(listen) {
        Ok(_) => listen,
        Err(_) => SocketAddr::new(listen.ip(), 0),
    };
    let text = CONFIG
        .replace("@LISTEN@", &listen.to_string())
        .replace("@TOKEN_SHA256@", &sha256_hex(&token))
        .replace("@PORT@", &cable.path)
        .replace("@FOLDER@", &folder.display().to_string());
    fs::write(folder.join("overwinter.toml"), &text)?;
    let config = Config::parse(&text, folder)
        .map_err(|faults| anyhow::anyhow!("the demonstration's configuration: {}", faults[0]))?;

    past(&config, from).await?;
    let clock = Clock::fast(from, SPEED);
    let notice = "Demonstration of an invented farm: one minute here is a day in the store.";
    let running = Running::start(&config, clock.clone(), Some(notice.to_owned())).await?;
    let client = reqwest::Client::builder()
        .timeout(Duration::from_secs(10))
        .build()?;
    // What it takes to get ready is no time in which sensors said nothing.
    clock.start();
    tell!(
        "An invented store, a day in a minute. Open http://{}/\nDamp comes up in the cellar within half a minute and goes; the back room dries out; then a mild, wet evening, and later a freeze. Stop with Ctrl-C.\nEverything is kept in {}",
        running.address,
        folder.display()
    );

    let (stop, stopped) = watch::channel(false);
    let sensors = [
        tokio::spawn(file_sensor(
            folder.join("logger.csv"),
            from,
            clock.clone(),
            stopped.clone(),
        )),
        tokio::spawn(http_sensor(
            client,
            running.address,
            token,
            from,
            clock.clone(),
            stopped.clone(),
        )),
        tokio::spawn(serial_sensor(cable, from, clock, stopped)),
    ];
    let shown = tokio::spawn(show_messages(running.store.clone(), stop.subscribe()));
    let asked = asked_to_stop().await;
    stop.send_replace(true);
    shown.await?;
    for sensor in sensors {
        sensor.await??;
    }
    running.finish().await;
    asked
}

/// Prints the first line of each message as it is owed.
async fn show_messages(store: Store, mut stop: watch::Receiver<bool>) {
    let mut last = Stamp::default();
    loop {
        tokio::select! {
            () = stopping(&mut stop) => return,
            () = tokio::time::sleep(Duration::from_secs(1)) => {}
        }
        let Ok(mut messages) = store.messages(20).await else {
            continue;
        };
        messages.retain(|m| last < m.at);
        for m in messages.iter().rev() {
            last = last.max(m.at);
            let day = m.at.to_utc().format("%-d %b %H:%M");
            tell!("{day}, message to {}: {}", m.contact, m.subject);
        }
    }
}

fn hour_of(at: Stamp, from: Stamp) -> f64 {
    at.since(from) as f64 / HOUR_MS as f64
}

/// The winter before and this one's first weeks, lived through in a moment: the recorder takes note of the
/// crates, hears every sensor and is told of weighings as it would have been. A folder that is kept has them
/// already.
async fn past(config: &Config, from: Stamp) -> Outcome {
    let first = from.plus(-BEFORE_HOURS * HOUR_MS);
    let store = Store::open(&config.database).await?;
    let known = 0 < store.stored_total().await?;
    store.close().await;
    if known {
        return Ok(());
    }
    // The sensors are hung up an hour before the first crate is carried in.
    let hung_up = first.plus(-HOUR_MS);
    let (mut engine, clock) = earlier::play(config, hung_up).await?;
    let stories = stories()?;
    let heard = heard_between(&stories, hung_up, first.plus(-1), from);
    commit(&mut engine, batches(&heard)?).await?;
    clock.set(first);
    let acts = earlier::autumn(engine.judge().given(), &config.watch);
    commit(&mut engine, acts).await?;
    let mut tx = engine.store().begin().await?;
    tx.import_crates(&list::parse(CRATES).crates, first, "crate list")
        .await?;
    handled::enter(&mut tx, from).await?;
    tx.commit().await?;
    engine.notice_stock().await;
    let heard = heard_between(&stories, first, from, from);
    let weighings = WEIGHED.map(|(who, krate, hour, grams)| Message::Act {
        act: Act::Weighed(Weighed {
            krate: krate.to_owned(),
            weighed_at: from.plus(hour * HOUR_MS),
            grams,
            anew: false,
        }),
        who: who.to_owned(),
    });
    // What is weighed after the readings is taken in after them.
    for messages in [batches(&heard)?, weighings.into()] {
        commit(&mut engine, messages).await?;
    }
    engine.close().await;
    Ok(())
}

/// The part of every sensor.
fn stories() -> Result<Vec<(SensorName, Story)>, Failure> {
    let of = |sensor| Ok((sensor_name(sensor)?, Story::of(sensor)?));
    SENSORS.into_iter().map(of).collect()
}

/// What all of them say from one instant to another, both included; `from` is hour 0 of the story.
fn heard_between(
    stories: &[(SensorName, Story)],
    first: Stamp,
    last: Stamp,
    from: Stamp,
) -> Vec<Heard> {
    let mut heard = Vec::new();
    for step in 0..=last.since(first) / BEFORE_EVERY_MS {
        let at = first.plus(step * BEFORE_EVERY_MS);
        heard.extend(stories.iter().filter_map(|(sensor, story)| {
            let (f, rh) = story.at(hour_of(at, from))?;
            let (t, rh) = (
                Celsius::from_fahrenheit(f).ok(),
                RelativeHumidity::new(rh).ok(),
            );
            Some(said(sensor, at, Values::of(t, rh)))
        }));
    }
    heard
}

/// One reading that arrived as it was measured.
fn said(sensor: &SensorName, at: Stamp, values: Values) -> Heard {
    Heard {
        sensor: sensor.clone(),
        device_at: Some(at),
        received_at: Some(at),
        values,
        line: 0,
    }
}

fn batches(heard: &[Heard]) -> anyhow::Result<Vec<Message>> {
    let source = sensor_name("import")?;
    let readings = |part: &[Heard]| {
        Message::Readings(Batch {
            source: source.clone(),
            heard: part.to_vec(),
            refused: Vec::new(),
            position: None,
        })
    };
    Ok(heard.chunks(BATCH_READINGS).map(readings).collect())
}

/// Takes in what may not be refused.
async fn commit(engine: &mut Engine, messages: Vec<Message>) -> anyhow::Result<()> {
    if messages.is_empty() {
        return Ok(());
    }
    for answer in engine.commit(messages).await? {
        let receipt = answer.map_err(|why| anyhow::anyhow!("the demonstration's past: {why}"))?;
        let refused = receipt.entered.iter().find(|o| !matches!(o, Entered(_)));
        anyhow::ensure!(refused.is_none(), "the demonstration's past: {refused:?}");
    }
    Ok(())
}

fn sensor_name(name: &str) -> Result<SensorName, anyhow::Error> {
    Ok(SensorName::new(name)?)
}

fn row(story: &Story, sensor: &str, at: Stamp, from: Stamp) -> String {
    let Some((f, rh)) = story.at(hour_of(at, from)) else {
        return String::new();
    };
    let c = (f - 32.0) / 1.8;
    format!("{},{sensor},{c:.2},{rh:.1},91\n", at.to_rfc3339())
}

/// The instants at which a pretend sensor measures.
struct Pace {
    next: Stamp,
    clock: Clock,
    stop: watch::Receiver<bool>,
}

impl Pace {
    fn new(from: Stamp, clock: Clock, stop: watch::Receiver<bool>) -> Self {
        Self {
            // What was measured at the start belongs to the past.
            next: from.plus(EVERY_MS),
            clock,
            stop,
        }
    }

    /// Waits for the next one; `None` when it is to stop.
    async fn wait(&mut self) -> Option<Stamp> {
        let ahead = self.next.since(self.clock.now()).max(0) as f64 / self.clock.speed();
        tokio::select! {
            () = stopping(&mut self.stop) => return None,
            () = tokio::time::sleep(Duration::from_millis(ahead as u64)) => {}
        }
        let at = self.next;
        self.next = at.plus(EVERY_MS);
        Some(at)
    }
}

async fn file_sensor(
    path: PathBuf,
    from: Stamp,
    clock: Clock,
    stop: watch::Receiver<bool>,
) -> Result<(), anyhow::Error> {
    let mut stories = Vec::new();
    for sensor in IN_FILE {
        stories.push((sensor, Story::of(sensor).map_err(told)?));
    }
    let mut file: File = OpenOptions::new().append(true).open(path)?;
    let mut pace = Pace::new(from, clock, stop);
    while let Some(at) = pace.wait().await {
        let rows = stories
            .iter()
            .map(|(sensor, story)| row(story, sensor, at, from));
        file.write_all(rows.collect::<String>().as_bytes())?;
    }
    Ok(())
}

async fn http_sensor(
    client: reqwest::Client,
    address: SocketAddr,
    token: String,
    from: Stamp,
    clock: Clock,
    stop: watch::Receiver<bool>,
) -> Result<(), anyhow::Error> {
    let story = Story::of("back").map_err(told)?;
    let post = |body: String| {
        client
            .post(format!("http://{address}/api/readings"))
            .bearer_auth(&token)
            .header("content-type", "text/csv")
            .body(body)
            .send()
    };
    let mut pace = Pace::new(from, clock, stop);
    while let Some(at) = pace.wait().await {
        // A sensor in the field loses a reading now and then as well, and goes on.
        let _ = post(format!("{HEADER}\n{}", row(&story, "back", at, from))).await;
    }
    Ok(())
}

/// Stands in for a USB cable: the daemon opens the far end like any serial port.
pub struct Cable {
    near: PtyMaster,
    /// Held open, so that a daemon that closes the port does not hang up the line.
    _far: OwnedFd,
    /// What the daemon opens.
    pub path: String,
}

impl Cable {
    /// Plugs it in.
    pub fn new() -> Result<Self, anyhow::Error> {
        let near = posix_openpt(OFlag::O_RDWR | OFlag::O_NOCTTY | OFlag::O_NONBLOCK)?;
        grantpt(&near)?;
        unlockpt(&near)?;
        let path = ptsname_r(&near)?;
        let far: OwnedFd = OpenOptions::new()
            .read(true)
            .write(true)
            // It must not become the terminal of a process that has none: its end would hang up.
            .custom_flags(OFlag::O_NOCTTY.bits())
            .open(&path)?
            .into();
        let mut mode = tcgetattr(&far)?;
        cfmakeraw(&mut mode);
        tcsetattr(&far, SetArg::TCSANOW, &mode)?;
        Ok(Self {
            near,
            _far: far,
            path,
        })
    }

    /// Says one line; when nobody reads it is lost, as on a real cable.
    pub fn say(&self, line: &str) {
        let _ = nix::unistd::write(&self.near, format!("{line}\r\n").as_bytes());
    }
}

async fn serial_sensor(
    cable: Cable,
    from: Stamp,
    clock: Clock,
    stop: watch::Receiver<bool>,
) -> Result<(), anyhow::Error> {
    let story = Story::of("south").map_err(told)?;
    let mut pace = Pace::new(from, clock, stop);
    while let Some(at) = pace.wait().await {
        if let Some((f, rh)) = story.at(hour_of(at, from)) {
            cable.say(&format!("id=south T={f:.1}F RH={rh:.1}% bat=77%"));
        }
    }
    Ok(())
}

fn told(failure: Failure) -> anyhow::Error {
    match failure {
        Failure::Input(what, _) => anyhow::anyhow!(what),
        Failure::Ours(error) => error,
    }
}
