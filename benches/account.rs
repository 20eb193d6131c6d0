//! What summing a winter up costs, beside the `sqlite3` shell on the same file and DuckDB on the same rows.
//!
//! Run with `cargo bench --bench account`; `SENSORS=200` takes so many sensors, `PYTHON` names a Python that
//! has `duckdb`. Each of ours is a program of its own, so that its memory is its own.

use std::{
    env, fs,
    path::Path,
    process::{Command, Stdio},
    time::Instant,
};

use overwinter::{
    engine::sums::{sum_up, sum_up_again},
    season::{body::Body, calendar::Calendar, conditions::Gathering, yardstick::in_use},
    store::{Store, log::Tail},
    watch::{
        Act, Arrives, Band, Limits, Reading, Role, RoomSettings, SensorId, SensorName,
        SensorSettings, Settings, Stamp, Values,
        reading::{HOUR_MS, MINUTE_MS},
    },
};
use tokio::runtime::Runtime;

const DAYS: u64 = 180;
const MINUTES: u64 = DAYS * 24 * 60;
const ROOMS: usize = 4;
const HOLD_MS: i64 = 3 * MINUTE_MS;
/// 1 November 2026, midnight in Berlin.
const START: Stamp = Stamp(1_793_487_600_000);
const READINGS_AT_ONCE: u64 = 50_000;

fn calendar() -> Calendar {
    Calendar::new(chrono_tz::Europe::Berlin)
}

fn main() {
    let args: Vec<String> = env::args().collect();
    let runtime = Runtime::new().expect("a runtime");
    match args.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        [_, "rebuild", file] => runtime.block_on(rebuild(Path::new(file))),
        [_, "late", file] => runtime.block_on(late(Path::new(file))),
        [_, "read", file] => runtime.block_on(read(Path::new(file))),
        _ => compare(&runtime),
    }
}

fn compare(runtime: &Runtime) {
    let sensors = env::var("SENSORS").ok().and_then(|n| n.parse().ok());
    let sensors: u64 = sensors.unwrap_or(20);
    let folder = tempfile::tempdir().expect("a temporary folder");
    let file = folder.path().join("winter.db");
    let started = Instant::now();
    runtime.block_on(fill(&file, sensors));
    println!(
        "{} readings: {sensors} sensors, one a minute, {DAYS} days; {:.0} MB, written in {:.0} s",
        sensors * MINUTES,
        fs::metadata(&file).map_or(0, |m| m.len()) as f64 / 1e6,
        started.elapsed().as_secs_f64()
    );
    let ours = |what: &str| {
        let mut all: Vec<(f64, f64)> = (0..3).map(|_| program(what, &file)).collect();
        all.sort_by(|a, b| a.0.total_cmp(&b.0));
        let most = all.iter().map(|a| a.1).fold(0.0, f64::max);
        (all[1].0, most)
    };
    let (rebuild, rebuild_mib) = ours("rebuild");
    let (late, late_mib) = ours("late");
    let (read, read_mib) = ours("read");
    println!("ours (median of 3, a program each):");
    println!("  every sheet made again        {rebuild:8.3} s  {rebuild_mib:6.0} MiB at most");
    println!("  an hour of all that came late {late:8.3} s  {late_mib:6.0} MiB");
    println!("  all sheets into conditions    {read:8.3} s  {read_mib:6.0} MiB");
    let told = |who: &str, hours: f64, band: f64| {
        println!("{who}:");
        println!(
            "  means and extremes by hour    {hours:8.3} s  {:.1} times ours made anew, {:.0} times ours from sheets",
            hours / rebuild,
            hours / read
        );
        println!(
            "  time against the band by day  {band:8.3} s  {:.1} times ours made anew, {:.0} times ours from sheets",
            band / rebuild,
            band / read
        );
        println!(
            "  both                          {:8.3} s  {:.1} times ours made anew, {:.0} times ours from sheets",
            hours + band,
            (hours + band) / rebuild,
            (hours + band) / read
        );
    };
    let shell = |question: &str| {
        let took = (0..3).map(|_| ask(&file, question));
        took.min_by(f64::total_cmp).unwrap_or(f64::NAN)
    };
    told(
        "sqlite3 shell on the same file (best of 3)",
        shell(HOURS),
        shell(&band()),
    );
    let crossed = shell(&crossed());
    println!(
        "  the hours, sensors crossed    {crossed:8.3} s  {:.1} times ours made anew",
        crossed / rebuild
    );
    match duckdb(folder.path(), &file) {
        Ok((version, hours, band)) => told(
            &format!("DuckDB {version} on a table of its own (best of 3, bringing in not counted)"),
            hours,
            band,
        ),
        Err(why) => println!("DuckDB: not here ({why})"),
    }
}

