//! What a whole winter costs: judging, importing, posting, starting and looking, beside the `sqlite3`
//! shell on the same rows. Run with `cargo bench`; `cargo bench -- 200000` takes fewer rows, and
//! `cargo bench -- judge` judges only.

use std::{
    fmt::Write as _,
    fs,
    io::Cursor,
    path::Path,
    process::{Child, Command, Stdio},
    sync::OnceLock,
    time::{Duration, Instant},
};

use overwinter::{
    cli::data::bring_in,
    climate::Packing,
    clock::Clock,
    config::Config,
    engine::{Engine, Opening},
    intake::{
        decode::table::{Rows, TableShape},
        sha256_hex,
    },
    notify::channel::Post,
    watch::{CrateFacts, Input, Judge, Reading, SensorId, Settings, Stamp, Values},
};
use tokio::runtime::Runtime;

/// Twenty sensors at one reading a minute for 180 days.
const SENSORS: u32 = 20;
const MINUTES: u64 = 180 * 24 * 60;
const TOKEN: &str = "bench";
/// Crates that the models follow.
const CRATES: usize = 100;

fn main() {
    let rows = std::env::args()
        .find_map(|a| a.parse::<u64>().ok())
        .unwrap_or(u64::from(SENSORS) * MINUTES);
    let folder = tempfile::tempdir().expect("a temporary folder");
    let runtime = Runtime::new().expect("a runtime");
    println!("{rows} readings of {SENSORS} sensors");
    judge(rows);
    if std::env::args().any(|a| a == "judge") {
        return;
    }
    import(&runtime, folder.path(), rows.min(1_000_000));
    whole_winter(&runtime, folder.path(), rows);
}

/// The winter ends now, so that the pages have their last two days to draw.
fn start() -> i64 {
    static START: OnceLock<i64> = OnceLock::new();
    *START.get_or_init(|| Clock::machine().now().0 / 60_000 * 60_000 - MINUTES as i64 * 60_000)
}

/// In-band air with noise, a daily swing and now and then a door; no two readings alike.
fn values(n: u64) -> Values {
    let noise = |salt: u64, span: i32| {
        let mut x = n.wrapping_add(salt).wrapping_mul(0x9e37_79b9_7f4a_7c15);
        x ^= x >> 29;
        x = x.wrapping_mul(0xbf58_476d_1ce4_e5b9);
        (x >> 40) as i32 % span - span / 2
    };
    let minute = (n / u64::from(SENSORS)) % 1440;
    let swing = ((minute as f64 / 1440.0 * std::f64::consts::TAU).sin() * 800.0) as i32;
    let door = if minute % 480 < 3 { -3000 } else { 0 };
    Values {
        temperature_mc: Some(8500 + swing + noise(1, 200) + door),
        humidity_mpct: Some(80_000 - swing + noise(2, 1500) + door),
        battery_pct: None,
    }
}

fn reading(n: u64) -> Reading {
    let at = Stamp(start() + (n / u64::from(SENSORS)) as i64 * 60_000);
    Reading {
        seq: n + 1,
        sensor: SensorId((n % u64::from(SENSORS)) as u32 + 1),
        measured_at: at,
        received_at: at,
        values: values(n),
    }
}

fn config(folder: &Path, listen: &str) -> Config {
    let text = config_text(listen);
    fs::write(folder.join("overwinter.toml"), &text).expect("a writable folder");
    Config::parse(&text, folder).expect("a right configuration")
}

fn config_text(listen: &str) -> String {
    let mut text = format!(
        "[site]\nlisten = \"{listen}\"\n[[http]]\nname = \"bench\"\ntoken_sha256 = \"{}\"\n",
        sha256_hex(TOKEN)
    );
    for room in 0..4 {
        let _ = writeln!(text, "[[room]]\nname = \"room-{room}\"");
    }
    for sensor in 0..SENSORS {
        let _ = writeln!(
            text,
            "[[sensor]]\nname = \"s{sensor:02}\"\nroom = \"room-{}\"\nrole = \"air\"\ninterval = \"1min\"",
            sensor % 4
        );
    }
    text
}

fn rate(n: u64, took: Duration) -> f64 {
    n as f64 / took.as_secs_f64()
}

fn judge(rows: u64) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut settings = config(folder.path(), "127.0.0.1:0").watch;
    for (key, sensor) in (1..).zip(&mut settings.sensors) {
        sensor.id = SensorId(key);
    }
    let crates: Vec<CrateFacts> = (0..CRATES).map(|n| krate(n, &settings)).collect();
    for (name, wild, crates) in [
        ("in band", 0, &[][..]),
        ("in and out of every limit", 30_000, &[]),
        ("in band, 100 crates", 0, &crates),
        ("in and out of every limit, 100 crates", 30_000, &crates),
    ] {
        let inputs: Vec<Input> = (0..rows.min(2_000_000))
            .map(|n| {
                let mut r = reading(n);
                // A slow swing through frost, heat, drought and damp, hours long each.
                let phase = (n / u64::from(SENSORS)) as f64 / 3000.0 * std::f64::consts::TAU;
                let swing = (phase.sin() * f64::from(wild)) as i32;
                r.values.temperature_mc = r.values.temperature_mc.map(|t| t + swing / 3);
                r.values.humidity_mpct = r.values.humidity_mpct.map(|rh| (rh - swing).min(100_000));
                Input::Reading(r)
            })
            .collect();
        let mut judge = Judge::new();
        judge.step(&Input::Settings {
            at: Stamp(start()),
            settings: settings.clone(),
        });
        judge.step(&Input::Crates {
            at: Stamp(start()),
            changed: crates.to_vec(),
            gone: Vec::new(),
        });
        let started = Instant::now();
        let told: usize = inputs.iter().map(|input| judge.step(input).len()).sum();
        let took = started.elapsed();
        println!(
            "judge, air {name}: {:.0} readings/s on one core ({told} transitions)",
            rate(inputs.len() as u64, took)
        );
    }
}

