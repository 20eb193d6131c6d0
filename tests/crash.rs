//! The real program, killed and cut off from power in the middle of its work: what it acknowledged
//! is there, once, and so is every alert.
//!
//! A killed program leaves its writes to the operating system, which finishes them; a power cut does
//! not. The second is played by a preloaded library (`data/powercut.c`) that keeps a copy of each
//! file as it was when it was last synced; after the kill only these copies are given back. The same
//! library plays a full disk.

use std::{
    collections::{BTreeMap, BTreeSet},
    fmt::Write as _,
    fs,
    io::{BufRead, BufReader},
    path::{Path, PathBuf},
    process::{Child, ChildStderr, Command, Stdio},
    sync::{
        Arc,
        atomic::{AtomicUsize, Ordering},
    },
    thread,
    time::{Duration, Instant, SystemTime},
};

use overwinter::{
    intake::sha256_hex,
    notify::channel,
    store::Store,
    watch::{Input, Judge, Stamp},
};
use serde_json::Value;

const PROGRAM: &str = env!("CARGO_BIN_EXE_overwinter");
const TOKEN: &str = "a-token-of-the-tests";
const POSTERS: usize = 4;

fn client() -> reqwest::Client {
    // Puts the TLS primitives in place that any client looks for.
    channel::Post::new();
    reqwest::Client::new()
}

/// Numbers that look random and follow from a printed seed.
struct Dice(u64);

impl Dice {
    fn new() -> Self {
        let seed = match std::env::var("SEED") {
            Ok(seed) => seed.parse().expect("SEED is a number"),
            Err(_) => SystemTime::UNIX_EPOCH.elapsed().unwrap().as_micros() as u64 | 1,
        };
        eprintln!("SEED={seed}");
        Self(seed)
    }

    /// From 0 to `below` - 1; Marsaglia (2003), xorshift64.
    fn roll(&mut self, below: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % below
    }
}

/// A farm with one room and one sensor for each poster; frost is told at once and over at once, so
/// that every post changes an alert.
fn farm(folder: &Path) -> PathBuf {
    let mut text = format!(
        r#"
[site]
name = "Invented store"
time_zone = "UTC"
database = "overwinter.db"
listen = "127.0.0.1:0"

[[http]]
name = "gateway"
token_sha256 = "{}"
"#,
        sha256_hex(TOKEN)
    );
    for n in 0..POSTERS {
        let _ = write!(
            text,
            r#"
[[room]]
name = "room-{n}"
[room.frost]
steps = [{{ beyond = "35F", for = "0s", priority = "high" }}]
off_delay = "0s"

[[sensor]]
name = "s-{n}"
room = "room-{n}"
role = "air"
interval = "10min"
"#
        );
    }
    let path = folder.join("overwinter.toml");
    fs::write(&path, text).unwrap();
    path
}

/// The program at work.
struct Program {
    child: Child,
    base: String,
    rest: Option<thread::JoinHandle<()>>,
}

impl Program {
    fn start(config: &Path, shim: Option<&Path>) -> Self {
        let mut command = Command::new(PROGRAM);
        command.args(["run", "--config"]).arg(config);
        command.env("OVERWINTER_LOG", "warn");
        if let Some(shim) = shim {
            command.env("LD_PRELOAD", shim);
            command.env("POWERCUT_COUNT", config.with_file_name("syncs"));
            command.env("POWERCUT_FULL", config.with_file_name("full"));
        }
        command.stdout(Stdio::null()).stderr(Stdio::piped());
        let mut child = command.spawn().unwrap();
        let mut said = BufReader::new(child.stderr.take().unwrap());
        let mut all = String::new();
        let base = loop {
            let from = all.len();
            let length = said.read_line(&mut all).unwrap();
            assert!(length != 0, "it ended, {:?}, and said: {all}", child.wait());
            if let Some((_, address)) = all[from..].split_once("Open ") {
                break address.trim().trim_end_matches('/').to_owned();
            }
        };
        Self {
            child,
            base,
            rest: Some(thread::spawn(move || pass_on(said))),
        }
    }