const HOURS: &str = "
select count(*), sum(n), sum(t), sum(low), sum(high), sum(rh), sum(dry), sum(damp) from (
    select sensor_id, measured_at / 3600000 h, count(*) n, sum(temperature_mc) t, min(temperature_mc) low,
        max(temperature_mc) high, sum(humidity_mpct) rh, min(humidity_mpct) dry, max(humidity_mpct) damp
    from reading group by 1, 2);";

/// The same figures in the quickest form that was found: sensors crossed with hours, each a short range of
/// the key, so that nothing is sorted.
fn crossed() -> String {
    let first = START.0 / HOUR_MS;
    let last = first + (DAYS * 24) as i64;
    format!(
        "
with recursive hour(h) as (select {first} union all select h + 1 from hour where h < {last}),
cell as materialized (
    select s.sensor_id, h, (
        select json_array(count(*), sum(temperature_mc), min(temperature_mc), max(temperature_mc),
            sum(humidity_mpct), min(humidity_mpct), max(humidity_mpct))
        from reading r where r.sensor_id = s.sensor_id
            and h * {HOUR_MS} <= r.measured_at and r.measured_at < (h + 1) * {HOUR_MS}) j
    from sensor s cross join hour)
select count(*), sum(j ->> 0), sum(j ->> 1), sum(j ->> 2), sum(j ->> 3), sum(j ->> 4), sum(j ->> 5),
    sum(j ->> 6) from cell;"
    )
}

fn band() -> String {
    format!(
        "
select count(*), sum(ms), sum(cold), sum(warm), sum(dry), sum(damp), sum(inside), sum(area) from (
    select sensor_id, measured_at / 86400000 d, sum(ms) ms,
        sum(case when t < 5000 then ms else 0 end) cold, sum(case when 9000 < t then ms else 0 end) warm,
        sum(case when rh < 75000 then ms else 0 end) dry, sum(case when 85000 < rh then ms else 0 end) damp,
        sum(case when t between 5000 and 9000 and rh between 75000 and 85000 then ms else 0 end) inside,
        sum(max(5000 - t, t - 9000, 0) * ms) area
    from (
        select sensor_id, measured_at, temperature_mc t, humidity_mpct rh, min({HOLD_MS},
            coalesce(lead(measured_at) over (partition by sensor_id order by measured_at)
                - measured_at, {HOLD_MS})) ms
        from reading)
    group by 1, 2);"
    )
}

/// In-band air with noise, a daily swing and now and then a door; no two readings alike.
fn values(n: u64, sensors: u64) -> Values {
    let noise = |salt: u64, span: i32| {
        let mut x = n.wrapping_add(salt).wrapping_mul(0x9e37_79b9_7f4a_7c15);
        x ^= x >> 29;
        x = x.wrapping_mul(0xbf58_476d_1ce4_e5b9);
        (x >> 40) as i32 % span - span / 2
    };
    let minute = (n / sensors) % 1440;
    let swing = ((minute as f64 / 1440.0 * std::f64::consts::TAU).sin() * 800.0) as i32;
    let door = if minute % 480 < 3 { -3000 } else { 0 };
    Values {
        temperature_mc: Some(8000 + swing + noise(1, 200) + door),
        humidity_mpct: Some(80_000 - swing + noise(2, 1500) + door),
        battery_pct: None,
    }
}

