//! The real program, killed at random points while messages are on their way.

use std::{
    collections::BTreeSet,
    fmt::Write as _,
    fs,
    io::{BufRead, BufReader},
    path::Path,
    process::{Child, Command, Stdio},
    time::{Duration, SystemTime},
};

use overwinter::{intake::sha256_hex, store::Store};

use crate::{
    farm::{TOKEN, client, until},
    servers::{Mood, Server},
};

const ROOMS: usize = 8;

/// A program that does not outlive the test.
struct Program {
    child: Child,
    base: String,
}

impl Program {
    fn start(folder: &Path) -> Self {
        let mut child = Command::new(env!("CARGO_BIN_EXE_overwinter"))
            .args(["run", "--config"])
            .arg(folder.join("overwinter.toml"))
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(child.stderr.take().unwrap()).lines();
        let base = lines
            .find_map(|l| {
                let l = l.unwrap();
                let (_, address) = l.split_once("Open http://")?;
                let address = address.split(['/', ' ']).next().unwrap();
                Some(format!("http://{address}"))
            })
            .expect("an address");
        // What is said from here on must not fill the pipe.
        std::thread::spawn(move || lines.for_each(drop));
        Self { child, base }
    }

    fn kill(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        self.kill();
    }
}

fn configuration(hook: u16, folder: &Path) -> String {
    let mut text = format!(
        r#"
[site]
listen = "127.0.0.1:0"

[[http]]
name = "gateway"
token_sha256 = "{}"

[[webhook]]
name = "hook"
url = "http://127.0.0.1:{hook}/in"
secret_file = "secret"

[[command]]
name = "siren"
run = ["sh", "-c", "cat >> {}; echo >> {}"]

[[contact]]
name = "Odile"
channels = ["hook", "siren"]
"#,
        sha256_hex(TOKEN),
        folder.join("heard").display(),
        folder.join("heard").display(),
    );
    for n in 0..ROOMS {
        let _ = write!(
            text,
            r#"
[[room]]
name = "room-{n}"
frost = {{ steps = [{{ beyond = "35F", for = "1s", priority = "high" }}] }}
[[sensor]]
name = "s-{n}"
room = "room-{n}"
role = "air"
interval = "10min"
"#
        );
    }
    text
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn killed_at_random_points_every_message_arrives() {
    let seed = std::env::var("SEED").map_or_else(
        |_| {
            let now = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH);
            now.unwrap().subsec_nanos().into()
        },
        |s| s.parse::<u64>().unwrap(),
    );
    println!("SEED={seed}");
    let mut state = seed | 1;
    let mut dice = |below: u64| {
        // xorshift64: any spread will do, as long as it follows from the seed.
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        state % below
    };
    let folder = tempfile::tempdir().unwrap();
    let moods: Vec<Mood> = (0..40).map(|_| Mood::Slow(dice(300))).collect();
    let hook = Server::http(&moods).await;
    fs::write(folder.path().join("secret"), "garden").unwrap();
    {
        use std::os::unix::fs::PermissionsExt as _;
        let private = fs::Permissions::from_mode(0o600);
        fs::set_permissions(folder.path().join("secret"), private).unwrap();
    }
    let config = folder.path().join("overwinter.toml");
    fs::write(&config, configuration(hook.port, folder.path())).unwrap();

    let client = client();
    for n in 0..ROOMS {
        let mut program = Program::start(folder.path());
        let body = format!(r#"{{"sensor":"s-{n}","temperature_c":0.5,"humidity_pct":80}}"#);
        let posted = client
            .post(format!("{}/api/readings", program.base))
            .bearer_auth(TOKEN)
            .header("content-type", "application/json")
            .body(body)
            .send()
            .await
            .unwrap();
        assert_eq!(posted.status(), 200);
        // The frost is told after a second; the courier looks twice a second.
        tokio::time::sleep(Duration::from_millis(900 + dice(1300))).await;
        program.kill();
    }
    let program = Program::start(folder.path());
    let store = Store::open(&folder.path().join("overwinter.db"))
        .await
        .unwrap();
    until("every message is delivered", async || {
        let rows = store.messages(1000).await.unwrap();
        let frosts: BTreeSet<&str> = rows
            .iter()
            .flat_map(|m| &m.occurrences)
            .filter(|o| o.contains("frost"))
            .map(String::as_str)
            .collect();
        if std::env::var_os("SHOW").is_some() {
            eprintln!("{rows:#?}");
        }
        let all = frosts.len() == ROOMS && rows.iter().all(|m| m.state == "sent");
        all.then_some(())
    })
    .await;
    let rows = store.messages(1000).await.unwrap();
    let told = hook.texts().join("\n");
    let heard = fs::read_to_string(folder.path().join("heard")).unwrap();
    for n in 0..ROOMS {
        for text in [&told, &heard] {
            assert!(text.contains(&format!("frost 1 room room-{n}")), "room-{n}");
        }
    }
    // One name to one message: nothing was owed twice.
    let keys: BTreeSet<String> = hook.got().into_iter().collect();
    let owed = rows.iter().filter(|m| m.channel == "hook").count();
    assert_eq!(keys.len(), owed, "{keys:#?}");
    let tries = store.tries().await.unwrap();
    assert!(tries.iter().filter(|t| t.2 == "sent").count() >= rows.len());
    drop(program);
    store.close().await;
}