/// A hundred crates in every packing and of every weight, spread over the rooms.
fn krate(n: usize, settings: &Settings) -> CrateFacts {
    CrateFacts {
        code: format!("K-{n:03}"),
        room: settings.rooms[n % settings.rooms.len()].name.clone(),
        place: String::new(),
        packing: Packing::ALL[n % Packing::ALL.len()],
        tubers_g: Some(8000 + 170 * n as u32),
        divided: n.is_multiple_of(2),
        washed: false,
        uncured: false,
        since: None,
    }
}

fn csv(rows: u64) -> String {
    let mut text = String::from("measured_at,sensor,temperature_c,humidity_pct,battery_pct\n");
    for n in 0..rows {
        let r = reading(n);
        let _ = writeln!(
            text,
            "{},s{:02},{:.3},{:.3},",
            r.measured_at.to_rfc3339(),
            r.sensor.0 - 1,
            f64::from(r.values.temperature_mc.unwrap_or_default()) / 1000.0,
            f64::from(r.values.humidity_mpct.unwrap_or_default()) / 1000.0,
        );
    }
    text
}

fn import_into(runtime: &Runtime, folder: &Path, text: String) -> Duration {
    let config = config(folder, "127.0.0.1:0");
    runtime.block_on(async {
        let mut engine = Engine::open(
            &config.database,
            config.watch.clone(),
            Clock::machine(),
            Opening::Import,
        )
        .await
        .expect("an open database");
        let started = Instant::now();
        let rows = Rows::new(&TableShape::default(), Cursor::new(text)).expect("a header");
        let receipt = bring_in(&mut engine, rows, Path::new("bench.csv"))
            .await
            .unwrap_or_else(|e| panic!("{e:?}"));
        let took = started.elapsed();
        assert!(receipt.refused.is_empty(), "{:?}", receipt.refused.first());
        engine.close().await;
        took
    })
}

/// Import of a CSV file, decoded, deduplicated, judged and logged, against the shell's `.import` of
/// the same rows, already in integers, into a table of the same shape with the same pragmas.
fn import(runtime: &Runtime, folder: &Path, rows: u64) {
    let mut ours = Vec::new();
    for turn in 0..3 {
        let folder = folder.join(format!("import-{turn}"));
        fs::create_dir_all(&folder).expect("a writable folder");
        ours.push(import_into(runtime, &folder, csv(rows)));
        let _ = fs::remove_dir_all(&folder);
    }
    ours.sort();
    println!(
        "import: {:.0} readings/s (median of 3)",
        rate(rows, ours[1])
    );

    let mut plain = String::new();
    for n in 0..rows {
        let r = reading(n);
        let _ = writeln!(
            plain,
            "{},{},0,{},{},,{},{}",
            r.sensor.0,
            r.measured_at.0,
            r.values.temperature_mc.unwrap_or_default(),
            r.values.humidity_mpct.unwrap_or_default(),
            r.seq,
            r.received_at.0
        );
    }
    let file = folder.join("plain.csv");
    fs::write(&file, plain).expect("a writable folder");
    let script = format!(
        "pragma journal_mode=wal; pragma synchronous=full;\n\
         create table reading (sensor_id integer not null, measured_at integer not null, part integer not null, \
         temperature_mc integer, humidity_mpct integer, battery_pct any, seq integer not null, received_at integer not null, \
         primary key (sensor_id, measured_at, part)) strict, without rowid;\n\
         .import --csv {} reading\n",
        file.display()
    );
    let mut shell = Vec::new();
    for turn in 0..3 {
        let database = folder.join(format!("shell-{turn}.db"));
        let started = Instant::now();
        let mut child = match Command::new("sqlite3")
            .arg(&database)
            .stdin(Stdio::piped())
            .stdout(Stdio::null())
            .spawn()
        {
            Ok(child) => child,
            Err(error) => {
                println!("sqlite3 shell: not here ({error})");
                return;
            }
        };
        std::io::Write::write_all(&mut child.stdin.take().expect("a pipe"), script.as_bytes())
            .expect("a listening shell");
        assert!(child.wait().expect("a shell").success());
        shell.push(started.elapsed());
        let _ = fs::remove_file(&database);
    }
    shell.sort();
    println!(
        "sqlite3 .import: {:.0} rows/s (median of 3); ours is {:.2} of it",
        rate(rows, shell[1]),
        shell[1].as_secs_f64() / ours[1].as_secs_f64()
    );
}