fn settings(ids: &[SensorId], names: &[SensorName]) -> Settings {
    let band = Band {
        low_c: 5.0,
        high_c: 9.0,
        low_pct: 75.0,
        high_pct: 85.0,
    };
    let room = |n: usize| format!("room-{n}");
    let sensor = |(n, (id, name)): (usize, (&SensorId, &SensorName))| SensorSettings {
        id: *id,
        name: name.clone(),
        room: room(n % ROOMS),
        role: Role::Air,
        crate_code: None,
        interval_ms: MINUTE_MS,
        arrives: Arrives::Live,
        near: None,
        accuracy: None,
        checked: None,
    };
    Settings {
        rooms: (0..ROOMS)
            .map(|n| RoomSettings::storing(&room(n), Limits::storing(band)))
            .collect(),
        sensors: ids.iter().zip(names).enumerate().map(sensor).collect(),
        ..Settings::default()
    }
}

async fn fill(file: &Path, sensors: u64) {
    let store = Store::open(file).await.expect("a new store");
    let names: Vec<SensorName> = (0..sensors)
        .map(|n| SensorName::new(&format!("s{n:03}")).expect("a name"))
        .collect();
    let mut tx = store.begin().await.expect("a transaction");
    let ids = tx.sensor_ids(&names, START).await.expect("keys");
    let first = Act::Settings(settings(&ids, &names));
    tx.append_act(1, START, "", &first).await.expect("an act");
    tx.commit().await.expect("a commit");
    let mut tail = Tail::default();
    let rows = sensors * MINUTES;
    for from in (0..rows).step_by(READINGS_AT_ONCE as usize) {
        let to = (from + READINGS_AT_ONCE).min(rows);
        let readings: Vec<Reading> = (from..to)
            .map(|n| {
                let at = START.plus((n / sensors) as i64 * MINUTE_MS);
                Reading {
                    seq: n + 2,
                    sensor: ids[(n % sensors) as usize],
                    measured_at: at,
                    received_at: at,
                    values: values(n, sensors),
                }
            })
            .collect();
        let parts = vec![0; readings.len()];
        let mut tx = store.begin().await.expect("a transaction");
        tx.append_readings(&readings, &parts, &mut tail)
            .await
            .expect("new readings");
        tx.commit().await.expect("a commit");
    }
    store.close().await;
}

/// Seconds and MiB at most of this program, doing one thing.
fn program(what: &str, file: &Path) -> (f64, f64) {
    let done = Command::new(env::current_exe().expect("this program"))
        .args([what.as_ref(), file.as_os_str()])
        .output()
        .expect("this program");
    let said = String::from_utf8_lossy(&done.stdout);
    let mut words = said.split_whitespace().map(str::parse::<f64>);
    match (words.next(), words.next()) {
        (Some(Ok(seconds)), Some(Ok(mib))) => (seconds, mib),
        _ => panic!("{said}{}", String::from_utf8_lossy(&done.stderr)),
    }
}

fn tell(started: Instant) {
    let took = started.elapsed().as_secs_f64();
    let status = fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find(|l| l.starts_with("VmHWM"));
    let kib = line.and_then(|l| l.split_whitespace().nth(1)?.parse::<f64>().ok());
    println!("{took} {}", kib.unwrap_or(f64::NAN) / 1024.0);
}

async fn rebuild(file: &Path) {
    let store = Store::open(file).await.expect("the store");
    let started = Instant::now();
    let summed = sum_up_again(&store, &calendar()).await.expect("sheets");
    assert!(summed.rebuilt && 0 < summed.sheets);
    tell(started);
    store.close().await;
}