    /// Nothing can be done about this signal; the program learns of nothing.
    fn kill(mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
        self.rest.take().unwrap().join().unwrap();
    }

    fn stop(mut self) {
        let pid = self.child.id().to_string();
        let asked = Command::new("sh")
            .args(["-c", "kill -TERM $0", &pid])
            .status();
        assert!(asked.unwrap().success());
        let ended = self.child.wait().unwrap();
        self.rest.take().unwrap().join().unwrap();
        assert_eq!(ended.code(), Some(0));
    }
}

impl Drop for Program {
    /// A test that fails leaves nothing running.
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn pass_on(said: BufReader<ChildStderr>) {
    for line in said.lines().map_while(Result::ok) {
        eprintln!("the program: {line}");
    }
}

/// One post: the readings of one sensor at these instants, all equally warm.
#[derive(Debug, Clone)]
struct Post {
    sensor: usize,
    instants: Vec<Stamp>,
    cold: bool,
}

impl Post {
    fn body(&self) -> String {
        let t = if self.cold { "0.5" } else { "9" };
        let rows: Vec<String> = self
            .instants
            .iter()
            .map(|at| {
                format!(
                    r#"{{"sensor":"s-{}","measured_at":"{}","temperature_c":{t},"humidity_pct":80}}"#,
                    self.sensor,
                    at.to_rfc3339()
                )
            })
            .collect();
        format!("[{}]", rows.join(","))
    }

    fn keys(&self) -> impl Iterator<Item = (String, String)> + '_ {
        let name = format!("s-{}", self.sensor);
        self.instants
            .iter()
            .map(move |at| (name.clone(), at.to_rfc3339()))
    }

    /// Stored and duplicate; `None` when there was no whole answer.
    async fn send(&self, client: &reqwest::Client, base: &str) -> Option<(u64, u64)> {
        let answer = client
            .post(format!("{base}/api/readings"))
            .bearer_auth(TOKEN)
            .header("content-type", "application/json")
            .body(self.body())
            .send()
            .await
            .ok()?;
        let status = answer.status();
        let text = answer.text().await;
        if !status.is_success() {
            assert!(status.is_server_error(), "{status} {text:?}");
            return None;
        }
        // The status is a promise already, whatever became of the rest.
        let Ok(json) = serde_json::from_str::<Value>(&text.unwrap_or_default()) else {
            return Some((u64::MAX, 0));
        };
        assert_eq!(
            (&json["conflict"], &json["refused"]),
            (&0.into(), &0.into()),
            "{json}"
        );
        Some((json["stored"].as_u64()?, json["duplicate"].as_u64()?))
    }
}

/// One who posts, round after round, and remembers what was promised.
struct Poster {
    sensor: usize,
    next: Stamp,
    sent: usize,
    kept: Vec<Post>,
    unsure: Vec<Post>,
}

impl Poster {
    fn all(from: Stamp) -> Vec<Self> {
        (0..POSTERS)
            .map(|sensor| Self {
                sensor,
                next: from,
                sent: 0,
                kept: Vec::new(),
                unsure: Vec::new(),
            })
            .collect()
    }

    fn post(&mut self, readings: usize) -> Post {
        let mut instants = Vec::new();
        for _ in 0..readings {
            instants.push(self.next);
            self.next = self.next.plus(10);
        }
        self.sent += 1;
        Post {
            sensor: self.sensor,
            instants,
            cold: self.sent % 2 == 1,
        }
    }

    /// Posts until nobody answers.
    async fn work(mut self, base: String, answers: Arc<AtomicUsize>, mut dice: Dice) -> Self {
        let client = client();
        loop {
            let post = self.post(1 + dice.roll(6) as usize);
            if post.send(&client, &base).await.is_none() {
                self.unsure.push(post);
                return self;
            }
            self.kept.push(post);
            answers.fetch_add(1, Ordering::SeqCst);
        }
    }
}