struct Daemon(Child);

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

impl Daemon {
    fn memory(&self, field: &str) -> f64 {
        let status =
            fs::read_to_string(format!("/proc/{}/status", self.0.id())).unwrap_or_default();
        let line = status.lines().find(|l| l.starts_with(field));
        let kib = line.and_then(|l| l.split_whitespace().nth(1)?.parse::<f64>().ok());
        kib.unwrap_or(f64::NAN) / 1024.0
    }
}

fn whole_winter(runtime: &Runtime, folder: &Path, rows: u64) {
    let home = folder.join("winter");
    fs::create_dir_all(&home).expect("a writable folder");
    let took = import_into(runtime, &home, csv(rows));
    let size = fs::metadata(home.join("overwinter.db")).map_or(0, |m| m.len());
    println!(
        "a winter of {rows} readings: imported in {:.1} s, {:.0} MB, {:.1} bytes a reading",
        took.as_secs_f64(),
        size as f64 / 1e6,
        size as f64 / rows as f64
    );

    let port = std::net::TcpListener::bind("127.0.0.1:0")
        .and_then(|l| l.local_addr())
        .expect("a free port")
        .port();
    fs::write(
        home.join("overwinter.toml"),
        config_text(&format!("127.0.0.1:{port}")),
    )
    .expect("a writable folder");
    let page = format!("http://127.0.0.1:{port}/");
    // Puts the TLS primitives in place that any client looks for.
    Post::new();
    let client = reqwest::Client::new();
    let started = Instant::now();
    let daemon = Daemon(
        Command::new(env!("CARGO_BIN_EXE_overwinter"))
            .args(["run", "--config"])
            .arg(home.join("overwinter.toml"))
            .stderr(Stdio::null())
            .spawn()
            .expect("the program"),
    );
    runtime.block_on(async {
        loop {
            if let Ok(answer) = client.get(&page).send().await
                && answer.status().is_success()
            {
                break;
            }
            assert!(started.elapsed() < Duration::from_secs(120), "never ready");
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
        println!(
            "start to first page: {:.2} s",
            started.elapsed().as_secs_f64()
        );
        println!(
            "memory after start: {:.0} MiB resident, {:.0} MiB at most",
            daemon.memory("VmRSS"),
            daemon.memory("VmHWM")
        );
        pages(&client, &page).await;
        posts(&client, port).await;
    });
    println!(
        "memory at the end: {:.0} MiB resident, {:.0} MiB at most",
        daemon.memory("VmRSS"),
        daemon.memory("VmHWM")
    );
}

async fn pages(client: &reqwest::Client, page: &str) {
    for path in ["", "alerts", "sensors"] {
        let mut took = Vec::new();
        let mut bytes = 0;
        for _ in 0..400 {
            let started = Instant::now();
            let answer = client
                .get(format!("{page}{path}"))
                .send()
                .await
                .expect("an answer");
            bytes = answer.bytes().await.expect("a body").len();
            took.push(started.elapsed());
        }
        took.sort();
        let ms = |at: usize| took[at].as_secs_f64() * 1000.0;
        println!(
            "page /{path}: {:.1} ms median, {:.1} ms at the 99th percentile, {:.1} kB",
            ms(took.len() / 2),
            ms(took.len() * 99 / 100),
            bytes as f64 / 1000.0
        );
    }
}

async fn posts(client: &reqwest::Client, port: u16) {
    let address = format!("http://127.0.0.1:{port}/api/readings");
    let post = |body: String, kind: &'static str| {
        client
            .post(&address)
            .bearer_auth(TOKEN)
            .header("content-type", kind)
            .body(body)
            .send()
    };
    let object = |n: u64| {
        let r = reading(n);
        // From before the winter: new, but each has to be looked up.
        let at = Stamp(r.measured_at.0 - 400 * 86_400_000);
        format!(
            "{{\"sensor\":\"s{:02}\",\"measured_at\":\"{}\",\"temperature_c\":{},\"humidity_pct\":{}}}",
            r.sensor.0 - 1,
            at.to_rfc3339(),
            f64::from(r.values.temperature_mc.unwrap_or_default()) / 1000.0,
            f64::from(r.values.humidity_mpct.unwrap_or_default()) / 1000.0
        )
    };
    let started = Instant::now();
    for batch in 0..100u64 {
        let items: Vec<String> = (batch * 1000..(batch + 1) * 1000).map(object).collect();
        let answer = post(format!("[{}]", items.join(",")), "application/json");
        assert!(answer.await.expect("an answer").status().is_success());
    }
    println!(
        "posts of 1000 as JSON: {:.0} readings/s, answered after commit",
        rate(100_000, started.elapsed())
    );
    let started = Instant::now();
    for n in 100_000..101_000u64 {
        let answer = post(object(n), "application/json");
        assert!(answer.await.expect("an answer").status().is_success());
    }
    println!(
        "posts of one, one after the other: {:.0} readings/s, each synced to disk",
        rate(1000, started.elapsed())
    );
}