/// An hour of every sensor, some of it of yesterday.
async fn late(file: &Path) {
    let store = Store::open(file).await.expect("the store");
    let mut mark = store.summed().await.expect("a mark").expect("sheets");
    let sensors = store.sensor_names().await.expect("sensors").len() as u64;
    mark.through_seq -= 60 * sensors;
    let mut tx = store.begin().await.expect("a transaction");
    tx.set_summed(&mark).await.expect("a mark");
    tx.commit().await.expect("a commit");
    let started = Instant::now();
    let summed = sum_up(&store, &calendar()).await.expect("sheets");
    assert_eq!(summed.readings, 60 * sensors);
    tell(started);
    store.close().await;
}

/// Every sheet into what the account tells of sensors and rooms.
async fn read(file: &Path) {
    let store = Store::open(file).await.expect("the store");
    let started = Instant::now();
    let calendar = calendar();
    let yardsticks = store.yardsticks().await.expect("yardsticks");
    let mut days = vec![calendar.day_of(START)];
    let end = START.plus(MINUTES as i64 * MINUTE_MS);
    while days[days.len() - 1].to < end {
        days.push(calendar.day_of(days[days.len() - 1].to));
    }
    let (first, last) = (days[0], days[days.len() - 1]);
    let mut rooms: Vec<(String, Body)> = (0..ROOMS)
        .map(|n| (format!("room-{n}"), Body::new(days.iter().copied())))
        .collect();
    let mut covered = 0.0;
    for (sensor, yardstick) in &yardsticks.0 {
        let sheets = store.sheets(*sensor, first.number(), last.number() + 1);
        let mut gathering = Gathering::new(yardstick, first.from, last.to);
        let room = rooms
            .iter_mut()
            .find(|(n, _)| *n == yardstick.spans[0].room);
        let (_, body) = room.expect("a room");
        for day in &days {
            body.expect(day, in_use(yardstick, day.from, day.to).0);
        }
        for (number, sheet) in sheets.await.expect("sheets") {
            let day = &days[(number - first.number()) as usize];
            gathering.add(day, &sheet);
            body.add(day, &sheet, true);
        }
        covered += gathering.finish().covered_h;
    }
    let rows: usize = rooms
        .iter()
        .map(|(_, body)| body.hours(&calendar).len() + body.days().len() + body.tens().len())
        .sum();
    assert!(0.0 < covered && 0 < rows);
    tell(started);
    store.close().await;
}

/// Seconds that the shell takes for a question.
fn ask(file: &Path, question: &str) -> f64 {
    let started = Instant::now();
    let done = Command::new("sqlite3")
        .arg("-readonly")
        .arg(file)
        .arg(question)
        .stdout(Stdio::null())
        .status();
    match done {
        Ok(status) if status.success() => started.elapsed().as_secs_f64(),
        _ => f64::NAN,
    }
}

/// Its version and the seconds it takes for both questions, or why it cannot be asked.
fn duckdb(folder: &Path, file: &Path) -> Result<(String, f64, f64), String> {
    let python = env::var("PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let has = Command::new(&python).args(["-c", "import duckdb"]).output();
    match has {
        Ok(done) if done.status.success() => {}
        _ => return Err(format!("{python} has no duckdb")),
    }
    let rows = folder.join("rows.csv");
    let out = fs::File::create(&rows).map_err(|e| e.to_string())?;
    let status = Command::new("sqlite3")
        .args(["-readonly", "-csv"])
        .arg(file)
        .arg("select sensor_id, measured_at, temperature_mc, humidity_mpct from reading")
        .stdout(out)
        .status();
    if !status.is_ok_and(|s| s.success()) {
        return Err("the rows were not written".to_owned());
    }
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches/account_duckdb.py");
    let done = Command::new(&python)
        .arg(script)
        .arg(&rows)
        .arg(HOLD_MS.to_string())
        .output()
        .map_err(|e| e.to_string())?;
    let said: serde_json::Value = serde_json::from_slice(&done.stdout)
        .map_err(|_| String::from_utf8_lossy(&done.stderr).into_owned())?;
    let seconds = |key: &str| said[key].as_f64().unwrap_or(f64::NAN);
    let version = said["version"].as_str().unwrap_or_default().to_owned();
    Ok((version, seconds("hours_s"), seconds("band_s")))
}