/// Presses every button it sees until nobody answers.
async fn press(base: String) {
    channel::Post::new();
    let client = reqwest::Client::builder()
        .redirect(reqwest::redirect::Policy::none())
        .build()
        .unwrap();
    loop {
        let Ok(answer) = client.get(format!("{base}/api/alerts")).send().await else {
            return;
        };
        let Ok(text) = answer.text().await else {
            return;
        };
        let alerts: Value = serde_json::from_str(&text).unwrap();
        for alert in alerts.as_array().unwrap() {
            let occurrence = alert["occurrence"].as_str().unwrap().replace(' ', "+");
            let pressed = client
                .post(format!("{base}/alerts/acknowledge"))
                .header("content-type", "application/x-www-form-urlencoded")
                .body(format!("occurrence={occurrence}"))
                .send()
                .await;
            if pressed.is_err() {
                return;
            }
        }
        tokio::task::yield_now().await;
    }
}

/// Lets everybody post at once and kills the program after some answers.
async fn killed_at_work(program: Program, posters: Vec<Poster>, dice: &mut Dice) -> Vec<Poster> {
    let answers = Arc::new(AtomicUsize::new(0));
    let mut tasks = Vec::new();
    for poster in posters {
        let dice = Dice(dice.roll(u64::MAX) | 1);
        let work = poster.work(program.base.clone(), answers.clone(), dice);
        tasks.push(tokio::spawn(work));
    }
    let presser = tokio::spawn(press(program.base.clone()));
    let wanted = 1 + dice.roll(40) as usize;
    let began = Instant::now();
    while answers.load(Ordering::SeqCst) < wanted {
        assert!(began.elapsed() < Duration::from_secs(20), "nobody answers");
        tokio::time::sleep(Duration::from_micros(200)).await;
    }
    // Anywhere between two answers.
    tokio::time::sleep(Duration::from_micros(dice.roll(4000))).await;
    program.kill();
    presser.await.unwrap();
    let mut posters = Vec::new();
    for task in tasks {
        posters.push(task.await.unwrap());
    }
    posters
}

/// Sensor and instant of every reading that is stored, and how often.
fn exported(config: &Path) -> BTreeMap<(String, String), usize> {
    let export = Command::new(PROGRAM)
        .args(["export", "readings", "--config"])
        .arg(config)
        .output()
        .unwrap();
    assert!(export.status.success(), "{export:?}");
    let mut found = BTreeMap::new();
    for row in csv::Reader::from_reader(&export.stdout[..]).into_records() {
        let row = row.unwrap();
        *found
            .entry((row[1].to_owned(), row[0].to_owned()))
            .or_insert(0) += 1;
    }
    found
}

fn now() -> Stamp {
    overwinter::clock::Clock::machine().now()
}

