//! What a large stock costs: 500 crates, 200 varieties, three winters of entries. Run with
//! `cargo bench --bench stock`.

use std::{
    fmt::Write as _,
    fs,
    path::Path,
    process::{Child, Command, Stdio},
    time::{Duration, Instant},
};

use overwinter::{
    clock::Clock,
    notify::channel::Post,
    stock::{
        CrateCode, Finding, Form,
        ledger::{Asked, Deed, LotId, Outcome, To},
    },
    store::{Store, ledger::Request},
    watch::Stamp,
};
use tokio::runtime::Runtime;

const CRATES: usize = 500;
const VARIETIES: usize = 200;
/// Looks at every crate in a winter.
const LOOKS: usize = 12;
const WINTERS: i64 = 3;
const DAY_MS: i64 = 86_400_000;
/// Deeds in one message, as the pages send them.
const TOGETHER: usize = 200;

fn main() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let runtime = Runtime::new().expect("a runtime");
    let port = std::net::TcpListener::bind("127.0.0.1:0")
        .and_then(|l| l.local_addr())
        .expect("a free port")
        .port();
    let config = folder.path().join("overwinter.toml");
    fs::write(&config, config_text(port)).expect("a writable folder");
    let database = folder.path().join("overwinter.db");
    runtime.block_on(winters(&database));
    runtime.block_on(loading(&database));
    shell(&database);

    // Puts the TLS primitives in place that any client looks for.
    Post::new();
    let client = reqwest::Client::new();
    let base = format!("http://127.0.0.1:{port}");
    let daemon = Daemon(
        Command::new(env!("CARGO_BIN_EXE_overwinter"))
            .args(["run", "--config"])
            .arg(&config)
            .stderr(Stdio::null())
            .spawn()
            .expect("the program"),
    );
    runtime.block_on(async {
        let started = Instant::now();
        while !matches!(client.get(&base).send().await, Ok(a) if a.status().is_success()) {
            assert!(started.elapsed() < Duration::from_secs(60), "never ready");
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
        for path in [
            "/crates?by=risk",
            "/crates?by=crate",
            "/crates?by=place",
            "/crates?by=variety",
            "/crates?by=risk&q=Variety+107",
            "/crates?by=risk&q=brindolte",
            "/crates?by=risk&q=qqqqqqqqq",
            "/api/stock/crates?q=brindolte",
            "/crate?code=K-250",
            "/stock/list?by=variety",
            "/stock/crates.csv",
        ] {
            pages(&client, &base, path, 300).await;
        }
        pages(&client, &base, "/stock/ledger.json", 5).await;
        deeds(&client, &base).await;
    });
    drop(daemon);
}

struct Daemon(Child);

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn config_text(port: u16) -> String {
    let mut text = format!("[site]\nlisten = \"127.0.0.1:{port}\"\n");
    for room in 0..4 {
        let _ = writeln!(
            text,
            "[[room]]\nname = \"room-{room}\"\n[[sensor]]\nname = \"s{room}\"\nroom = \"room-{room}\"\nrole = \"air\"\ninterval = \"1min\""
        );
    }
    text
}

fn code(n: usize) -> CrateCode {
    format!("K-{n:03}").parse().expect("a code")
}

fn variety(n: usize) -> String {
    match n % VARIETIES {
        0 => "Brindolet".to_owned(),
        n => format!("Variety {n}"),
    }
}

fn to(n: usize) -> To {
    To {
        code: code(n),
        room: format!("room-{}", n % 4),
        place: format!("rack {} / shelf {} / {}", n % 12, n % 5, n / 60),
        packing: "peat".into(),
    }
}

/// Three winters: filled in autumn, looked through, weighed, culled and sold from, planted out.
async fn winters(database: &Path) {
    let store = Store::open(database).await.expect("an open database");
    let start = Clock::machine().now().plus(-WINTERS * 365 * DAY_MS);
    let began = Instant::now();
    let mut entered = 0;
    for winter in 0..WINTERS {
        let at = |day: i64| start.plus((winter * 365 + day) * DAY_MS);
        let fill = (0..CRATES * 2).map(|n| Deed::Lifted {
            into: to(n % CRATES),
            variety: variety(n * 7 + winter as usize),
            form: if n % 3 == 0 {
                Form::Division
            } else {
                Form::Clump
            },
            count: 15 + (n % 3) as u32,
            dug: None,
        });
        entered += enter(&store, at(0), fill.collect()).await;
        let lots = held(&store).await;
        for look in 0..LOOKS {
            let mut deeds: Vec<Deed> = (0..CRATES)
                .map(|n| Deed::Looked {
                    krate: code(n),
                    lot: None,
                    finding: Finding::Sound,
                    count: None,
                })
                .collect();
            let of_this_look = lots.iter().skip(look).step_by(LOOKS);
            deeds.extend(of_this_look.map(|(lot, _)| Deed::Culled {
                lot: *lot,
                finding: Finding::Soft,
                count: 1,
            }));
            entered += enter(&store, at(10 + 10 * look as i64), deeds).await;
        }
        let weighed = (0..CRATES).map(|n| Deed::Weighed {
            krate: code(n),
            grams: 9000 + n as u32,
        });
        entered += enter(&store, at(60), weighed.collect()).await;
        // The last winter is not over yet.
        if winter + 1 < WINTERS {
            let planted = held(&store).await;
            let planted = planted.into_iter().map(|(lot, count)| Deed::Planted {
                lot,
                count,
                bed: String::new(),
            });
            entered += enter(&store, at(200), planted.collect()).await;
        }
    }
    let stock = store.stock().await.expect("a stock");
    println!(
        "{entered} entries by deeds in messages of {TOGETHER}: {:.1} s, {:.2} ms an entry; {} crates, {} tubers, {} lots that ever were, {:.1} MB",
        began.elapsed().as_secs_f64(),
        began.elapsed().as_secs_f64() * 1000.0 / entered as f64,
        stock.crates().count(),
        stock.tubers(),
        stock.lots().count(),
        fs::metadata(database).map_or(0, |m| m.len()) as f64 / 1e6
    );
    store.close().await;
}