/// The log folded from its beginning tells every change that was recorded, in that order, and no
/// other; no change is recorded twice; what stands in the record is what stands for the judge.
async fn alerts_follow_from_the_log(database: &Path) -> usize {
    let store = Store::open(database).await.unwrap();
    let mut judge = Judge::new();
    let mut told = Vec::new();
    let mut note = |judge: &mut Judge, input: &Input| {
        for t in judge.step(input) {
            let change = (
                t.occurrence.to_string(),
                t.at,
                t.from.as_str().to_owned(),
                t.to.as_str().to_owned(),
            );
            // Raised and over and raised within one millisecond are one to the record.
            if !told.contains(&change) {
                told.push(change);
            }
        }
    };
    store.fold(|input| note(&mut judge, input)).await.unwrap();
    if let Some(at) = store.alive().await.unwrap() {
        note(&mut judge, &Input::Tick { at });
    }
    let recorded = store.transitions().await.unwrap();
    let once: BTreeSet<_> = recorded.iter().collect();
    assert_eq!(once.len(), recorded.len(), "a change is recorded once");
    assert_eq!(recorded, told);
    let standing: BTreeSet<_> = judge
        .standing()
        .into_iter()
        .map(|s| (s.occurrence.to_string(), s.state.as_str()))
        .collect();
    let open: BTreeSet<_> = store
        .open_alerts()
        .await
        .unwrap()
        .into_iter()
        .map(|row| (row.occurrence.to_string(), row.state.as_str()))
        .collect();
    assert_eq!(open, standing);
    store.close().await;
    recorded.len()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn killed_twenty_times_it_has_what_it_promised_once() {
    let folder = tempfile::tempdir().unwrap();
    let config = farm(folder.path());
    let database = folder.path().join("overwinter.db");
    let mut dice = Dice::new();
    let mut posters = Poster::all(now().plus(-600_000));
    let mut changes = 0;
    for round in 0..20 {
        let program = Program::start(&config, None);
        posters = killed_at_work(program, posters, &mut dice).await;
        let found = exported(&config);
        let mut expected = 0;
        for post in posters.iter().flat_map(|p| &p.kept) {
            for key in post.keys() {
                assert_eq!(found.get(&key), Some(&1), "round {round}: {key:?}");
                expected += 1;
            }
        }
        // What was not answered is there whole or not at all.
        for post in posters.iter().flat_map(|p| &p.unsure) {
            let there = post.keys().filter(|key| found.get(key) == Some(&1)).count();
            assert!(
                there == 0 || there == post.instants.len(),
                "round {round}: {post:?}"
            );
            expected += there;
        }
        assert_eq!(
            found.values().sum::<usize>(),
            expected,
            "round {round}: nothing else"
        );
        let more = alerts_follow_from_the_log(&database).await;
        assert!(changes <= more, "round {round}: no change is lost");
        changes = more;
    }

    assert!(20 < changes, "alerts change all the time");

    // Whoever got no answer sends again, and then everything is there once.
    let program = Program::start(&config, None);
    let client = client();
    let mut all = 0;
    for post in posters.iter().flat_map(|p| p.kept.iter().chain(&p.unsure)) {
        let (stored, duplicate) = post.send(&client, &program.base).await.unwrap();
        assert_eq!((stored + duplicate) as usize, post.instants.len());
        all += post.instants.len();
    }
    program.stop();
    let found = exported(&config);
    assert_eq!((found.len(), found.values().sum::<usize>()), (all, all));
    alerts_follow_from_the_log(&database).await;
    eprintln!("{all} readings, {changes} changes of alerts, 20 kills");
}

/// Builds the library that keeps what was synced.
fn shim(folder: &Path) -> PathBuf {
    let library = folder.join("powercut.so");
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/powercut.c");
    let built = Command::new("cc")
        .args(["-shared", "-fPIC", "-O1", "-Wall", "-o"])
        .arg(&library)
        .arg(&source)
        .args(["-ldl", "-lpthread"])
        .output()
        .expect("a C compiler named cc");
    assert!(
        built.status.success(),
        "{}",
        String::from_utf8_lossy(&built.stderr)
    );
    library
}

/// The database and what belongs to it.
fn files(folder: &Path) -> [PathBuf; 2] {
    ["overwinter.db", "overwinter.db-wal"].map(|name| folder.join(name))
}

fn synced(file: &Path) -> PathBuf {
    let mut name = file.as_os_str().to_owned();
    name.push(".synced");
    name.into()
}

/// Gives back what was synced and nothing else.
fn power_cut(folder: &Path) {
    for file in files(folder) {
        if synced(&file).exists() {
            fs::copy(synced(&file), &file).unwrap();
        } else if file.exists() {
            fs::remove_file(&file).unwrap();
        }
    }
    let _ = fs::remove_file(folder.join("overwinter.db-shm"));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn after_a_power_cut_it_has_what_it_promised() {
    let folder = tempfile::tempdir().unwrap();
    let config = farm(folder.path());
    let shim = shim(folder.path());
    let mut dice = Dice::new();
    let mut posters = Poster::all(now().plus(-600_000));
    let client = client();
    for round in 0..8 {
        let program = Program::start(&config, Some(&shim));
        // A reading that is there is a duplicate when it is sent again.
        for post in posters.iter().flat_map(|p| &p.kept) {
            let found = post.send(&client, &program.base).await.unwrap();
            assert_eq!(
                found,
                (0, post.instants.len() as u64),
                "round {round}: {post:?}"
            );
        }
        posters = killed_at_work(program, posters, &mut dice).await;
        power_cut(folder.path());
    }
    let found = exported(&config);
    let kept: Vec<_> = posters
        .iter()
        .flat_map(|p| &p.kept)
        .flat_map(Post::keys)
        .collect();
    assert!(kept.iter().all(|key| found.get(key) == Some(&1)));
    assert!(8 < kept.len());
    let changes = alerts_follow_from_the_log(&folder.path().join("overwinter.db")).await;
    eprintln!(
        "{} readings promised, {changes} changes of alerts, 8 power cuts",
        kept.len()
    );
}

/// The test above can fail: each answer waits for a sync of its own, and what was synced before the
/// last answer lacks what it promised.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_answer_waits_for_the_disk() {
    let folder = tempfile::tempdir().unwrap();
    let config = farm(folder.path());
    let shim = shim(folder.path());
    let client = client();
    let mut poster = Poster::all(now().plus(-600_000)).remove(0);
    let program = Program::start(&config, Some(&shim));
    let syncs = || fs::metadata(folder.path().join("syncs")).map_or(0, |m| m.len());
    let mut before = syncs();
    for n in 0..20 {
        let post = poster.post(1);
        assert_eq!(post.send(&client, &program.base).await, Some((1, 0)));
        let after = syncs();
        assert!(before < after, "answer {n} came without a sync");
        before = after;
    }
    let earlier = files(folder.path()).map(|file| fs::read(synced(&file)).unwrap());
    let last = poster.post(1);
    assert_eq!(last.send(&client, &program.base).await, Some((1, 0)));
    program.kill();

    power_cut(folder.path());
    let now = files(folder.path()).map(|file| fs::read(file).unwrap());
    for (file, bytes) in files(folder.path()).iter().zip(&earlier) {
        fs::write(synced(file), bytes).unwrap();
    }
    power_cut(folder.path());
    let program = Program::start(&config, Some(&shim));
    let again = last.send(&client, &program.base).await;
    assert_eq!(again, Some((1, 0)), "the older copy lacks the last reading");
    program.kill();

    for (file, bytes) in files(folder.path()).iter().zip(&now) {
        fs::write(synced(file), bytes).unwrap();
    }
    power_cut(folder.path());
    let program = Program::start(&config, Some(&shim));
    let again = last.send(&client, &program.base).await;
    assert_eq!(again, Some((0, 1)), "the newer copy has it");
    program.stop();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_full_disk_ends_when_there_is_room_again() {
    let folder = tempfile::tempdir().unwrap();
    let config = farm(folder.path());
    let shim = shim(folder.path());
    let full = folder.path().join("full");
    let client = client();
    let mut poster = Poster::all(now().plus(-600_000)).remove(0);
    let program = Program::start(&config, Some(&shim));
    let page = |path: &'static str| {
        let asked = client.get(format!("{}{path}", program.base)).send();
        async { asked.await.unwrap() }
    };
    for _ in 0..3 {
        let kept = poster.post(50);
        assert_eq!(kept.send(&client, &program.base).await, Some((50, 0)));

        fs::write(&full, "").unwrap();
        let owed = poster.post(50);
        assert_eq!(owed.send(&client, &program.base).await, None);
        assert_eq!(page("/readyz").await.status(), 503);
        let said = page("/").await.text().await.unwrap();
        assert!(
            said.contains("Nothing can be stored: the disk is full"),
            "{said}"
        );

        fs::remove_file(&full).unwrap();
        // What was refused is not there, and is taken when it comes again.
        assert_eq!(owed.send(&client, &program.base).await, Some((50, 0)));
        assert_eq!(page("/readyz").await.status(), 200);
        assert_eq!(kept.send(&client, &program.base).await, Some((0, 50)));
    }
    program.stop();
    let exported = exported(&config);
    assert_eq!(exported.len(), 300);
    assert!(exported.values().all(|&times| times == 1), "{exported:?}");
}