async fn held(store: &Store) -> Vec<(LotId, u32)> {
    let stock = store.stock().await.expect("a stock");
    let full = stock.lots().filter(|(.., count)| *count != 0);
    full.map(|(id, _, count)| (id, count)).collect()
}

async fn enter(store: &Store, at: Stamp, deeds: Vec<Deed>) -> usize {
    let asked: Vec<Asked> = deeds.into_iter().map(Asked::from).collect();
    for some in asked.chunks(TOGETHER) {
        let mut tx = store.begin().await.expect("a transaction");
        let request = Request {
            asked: some,
            together: false,
            at,
            who: "bench",
            doubt: &|_| None,
        };
        let (outcomes, ..) = tx.enter(&request).await.expect("a store");
        let all = outcomes.iter().all(|o| matches!(o, Outcome::Entered(_)));
        assert!(all, "{outcomes:?}");
        tx.commit().await.expect("a store");
    }
    asked.len()
}

/// Median and 99th percentile in milliseconds.
fn told(mut took: Vec<Duration>) -> String {
    took.sort();
    let ms = |at: usize| took[at].as_secs_f64() * 1000.0;
    format!(
        "{:.1} ms median, {:.1} ms at the 99th percentile",
        ms(took.len() / 2),
        ms(took.len() * 99 / 100)
    )
}

async fn loading(database: &Path) {
    let store = Store::open(database).await.expect("an open database");
    let (mut stock, mut crates) = (Vec::new(), Vec::new());
    for _ in 0..100 {
        let started = Instant::now();
        store.stock().await.expect("a stock");
        stock.push(started.elapsed());
        let started = Instant::now();
        store.crates().await.expect("crates");
        crates.push(started.elapsed());
    }
    println!("the stock loaded: {}", told(stock));
    println!("the crates that hold something loaded: {}", told(crates));
    store.close().await;
}

/// The `sqlite3` shell on the same tables: crates in which a word stands, without forgiving anything.
fn shell(database: &Path) {
    const TIMES: usize = 100;
    let query = "select c.code, c.room, c.place, l.variety, l.form, l.tubers from crate c join lot l using (crate_id) \
                 where l.tubers <> 0 and (c.code like '%brindolet%' or c.room like '%brindolet%' or c.place like '%brindolet%' \
                 or c.packing like '%brindolet%' or l.variety like '%brindolet%' or l.note like '%brindolet%') order by c.code;\n";
    let run = |times: usize| {
        let started = Instant::now();
        let mut child = Command::new("sqlite3")
            .arg(database)
            .stdin(Stdio::piped())
            .stdout(Stdio::null())
            .spawn()
            .ok()?;
        let mut input = child.stdin.take()?;
        std::io::Write::write_all(&mut input, query.repeat(times).as_bytes()).ok()?;
        drop(input);
        child.wait().ok()?.success().then(|| started.elapsed())
    };
    let (Some(one), Some(many)) = (run(1), run(1 + TIMES)) else {
        println!("sqlite3 shell: not here");
        return;
    };
    println!(
        "sqlite3 shell, like: {:.1} ms a query, {:.1} ms with the start of the shell",
        many.saturating_sub(one).as_secs_f64() * 1000.0 / TIMES as f64,
        one.as_secs_f64() * 1000.0
    );
}

async fn pages(client: &reqwest::Client, base: &str, path: &str, times: usize) {
    let (mut took, mut bytes) = (Vec::new(), 0);
    for _ in 0..times {
        let started = Instant::now();
        let answer = client.get(format!("{base}{path}")).send().await;
        let answer = answer.expect("an answer");
        assert!(answer.status().is_success(), "{path}: {}", answer.status());
        bytes = answer.bytes().await.expect("a body").len();
        took.push(started.elapsed());
    }
    println!("{path}: {}, {:.1} kB", told(took), bytes as f64 / 1000.0);
}

async fn deeds(client: &reqwest::Client, base: &str) {
    let mut took = Vec::new();
    for n in 0..200 {
        let deed = format!(
            r#"{{"entries":[{{"deed":{{"kind":"looked","crate":"K-{n:03}","finding":"sound"}}}}]}}"#
        );
        let started = Instant::now();
        let answer = client
            .post(format!("{base}/api/stock/entries"))
            .header("content-type", "application/json")
            .body(deed)
            .send()
            .await
            .expect("an answer");
        let text = answer.text().await.expect("a body");
        took.push(started.elapsed());
        assert!(text.contains("entered"), "{text}");
    }
    println!("one deed entered, answered after commit: {}", told(took));
}
